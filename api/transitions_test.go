package api_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// statuses are all that R4 has for a response.
var statuses = []string{"in-progress", "stopped", "completed", "amended", "entered-in-error"}

// follows are the changes of status that SDC's form manager allows, with two of
// ours: what is stopped may be corrected or taken back, and more may be added to
// what is in progress.
var follows = map[string][]string{
	"in-progress":      {"in-progress", "stopped", "completed", "entered-in-error"},
	"stopped":          {"stopped", "entered-in-error"},
	"completed":        {"amended", "entered-in-error"},
	"amended":          {"amended", "entered-in-error"},
	"entered-in-error": {},
}

// reach stores a response and brings it to a status.
func (r *rig) reach(status, identifier string) response {
	r.t.Helper()
	body := oona(identifier)
	body.status = status
	if status == "amended" || status == "entered-in-error" {
		body.status = "completed"
	}
	body.id = r.create(body.json()).id()
	if body.status != status {
		body.status, body.sleep = status, "5"
		require.Equal(r.t, http.StatusOK, r.put(body).status)
	}
	return body
}

func TestStatusTransitions(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, from := range statuses {
		for _, to := range statuses {
			allowed := false
			for _, status := range follows[from] {
				allowed = allowed || status == to
			}
			name := from + " to " + to + " is refused"
			if allowed {
				name = from + " to " + to + " is taken"
			}
			r.run(t, name, func(t *testing.T, r *rig) {
				body := r.reach(from, "transition-"+from+"-"+to)
				before := r.get("/fhir/QuestionnaireResponse/" + body.id)
				body.status, body.itch = to, "8.5"
				a := r.put(body)
				if !allowed {
					a.refused(http.StatusUnprocessableEntity, "business-rule")
					require.Equal(t, "QuestionnaireResponse.status", a.text("issue", 0, "expression", 0))
					require.Equal(t, before.body, r.get("/fhir/QuestionnaireResponse/"+body.id).body)
					return
				}
				require.Equal(t, http.StatusOK, a.status, "%s", a.body)
				require.Equal(t, to, a.text("status"))
				o := r.get("/fhir/Observation/" + body.id)
				switch {
				case to == "completed":
					require.Equal(t, "final", o.text("status"))
				case to == "amended":
					require.Equal(t, "amended", o.text("status"))
				case to == "entered-in-error" && (from == "completed" || from == "amended"):
					require.Equal(t, "entered-in-error", o.text("status"))
				default:
					require.Equal(t, http.StatusNotFound, o.status, "what was never complete was never scored")
				}
			})
		}
	}
	for _, status := range statuses {
		r.run(t, "the same again after "+status+" is answered and writes nothing", func(t *testing.T, r *rig) {
			body := r.reach(status, "again-"+status)
			before := r.get("/fhir/QuestionnaireResponse/" + body.id)
			a := r.put(body)
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, before.body, a.body)
		})
	}
}

func TestUnscoredStatuses(t *testing.T) {
	t.Parallel()
	for _, status := range []string{"in-progress", "stopped", "entered-in-error"} {
		t.Run(status+" is stored and never scored", func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			body := oona("unscored")
			body.status, body.extent, body.grades = status, "", "21"
			r.create(body.json())
			require.Equal(t, kept{1, 0, 0, 0}, r.kept())
		})
	}
	t.Run("in-progress lists what is still missing as warnings", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		body := oona("unfinished")
		body.status, body.grades = "in-progress", "2111"
		a := r.create(body.json(), "Prefer", "return=OperationOutcome")
		require.Equal(t, 2, a.count("issue"), "%s", a.body)
		for i := range 2 {
			require.Equal(t, "warning", a.text("issue", i, "severity"))
			require.Equal(t, "required", a.text("issue", i, "code"))
		}
	})
}

// provenances are those of a score, oldest first.
func (r *rig) provenances(id string) answer {
	r.t.Helper()
	a := r.get("/fhir/Provenance?_sort=_lastUpdated&target=Observation/" + id)
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	return a
}

func TestAmendment(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("amended-1")
	body.id = r.create(body.json()).id()
	first := r.score(body.id)
	body.status, body.itch = "amended", "9.5"
	require.Equal(t, http.StatusOK, r.put(body, "If-Match", `W/"1"`).status)
	second := r.score(body.id)
	require.Equal(t, kept{1, 1, 2, 1}, r.kept(), "one delivery is wanted, of the newest version")

	r.run(t, "keeps the score's id, identifier, subject and period", func(t *testing.T, _ *rig) {
		for _, member := range []string{"id", "identifier", "subject", "effectivePeriod", "category", "code", "method", "performer"} {
			require.Equal(t, first.at(member), second.at(member), member)
		}
	})
	r.run(t, "has the new values, status amended and the new version as source", func(t *testing.T, r *rig) {
		require.Equal(t, "45.50", second.text("valueQuantity", "value"), "42 + 3.5")
		require.Equal(t, "amended", second.text("status"))
		require.Equal(t, "2", second.text("meta", "versionId"))
		require.Equal(t, r.base+"/QuestionnaireResponse/"+body.id+"/_history/2", second.text("derivedFrom", 0, "reference"))
		require.Equal(t, second.text("meta", "lastUpdated"), second.text("issued"), "issued is when it was committed")
	})
	r.run(t, "is traced by a Provenance of its own", func(t *testing.T, r *rig) {
		p := r.provenances(body.id)
		require.Equal(t, "2", p.text("total"))
		for i, activity := range []string{"CREATE", "UPDATE"} {
			version := []string{"1", "2"}[i]
			at := func(path ...any) string { return p.text(append([]any{"entry", i, "resource"}, path...)...) }
			require.Equal(t, activity, at("activity", "coding", 0, "code"))
			require.Equal(t, "Observation/"+body.id+"/_history/"+version, at("target", 0, "reference"))
			require.Equal(t, "QuestionnaireResponse/"+body.id+"/_history/"+version, at("entity", 0, "what", "reference"))
			require.Equal(t, "source", at("entity", 0, "role"))
			require.Equal(t, "Device/tidemark-1.0.0", at("agent", 0, "who", "reference"))
			require.Equal(t, "RelatedPerson/bram-thistledown", at("agent", 1, "who", "reference"))
		}
	})
	r.run(t, "of an itch taken out leaves the objective and says why there is no total", func(t *testing.T, r *rig) {
		body := r.reach("completed", "amended-2")
		body.status, body.itch = "amended", ""
		require.Equal(t, http.StatusOK, r.put(body).status)
		o := r.score(body.id)
		require.Nil(t, o.at("valueQuantity"))
		require.Nil(t, o.at("interpretation"))
		require.NotNil(t, o.at("dataAbsentReason"))
		require.Contains(t, string(o.body), `"code":"objective"`)
	})
}

func TestRetraction(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("retracted-1")
	body.id = r.create(body.json()).id()
	body.status = "entered-in-error"
	require.Equal(t, http.StatusOK, r.put(body).status)
	o := r.score(body.id)

	r.run(t, "carries over to the score, whose values stay", func(t *testing.T, r *rig) {
		require.Equal(t, "entered-in-error", o.text("status"))
		require.Equal(t, "42.00", o.text("valueQuantity", "value"))
		require.Equal(t, "2", o.text("meta", "versionId"))
		require.Contains(t, o.text("text", "div"), "entered in error")
		require.Equal(t, r.base+"/QuestionnaireResponse/"+body.id+"/_history/2", o.text("derivedFrom", 0, "reference"))
	})
	r.run(t, "is traced as a nullification", func(t *testing.T, r *rig) {
		p := r.provenances(body.id)
		require.Equal(t, "2", p.text("total"))
		require.Equal(t, "NULLIFY", p.text("entry", 1, "resource", "activity", "coding", 0, "code"))
		require.Equal(t, "Observation/"+body.id+"/_history/2", p.text("entry", 1, "resource", "target", 0, "reference"))
	})
	r.run(t, "is found by its new status", func(t *testing.T, r *rig) {
		require.Equal(t, "1", r.get("/fhir/Observation?status=entered-in-error&_id="+body.id).text("total"))
		require.Equal(t, "0", r.get("/fhir/Observation?status=final&_id="+body.id).text("total"))
		require.Equal(t, "1", r.get("/fhir/Observation?status=entered-in-error&patient=oona-thistledown&method=self-direct&date=le2026-03-05&_id="+body.id).text("total"))
	})
	r.run(t, "needs nothing of the response but whose it is", func(t *testing.T, r *rig) {
		body := r.reach("amended", "retracted-2")
		bare := response{id: body.id, status: "entered-in-error", patient: body.patient}
		require.Equal(t, http.StatusOK, r.put(bare).status)
		require.Equal(t, "entered-in-error", r.score(body.id).text("status"))
	})
	r.run(t, "of what was never scored writes no score", func(t *testing.T, r *rig) {
		body := r.reach("in-progress", "retracted-3")
		body.status = "entered-in-error"
		require.Equal(t, http.StatusOK, r.put(body).status)
		require.Equal(t, http.StatusNotFound, r.get("/fhir/Observation/"+body.id).status)
		require.Equal(t, "0", r.provenances(body.id).text("total"))
	})
	r.run(t, "is final", func(t *testing.T, r *rig) {
		body := r.reach("entered-in-error", "retracted-4")
		body.status = "amended"
		r.put(body).refused(http.StatusUnprocessableEntity, "business-rule")
		require.Equal(t, "entered-in-error", r.score(body.id).text("status"))
	})
	r.run(t, "under a stale If-Match takes nothing back", func(t *testing.T, r *rig) {
		body := r.reach("amended", "retracted-5")
		body.status = "entered-in-error"
		r.put(body, "If-Match", `W/"1"`).refused(http.StatusPreconditionFailed, "conflict")
		require.Equal(t, "amended", r.score(body.id).text("status"))
	})
}
