package api_test

import (
	"crypto/sha1" //nolint:gosec // R4's Attachment.hash
	"encoding/base64"
	"net/http"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/scoring"
)

const reports = "/fhir/DiagnosticReport"

// visit keeps a score of a day in March, and gives its id.
func (r *rig) visit(day int, change func(*response)) string {
	r.t.Helper()
	body := oona("visit-" + strconv.Itoa(day))
	body.authored = "2026-03-" + strconv.Itoa(day) + "T09:00:00+01:00"
	if change != nil {
		change(&body)
	}
	return r.create(body.json()).id()
}

// form is a drawn page of a report, held to what the attachment says of it.
func (a answer) form(i int, media string) string {
	a.t.Helper()
	require.Equal(a.t, media, a.text("presentedForm", i, "contentType"))
	data, err := base64.StdEncoding.DecodeString(a.text("presentedForm", i, "data"))
	require.NoError(a.t, err)
	require.Equal(a.t, strconv.Itoa(len(data)), a.text("presentedForm", i, "size"))
	digest := sha1.Sum(data) //nolint:gosec // as above
	require.Equal(a.t, base64.StdEncoding.EncodeToString(digest[:]), a.text("presentedForm", i, "hash"))
	require.Equal(a.t, "en", a.text("presentedForm", i, "language"))
	return string(data)
}

func TestReport(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	first := r.visit(11, nil)
	second := r.visit(18, func(b *response) { b.itch = "9" })
	third := r.visit(25, func(b *response) { b.grades = "322222" })
	a := r.get(reports + "/" + second)
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(t, "final", a.text("status"))
	require.Equal(t, "scorad", a.text("code", "coding", 0, "code"))
	require.Equal(t, "survey", a.text("category", 0, "coding", 0, "code"))
	require.Equal(t, "Patient/oona-thistledown", a.text("subject", "reference"))
	require.Equal(t, "2026-03-18T09:00:00+01:00", a.text("effectivePeriod", "end"))
	require.Equal(t, 2, a.count("result"), "those up to its own, and not the later one")
	require.Equal(t, "Observation/"+second, a.text("result", 0, "reference"))
	require.Equal(t, "Observation/"+first, a.text("result", 1, "reference"))
	require.Contains(t, a.text("conclusion"), "SCORAD 45.00 of 103 points (moderate, band set usual-25-50), rated by patient or carer, by direct estimate on 18 Mar 2026. Rose by 3.00 points since 11 Mar 2026")
	require.Contains(t, a.text("conclusion"), "never replaces")
	require.True(t, strings.HasPrefix(a.form(0, "application/pdf"), "%PDF-1."))
	require.Contains(t, a.form(1, "image/svg+xml"), ">45.00</text>")
	require.Equal(t, http.StatusNotModified, r.get(reports+"/"+second, "If-None-Match", a.header.Get("ETag")).status)
	require.Contains(t, r.get(reports+"/"+third).text("conclusion"), "which is more than 8.7.")
	document, err := fhir.Decode(a.body)
	require.NoError(t, err, "sound FHIR")
	document.Release()
	for _, word := range []string{"flare", "treatment", "medicine"} {
		words := strings.ReplaceAll(a.text("conclusion"), "neither diagnoses nor chooses a treatment", "")
		require.NotContains(t, strings.ToLower(words), word)
	}
}

// TestReportFollowsItsScores: an amendment makes another of it, with another tag;
// what was taken back is not reported on, nor counted in others.
func TestReportFollowsItsScores(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	first := r.visit(11, nil)
	second := r.visit(18, func(b *response) { b.itch = "9" })
	before := r.get(reports + "/" + second).header.Get("ETag")
	change := oona("visit-11")
	change.id, change.status, change.authored, change.itch = first, "amended", "2026-03-11T09:00:00+01:00", "5"
	require.Equal(t, http.StatusOK, r.put(change).status)
	a := r.get(reports + "/" + second)
	require.NotEqual(t, before, a.header.Get("ETag"))
	require.Equal(t, "amended", a.text("status"))
	require.Contains(t, a.text("conclusion"), "Rose by 4.00 points")
	require.Equal(t, r.get("/fhir/Observation/"+first).text("meta", "lastUpdated"), a.text("issued"))

	change.status = "entered-in-error"
	require.Equal(t, http.StatusOK, r.put(change).status)
	a = r.get(reports + "/" + second)
	require.Equal(t, 1, a.count("result"))
	require.NotContains(t, a.text("conclusion"), "Rose")
	gone := r.get(reports + "/" + first)
	require.Equal(t, "entered-in-error", gone.text("status"))
	require.Equal(t, 0, gone.count("presentedForm"))
	require.Contains(t, gone.text("conclusion"), "not to be used")
	require.NotContains(t, string(gone.body), "41.00")
	require.Equal(t, []string{second}, r.found(t, reports+"?patient=oona-thistledown"))
	r.get(reports+"/01890000-0000-7000-8000-000000000000").refused(http.StatusNotFound, "not-found")
}

// TestReportWithoutATotal is partial.
func TestReportWithoutATotal(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.get(reports + "/" + r.visit(11, func(b *response) { b.itch = "" }))
	require.Equal(t, "partial", a.text("status"))
	require.Contains(t, a.text("conclusion"), "there is no SCORAD")
}

// listed are the ids of a page of results.
func (a answer) listed() (ids []string) {
	a.t.Helper()
	for i := range a.count("entry") {
		ids = append(ids, a.text("entry", i, "resource", "id"))
	}
	return ids
}

func TestReportsAreFound(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	var ids []string
	for day := 11; day < 18; day++ {
		ids = append([]string{r.visit(day, nil)}, ids...)
	}
	other := r.visit(20, func(b *response) { b.patient = "Patient/casper-quillfeather" })
	a := r.get(reports + "?patient=oona-thistledown&_count=50")
	require.Equal(t, "7", a.text("total"))
	require.Equal(t, ids[:5], a.listed(), "five at most, the newest first")
	require.Contains(t, a.text("link", 0, "url"), "_count=5")
	require.Equal(t, ids[:5], r.get(reports+"?patient=oona-thistledown").listed())
	require.Equal(t, ids[:1], r.get(reports+"?patient=oona-thistledown&_count=1").listed())
	require.Equal(t, ids[6:], r.get(reports+"?patient=oona-thistledown&_sort=date&_count=1").listed())
	require.Equal(t, []string{other}, r.found(t, reports+"?date=ge2026-03-20&category=survey&code=scorad"))
	require.Empty(t, r.found(t, reports+"?code=other"))
	bare := r.get(reports + "?patient=oona-thistledown&_count=1&_summary=true")
	require.Equal(t, 0, bare.count("entry", 0, "resource", "presentedForm"))
	require.Contains(t, string(bare.body), "SUBSETTED")
}

// TestReportHasWhatItsScopesGrant: no other patient's scores, and scores are not
// given to who may read reports alone.
func TestReportHasWhatItsScopesGrant(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	theirs := oona(random())
	theirs.patient, theirs.authored = "Patient/"+casperID, "2026-03-01T09:00:00Z"
	other := r.keep(theirs)
	own := oona(random())
	own.patient, own.authored = "Patient/"+oonaID, "2026-03-02T09:00:00Z"
	kept := r.keep(own)
	token := r.token("patient/DiagnosticReport.rs", oonaID)
	require.Equal(t, http.StatusOK, r.as(token, http.MethodGet, reports+"/"+kept, "").status)
	r.as(token, http.MethodGet, reports+"/"+other, "").refused(http.StatusNotFound, "not-found")
	r.as(token, http.MethodGet, "/fhir/Observation/"+kept, "").refused(http.StatusForbidden, "forbidden")
	r.as(r.token("patient/Observation.rs", oonaID), http.MethodGet, reports+"/"+kept, "").refused(http.StatusForbidden, "forbidden")
}

// TestReportForACommand: by the reference that the responses have, up to a day.
func TestReportForACommand(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	first := r.visit(11, nil)
	r.visit(18, nil)
	day := int64(20523) // 2026-03-11, in days since 1970-01-01
	made, err := api.Report(t.Context(), r.store, "http://127.0.0.1:8080/fhir", "Patient/oona-thistledown", day, scoring.UsualBands)
	require.NoError(t, err)
	require.Equal(t, "Observation/"+first, made.Newest.Key)
	_, err = api.Report(t.Context(), r.store, "http://127.0.0.1:8080/fhir", "Patient/oona-thistledown", day-1, scoring.UsualBands)
	require.ErrorIs(t, err, report.ErrNoScore)
	_, err = api.Report(t.Context(), r.store, "http://127.0.0.1:8080/fhir", "Patient/nobody", day, scoring.UsualBands)
	require.ErrorIs(t, err, report.ErrNoScore)
}
