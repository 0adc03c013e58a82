package api_test

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// putWhere updates the response that a search finds.
func (r *rig) putWhere(condition string, body response, headers ...string) answer {
	r.t.Helper()
	return r.do(http.MethodPut, responses+"?"+condition, body.json(), headers...)
}

func byIdentifier(identifier string) string { return "identifier=" + portalSystem + "|" + identifier }

func TestConditionalUpdate(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "without a match creates", func(t *testing.T, r *rig) {
		a := r.putWhere(byIdentifier("where-put-1"), oona("where-put-1"))
		require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
		require.Equal(t, r.base+"/QuestionnaireResponse/"+a.id()+"/_history/1", a.header.Get("Location"))
		require.Equal(t, `W/"1"`, a.header.Get("ETag"))
		require.Equal(t, "42.00", r.score(a.id()).text("valueQuantity", "value"))
		require.Equal(t, "201 Created", r.get(responses+"/"+a.id()+"/_history").text("entry", 0, "response", "status"))
	})
	r.run(t, "repeated updates what the first created, to no new version", func(t *testing.T, r *rig) {
		first := r.putWhere(byIdentifier("where-put-2"), oona("where-put-2"))
		again := r.putWhere(byIdentifier("where-put-2"), oona("where-put-2"))
		require.Equal(t, http.StatusOK, again.status)
		require.Equal(t, string(first.body), string(again.body))
	})
	r.run(t, "with one match is its next version, with or without its id", func(t *testing.T, r *rig) {
		body := r.reach("completed", "where-put-3")
		amended := body
		amended.status, amended.itch, amended.id = "amended", "8", ""
		a := r.putWhere(byIdentifier("where-put-3"), amended)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, body.id, a.id())
		require.Equal(t, `W/"2"`, a.header.Get("ETag"))
		amended.id, amended.itch = body.id, "9"
		require.Equal(t, `W/"3"`, r.putWhere(byIdentifier("where-put-3"), amended).header.Get("ETag"))
		require.Equal(t, "45.00", r.score(body.id).text("valueQuantity", "value"))
	})
	r.run(t, "with one match of another id is refused", func(t *testing.T, r *rig) {
		body := r.reach("completed", "where-put-4")
		body.id, body.status = "another", "amended"
		r.putWhere(byIdentifier("where-put-4"), body).refused(http.StatusBadRequest, "invalid")
	})
	r.run(t, "without a match but with an id is refused, since ids are ours", func(t *testing.T, r *rig) {
		body := oona("where-put-5")
		body.id = "chosen-by-the-client"
		r.putWhere(byIdentifier("where-put-5"), body).refused(http.StatusMethodNotAllowed, "not-supported")
	})
	r.run(t, "with several matches is refused", func(t *testing.T, r *rig) {
		for n := range 2 {
			body := oona(fmt.Sprint("where-put-several-", n))
			body.patient = "Patient/mirren-ashby-vale"
			r.create(body.json())
		}
		body := oona("where-put-6")
		body.patient = "Patient/mirren-ashby-vale"
		r.putWhere("patient=mirren-ashby-vale", body).refused(http.StatusPreconditionFailed, "multiple-matches")
	})
	r.run(t, "holds If-Match", func(t *testing.T, r *rig) {
		body := r.reach("completed", "where-put-7")
		body.status, body.itch = "amended", "1"
		r.putWhere(byIdentifier("where-put-7"), body, "If-Match", `W/"2"`).refused(http.StatusPreconditionFailed, "conflict")
		require.Equal(t, http.StatusOK, r.putWhere(byIdentifier("where-put-7"), body, "If-Match", `W/"1"`).status)
		r.putWhere(byIdentifier("where-put-none"), oona("where-put-none"), "If-Match", "*").refused(http.StatusPreconditionFailed, "conflict")
		r.putWhere(byIdentifier("where-put-7"), body, "If-Match", "two").refused(http.StatusBadRequest, "value")
	})
	r.run(t, "holds the rules of any update", func(t *testing.T, r *rig) {
		body := r.reach("completed", "where-put-8")
		body.status = "in-progress"
		r.putWhere(byIdentifier("where-put-8"), body).refused(http.StatusUnprocessableEntity, "business-rule")
	})
	r.run(t, "does not bring back what was deleted", func(t *testing.T, r *rig) {
		body := r.reach("completed", "where-put-9")
		require.Equal(t, http.StatusNoContent, r.remove(body.id).status)
		body.id = ""
		r.putWhere(byIdentifier("where-put-9"), body).refused(http.StatusConflict, "duplicate")
	})
	for name, c := range map[string]struct{ condition, code string }{
		"without a condition":      {"", "value"},
		"by an unknown parameter":  {"colour=red", "not-supported"},
		"by a modifier":            {"identifier:not=x", "not-supported"},
		"by paging alone":          {"_count=3", "value"},
		"by a query that is none":  {"identifier=%zz", "value"},
		"by a date that is no day": {"authored=yesterday", "value"},
	} {
		r.run(t, name+" is refused and stores nothing", func(t *testing.T, r *rig) {
			identifier := "where-refused-" + name[:2]
			r.putWhere(c.condition, oona(identifier)).refused(http.StatusBadRequest, c.code)
			require.Equal(t, "0", r.get(responses+"?identifier="+identifier).text("total"))
		})
	}
}

func TestUpdateIfMatchForms(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	amend := func(r *rig, identifier string) response {
		body := r.reach("completed", identifier)
		body.status, body.itch = "amended", "1"
		return body
	}
	for _, header := range []string{`W/"1"`, `"1"`, "1", "*", ` W/"1" `} {
		r.run(t, header+" is taken", func(t *testing.T, r *rig) {
			a := r.put(amend(r, "form-"+header), "If-Match", header)
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		})
	}
	for _, header := range []string{`W/"1`, `1"`, `W/`, `"+1"`, `"1.0"`, `"01x"`, `w/"1"`, `W/"99999999999999999999"`} {
		r.run(t, header+" is malformed", func(t *testing.T, r *rig) {
			r.put(amend(r, "form-"+header), "If-Match", header).refused(http.StatusBadRequest, "value")
		})
	}
}

func TestUpdateIfNoneMatch(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("completed", "none-match")
	body.status, body.itch = "amended", "1"
	for _, header := range []string{"*", `W/"1"`, `"1"`, `W/"7", W/"1"`} {
		r.put(body, "If-None-Match", header).refused(http.StatusPreconditionFailed, "conflict")
	}
	require.Equal(t, http.StatusOK, r.put(body, "If-None-Match", `W/"2"`).status)
	a := r.putWhere(byIdentifier("none-match-new"), oona("none-match-new"), "If-None-Match", "*")
	require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
}

func TestPreferForms(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for header, applied := range map[string]string{
		`respond-async, return=minimal`:          "return=minimal",
		`return="minimal"`:                       "return=minimal",
		`Return=minimal; foo=1`:                  "return=minimal",
		`handling=lenient,return=representation`: "return=representation",
		`return=minimal, return=representation`:  "return=minimal",
		`x-return=minimal`:                       "",
		`return=everything`:                      "",
		`return`:                                 "",
	} {
		r.run(t, header, func(t *testing.T, r *rig) {
			a := r.create(oona("prefer-form-"+header).json(), "Prefer", header)
			require.Equal(t, applied, a.header.Get("Preference-Applied"))
			require.Equal(t, applied == "return=minimal", len(a.body) == 0)
		})
	}
}

func TestDeviceVersions(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	current := r.get("/fhir/Device/tidemark-1.0.0")
	require.Equal(t, `W/"1"`, current.header.Get("ETag"))
	require.Equal(t, "1", current.text("meta", "versionId"))
	require.Equal(t, string(current.body), string(r.get("/fhir/Device/tidemark-1.0.0/_history/1").body))
	require.Equal(t, http.StatusNotModified, r.get("/fhir/Device/tidemark-1.0.0", "If-None-Match", `W/"1"`).status)
	for _, path := range []string{"/fhir/Device/tidemark-1.0.0/_history/2", "/fhir/Device/other/_history/1"} {
		r.get(path).refused(http.StatusNotFound, "not-found")
	}
}

// TestCapabilitiesOfInteractions holds what the CapabilityStatement says of
// versions and conditions.
func TestCapabilitiesOfInteractions(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	statement := r.get("/fhir/metadata")
	for i := range statement.count("rest", 0, "resource") {
		at := func(name string) string { return statement.text("rest", 0, "resource", i, name) }
		var interactions []string
		for n := range statement.count("rest", 0, "resource", i, "interaction") {
			interactions = append(interactions, statement.text("rest", 0, "resource", i, "interaction", n, "code"))
		}
		require.NotContains(t, interactions, "history-type")
		kind := at("type")
		switch kind {
		case "QuestionnaireResponse":
			require.Equal(t, []string{"true", "true", "single", "true", "false", "versioned-update", "full-support"}, []string{at("conditionalCreate"),
				at("conditionalUpdate"), at("conditionalDelete"), at("readHistory"), at("updateCreate"), at("versioning"), at("conditionalRead")})
			require.Subset(t, interactions, []string{"create", "read", "vread", "update", "delete", "history-instance", "search-type"})
		case "Observation":
			require.Equal(t, "true", at("readHistory"))
			require.Subset(t, interactions, []string{"read", "vread", "history-instance", "search-type"})
			require.NotContains(t, interactions, "delete")
		case "Provenance", "Device":
			require.Subset(t, interactions, []string{"read", "vread", "search-type"})
			require.NotContains(t, interactions, "history-instance")
		}
		slicesUnique(t, interactions)
	}
	for n := range statement.count("rest", 0, "interaction") {
		require.Contains(t, []string{"transaction", "batch"}, statement.text("rest", 0, "interaction", n, "code"))
	}
}

func slicesUnique(t *testing.T, all []string) {
	t.Helper()
	seen := map[string]bool{}
	for _, each := range all {
		require.False(t, seen[each], each)
		seen[each] = true
	}
}
