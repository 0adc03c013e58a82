package api

import (
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// Extract writes the Observation of a response that is not stored: without an
// id, issued when it was authored, derived from the response unversioned.
func Extract(response *questionnaire.Response, bands *scoring.BandSet) []byte {
	return extractFrom(response, bands, "")
}

// extractFrom does so of a response whose stored version is known, as derivedFrom.
func extractFrom(response *questionnaire.Response, bands *scoring.BandSet, derivedFrom string) []byte {
	in := observation.Input{Response: response, Status: statusOf(response.Status), Bands: bands}
	if response.Authored.Precision == fhir.ToSecond {
		in.Issued = response.Authored.Time
	}
	id := response.Root.Get("id")
	if in.DerivedFrom = derivedFrom; derivedFrom == "" && id.Exists() {
		in.DerivedFrom = "QuestionnaireResponse/" + id.Text()
	}
	if identifier := response.Root.Get("identifier"); identifier.Get("value").Exists() {
		in.Identifier = observation.Identifier(identifier.Get("system").Text(), identifier.Get("value").Text())
	} else if id.Exists() {
		in.Identifier = observation.Identifier(observation.ResponseIdentifierSystem, id.Text())
	} else {
		in.Identifier = observation.Identifier(observation.ResponseIdentifierSystem, response.Root.Digest())
	}
	return observation.Append(make([]byte, 0, 16<<10), &in)
}
