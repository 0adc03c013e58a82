package questionnaire_test

import (
	"slices"

	"tidemark.example/tidemark/questionnaire"
)

// question is one item of the forms as the service promises it, written down
// here independently of the published files.
type question struct {
	link string
	// kind is the item's type, needs the extent method that shows it.
	kind, needs string
	required    bool
	second      string // SNOMED CT code that rides beside ours
}

type section struct {
	link      string
	questions []question
}

var regionLinks = []string{
	"extent.head-front", "extent.head-back", "extent.trunk-front", "extent.trunk-back",
	"extent.arm-right-front", "extent.arm-right-back", "extent.arm-left-front", "extent.arm-left-back",
	"extent.leg-right-front", "extent.leg-right-back", "extent.leg-left-front", "extent.leg-left-back",
	"extent.genitals",
}

// The SNOMED CT codes were read in published value sets: eHDSI 8.1.0 of HL7
// Europe (444827008, 418363000), the skin wound guide of HL7 (95322002,
// 247444006, 16386004, 95321009, 271761007) and SNOMED's own training reference
// set (279002006).
var grades = []question{
	{link: "intensity.erythema", kind: "choice", required: true, second: "444827008"},
	{link: "intensity.oedema", kind: "choice", required: true, second: "95322002"},
	{link: "intensity.oozing", kind: "choice", required: true},
	{link: "intensity.excoriation", kind: "choice", required: true, second: "247444006"},
	{link: "intensity.lichenification", kind: "choice", required: true, second: "279002006"},
	{link: "intensity.dryness", kind: "choice", required: true, second: "16386004"},
}

// sections are the groups of a form with their questions; display items are
// not among them.
func sections(form string) []section {
	extent := []question{
		{link: "extent.method", kind: "choice", required: true},
		{link: "extent.age-group", kind: "choice", needs: "regions", required: true},
	}
	for _, link := range regionLinks {
		extent = append(extent, question{link: link, kind: "integer", needs: "regions", required: true})
	}
	all := []section{
		{"extent", append(extent,
			question{link: "extent.hands", kind: "decimal", needs: "hands", required: true},
			question{link: "extent.direct", kind: "decimal", needs: "direct", required: true})},
		{"intensity", grades},
		{"symptoms", []question{
			{link: "symptoms.itch", kind: "decimal", second: "418363000"},
			{link: "symptoms.sleep-loss", kind: "decimal"},
		}},
		{"also-seen", []question{
			{link: "also-seen.bleeding", kind: "boolean"},
			{link: "also-seen.fissures", kind: "boolean", second: "95321009"},
			{link: "also-seen.scaling", kind: "boolean", second: "271761007"},
		}},
	}
	results := []question{
		{link: "result.extent-part", kind: "decimal"}, {link: "result.intensity-part", kind: "decimal"},
		{link: "result.subjective-part", kind: "decimal"}, {link: "result.objective", kind: "decimal"},
		{link: "result.scorad", kind: "decimal"},
	}
	if form == questionnaire.ClinicianAssessment {
		all = append(all, section{"bonus", []question{{link: "bonus.face-hands", kind: "boolean"}}})
		results = slices.Insert(results, 4, question{link: "result.objective-with-bonus", kind: "decimal"})
	}
	return append(all, section{"result", results}, section{"safety", nil})
}

// links lists the questions of a form that a rater answers, in order.
func answerable(form string) []question {
	var all []question
	for _, s := range sections(form) {
		if s.link != "result" {
			all = append(all, s.questions...)
		}
	}
	return all
}
