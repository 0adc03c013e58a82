package questionnaire_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

func TestOnlyWhatIsDeclaredCompleteIsScored(t *testing.T) {
	t.Parallel()
	for status, scored := range map[questionnaire.Status]bool{
		questionnaire.Completed: true, questionnaire.Amended: true,
		questionnaire.InProgress: false, questionnaire.Stopped: false, questionnaire.EnteredInError: false,
	} {
		t.Run(string(status), func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["status"] = quoted(string(status))
			response := accepted(t, s)
			require.Equal(t, status, response.Status)
			require.Equal(t, scored, status.Scored())
			require.Equal(t, scored, response.Result.Scorad.Answered)
			require.NotNil(t, response.Form)
		})
	}
	require.False(t, questionnaire.Status("final").Scored())
	require.False(t, questionnaire.Status("").Scored())
}

// Nothing of a complete response may be missing that the form requires; of one
// that is not complete the gaps are only told.
func TestEveryRequiredAnswerIsAskedFor(t *testing.T) {
	t.Parallel()
	for _, q := range answerable(questionnaire.ClinicianAssessment) {
		t.Run(q.link, func(t *testing.T) {
			t.Parallel()
			s := methodOf(q)
			delete(s.answers, q.link)
			if !q.required {
				response, err := read(t, s)
				require.NoError(t, err)
				require.Empty(t, withoutQuality(response.Issues))
				return
			}
			missing := []fault{{fhir.IssueRequired, "QuestionnaireResponse", q.link, "The answer is missing, and the form requires it."}}
			if q.link == "extent.method" {
				missing = append(missing, fault{fhir.IssueInvalid, root + "item[0].item[0].answer[0].value", "extent.direct", "switched off"})
			}
			refused(t, s, missing...)
		})
	}
}

// methodOf is a complete clinician's assessment in which the question counts.
func methodOf(q question) *sheet {
	s := directly()
	switch q.needs {
	case "regions":
		s = byRegions()
	case "hands":
		s = byHands(`"valueDecimal":3.5`)
	}
	s.form, s.header["source"] = questionnaire.ClinicianAssessment, clinician
	s.header["questionnaire"] = quoted(questionnaire.Base + "/Questionnaire/" + s.form)
	s.answers["bonus.face-hands"] = `"valueBoolean":false`
	return s
}

func TestMissingAnswerIsPointedAtWhereTheItemIs(t *testing.T) {
	t.Parallel()
	for name, rest := range map[string]string{
		"item without answer":            ``,
		"item with its display only":     `,"item":[{"linkId":"intensity.oozing.help"}]`,
		"answer without a value":         `,"answer":[{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"asked-declined"}]}]`,
		"value that has only extensions": `,"answer":[{"_valueString":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"masked"}]}}]`,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.items["intensity.oozing"] = rest
			refused(t, s, fault{fhir.IssueRequired, root + "item[1].item[2]", "intensity.oozing", "The answer is missing"})
		})
	}
	t.Run("flat", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.flat = true
		s.items["intensity.oozing"] = ""
		refused(t, s, fault{fhir.IssueRequired, root + "item[4]", "intensity.oozing", "The answer is missing"})
	})
}

func TestNothingAnsweredListsEverythingRequired(t *testing.T) {
	t.Parallel()
	s := directly()
	s.answers = map[string]string{}
	var missing []fault
	for _, q := range answerable(s.form) {
		if q.required && q.needs == "" {
			missing = append(missing, fault{fhir.IssueRequired, "QuestionnaireResponse", q.link, "missing"})
		}
	}
	require.Len(t, missing, 7)
	refused(t, s, missing...)
}

func TestGapsOfAnUnfinishedResponseAreWarnings(t *testing.T) {
	t.Parallel()
	for _, status := range []questionnaire.Status{questionnaire.InProgress, questionnaire.Stopped} {
		t.Run(string(status), func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.header["status"] = quoted(string(status))
			delete(s.answers, "intensity.oozing")
			delete(s.answers, "extent.direct")
			response := accepted(t, s,
				fault{fhir.IssueRequired, "QuestionnaireResponse", "extent.direct", "The answer is missing"},
				fault{fhir.IssueRequired, "QuestionnaireResponse", "intensity.oozing", "The answer is missing"})
			require.Zero(t, response.Result)
			require.Equal(t, scoring.Answer[uint8](2), response.Assessment.Grades[scoring.Erythema])
		})
	}
}

func TestUnfinishedResponseIsStillHeldToTypesAndStructure(t *testing.T) {
	t.Parallel()
	s := directly()
	s.header["status"] = `"in-progress"`
	s.answers["symptoms.itch"] = `"valueDecimal":10.1`
	s.answers["intensity.dryness"] = `"valueString":"Terrible"`
	refused(t, s,
		fault{fhir.IssueCodeInvalid, root + "item[1].item[5].answer[0].value", "intensity.dryness", "no option"},
		fault{fhir.IssueValue, root + "item[2].item[0].answer[0].value", "symptoms.itch", "from 0 to 10"})
}

// What is taken back need not be right, only well-formed.
func TestWhatWasEnteredInErrorIsNotJudged(t *testing.T) {
	t.Parallel()
	s := directly()
	s.header["status"] = `"entered-in-error"`
	s.header["subject"], s.header["authored"], s.header["source"] = "", "", clinician
	s.answers["symptoms.itch"] = `"valueString":"x"`
	s.last = `{"linkId":"notes"}`
	response := accepted(t, s)
	require.Equal(t, questionnaire.SelfAssessment, response.Form.ID)
	require.Zero(t, response.Assessment)
	require.Zero(t, response.Result)
	s.header["questionnaire"] = ""
	response = accepted(t, s)
	require.Nil(t, response.Form)
}

// Without itch or sleep loss there is an objective score and no total; zero is
// an answer, blank is not.
func TestBlankSymptomGivesNoTotal(t *testing.T) {
	t.Parallel()
	for link, withZero := range map[string]string{"symptoms.itch": "34.10", "symptoms.sleep-loss": "37.40"} {
		t.Run(link+" blank", func(t *testing.T) {
			t.Parallel()
			s := directly()
			delete(s.answers, link)
			response := accepted(t, s)
			require.False(t, response.Result.Scorad.Answered)
			require.False(t, response.Result.SubjectivePart.Answered)
			require.Equal(t, "31.70", response.Result.Objective.Value.String())
		})
		t.Run(link+" zero", func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.answers[link] = `"valueDecimal":0`
			response := accepted(t, s)
			require.True(t, response.Result.Scorad.Answered)
			require.Equal(t, withZero, response.Result.Scorad.Value.String())
		})
	}
}

func TestBonusIsASeparateValueOfTheClinician(t *testing.T) {
	t.Parallel()
	s := methodOf(question{needs: "direct"})
	response := accepted(t, s)
	require.False(t, response.Result.ObjectiveWithBonus.Answered)
	require.Equal(t, scoring.RatedByClinician, response.Assessment.Rater)
	s.answers["bonus.face-hands"] = `"valueBoolean":true`
	response = accepted(t, s)
	require.Equal(t, "31.70", response.Result.Objective.Value.String())
	require.Equal(t, "41.70", response.Result.ObjectiveWithBonus.Value.String())
	require.Equal(t, "39.80", response.Result.Scorad.Value.String(), "the bonus is no part of SCORAD")
}
