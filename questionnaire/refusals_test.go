package questionnaire_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// root begins the FHIRPath of everything in a response.
const root = "QuestionnaireResponse."

// refusal is one mistake of a sender and what is said about it.
type refusal struct {
	name   string
	link   string
	answer string
	at     string // below the item's answer
	code   fhir.IssueType
	says   string
}

var codesOfGrades = "one of absent, mild, moderate, severe."

// choiceRefusals are about intensity.erythema, at item[1].item[0] of directly.
var choiceRefusals = []refusal{
	{"half grade", "intensity.erythema", `"valueDecimal":1.5`, "", fhir.IssueValue, "A grade is a whole number from 0 to 3; half grades do not exist."},
	{"grade above 3", "intensity.erythema", `"valueInteger":4`, "", fhir.IssueValue, "from 0 to 3"},
	{"grade below 0", "intensity.erythema", `"valueInteger":-1`, "", fhir.IssueValue, "from 0 to 3"},
	{"grade with too many digits", "intensity.erythema", `"valueDecimal":1.00000000000000000000`, "", fhir.IssueValue, "whole number"},
	{"grade as Quantity", "intensity.erythema", `"valueQuantity":{"value":2,"code":"{score}"}`, "", fhir.IssueStructure, "The answer must be a valueCoding, " + codesOfGrades},
	{"grade as boolean", "intensity.erythema", `"valueBoolean":true`, "", fhir.IssueStructure, "The answer must be a valueCoding, " + codesOfGrades},
	{"grade as date", "intensity.erythema", `"valueDate":"2026-11-24"`, "", fhir.IssueStructure, "The answer must be a valueCoding"},
	{"number as text", "intensity.erythema", `"valueString":"2"`, "", fhir.IssueCodeInvalid, "The text is no option of the item; send a valueCoding, " + codesOfGrades},
	{"text of no option", "intensity.erythema", `"valueString":"Terrible"`, "", fhir.IssueCodeInvalid, "The text is no option of the item"},
	{"code of no option", "intensity.erythema", coding(questionnaire.GradeSystem, "extreme"), ".code", fhir.IssueCodeInvalid, "the codes of " + questionnaire.GradeSystem + " are absent, mild, moderate, severe."},
	{"code in other capitals", "intensity.erythema", coding(questionnaire.GradeSystem, "Moderate"), ".code", fhir.IssueCodeInvalid, "The coding is no option of the item"},
	{"code of another system", "intensity.erythema", coding("http://snomed.info/sct", "moderate"), ".code", fhir.IssueCodeInvalid, "The coding is no option of the item"},
	{"code of another item", "intensity.erythema", coding(questionnaire.ScoradSystem, "direct"), ".code", fhir.IssueCodeInvalid, "The coding is no option of the item"},
	{"coding with a display only", "intensity.erythema", `"valueCoding":{"display":"Moderate"}`, "", fhir.IssueCodeInvalid, "The coding has no code; send " + codesOfGrades},
	{"coding with a system only", "intensity.erythema", `"valueCoding":{"system":"` + questionnaire.GradeSystem + `"}`, "", fhir.IssueCodeInvalid, "The coding has no code"},
}

// numberRefusals are about symptoms.itch, at item[2].item[0] of directly, which
// takes one decimal place from 0 to 10, and about extent.direct, to 100.
var numberRefusals = []refusal{
	{"itch above 10", "symptoms.itch", `"valueDecimal":10.1`, "", fhir.IssueValue, "The answer must be from 0 to 10."},
	{"itch below 0", "symptoms.itch", `"valueDecimal":-0.1`, "", fhir.IssueValue, "The answer must be from 0 to 10."},
	{"itch of 70 as in millimetres", "symptoms.itch", `"valueInteger":70`, "", fhir.IssueValue, "The answer must be from 0 to 10."},
	{"two decimal places", "symptoms.itch", `"valueDecimal":5.75`, "", fhir.IssueValue, "The answer has at most one decimal place"},
	{"two decimal places, the last 0", "symptoms.itch", `"valueDecimal":5.70`, "", fhir.IssueValue, "round it as the rater meant it."},
	{"two decimal places by an exponent", "symptoms.itch", `"valueDecimal":575e-2`, "", fhir.IssueValue, "at most one decimal place"},
	{"too many digits", "symptoms.itch", `"valueDecimal":5.7000000000000000000`, "", fhir.IssueValue, "The number has too many digits."},
	{"far too large", "symptoms.itch", `"valueDecimal":1e29`, "", fhir.IssueValue, "The number has too many digits."},
	{"number as text", "symptoms.itch", `"valueString":"5.7"`, "", fhir.IssueStructure, "The answer must be a number, as valueDecimal."},
	{"number as coding", "symptoms.itch", coding(questionnaire.GradeSystem, "mild"), "", fhir.IssueStructure, "The answer must be a number"},
	{"number as boolean", "symptoms.itch", `"valueBoolean":true`, "", fhir.IssueStructure, "The answer must be a number"},
	{"Quantity without a value", "symptoms.itch", `"valueQuantity":{"unit":"{score}"}`, "", fhir.IssueStructure, "The answer must be a number"},
	{"Quantity with a comparator", "symptoms.itch", `"valueQuantity":{"value":5,"comparator":"<"}`, ".comparator", fhir.IssueValue, "A comparator leaves the number open; send the number itself."},
	{"Quantity of another system", "symptoms.itch", `"valueQuantity":{"value":5,"system":"http://snomed.info/sct","code":"258669008"}`, ".system", fhir.IssueValue, "The unit must be of http://unitsofmeasure.org."},
	{"Quantity of another unit", "symptoms.itch", `"valueQuantity":{"value":57,"system":"http://unitsofmeasure.org","code":"mm"}`, ".code", fhir.IssueValue, "The unit must be 1 or {score}."},
	{"Quantity with another unit in words", "symptoms.itch", `"valueQuantity":{"value":57,"unit":"mm"}`, ".unit", fhir.IssueValue, "The unit must be 1 or {score}."},
	{"itch in percent", "symptoms.itch", `"valueQuantity":{"value":5,"system":"http://unitsofmeasure.org","code":"%"}`, ".code", fhir.IssueValue, "The unit must be 1 or {score}."},
	{"sleep loss above 10", "symptoms.sleep-loss", `"valueDecimal":10.1`, "", fhir.IssueValue, "The answer must be from 0 to 10."},
	{"boolean as text", "also-seen.bleeding", `"valueString":"yes"`, "", fhir.IssueStructure, "The answer must be a valueBoolean."},
	{"boolean as number", "also-seen.bleeding", `"valueInteger":1`, "", fhir.IssueStructure, "The answer must be a valueBoolean."},
	{"percent above 100", "extent.direct", `"valueDecimal":100.1`, "", fhir.IssueValue, "The answer must be from 0 to 100."},
	{"percent below 0", "extent.direct", `"valueInteger":-1`, "", fhir.IssueValue, "The answer must be from 0 to 100."},
	{"percent in palms", "extent.direct", `"valueQuantity":{"value":9,"code":"{palm}"}`, ".code", fhir.IssueValue, "The unit must be 1 or %."},
}

// The places of the questions of directly.
var placesOfDirect = map[string]string{
	"extent.method": "item[0].item[0]", "extent.direct": "item[0].item[1]",
	"intensity.erythema": "item[1].item[0]", "symptoms.itch": "item[2].item[0]", "symptoms.sleep-loss": "item[2].item[1]",
	"also-seen.bleeding": "item[3].item[0]",
}

func TestAnswersThatCannotBeRightAreRefused(t *testing.T) {
	t.Parallel()
	for _, c := range append(choiceRefusals, numberRefusals...) {
		t.Run(c.link+" "+c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.answers[c.link] = c.answer
			expression := root + placesOfDirect[c.link] + ".answer[0].value" + c.at
			refused(t, s, fault{c.code, expression, c.link, c.says})
		})
	}
}

// regionRefusals are about extent.head-front, at item[0].item[2] of byRegions.
var regionRefusals = []refusal{
	{name: "half percent", answer: `"valueDecimal":5.5`, code: fhir.IssueValue, says: "The answer must be a whole number."},
	{name: "5.70", answer: `"valueDecimal":5.70`, code: fhir.IssueValue, says: "The answer must be a whole number."},
	{name: "above 100", answer: `"valueInteger":101`, code: fhir.IssueValue, says: "The answer must be from 0 to 100."},
	{name: "above 255, which a byte would fold", answer: `"valueInteger":306`, code: fhir.IssueValue, says: "The answer must be from 0 to 100."},
	{name: "below 0", answer: `"valueInteger":-5`, code: fhir.IssueValue, says: "The answer must be from 0 to 100."},
	{name: "as text", answer: `"valueString":"half"`, code: fhir.IssueStructure, says: "The answer must be a number, as valueInteger."},
	{name: "in palms", answer: `"valueQuantity":{"value":5,"code":"{palm}"}`, at: ".code", code: fhir.IssueValue, says: "The unit must be 1 or %."},
}

func TestRegionsThatCannotBeRightAreRefused(t *testing.T) {
	t.Parallel()
	for _, c := range regionRefusals {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := byRegions()
			s.answers["extent.head-front"] = c.answer
			refused(t, s, fault{c.code, root + "item[0].item[2].answer[0].value" + c.at, "extent.head-front", c.says})
		})
	}
}

func TestPalmsAboveAHundredAreRefused(t *testing.T) {
	t.Parallel()
	refused(t, byHands(`"valueDecimal":100.1`),
		fault{fhir.IssueValue, root + "item[0].item[1].answer[0].value", "extent.hands", "from 0 to 100."})
	refused(t, byHands(`"valueQuantity":{"value":3,"code":"{score}"}`),
		fault{fhir.IssueValue, root + "item[0].item[1].answer[0].value.code", "extent.hands", "The unit must be 1 or {palm} or %."})
}

// An extent.method that is no option leaves open what it switches on: its own
// fault is listed, and none that only follows from it.
func TestMethodThatIsNoOptionIsOneFault(t *testing.T) {
	t.Parallel()
	wrong := coding(questionnaire.ScoradSystem, "by-eye")
	for name, s := range map[string]*sheet{"direct": directly(), "regions": byRegions(), "nothing": directly()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s.answers["extent.method"] = wrong
			if name == "nothing" {
				delete(s.answers, "extent.direct")
			}
			refused(t, s, fault{fhir.IssueCodeInvalid, root + "item[0].item[0].answer[0].value.code", "extent.method", "are regions, hands, direct."})
		})
	}
	t.Run("but an answer that is wrong by itself is listed", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.answers["extent.method"] = wrong
		s.answers["extent.direct"] = `"valueDecimal":101`
		refused(t, s,
			fault{fhir.IssueCodeInvalid, root + "item[0].item[0].answer[0].value.code", "extent.method", "no option"},
			fault{fhir.IssueValue, root + "item[0].item[1].answer[0].value", "extent.direct", "from 0 to 100"})
	})
}

// misplacement is a mistake in how items are nested.
type misplacement struct {
	name   string
	change func(s *sheet)
	faults []fault
}

var misplacements = []misplacement{
	{"linkId that the form does not have", func(s *sheet) { s.last = `{"linkId":"notes","answer":[{"valueString":"Better"}]}` },
		[]fault{{fhir.IssueNotFound, root + "item[4].linkId", "", "has no item of this linkId; linkIds are case-sensitive."}}},
	{"linkId in other capitals", func(s *sheet) { s.last = `{"linkId":"Safety"}` },
		[]fault{{fhir.IssueNotFound, root + "item[4].linkId", "", "linkIds are case-sensitive."}}},
	{"linkId of the other form", func(s *sheet) { s.last = `{"linkId":"bonus.face-hands","answer":[{"valueBoolean":true}]}` },
		[]fault{{fhir.IssueNotFound, root + "item[4].linkId", "", "/Questionnaire/scorad-self-assessment|1.0.0 has no item"}}},
	{"question in the wrong group", func(s *sheet) {
		s.items["also-seen"] = `,"item":[{"linkId":"symptoms.itch","answer":[{"valueDecimal":5.7}]}]`
		delete(s.answers, "symptoms.itch")
		delete(s.answers, "symptoms.sleep-loss")
	}, []fault{{fhir.IssueStructure, root + "item[2].item[0]", "symptoms.itch", "The item stands in the wrong group; nest items as the form does, or not at all."}}},
	{"group in a group", func(s *sheet) {
		delete(s.answers, "also-seen.bleeding")
		delete(s.answers, "also-seen.scaling")
		s.items["symptoms"] = `,"item":[{"linkId":"also-seen"}]`
	}, []fault{{fhir.IssueStructure, root + "item[2].item[0]", "also-seen", "wrong group"}}},
	{"question in a display", func(s *sheet) {
		delete(s.answers, "symptoms.itch")
		s.last = `{"linkId":"safety","item":[{"linkId":"safety.watch","item":[{"linkId":"safety.mood"}]}]}`
	}, []fault{{fhir.IssueStructure, root + "item[4].item[0].item[0]", "safety.mood", "wrong group"}}},
	{"group twice", func(s *sheet) { s.last = `{"linkId":"also-seen"}` },
		[]fault{{fhir.IssueInvariant, root + "item[4]", "also-seen", "The item is there twice; the form does not repeat it."}}},
	{"question twice", func(s *sheet) {
		s.items["symptoms"] = `,"item":[{"linkId":"symptoms.itch","answer":[{"valueDecimal":5.7}]},{"linkId":"symptoms.itch","answer":[{"valueDecimal":1}]}]`
	}, []fault{{fhir.IssueInvariant, root + "item[2].item[1]", "symptoms.itch", "there twice"}}},
	{"questions out of order", func(s *sheet) {
		s.items["symptoms"] = `,"item":[{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":2.4}]},{"linkId":"symptoms.itch","answer":[{"valueDecimal":5.7}]}]`
	}, []fault{{fhir.IssueStructure, root + "item[2].item[1]", "symptoms.itch", "The item is out of order; keep the order of the form."}}},
	{"groups out of order", func(s *sheet) {
		delete(s.answers, "symptoms.itch")
		delete(s.answers, "symptoms.sleep-loss")
		s.last = `{"linkId":"symptoms"}`
	}, []fault{{fhir.IssueStructure, root + "item[3]", "symptoms", "out of order"}}},
	{"answer of a group", func(s *sheet) {
		s.items["symptoms"] = `,"answer":[{"valueDecimal":5.7}]`
	}, []fault{{fhir.IssueStructure, root + "item[2].answer[0]", "symptoms", "A group takes no answer."}}},
	{"answer of a display", func(s *sheet) {
		s.last = `{"linkId":"safety","item":[{"linkId":"safety.watch","answer":[{"valueBoolean":true}]}]}`
	}, []fault{{fhir.IssueStructure, root + "item[4].item[0].answer[0]", "safety.watch", "A display takes no answer."}}},
	{"two answers", func(s *sheet) {
		s.items["intensity.erythema"] = `,"answer":[{` + coding(questionnaire.GradeSystem, "mild") + `},{` + coding(questionnaire.GradeSystem, "severe") + `}]`
	}, []fault{{fhir.IssueInvariant, root + "item[1].item[0]", "intensity.erythema", "There is more than one answer, and the form takes one."}}},
	{"two answers to the method", func(s *sheet) {
		s.items["extent.method"] = `,"answer":[{` + coding(questionnaire.ScoradSystem, "direct") + `},{` + coding(questionnaire.ScoradSystem, "hands") + `}]`
	}, []fault{{fhir.IssueInvariant, root + "item[0].item[0]", "extent.method", "more than one answer"}}},
	{"answer and items (qrs-1)", func(s *sheet) {
		s.items["intensity.erythema"] = `,"answer":[{` + coding(questionnaire.GradeSystem, "mild") + `}],"item":[{"linkId":"intensity.erythema.help"}]`
	}, []fault{{fhir.IssueInvariant, root + "item[1].item[0]", "intensity.erythema", "An item has either answers or items (qrs-1)"}}},
	{"question below a question", func(s *sheet) {
		s.items["symptoms"] = `,"item":[{"linkId":"symptoms.itch","item":[{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":2.4}]}]}]`
	}, []fault{{fhir.IssueStructure, root + "item[2].item[0].item[0]", "symptoms.sleep-loss", "wrong group"}}},
	{"questions below a question with an answer", func(s *sheet) {
		s.items["extent"] = `,"item":[{"linkId":"extent.method","answer":[{` + s.answers["extent.method"] + `}],"item":[{"linkId":"extent.direct","answer":[{"valueDecimal":18.5}]}]}]`
	}, []fault{
		{fhir.IssueInvariant, root + "item[0].item[0]", "extent.method", "qrs-1"},
		{fhir.IssueStructure, root + "item[0].item[0].item[0]", "extent.direct", "wrong group"},
	}},
	{"group of the sender's own around a form's group", func(s *sheet) {
		delete(s.answers, "also-seen.bleeding")
		delete(s.answers, "also-seen.scaling")
		s.items["also-seen"] = ""
		s.last = `{"linkId":"page-2","item":[{"linkId":"safety","item":[{"linkId":"safety.watch"}]},{"linkId":"result.scorad","answer":[{"valueDecimal":39.8}]}]}`
	}, []fault{
		{fhir.IssueNotFound, root + "item[4].linkId", "", "has no item of this linkId"},
		{fhir.IssueStructure, root + "item[4].item[1]", "result.scorad", "out of order"},
	}},
	{"a group too early, which is one fault for each group that it overtakes", func(s *sheet) {
		s.items["extent"] = `,"item":[{"linkId":"extent.method","answer":[{` + s.answers["extent.method"] + `}]},{"linkId":"extent.direct","answer":[{` + s.answers["extent.direct"] + `}]}]},` +
			`{"linkId":"also-seen","item":[{"linkId":"also-seen.bleeding","answer":[{` + s.answers["also-seen.bleeding"] + `}]}]`
		delete(s.answers, "also-seen.bleeding")
		delete(s.answers, "also-seen.scaling")
	}, []fault{
		{fhir.IssueStructure, root + "item[2]", "intensity", "out of order"},
		{fhir.IssueStructure, root + "item[3]", "symptoms", "out of order"},
	}},
	{"question in an answer", func(s *sheet) {
		delete(s.answers, "symptoms.sleep-loss")
		s.answers["symptoms.itch"] += `,"item":[{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":2.4}]}]`
	}, []fault{{fhir.IssueStructure, root + "item[2].item[0].answer[0].item[0]", "symptoms.sleep-loss", "wrong group"}}},
}

func TestItemsInTheWrongPlaceAreRefused(t *testing.T) {
	t.Parallel()
	for _, c := range misplacements {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			c.change(s)
			refused(t, s, c.faults...)
		})
	}
}

// Displays say nothing about the order of answers.
func TestDisplaysMayStandAnywhereInTheirGroup(t *testing.T) {
	t.Parallel()
	s := directly()
	s.items["intensity.dryness"] = `,"answer":[{` + s.answers["intensity.dryness"] + `}]},{"linkId":"intensity.window"`
	require.Equal(t, directlyAssessed(), accepted(t, s).Assessment)
	s = directly()
	s.flat = true
	s.items["extent.method"] = `,"answer":[{` + s.answers["extent.method"] + `}]},{"linkId":"safety.watch"`
	require.Equal(t, directlyAssessed(), accepted(t, s).Assessment)
}

// A group's answer is a fault of its own; the questions in it are still read.
func TestItemsOfAGroupWithAnAnswerAreStillRead(t *testing.T) {
	t.Parallel()
	s := directly()
	s.items["symptoms"] = `,"answer":[{"valueBoolean":true}],"item":[{"linkId":"symptoms.itch","answer":[{"valueDecimal":11}]}]`
	refused(t, s,
		fault{fhir.IssueStructure, root + "item[2].answer[0]", "symptoms", "A group takes no answer."},
		fault{fhir.IssueValue, root + "item[2].item[0].answer[0].value", "symptoms.itch", "from 0 to 10"})
}

func TestAllFaultsAreListedAtOnce(t *testing.T) {
	t.Parallel()
	s := directly()
	s.header["subject"] = ""
	s.header["source"] = clinician
	s.header["authored"] = `"2026-11"`
	s.answers["intensity.erythema"] = `"valueDecimal":1.5`
	delete(s.answers, "intensity.oozing")
	s.answers["symptoms.itch"] = `"valueDecimal":10.1`
	s.answers["extent.direct"] = `"valueDecimal":18.55`
	s.last = `{"linkId":"notes"}`
	refused(t, s,
		fault{fhir.IssueValue, "QuestionnaireResponse.authored", "", "authored must be known to the day"},
		fault{fhir.IssueRequired, "QuestionnaireResponse", "", "subject is missing"},
		fault{fhir.IssueBusinessRule, "QuestionnaireResponse.source", "", "not by a practitioner"},
		fault{fhir.IssueNotFound, root + "item[4].linkId", "", "has no item of this linkId"},
		fault{fhir.IssueValue, root + "item[0].item[1].answer[0].value", "extent.direct", "at most one decimal place"},
		fault{fhir.IssueValue, root + "item[1].item[0].answer[0].value", "intensity.erythema", "half grades"},
		fault{fhir.IssueRequired, "QuestionnaireResponse", "intensity.oozing", "The answer is missing, and the form requires it."},
		fault{fhir.IssueValue, root + "item[2].item[0].answer[0].value", "symptoms.itch", "from 0 to 10"})
}

func TestAnotherResourceIsRefusedAsMalformed(t *testing.T) {
	t.Parallel()
	_, err := readJSON(t, []byte(`{"resourceType":"Patient","id":"oona-thistledown"}`))
	var issues fhir.Issues
	require.True(t, errors.As(err, &issues))
	require.Len(t, issues, 1)
	require.True(t, issues.Malformed(), "400, not 422")
	require.Equal(t, fhir.IssueStructure, issues[0].Code)
	require.Equal(t, "Patient", issues[0].Expression)
}

// Issues go into logs and to whoever operates the portal; what was answered is
// the patient's and stays out of their texts.
func TestNoTextRepeatsAnAnswer(t *testing.T) {
	t.Parallel()
	secrets := map[string]string{
		`"valueString":"Zebra-4711"`:                                          "Zebra",
		`"valueDecimal":4711.5`:                                               "4711",
		`"valueInteger":4711`:                                                 "4711",
		`"valueCoding":{"system":"urn:zebra","code":"4711"}`:                  "zebra",
		`"valueCoding":{"code":"4711","display":"Zebra"}`:                     "4711",
		`"valueCoding":{"display":"Zebra-4711"}`:                              "4711",
		`"valueQuantity":{"value":4711,"unit":"Zebra"}`:                       "4711",
		`"valueQuantity":{"value":4711,"system":"urn:zebra","code":"x"}`:      "zebra",
		`"valueQuantity":{"value":4711,"comparator":">"}`:                     "4711",
		`"valueUri":"urn:zebra:4711"`:                                         "4711",
		`"valueReference":{"reference":"Patient/zebra-4711"}`:                 "4711",
		`"valueAttachment":{"title":"Zebra-4711"}`:                            "4711",
		`"valueDate":"4711-01-01"`:                                            "4711",
		`"valueBoolean":true,"item":[{"linkId":"zebra-4711","text":"Zebra"}]`: "zebra",
	}
	for value, secret := range secrets {
		for _, q := range answerable(questionnaire.SelfAssessment) {
			s := byRegions()
			s.answers[q.link] = value
			_, err := read(t, s)
			if err == nil {
				require.Equal(t, "boolean", q.kind, "%s must not be accepted as %s", value, q.link)
				continue
			}
			requireSecret(t, err, secret)
		}
	}
}

// A warning says how an answer was understood; it reads the same whatever the
// answer was.
func TestNoWarningTellsAnswersApart(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, link, one, other string }{
		{"grade as integer", "intensity.dryness", `"valueInteger":0`, `"valueInteger":3`},
		{"grade as decimal", "intensity.dryness", `"valueDecimal":1.0`, `"valueDecimal":2.0`},
		{"grade as text", "intensity.dryness", `"valueString":"Absent"`, `"valueString":"Severe"`},
		{"grade without system", "intensity.dryness", `"valueCoding":{"code":"absent"}`, `"valueCoding":{"code":"severe"}`},
		{"grade with another display", "intensity.dryness", `"valueCoding":{"code":"mild","display":"so-so"}`, `"valueCoding":{"code":"severe","display":"awful"}`},
		{"itch as integer", "symptoms.itch", `"valueInteger":3`, `"valueInteger":6`},
		{"itch as Quantity", "symptoms.itch", `"valueQuantity":{"value":3.5}`, `"valueQuantity":{"value":6.1,"unit":"1"}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			warned := func(value string) fhir.Issues {
				s := directly()
				s.answers[c.link] = value
				response, err := read(t, s)
				require.NoError(t, err)
				require.NotEmpty(t, response.Issues)
				return response.Issues
			}
			require.Equal(t, warned(c.one), warned(c.other))
		})
	}
}

func requireSecret(t *testing.T, err error, secret string) {
	t.Helper()
	var issues fhir.Issues
	require.ErrorAs(t, err, &issues)
	for _, issue := range issues {
		require.NotContains(t, strings.ToLower(issue.Text+issue.Expression+issue.LinkID), strings.ToLower(secret))
	}
	require.NotContains(t, strings.ToLower(err.Error()), strings.ToLower(secret))
}

// A body of thousands of unknown items is refused with the first of them and the
// number of the rest.
func TestFaultsBeyondTheLimitAreCounted(t *testing.T) {
	t.Parallel()
	s := directly()
	const unknown = 3000
	var items []string
	for i := range unknown {
		items = append(items, fmt.Sprintf(`{"linkId":"nowhere-%d"}`, i))
	}
	s.last = strings.Join(items, ",")
	_, err := read(t, s)
	var issues fhir.Issues
	require.ErrorAs(t, err, &issues)
	require.Len(t, issues, fhir.MaxFaults+1)
	require.Equal(t, fmt.Sprintf("%d more faults are not listed.", unknown-fhir.MaxFaults), issues[fhir.MaxFaults].Text)
}
