package api_test

import (
	"context"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// remove deletes a response by its id.
func (r *rig) remove(id string, headers ...string) answer {
	r.t.Helper()
	return r.do(http.MethodDelete, responses+"/"+id, "", headers...)
}

func TestDelete(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("amended", "deleted-1")
	before := r.score(body.id)
	a := r.remove(body.id)

	r.run(t, "is answered with 204, the version it became and no body", func(t *testing.T, _ *rig) {
		require.Equal(t, http.StatusNoContent, a.status, "%s", a.body)
		require.Empty(t, a.body)
		require.Equal(t, `W/"3"`, a.header.Get("ETag"))
		require.NotEmpty(t, a.header.Get("Last-Modified"))
		require.Empty(t, a.header.Get("Content-Type"))
	})
	r.run(t, "leaves 410 behind, at its own version too", func(t *testing.T, r *rig) {
		r.get(responses+"/"+body.id).refused(http.StatusGone, "deleted")
		r.get(responses+"/"+body.id+"/_history/3").refused(http.StatusGone, "deleted")
	})
	r.run(t, "leaves the versions before it readable", func(t *testing.T, r *rig) {
		require.Equal(t, "completed", r.get(responses+"/"+body.id+"/_history/1").text("status"))
		require.Equal(t, "amended", r.get(responses+"/"+body.id+"/_history/2").text("status"))
		r.get(responses+"/"+body.id+"/_history/4").refused(http.StatusNotFound, "not-found")
	})
	r.run(t, "takes the response out of searches", func(t *testing.T, r *rig) {
		require.Equal(t, "0", r.get(responses+"?identifier=deleted-1").text("total"))
	})
	r.run(t, "makes the score entered-in-error and never removes it", func(t *testing.T, r *rig) {
		o := r.score(body.id)
		require.Equal(t, "entered-in-error", o.text("status"))
		require.Equal(t, "3", o.text("meta", "versionId"))
		require.Equal(t, before.text("valueQuantity", "value"), o.text("valueQuantity", "value"))
		require.Equal(t, before.at("derivedFrom"), o.at("derivedFrom"), "the version it was computed from is still there")
	})
	r.run(t, "is traced as a nullification by the software, of what was removed", func(t *testing.T, r *rig) {
		p := r.provenances(body.id)
		require.Equal(t, "3", p.text("total"))
		require.Equal(t, "NULLIFY", p.text("entry", 2, "resource", "activity", "coding", 0, "code"))
		require.Equal(t, "Observation/"+body.id+"/_history/3", p.text("entry", 2, "resource", "target", 0, "reference"))
		require.Equal(t, "removal", p.text("entry", 2, "resource", "entity", 0, "role"))
		require.Equal(t, "QuestionnaireResponse/"+body.id+"/_history/2", p.text("entry", 2, "resource", "entity", 0, "what", "reference"))
		require.Equal(t, 1, p.count("entry", 2, "resource", "agent"), "who deleted it is not known")
	})
	r.run(t, "is wanted at every target as a retraction", func(t *testing.T, r *rig) {
		d, err := r.store.Delivery(context.Background(), target, store.Key{Type: "Observation", ID: body.id}, store.Whole)
		require.NoError(t, err)
		require.EqualValues(t, 3, d.Wanted)
		require.True(t, d.Retract)
	})
	r.run(t, "repeated changes nothing, whatever version is expected", func(t *testing.T, r *rig) {
		for _, headers := range [][]string{nil, {"If-Match", `W/"2"`}, {"If-Match", `W/"3"`}} {
			again := r.remove(body.id, headers...)
			require.Equal(t, http.StatusNoContent, again.status, "%s", again.body)
			require.Equal(t, `W/"3"`, again.header.Get("ETag"))
		}
		require.Equal(t, "3", r.score(body.id).text("meta", "versionId"))
	})
	r.run(t, "is not undone by PUT", func(t *testing.T, r *rig) {
		r.put(body).refused(http.StatusGone, "deleted")
		r.put(body, "If-Match", `W/"3"`).refused(http.StatusGone, "deleted")
	})
	r.run(t, "is not undone by POST under its identifier", func(t *testing.T, r *rig) {
		for _, status := range []string{"completed", "amended", "entered-in-error"} {
			again := body
			again.status, again.itch = status, "1"
			a := r.do(http.MethodPost, responses, again.json())
			a.refused(http.StatusConflict, "duplicate")
			require.Contains(t, a.text("issue", 0, "details", "text"), "deleted")
		}
		r.do(http.MethodPost, responses, body.json()).refused(http.StatusConflict, "duplicate")
	})
}

func TestDeleteOfOthers(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "of an id that was never there is as good as done", func(t *testing.T, r *rig) {
		a := r.remove("no-such-id")
		require.Equal(t, http.StatusNoContent, a.status)
		require.Empty(t, a.header.Get("ETag"))
	})
	r.run(t, "of an id that was never there, in some version, is refused", func(t *testing.T, r *rig) {
		r.remove("no-such-id", "If-Match", `W/"1"`).refused(http.StatusPreconditionFailed, "conflict")
		r.remove("no-such-id", "If-Match", "*").refused(http.StatusPreconditionFailed, "conflict")
	})
	r.run(t, "of an id that FHIR forbids is not found", func(t *testing.T, r *rig) {
		r.remove("what_is_this").refused(http.StatusNotFound, "not-found")
	})
	r.run(t, "of a response that was never scored leaves no score", func(t *testing.T, r *rig) {
		body := r.reach("in-progress", "deleted-2")
		require.Equal(t, http.StatusNoContent, r.remove(body.id).status)
		r.get("/fhir/Observation/"+body.id).refused(http.StatusNotFound, "not-found")
		require.Equal(t, "0", r.provenances(body.id).text("total"))
	})
	r.run(t, "of what was entered in error leaves its score as it is", func(t *testing.T, r *rig) {
		body := r.reach("entered-in-error", "deleted-3")
		require.Equal(t, http.StatusNoContent, r.remove(body.id).status)
		require.Equal(t, "2", r.score(body.id).text("meta", "versionId"))
	})
	for _, path := range []string{"/fhir/Observation/x", "/fhir/Provenance/x", "/fhir/Device/x", "/fhir/Questionnaire/x", "/fhir/metadata"} {
		r.run(t, "of "+path+" is not offered", func(t *testing.T, r *rig) {
			a := r.do(http.MethodDelete, path, "")
			a.refused(http.StatusMethodNotAllowed, "not-supported")
			require.Contains(t, a.header.Get("Allow"), "GET")
		})
	}
}

func TestDeleteIfMatch(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, header := range []string{`W/"2"`, `"2"`, "*"} {
		r.run(t, "with "+header+" is done", func(t *testing.T, r *rig) {
			body := r.reach("amended", "delete-if-"+header)
			require.Equal(t, http.StatusNoContent, r.remove(body.id, "If-Match", header).status)
			r.get(responses+"/"+body.id).refused(http.StatusGone, "deleted")
		})
	}
	r.run(t, "with another version takes nothing back", func(t *testing.T, r *rig) {
		body := r.reach("amended", "delete-stale")
		r.remove(body.id, "If-Match", `W/"1"`).refused(http.StatusPreconditionFailed, "conflict")
		require.Equal(t, "amended", r.score(body.id).text("status"))
		require.Equal(t, http.StatusOK, r.get(responses+"/"+body.id).status)
	})
	r.run(t, "with no version is refused", func(t *testing.T, r *rig) {
		body := r.reach("completed", "delete-malformed")
		r.remove(body.id, "If-Match", `W/"one"`).refused(http.StatusBadRequest, "value")
		require.Equal(t, http.StatusOK, r.get(responses+"/"+body.id).status)
	})
}

func TestDeletePrefer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "OperationOutcome is answered with 200 and what was done", func(t *testing.T, r *rig) {
		a := r.remove(r.reach("completed", "delete-prefer-1").id, "Prefer", "return=OperationOutcome")
		require.Equal(t, http.StatusOK, a.status)
		require.Equal(t, "OperationOutcome", a.text("resourceType"))
		require.Equal(t, "information", a.text("issue", 0, "severity"))
		require.Equal(t, "return=OperationOutcome", a.header.Get("Preference-Applied"))
	})
	r.run(t, "minimal is what it does anyway and says so", func(t *testing.T, r *rig) {
		a := r.remove(r.reach("completed", "delete-prefer-2").id, "Prefer", "return=minimal")
		require.Equal(t, http.StatusNoContent, a.status)
		require.Equal(t, "return=minimal", a.header.Get("Preference-Applied"))
	})
	r.run(t, "representation has nothing to represent and is not claimed", func(t *testing.T, r *rig) {
		a := r.remove(r.reach("completed", "delete-prefer-3").id, "Prefer", "return=representation")
		require.Equal(t, http.StatusNoContent, a.status)
		require.Empty(t, a.header.Get("Preference-Applied"))
	})
}

func TestSentAgainAfterDelete(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("")
	first := r.create(body.json()).id()
	require.Equal(t, http.StatusNoContent, r.remove(first).status)
	second := r.create(body.json()).id()
	require.NotEqual(t, first, second, "without an identifier it is a new response")
	require.Equal(t, second, r.create(body.json()).id(), "and a repetition of that one")
	require.Equal(t, "final", r.score(second).text("status"))
	require.Equal(t, "entered-in-error", r.score(first).text("status"))
	require.Equal(t, http.StatusNoContent, r.remove(second).status)
	third := r.create(body.json()).id()
	require.NotContains(t, []string{first, second}, third)
	require.Equal(t, third, r.create(body.json()).id())
}

func TestConditionalDelete(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	where := func(r *rig, condition string, headers ...string) answer {
		return r.do(http.MethodDelete, responses+condition, "", headers...)
	}
	r.run(t, "with one match deletes it", func(t *testing.T, r *rig) {
		body := r.reach("completed", "where-1")
		a := where(r, "?identifier="+portalSystem+"|where-1")
		require.Equal(t, http.StatusNoContent, a.status, "%s", a.body)
		require.Equal(t, `W/"2"`, a.header.Get("ETag"))
		r.get(responses+"/"+body.id).refused(http.StatusGone, "deleted")
		require.Equal(t, "entered-in-error", r.score(body.id).text("status"))
	})
	r.run(t, "without a match has nothing to do", func(t *testing.T, r *rig) {
		require.Equal(t, http.StatusNoContent, where(r, "?identifier=where-none").status)
	})
	r.run(t, "with several matches deletes none", func(t *testing.T, r *rig) {
		for _, identifier := range []string{"where-several-1", "where-several-2"} {
			body := oona(identifier)
			body.patient = "Patient/mirren-ashby-vale"
			r.create(body.json())
		}
		where(r, "?patient=mirren-ashby-vale").refused(http.StatusPreconditionFailed, "multiple-matches")
		require.Equal(t, "2", r.get(responses+"?patient=mirren-ashby-vale").text("total"))
	})
	r.run(t, "of another version deletes nothing", func(t *testing.T, r *rig) {
		r.reach("completed", "where-2")
		where(r, "?identifier=where-2", "If-Match", `W/"7"`).refused(http.StatusPreconditionFailed, "conflict")
	})
	for name, condition := range map[string]string{"without a condition": "", "with an unknown parameter": "?colour=red", "with a modifier": "?identifier:not=x", "with paging alone": "?_count=1"} {
		r.run(t, name+" is refused and deletes nothing", func(t *testing.T, r *rig) {
			require.Equal(t, http.StatusBadRequest, where(r, condition).status)
		})
	}
}
