package api_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire/languages"
)

// What is stored is in the language of the response, whatever the client of the
// moment would like to read; so a repetition finds it as it was.
func TestScoreIsInTheLanguageOfTheResponse(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("language-1")
	body.members = `,"language":"pl"`
	id := r.create(body.json()).id()
	score := r.score(id)
	require.Equal(t, "pl", score.text("language"))
	require.Contains(t, score.text("text", "div"), "42,00 na 103 punkty")
	require.Equal(t, "42.00", score.text("valueQuantity", "value"), "numbers are for programs")
	path := "/fhir/Observation/" + id
	german := r.get(path, "Accept-Language", "de")
	require.Equal(t, string(score.body), string(german.body))
	again := r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body.json(), "Accept-Language", "de")
	require.Equal(t, id, again.id())
	require.Equal(t, string(score.body), string(r.get(path).body))
}

// R4 languages.html: a resource carries its translations. Nothing is left out by
// Accept-Language, so what caches keep is right for everyone.
func TestFormsCarryEveryLanguageWhateverIsAsked(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, path := range []string{"/fhir/Questionnaire/scorad-self-assessment", "/fhir/CodeSystem/data-quality"} {
		plain := r.get(path)
		require.Equal(t, http.StatusOK, plain.status)
		for _, code := range languages.Codes {
			require.Contains(t, string(plain.body), `"`+code+`"`)
			asked := r.get(path, "Accept-Language", code)
			require.Equal(t, string(plain.body), string(asked.body))
			require.Equal(t, plain.header.Get("ETag"), asked.header.Get("ETag"))
		}
		require.NotContains(t, plain.header.Values("Vary"), "Accept-Language")
		kept := r.get(path, "If-None-Match", plain.header.Get("ETag"))
		require.Equal(t, http.StatusNotModified, kept.status)
	}
}
