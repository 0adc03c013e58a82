package api_test

import (
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestOperationsOnRegisteredForms: a portal's own form is read in its versions,
// populated, and responses to it processed, as ours are.
func TestOperationsOnRegisteredForms(t *testing.T) {
	t.Parallel()
	d := newDesk(t, adminToken)
	form, err := os.ReadFile("../examples/portal-form.json")
	require.NoError(t, err)
	body, err := os.ReadFile("../examples/portal-response.json")
	require.NoError(t, err)
	registered := d.admin(t, http.MethodPut, "/Questionnaire/"+diary, string(form), "Content-Type", "application/fhir+json")
	require.Less(t, registered.status, 300, "%s", registered.body)
	path := "/fhir/Questionnaire/" + diary
	d.run(t, "its version stays readable", func(t *testing.T, r *rig) {
		a := r.get(path)
		version := strings.TrimSuffix(strings.TrimPrefix(a.header.Get("ETag"), `W/"`), `"`)
		require.Equal(t, string(a.body), string(r.get(path+"/_history/"+version).body))
		r.get(path+"/_history/99").refused(http.StatusNotFound, "not-found")
	})
	d.run(t, "it is offered with its subject, and the items are left to the portal", func(t *testing.T, r *rig) {
		for _, a := range []answer{
			r.post(path+"/$populate", parametersWith("context", contextPart("patient", patientOf("oona-thistledown", day(5, 0))))),
			r.post("/fhir/Questionnaire/$populate", parametersWith("questionnaire", `"valueReference":{"reference":"Questionnaire/`+diary+`"}`,
				"context", contextPart("patient", patientOf("oona-thistledown", day(5, 0))))),
		} {
			require.Equal(t, "not-supported", a.text("parameter", 1, "resource", "issue", 0, "code"), "%s", a.body)
			draft := r.offered(a)
			require.True(t, strings.HasPrefix(draft.text("questionnaire"), diaryURL))
			require.Zero(t, draft.count("item"))
		}
	})
	d.run(t, "a response to it is processed, extracted and validated", func(t *testing.T, r *rig) {
		r.post(responsePath+"/$validate", string(body)).passed()
		require.Equal(t, "34.00", r.post(extractPath, string(body)).unwrapped().text("valueQuantity", "value"))
		a := r.post(path+"/$process-response", string(body))
		a.passed()
		require.Equal(t, "34.00", r.score(r.get(a.header.Get("Location")).id()).text("valueQuantity", "value"))
		r.post("/fhir/Questionnaire/scorad-self-assessment/$process-response", string(body)).refused(http.StatusUnprocessableEntity, "business-rule")
	})
}
