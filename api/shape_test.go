package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const typeExtract = "/fhir/QuestionnaireResponse/$extract"

// asked is a Parameters with a response and values of the parameter shape.
func asked(body response, shapes ...string) string {
	parameters := `{"name":"questionnaire-response","resource":` + body.json() + `}`
	for _, value := range shapes {
		parameters += `,{"name":"shape",` + value + `}`
	}
	return `{"resourceType":"Parameters","parameter":[` + parameters + `]}`
}

func TestExtractAnswersOneObservationUnlessAskedForAPanel(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for name, request := range map[string][2]string{
		"nothing said":  {typeExtract, oona("fw-1").json()},
		"in the query":  {typeExtract + "?shape=single", oona("fw-1").json()},
		"in Parameters": {typeExtract, asked(oona("fw-1"), `"valueCode":"single"`)},
	} {
		r.run(t, name, func(t *testing.T, r *rig) {
			a := r.do(http.MethodPost, request[0], request[1])
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, "Observation", a.text("resourceType"))
			require.Equal(t, "42.00", a.text("valueQuantity", "value"))
		})
	}
}

// 20 % directly, six grades, itch, sleep loss: nine answers, five parts, the
// total and the panel.
func TestExtractAnswersAPanelThatAServerCanTake(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for name, request := range map[string][2]string{
		"in the query":            {typeExtract + "?shape=panel", oona("fw-1").json()},
		"query beside Parameters": {typeExtract + "?shape=panel", asked(oona("fw-1"))},
		"as a code":               {typeExtract, asked(oona("fw-1"), `"valueCode":"panel"`)},
		"as a string":             {typeExtract, asked(oona("fw-1"), `"valueString":"panel"`)},
		"the same twice":          {typeExtract + "?shape=panel&shape=panel", asked(oona("fw-1"), `"valueCode":"panel"`, `"valueCode":"panel"`)},
	} {
		r.run(t, name, func(t *testing.T, r *rig) {
			a := r.do(http.MethodPost, request[0], request[1])
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, "Bundle", a.text("resourceType"))
			require.Equal(t, "transaction", a.text("type"))
			require.Equal(t, 16, a.count("entry"))
			total, whole := 14, 15
			require.Equal(t, "scorad", a.text("entry", total, "resource", "code", "coding", 0, "code"))
			require.Equal(t, "42.00", a.text("entry", total, "resource", "valueQuantity", "value"))
			require.Equal(t, "panel", a.text("entry", whole, "resource", "code", "coding", 0, "code"))
			require.Equal(t, 15, a.count("entry", whole, "resource", "hasMember"))
			single := r.do(http.MethodPost, typeExtract, oona("fw-1").json())
			require.Equal(t, single.text("identifier", 0, "value"), a.text("entry", total, "resource", "identifier", 0, "value"))
			require.Zero(t, r.kept(), "nothing is stored")
		})
	}
}

func TestPanelFollowsTheStatusOfTheResponse(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("fw-1")
	body.status = "amended"
	a := r.do(http.MethodPost, typeExtract+"?shape=panel", body.json())
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	for i := range a.count("entry") {
		require.Equal(t, "amended", a.text("entry", i, "resource", "status"))
	}
}

func TestShapeThatIsNotKnownIsRefused(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for name, c := range map[string]struct{ path, body, code, at string }{
		"in the query":       {typeExtract + "?shape=tree", oona("fw-1").json(), "value", ""},
		"empty":              {typeExtract + "?shape=", oona("fw-1").json(), "value", ""},
		"in Parameters":      {typeExtract, asked(oona("fw-1"), `"valueCode":"Panel"`), "value", "Parameters.parameter[1]"},
		"no code":            {typeExtract, asked(oona("fw-1"), `"valueInteger":1`), "value", "Parameters.parameter[1]"},
		"two in the query":   {typeExtract + "?shape=single&shape=panel", oona("fw-1").json(), "invalid", ""},
		"two in Parameters":  {typeExtract, asked(oona("fw-1"), `"valueCode":"panel"`, `"valueCode":"single"`), "invalid", "Parameters.parameter[2]"},
		"query and the body": {typeExtract + "?shape=single", asked(oona("fw-1"), `"valueCode":"panel"`), "invalid", "Parameters.parameter[1]"},
	} {
		r.run(t, name, func(t *testing.T, r *rig) {
			a := r.do(http.MethodPost, c.path, c.body)
			a.refused(http.StatusBadRequest, c.code)
			require.Equal(t, c.at, a.text("issue", 0, "expression", 0), "nothing in the body is at fault for the query")
			require.NotContains(t, string(a.body), "tree", "what was sent is not repeated")
		})
	}
}

func TestCapabilityStatementTellsOfTheShapes(t *testing.T) {
	t.Parallel()
	a := newRig(t).get("/fhir/metadata")
	require.Equal(t, http.StatusOK, a.status)
	require.Equal(t, 1, strings.Count(string(a.body), "Beside SDC's parameters takes shape (code, optional"), "%s", a.body)
}
