package api_test

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
)

// TestExportOfATokensPatient: a token for one patient gets that one's resources by
// Patient/$export and nothing else; what a token may not see is in no file.
func TestExportOfATokensPatient(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t, offered)
	mine := r.keep(filledFor(oonaID, "mine"))
	other := filledFor(casperID, "other")
	other.source = "Patient/" + oonaID // who answered is not whom it is about
	r.keep(other)
	const scopes = "patient/Observation.rs patient/QuestionnaireResponse.rs patient/Provenance.rs"
	token := "Bearer " + r.token(scopes, oonaID)
	m := r.manifestOf(r.exportedBy("/fhir/Patient/$export", "", "Authorization", token), "Authorization", token)
	require.Equal(t, "true", m.text("requiresAccessToken"))
	lines := r.linesOf(m, "output", "Authorization", token)
	require.Equal(t, []string{mine}, r.idsOf(lines["Observation"]))
	require.Equal(t, []string{mine}, r.idsOf(lines["QuestionnaireResponse"]))
	require.NotContains(t, fmt.Sprint(lines), casperID)
	require.NotEmpty(t, lines["Provenance"])

	ask := func(token, method, path, body string) answer {
		return r.do(method, path, body, "Authorization", "Bearer "+token, "Prefer", "respond-async")
	}
	own := r.token(scopes, oonaID)
	ask(own, http.MethodGet, "/fhir/$export", "").refused(http.StatusForbidden, "forbidden")
	ask(own, http.MethodPost, "/fhir/Patient/$export", parametersOf(`{"name":"patient","valueString":"Patient/`+casperID+`"}`)).refused(http.StatusForbidden, "forbidden")
	ask(own, http.MethodGet, "/fhir/Group/"+someGroup+"/$export", "").refused(http.StatusForbidden, "forbidden")
	ask(own, http.MethodGet, "/fhir/$scorad-research-export", "").refused(http.StatusForbidden, "forbidden")

	file := m.text("output", 0, "url")
	r.as(r.token(scopes, casperID), http.MethodGet, file, "").refused(http.StatusNotFound, "not-found")
	r.as(r.token(scopes, oonaID, claims{"client_id": "another-app", "sub": "another-app"}), http.MethodGet, file, "").refused(http.StatusNotFound, "not-found")
	r.as(r.token("patient/Observation.rs", oonaID), http.MethodGet, file, "").refused(http.StatusForbidden, "forbidden")
	r.as(r.token("patient/Encounter.rs", oonaID), http.MethodGet, file, "").refused(http.StatusForbidden, "forbidden")
}

// TestExportOfScopes: a system's scopes say which types, and of a type which codes.
func TestExportOfScopes(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t, offered)
	r.keep(filledFor(oonaID, "mine"))
	types := func(scope, query string) (kinds []string) {
		token := "Bearer " + r.token(scope, "")
		lines := r.linesOf(r.manifestOf(r.exportedBy("/fhir/$export"+query, "", "Authorization", token), "Authorization", token), "output", "Authorization", token)
		for kind := range lines {
			kinds = append(kinds, kind)
		}
		slices.Sort(kinds)
		return kinds
	}
	require.Equal(t, []string{"Observation", "Provenance", "QuestionnaireResponse"}, types("system/*.rs", ""))
	require.Equal(t, []string{"QuestionnaireResponse"}, types("system/QuestionnaireResponse.rs", ""))
	require.Empty(t, types("system/Observation.rs?code=elsewhere|other", ""))
	require.Equal(t, []string{"Observation"}, types("system/Observation.rs?category=http://terminology.hl7.org/CodeSystem/observation-category|survey", ""))
	r.do(http.MethodGet, "/fhir/$export?_type=Observation", "", "Prefer", "respond-async", "Authorization", "Bearer "+r.token("system/QuestionnaireResponse.rs", "")).refused(http.StatusForbidden, "forbidden")
	r.do(http.MethodGet, "/fhir/$export", "", "Prefer", "respond-async", "Authorization", "Bearer "+r.token("system/Observation.r", "")).refused(http.StatusForbidden, "forbidden")
	r.do(http.MethodGet, "/fhir/Group/"+someGroup+"/$export", "", "Prefer", "respond-async", "Authorization", "Bearer "+r.token("system/Observation.rs", "")).refused(http.StatusForbidden, "forbidden")
}

// TestExportIsOnRecord: a download is on record with each patient once, before any
// of it goes out; if it cannot be, nothing does.
func TestExportIsOnRecord(t *testing.T) {
	t.Parallel()
	failing := &auditFailing{}
	r := newRig(t, offered, func(o *api.Options) { failing.Store = o.Store; o.Store = failing })
	for i := range 4 {
		r.create(oona(fmt.Sprint("on-record-", i)).json())
	}
	r.create(casper("on-record").json())
	id := r.exported("/fhir/$export?_type=Observation")
	a := r.get("/fhir/$export/" + id + "/1")
	var patients []string
	for _, record := range r.trail() {
		if strings.Contains(string(record.Event), `"value":"`+a.header.Get("X-Request-Id")+`"`) {
			patients = append(patients, record.Patient)
			require.Equal(t, "$export/"+id+"/1", queryIn(t, record))
		}
	}
	require.ElementsMatch(t, []string{oonas, "Patient/" + casperID}, patients)
	failing.on.Store(true)
	a = r.get("/fhir/$export/" + id + "/1")
	a.refused(http.StatusServiceUnavailable, "no-store")
	require.NotContains(t, string(a.body), "oona")
}

// TestExportThatCannotBeRead is given up, and says so.
func TestExportThatCannotBeRead(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.Put(store.Key{Type: "Observation", ID: "broken"}, "POST", store.Index{}, func(int64, time.Time) ([]byte, error) { return []byte(`{"resourceType"`), nil })
		return err
	}))
	id := r.exported("/fhir/$export")
	r.get("/fhir/$export/"+id).refused(http.StatusInternalServerError, "exception")
	require.InDelta(t, 1, r.counter("tidemark_exports_total", "event", "failed"), 0)
	require.Equal(t, http.StatusAccepted, r.do(http.MethodDelete, "/fhir/$export/"+id, "").status)
}

// TestResearchExport: each valid rating with its parts, nobody's name, and what to
// keep in mind.
func TestResearchExport(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	byPatient := map[string]string{}
	for i, patient := range []string{oonaID, oonaID, casperID} {
		body := oona(fmt.Sprint("research-", i))
		body.patient = "Patient/" + patient
		byPatient[r.create(body.json()).id()] = patient
	}
	wrong := oona("research-wrong")
	wrong.id = r.create(wrong.json()).id()
	wrong.status = "entered-in-error"
	require.Equal(t, http.StatusOK, r.put(wrong).status)

	m := r.manifestOf(r.exported("/fhir/$scorad-research-export"))
	lines := r.linesOf(m, "output")
	require.Len(t, lines, 1)
	require.Len(t, lines["Observation"], 3)
	seen := map[string]int{}
	for _, line := range lines["Observation"] {
		a := answer{t: t, body: []byte(line)}
		seen[a.text("subject", "identifier", "value")]++
		require.Equal(t, "42.00", a.text("valueQuantity", "value"))
		require.Equal(t, 14, a.count("component"), "parts and answers, not the total alone")
		for id, patient := range byPatient {
			require.NotContains(t, line, id)
			require.NotContains(t, line, patient)
		}
		require.NotContains(t, line, "bram")
	}
	require.Len(t, seen, 2)
	notes := strings.Join(r.linesOf(m, "error")["OperationOutcome"], "\n")
	require.Contains(t, notes, "Small group")
	require.Contains(t, notes, "not anonymous")
	require.Contains(t, notes, "never replaces")

	again := r.linesOf(r.manifestOf(r.exported("/fhir/Group/"+someGroup+"/$scorad-research-export")), "output")["Observation"]
	require.Len(t, again, 2)
	for pseudonym := range seen {
		require.NotContains(t, strings.Join(again, ""), pseudonym, "of this export alone")
	}

	for i := range 10 {
		body := oona(fmt.Sprint("research-more-", i))
		body.patient = fmt.Sprint("Patient/more-", i)
		r.create(body.json())
	}
	notes = strings.Join(r.linesOf(r.manifestOf(r.exported("/fhir/$scorad-research-export")), "error")["OperationOutcome"], "\n")
	require.NotContains(t, notes, "Small group")
}
