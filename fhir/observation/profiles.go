package observation

import "tidemark.example/tidemark/questionnaire"

// The profiles that our Observations claim in meta.profile; they are published
// as StructureDefinitions beside the forms, and an independent engine holds what
// is emitted against them.
const (
	scoreProfile  = questionnaire.Base + "/StructureDefinition/scorad-observation"
	panelProfile  = questionnaire.Base + "/StructureDefinition/scorad-panel"
	memberProfile = questionnaire.Base + "/StructureDefinition/scorad-panel-member"
)
