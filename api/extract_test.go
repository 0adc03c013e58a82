package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
)

const extractPath = responsePath + "/$extract"

// sameScore are the members in which the score of a response must not depend on
// whether the response was stored.
var sameScore = []string{
	"status", "category", "code", "subject", "effectivePeriod", "performer", "valueQuantity", "dataAbsentReason", "interpretation",
	"note", "text", "method", "referenceRange", "component", "identifier", "language",
}

// drawResponse is any response that is scored.
func drawResponse(t *rapid.T, identifier string) response {
	body := oona(identifier)
	tenths := func(most int, label string) string {
		n := rapid.IntRange(0, most).Draw(t, label)
		return fmt.Sprintf("%d.%d", n/10, n%10)
	}
	body.extent, body.itch, body.sleep = tenths(1000, "extent"), tenths(100, "itch"), tenths(100, "sleep loss")
	body.grades = rapid.StringMatching("[0-3]{6}").Draw(t, "grades")
	if rapid.IntRange(0, 3).Draw(t, "without itch") == 0 {
		body.itch = ""
	}
	body.status = rapid.SampledFrom([]string{"completed", "amended"}).Draw(t, "status")
	body.authored = rapid.SampledFrom([]string{"2026-03-04", "2026-03-04T23:59:59-11:00", "2026-03-01T00:00:00.5+14:00", "2024-02-29T12:00:00Z"}).Draw(t, "authored")
	if rapid.Bool().Draw(t, "by a clinician") {
		body.form, body.source = clinicianForm, "Practitioner/ilse-varnholt"
	}
	return body
}

func TestExtractScoresAsStored(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		body := drawResponse(t, fmt.Sprint("extracted-", n)).json()
		before := r.kept()
		extracted := r.do(http.MethodPost, extractPath, body)
		require.Equal(t, http.StatusOK, extracted.status, "%s", extracted.body)
		require.Equal(t, before, r.kept(), "nothing is stored, and nothing wanted anywhere")
		extracted = extracted.unwrapped()
		stored := r.score(r.create(body).id())
		for _, member := range sameScore {
			require.Equal(t, stored.stateless(member), extracted.at(member), member)
		}
		require.Equal(t, "Observation", extracted.text("resourceType"))
		require.Empty(t, extracted.text("id"), "it is nowhere to be read")
		require.Nil(t, extracted.at("meta", "versionId"))
		require.NotContains(t, extracted.text("derivedFrom", 0, "reference"), "_history")
	})
}

// historyTexts are the notes that a response does not lead to by itself, in every
// language.
var historyTexts = sync.OnceValue(func() map[any]questionnaire.Quality {
	all := map[any]questionnaire.Quality{}
	for _, l := range languages.All() {
		for _, q := range questionnaire.HistoryWarnings {
			all[l.Text(q.Warning().Definition)] = q
		}
	}
	return all
})

// stateless is a member of a stored score, but of its notes those alone that its
// response leads to by itself.
func (a answer) stateless(member string) any {
	a.t.Helper()
	notes, ok := a.at(member).([]any)
	if !ok || member != "note" {
		return a.at(member)
	}
	return slices.DeleteFunc(notes, func(note any) bool {
		_, ofHistory := historyTexts()[note.(map[string]any)["text"]]
		return ofHistory
	})
}

// wherever is an entry of a Bundle without the places that its warnings name, which
// are those of the entry in it.
func (a answer) wherever(path ...any) any {
	a.t.Helper()
	entry := a.at(path...)
	issues, _ := entry.(map[string]any)["response"].(map[string]any)["outcome"].(map[string]any)["issue"].([]any)
	require.NotEmpty(a.t, issues)
	for _, issue := range issues {
		delete(issue.(map[string]any), "expression")
	}
	return entry
}

// faultAt is the code of the first issue of an entry, if that is a fault.
func (a answer) faultAt(entry int) string {
	a.t.Helper()
	at := []any{"entry", entry, "response", "outcome", "issue", 0}
	if a.text(append(at, "severity")...) != "error" {
		return ""
	}
	return a.text(append(at, "code")...)
}

// unwrapped is the score of an extraction, which stands in Parameters beside the
// warnings where there are any.
func (a answer) unwrapped() answer {
	a.t.Helper()
	if a.text("resourceType") != "Parameters" {
		return a
	}
	require.Equal(a.t, []string{"return", "issues"}, []string{a.text("parameter", 0, "name"), a.text("parameter", 1, "name")})
	require.Equal(a.t, "OperationOutcome", a.text("parameter", 1, "resource", "resourceType"))
	require.NotEqual(a.t, "information", a.text("parameter", 1, "resource", "issue", 0, "severity"), "or there is nothing to tell")
	var parameters struct {
		Parameter []struct{ Resource json.RawMessage }
	}
	require.NoError(a.t, json.Unmarshal(a.body, &parameters))
	a.body = parameters.Parameter[0].Resource
	return a
}

func TestExtract(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	alone := r.do(http.MethodPost, extractPath, oona("extract").json())
	require.Equal(t, http.StatusOK, alone.status)
	r.run(t, "is worked out by hand", func(t *testing.T, r *rig) {
		require.Equal(t, "42.00", alone.text("valueQuantity", "value"))
		require.Equal(t, "2026-03-04T19:30:00.000+01:00", alone.text("issued"), "when it was authored: there is no other time")
	})
	r.run(t, "of a response in Parameters is the same", func(t *testing.T, r *rig) {
		body := `{"resourceType":"Parameters","parameter":[{"name":"other","valueString":"x"},{"name":"questionnaire-response","resource":` + oona("extract").json() + `}]}`
		a := r.do(http.MethodPost, extractPath, body)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, string(alone.body), string(a.body))
	})
	r.run(t, "twice is the same", func(t *testing.T, r *rig) {
		require.Equal(t, string(alone.body), string(r.do(http.MethodPost, extractPath, oona("extract").json()).body))
	})
	r.run(t, "of a response with an id names it, unversioned", func(t *testing.T, r *rig) {
		body := oona("")
		body.id = "of-the-portal"
		a := r.do(http.MethodPost, extractPath, body.json())
		require.Equal(t, "QuestionnaireResponse/of-the-portal", a.text("derivedFrom", 0, "reference"))
	})
	r.run(t, "by its encoded name", func(t *testing.T, r *rig) {
		require.Equal(t, http.StatusOK, r.do(http.MethodPost, responsePath+"/%24extract", oona("extract").json()).status)
	})
	r.run(t, "of a response in progress is refused", func(t *testing.T, r *rig) {
		body := oona("extract")
		body.status = "in-progress"
		a := r.do(http.MethodPost, extractPath, body.json())
		a.refused(http.StatusUnprocessableEntity, "business-rule")
		require.Equal(t, "QuestionnaireResponse.status", a.text("issue", 0, "expression", 0))
	})
	for _, status := range []string{"stopped", "entered-in-error"} {
		r.run(t, "of a response that is "+status+" says that there is nothing", func(t *testing.T, r *rig) {
			body := oona("extract")
			body.status = status
			a := r.do(http.MethodPost, extractPath, body.json())
			require.Equal(t, http.StatusOK, a.status)
			require.Equal(t, "OperationOutcome", a.text("resourceType"))
			require.Equal(t, "warning", a.text("issue", 0, "severity"))
			require.Equal(t, "QuestionnaireResponse.status", a.text("issue", 0, "expression", 0))
		})
	}
	r.run(t, "of a response with faults tells them all", func(t *testing.T, r *rig) {
		a, b := r.do(http.MethodPost, extractPath, wrong("extract").json()), r.do(http.MethodPost, responsePath, wrong("extract").json())
		a.refused(http.StatusUnprocessableEntity, "value")
		require.Equal(t, string(b.body), string(a.body), "as posting it would")
	})
	for name, c := range map[string]struct {
		body, code string
		status     int
	}{
		"Parameters without it":        {`{"resourceType":"Parameters","parameter":[{"name":"response","resource":` + oona("").json() + `}]}`, "required", 400},
		"Parameters with a value":      {`{"resourceType":"Parameters","parameter":[{"name":"questionnaire-response","valueString":"x"}]}`, "required", 400},
		"Parameters of something else": {`{"resourceType":"Parameters","parameter":[{"name":"questionnaire-response","resource":{"resourceType":"Patient"}}]}`, "structure", 400},
		"empty Parameters":             {`{"resourceType":"Parameters"}`, "required", 400},
		"another resource":             {`{"resourceType":"Patient"}`, "structure", 400},
	} {
		r.run(t, "of "+name+" is refused", func(t *testing.T, r *rig) {
			r.do(http.MethodPost, extractPath, c.body).refused(c.status, c.code)
		})
	}
	for _, method := range []string{http.MethodPut, http.MethodDelete} {
		r.run(t, "by "+method+" is no operation", func(t *testing.T, r *rig) {
			a := r.do(method, extractPath, oona("extract").json())
			require.Contains(t, []int{404, 405, 400}, a.status)
			require.True(t, strings.HasPrefix(a.text("resourceType"), "OperationOutcome"))
		})
	}
	t.Cleanup(func() { require.Equal(t, kept{}, r.kept()) })
}
