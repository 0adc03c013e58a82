package questionnaire_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// asTheFormSays leaves the rater to the form.
var asTheFormSays scoring.Optional[scoring.Rater]

func example(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile("../examples/" + name)
	require.NoError(t, err)
	return data
}

// The invented portal's form of the README, worked out by hand: 12.5 palms are
// 12.5 %, the grades add up to 7, itch 5 and sleep loss 2:
// 12.5/5 + 3.5*7 + 7 = 2.5 + 24.5 + 7 = 34.
func TestExampleOfAPortalsOwnFormIsScored(t *testing.T) {
	t.Parallel()
	form, err := questionnaire.Map(example(t, "portal-form.json"), asTheFormSays)
	require.NoError(t, err)
	require.Empty(t, form.Warnings)
	require.Equal(t, scoring.RatedBySelf, form.Rater)
	require.Equal(t, questionnaire.SelfAssessment, form.Ours.ID)
	require.Equal(t, "https://fernway-portal.example/fhir/Questionnaire/eczema-diary|2.1.0", form.Canonical)
	catalog, err := questionnaire.Ours().With(form)
	require.NoError(t, err)
	document, err := fhir.Decode(example(t, "portal-response.json"))
	require.NoError(t, err)
	defer document.Release()
	response, err := catalog.Read(document.Root())
	require.NoError(t, err)
	require.Empty(t, response.Issues)
	require.Same(t, form, response.Form)
	require.Equal(t, scoring.Assessment{
		Method: scoring.ByHands, Hands: scoring.Answer[scoring.Tenths](125), Grades: gradesOf(2, 1, 0, 2, 1, 1),
		Itch: scoring.Answer[scoring.Tenths](50), SleepLoss: scoring.Answer[scoring.Tenths](20),
	}, response.Assessment)
	require.Equal(t, "34.00", response.Result.Scorad.Value.String())
	require.Equal(t, "27.00", response.Result.Objective.Value.String())

	_, err = questionnaire.Read(document.Root())
	require.ErrorContains(t, err, "No such form", "and is unknown where it is not registered")
}
