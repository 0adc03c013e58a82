package questionnaire_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// shape is one way in which a portal writes the same assessment.
type shape struct {
	name     string
	change   func(s *sheet)
	warnings []fault
}

// direct has its method at item[0].item[0], its percent at item[0].item[1], its
// grades at item[1].item[0..5], itch and sleep loss at item[2].item[0..1].
var shapesOfDirect = []shape{
	{name: "as the form asks, nested", change: func(*sheet) {}},
	{name: "flat", change: func(s *sheet) { s.flat = true }},
	{name: "flat with empty groups", change: func(s *sheet) { s.flat, s.empties = true, true }},
	{name: "with the form's texts", change: func(s *sheet) { s.texts = true }},
	{name: "display items kept", change: func(s *sheet) { s.displays = true }},
	{name: "display items kept, flat", change: func(s *sheet) { s.displays, s.flat = true, true }},
	{name: "empty items kept", change: func(s *sheet) { s.empties = true }},
	{name: "display and empty items kept", change: func(s *sheet) { s.displays, s.empties, s.texts = true, true, true }},
	{
		name:   "item.text of a group, a question and a display differs",
		change: reworded,
		warnings: []fault{
			{fhir.IssueInvalid, "QuestionnaireResponse.item[0].text", "extent", "The text differs from the form's"},
			{fhir.IssueInvalid, "QuestionnaireResponse.item[0].item[0].text", "extent.window", "The text differs from the form's"},
			{fhir.IssueInvalid, "QuestionnaireResponse.item[0].item[1].text", "extent.method", "Show raters the form's own wording."},
		},
	},
	{
		name:     "grade as coding without system",
		change:   answer("intensity.oedema", `"valueCoding":{"code":"mild"}`),
		warnings: []fault{{fhir.IssueCodeInvalid, "QuestionnaireResponse.item[1].item[1].answer[0].value", "intensity.oedema", "The coding has no system and was taken for one of " + questionnaire.GradeSystem}},
	},
	{
		name:     "method as coding without system",
		change:   answer("extent.method", `"valueCoding":{"code":"direct","display":"Directly as a percentage"}`),
		warnings: []fault{{fhir.IssueCodeInvalid, "QuestionnaireResponse.item[0].item[0].answer[0].value", "extent.method", "was taken for one of " + questionnaire.ScoradSystem}},
	},
	{
		name:     "coding with another display",
		change:   answer("intensity.dryness", `"valueCoding":{"system":"`+questionnaire.GradeSystem+`","code":"mild","display":"A little"}`),
		warnings: []fault{{fhir.IssueValue, "QuestionnaireResponse.item[1].item[5].answer[0].value.display", "intensity.dryness", "The display differs from the option's"}},
	},
	{name: "coding with the option's display", change: answer("intensity.dryness", `"valueCoding":{"system":"`+questionnaire.GradeSystem+`","code":"mild","display":"Mild"}`)},
	{name: "coding with the option's display in capitals", change: answer("intensity.dryness", `"valueCoding":{"system":"`+questionnaire.GradeSystem+`","code":"mild","display":"MILD"}`)},
	{
		name:     "grade as integer",
		change:   answer("intensity.erythema", `"valueInteger":2`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[1].item[0].answer[0].value", "intensity.erythema", "The number was understood as the option of that weight, 0 to 3 in the order absent, mild, moderate, severe"}},
	},
	{
		name:     "grade as whole decimal",
		change:   answer("intensity.erythema", `"valueDecimal":2.0`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[1].item[0].answer[0].value", "intensity.erythema", "send a valueCoding"}},
	},
	{
		name:     "grade as the option's text",
		change:   answer("intensity.erythema", `"valueString":"Moderate"`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[1].item[0].answer[0].value", "intensity.erythema", "The text was understood as the option of that name; send a valueCoding"}},
	},
	{
		name:     "grade as the option's text in small letters, with blanks around",
		change:   answer("intensity.erythema", `"valueString":" moderate "`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[1].item[0].answer[0].value", "intensity.erythema", "send a valueCoding"}},
	},
	{
		name:     "method as the option's text",
		change:   answer("extent.method", `"valueString":"Directly as a percentage"`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[0].answer[0].value", "extent.method", "one of regions, hands, direct."}},
	},
	{
		name:     "percent as Quantity of %",
		change:   answer("extent.direct", `"valueQuantity":{"value":18.5,"unit":"%","system":"http://unitsofmeasure.org","code":"%"}`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[1].answer[0].value", "extent.direct", "The form asks for valueDecimal; valueQuantity was understood as the same number."}},
	},
	{
		name:     "itch as Quantity of {score}",
		change:   answer("symptoms.itch", `"valueQuantity":{"value":5.7,"system":"http://unitsofmeasure.org","code":"{score}"}`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[2].item[0].answer[0].value", "symptoms.itch", "valueQuantity was understood as the same number."}},
	},
	{
		name:     "itch as Quantity of 1",
		change:   answer("symptoms.itch", `"valueQuantity":{"value":5.7,"system":"http://unitsofmeasure.org","code":"1"}`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[2].item[0].answer[0].value", "symptoms.itch", "same number"}},
	},
	{
		name:     "itch as Quantity with a unit in words only",
		change:   answer("symptoms.itch", `"valueQuantity":{"value":5.7,"unit":"{score}"}`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[2].item[0].answer[0].value", "symptoms.itch", "same number"}},
	},
	{
		name:     "itch as Quantity without unit",
		change:   answer("symptoms.itch", `"valueQuantity":{"value":5.7}`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[2].item[0].answer[0].value", "symptoms.itch", "same number"}},
	},
	{name: "itch with an exponent", change: answer("symptoms.itch", `"valueDecimal":57e-1`)},
}

func TestEveryShapeOfADirectExtentIsUnderstoodAlike(t *testing.T) {
	t.Parallel()
	for _, c := range shapesOfDirect {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			c.change(s)
			response := accepted(t, s, c.warnings...)
			require.Equal(t, directlyAssessed(), response.Assessment)
			require.Equal(t, "39.80", response.Result.Scorad.Value.String())
			require.Equal(t, questionnaire.Completed, response.Status)
		})
	}
}

// In byRegions the age group is at item[0].item[1] and the regions follow it.
var shapesOfRegions = []shape{
	{name: "as the form asks, nested", change: func(*sheet) {}},
	{name: "flat", change: func(s *sheet) { s.flat = true }},
	{name: "display and empty items kept, with texts", change: func(s *sheet) { s.displays, s.empties, s.texts = true, true, true }},
	{
		name:     "percent 5.0",
		change:   answer("extent.head-back", `"valueDecimal":5.0`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[3].answer[0].value", "extent.head-back", "The form asks for valueInteger; valueDecimal was understood as the same number."}},
	},
	{
		name:     "percent as Quantity of %",
		change:   answer("extent.head-front", `"valueQuantity":{"value":50,"system":"http://unitsofmeasure.org","code":"%"}`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[2].answer[0].value", "extent.head-front", "The form asks for valueInteger; valueQuantity was understood"}},
	},
	{
		name:     "age group as text",
		change:   answer("extent.age-group", `"valueString":"Under 1 year"`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[1].answer[0].value", "extent.age-group", "send a valueCoding, one of 2-and-over, 1-to-2, under-1."}},
	},
	{
		name:     "age group as coding without system",
		change:   answer("extent.age-group", `"valueCoding":{"code":"under-1"}`),
		warnings: []fault{{fhir.IssueCodeInvalid, "QuestionnaireResponse.item[0].item[1].answer[0].value", "extent.age-group", "has no system"}},
	},
	{
		// The method must be understood before the regions' enableWhen is judged.
		name:     "method as text",
		change:   answer("extent.method", `"valueString":"by parts of the body"`),
		warnings: []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[0].answer[0].value", "extent.method", "send a valueCoding"}},
	},
}

func TestEveryShapeOfAnExtentByRegionsIsUnderstoodAlike(t *testing.T) {
	t.Parallel()
	for _, c := range shapesOfRegions {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := byRegions()
			c.change(s)
			response := accepted(t, s, c.warnings...)
			require.Equal(t, byRegionsAssessed(), response.Assessment)
			// Quarter percents of Lund and Browder's column for 0 years: 42*55 +
			// 52*20 + 72*10 + 19*130 + 28*175 = 11440, a fortieth of it 286.
			require.Equal(t, "28.6", response.Result.Extent.Value.String())
		})
	}
}

func TestPalmsAreAcceptedInEveryUnitOfTheirs(t *testing.T) {
	t.Parallel()
	for _, unit := range []string{"{palm}", "%", "1"} {
		t.Run(unit, func(t *testing.T) {
			t.Parallel()
			s := byHands(fmt.Sprintf(`"valueQuantity":{"value":12.5,"system":"http://unitsofmeasure.org","code":%q}`, unit))
			response := accepted(t, s, fault{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[1].answer[0].value", "extent.hands", "same number"})
			require.Equal(t, "12.5", response.Assessment.Hands.Value.String())
			require.Equal(t, "12.5", response.Result.Extent.Value.String())
		})
	}
}

func TestNumbersOfTheWrongKindAreUnderstood(t *testing.T) {
	t.Parallel()
	for value, want := range map[string]string{
		`"valueInteger":12`: "12.0", `"valueDecimal":12`: "12.0", `"valueDecimal":12.0`: "12.0",
		`"valueDecimal":1.2e1`: "12.0", `"valueDecimal":0`: "0.0", `"valueDecimal":-0`: "0.0", `"valueDecimal":100.0`: "100.0",
	} {
		t.Run(value, func(t *testing.T) {
			t.Parallel()
			var warnings []fault
			if strings.Contains(value, "Integer") {
				warnings = []fault{{fhir.IssueStructure, "QuestionnaireResponse.item[0].item[1].answer[0].value", "extent.hands", "valueInteger was understood as the same number"}}
			}
			s := byHands(value)
			response, err := read(t, s)
			require.NoError(t, err)
			require.Equal(t, want, response.Assessment.Hands.Value.String())
			compare(t, s.form, fhir.Warning, warnings, withoutQuality(response.Issues))
		})
	}
}

// byHands is directly with the extent in palms.
func byHands(value string) *sheet {
	s := directly()
	delete(s.answers, "extent.direct")
	s.choose("extent.method", "hands")
	s.answers["extent.hands"] = value
	return s
}

func withoutQuality(issues fhir.Issues) fhir.Issues {
	var rest fhir.Issues
	for _, issue := range issues {
		if issue.DetailSystem != questionnaire.DataQualitySystem {
			rest = append(rest, issue)
		}
	}
	return rest
}

// answer gives a question another answer.
func answer(link, value string) func(*sheet) {
	return func(s *sheet) { s.answers[link] = value }
}

// reworded shows texts of the sender's own in the first group.
func reworded(s *sheet) {
	s.items["extent"] = `,"text":"Where?","item":[
		{"linkId":"extent.window","text":"Since Tuesday"},
		{"linkId":"extent.method","text":"How?","answer":[{` + s.answers["extent.method"] + `}]},
		{"linkId":"extent.direct","answer":[{` + s.answers["extent.direct"] + `}]}]`
}
