package questionnaire_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// Results of directly as the form's own expressions compute them.
var resultsOfDirect = map[string]string{
	"result.extent-part": "3.70", "result.intensity-part": "28.00", "result.subjective-part": "8.10",
	"result.objective": "31.70", "result.scorad": "39.80",
}

func TestResultsThatAgreeAreNoted(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, link, value string }{
		{"two decimals", "result.scorad", `"valueDecimal":39.80`},
		{"one decimal", "result.scorad", `"valueDecimal":39.8`},
		{"binary noise below", "result.scorad", `"valueDecimal":39.799999999999997`},
		{"binary noise above", "result.scorad", `"valueDecimal":39.800000000000004`},
		{"more digits than fit a word", "result.scorad", `"valueDecimal":39.8000000000000000000000000000000000001`},
		{"a hundredth less", "result.scorad", `"valueDecimal":39.79`},
		{"a hundredth more", "result.scorad", `"valueDecimal":39.81`},
		{"half a hundredth more, rounded up", "result.scorad", `"valueDecimal":39.8149`},
		{"exponent", "result.scorad", `"valueDecimal":3.98e1`},
		{"capital exponent", "result.scorad", `"valueDecimal":398E-1`},
		{"integer", "result.intensity-part", `"valueInteger":28`},
		{"Quantity", "result.objective", `"valueQuantity":{"value":31.7,"code":"{score}"}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.answers[c.link] = c.value
			require.Equal(t, "39.80", accepted(t, s).Result.Scorad.Value.String())
		})
	}
	t.Run("all of them", func(t *testing.T) {
		t.Parallel()
		s := directly()
		for link, value := range resultsOfDirect {
			s.answers[link] = `"valueDecimal":` + value
		}
		accepted(t, s)
	})
	t.Run("nothing scored is zero, with binary noise of a zero", func(t *testing.T) {
		t.Parallel()
		for _, zero := range []string{"0", "0.00", "-0.0", "1.4210854715202004e-14", "-5.551115123125783e-17", "0e30"} {
			s := directly()
			s.extentDirect("0")
			s.gradeAll(0, 0, 0, 0, 0, 0)
			s.answers["symptoms.itch"], s.answers["symptoms.sleep-loss"] = `"valueDecimal":0`, `"valueDecimal":0`
			s.answers["result.scorad"] = `"valueDecimal":` + zero
			require.Equal(t, "0.00", accepted(t, s).Result.Scorad.Value.String())
		}
	})
}

// The sender's total is compared and never trusted.
func TestResultsThatDifferAreWarnedOf(t *testing.T) {
	t.Parallel()
	const says = "The result sent differs from the one computed here, which is used; compute it by the form's calculatedExpression or leave it out."
	at := root + "item[4].item[0].answer[0].value"
	for _, c := range []struct{ name, link, value string }{
		{"two hundredths more", "result.scorad", `"valueDecimal":39.82`},
		{"two hundredths less", "result.scorad", `"valueDecimal":39.78`},
		{"one and a half, rounded up", "result.scorad", `"valueDecimal":39.815`},
		{"stale", "result.scorad", `"valueDecimal":12.5`},
		{"ten times as much", "result.scorad", `"valueDecimal":398`},
		{"negative", "result.scorad", `"valueDecimal":-39.8`},
		{"huge", "result.scorad", `"valueDecimal":39800000000000000000000000000000`},
		{"huge by exponent", "result.scorad", `"valueDecimal":3.98e30`},
		{"tiny by exponent", "result.scorad", `"valueDecimal":39.8e-300000000000000000000000000000000000000000000000000`},
		{"7B/2 as B/2", "result.intensity-part", `"valueDecimal":4.00`},
		{"objective with C", "result.objective", `"valueDecimal":39.80`},
		{"text", "result.scorad", `"valueString":"39.80"`},
		{"Quantity without a value", "result.scorad", `"valueQuantity":{"unit":"points"}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := directly()
			s.answers[c.link] = c.value
			response := accepted(t, s, fault{fhir.IssueBusinessRule, at, c.link, says})
			require.Equal(t, "39.80", response.Result.Scorad.Value.String())
		})
	}
	t.Run("total where there is none, since itch is blank", func(t *testing.T) {
		t.Parallel()
		s := directly()
		delete(s.answers, "symptoms.itch")
		s.answers["result.scorad"] = `"valueDecimal":31.70`
		response := accepted(t, s, fault{fhir.IssueBusinessRule, at, "result.scorad", says})
		require.False(t, response.Result.Scorad.Answered)
	})
	t.Run("bonus that nobody gave", func(t *testing.T) {
		t.Parallel()
		s := methodOf(question{needs: "direct"})
		s.answers["result.objective-with-bonus"] = `"valueDecimal":41.70`
		accepted(t, s, fault{fhir.IssueBusinessRule, root + "item[5].item[0].answer[0].value", "result.objective-with-bonus", says})
		s.answers["bonus.face-hands"] = `"valueBoolean":true`
		accepted(t, s)
	})
	t.Run("not compared before the response is complete", func(t *testing.T) {
		t.Parallel()
		s := directly()
		s.header["status"] = `"in-progress"`
		s.answers["result.scorad"] = `"valueDecimal":1`
		accepted(t, s)
	})
	t.Run("a missing answer is not made up from the results", func(t *testing.T) {
		t.Parallel()
		s := directly()
		delete(s.answers, "intensity.dryness")
		for link, value := range resultsOfDirect {
			s.answers[link] = `"valueDecimal":` + value
		}
		refused(t, s, fault{fhir.IssueRequired, "QuestionnaireResponse", "intensity.dryness", "missing"})
	})
}
