package api_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// casper is a response about the other patient.
func casper(identifier string) response {
	body := oona(identifier)
	body.patient = "Patient/" + casperID
	return body
}

// idsOf are the ids of some lines, in order.
func (r *rig) idsOf(lines []string) (ids []string) {
	r.t.Helper()
	for _, line := range lines {
		ids = append(ids, answer{t: r.t, body: []byte(line)}.text("id"))
	}
	return ids
}

// asRead holds lines to be what a read gives of the same resources.
func (r *rig) asRead(lines map[string][]string) {
	r.t.Helper()
	for kind, all := range lines {
		for _, line := range all {
			id := answer{t: r.t, body: []byte(line)}.text("id")
			require.JSONEq(r.t, string(r.get("/fhir/"+kind+"/"+id).body), line)
		}
	}
}

// TestExport: what is exported is what was there, each resource once, as a read
// gives it (Bulk Data Access 3.0.0: kick-off, status, manifest, files, delete).
func TestExport(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	first, second := r.create(oona("first").json()).id(), r.create(casper("second").json()).id()
	amended := oona("first")
	amended.id, amended.status, amended.itch = first, "amended", "7"
	require.Equal(t, http.StatusOK, r.put(amended).status)
	wrong := oona("third")
	third := r.create(wrong.json()).id()
	wrong.id, wrong.status = third, "entered-in-error"
	require.Equal(t, http.StatusOK, r.put(wrong).status)

	t.Run("of everything", func(t *testing.T) {
		id := r.started("/fhir/$export?_outputFormat=application/fhir%2Bndjson", "")
		a := r.get("/fhir/$export/" + id)
		require.Equal(t, http.StatusAccepted, a.status)
		require.Equal(t, "in progress: 0 resources found", a.header.Get("X-Progress"))
		require.Equal(t, "2", a.header.Get("Retry-After"))
		require.Empty(t, a.body)
		r.get("/fhir/$export/"+id+"/1").refused(http.StatusNotFound, "not-found")

		m := r.manifestOf(r.prepared(id))
		require.Equal(t, r.base+"/$export?_outputFormat=application/fhir%2Bndjson", m.text("request"))
		require.Equal(t, "false", m.text("requiresAccessToken"))
		lines := r.linesOf(m, "output")
		require.ElementsMatch(t, []string{first, second, third}, r.idsOf(lines["QuestionnaireResponse"]))
		require.ElementsMatch(t, []string{first, second, third}, r.idsOf(lines["Observation"]), "what was taken back is there, as entered in error")
		require.NotEmpty(t, lines["Provenance"])
		require.Len(t, lines, 3)
		r.asRead(lines)
		require.Zero(t, m.count("deleted"))
		require.Zero(t, m.count("error"))
		at, err := fhir.ParseDateTime([]byte(m.text("transactionTime")))
		require.NoError(t, err)
		found, err := r.store.Export(context.Background(), id)
		require.NoError(t, err)
		require.True(t, found.Instant.Equal(at.Time))
	})
	t.Run("stays what it was, whatever is written after", func(t *testing.T) {
		id := r.started("/fhir/$export", "")
		late := r.create(oona("late").json()).id()
		m := r.manifestOf(r.prepared(id))
		before := r.linesOf(m, "output")
		require.NotContains(t, r.idsOf(before["Observation"]), late)
		amended.itch = "8"
		require.Equal(t, http.StatusOK, r.put(amended).status)
		require.Equal(t, http.StatusNoContent, r.remove(second).status)
		require.Equal(t, before, r.linesOf(r.manifestOf(id), "output"))
	})
	t.Run("of a type, of elements, by POST", func(t *testing.T) {
		id := r.exportedBy("/fhir/$export", parametersOf(`{"name":"_type","valueString":"Observation"}`, `{"name":"_elements","valueString":"status,Observation.subject"}`))
		m := r.manifestOf(id)
		require.Equal(t, r.base+"/$export", m.text("request"))
		lines := r.linesOf(m, "output")
		require.Len(t, lines, 1)
		for _, line := range lines["Observation"] {
			a := answer{t: t, body: []byte(line)}
			require.NotEmpty(t, a.text("status"))
			require.Equal(t, "SUBSETTED", a.text("meta", "tag", 0, "code"))
			require.Nil(t, a.at("component"))
			require.NotNil(t, a.at("code"), "it is mandatory")
		}
	})
	t.Run("of patients", func(t *testing.T) {
		m := r.manifestOf(r.exportedBy("/fhir/Patient/$export", parametersOf(`{"name":"patient","valueReference":{"reference":"`+r.base+`/`+oonas+`"}}`, `{"name":"_type","valueString":"QuestionnaireResponse,Provenance"}`)))
		lines := r.linesOf(m, "output")
		require.NotContains(t, fmt.Sprint(lines), casperID)
		require.Contains(t, r.idsOf(lines["QuestionnaireResponse"]), first)
		require.NotEmpty(t, lines["Provenance"])
	})
	t.Run("of a group", func(t *testing.T) {
		lines := r.linesOf(r.manifestOf(r.exported("/fhir/Group/"+someGroup+"/$export?_type=Observation")), "output")
		require.Contains(t, r.idsOf(lines["Observation"]), first)
		require.NotContains(t, fmt.Sprint(lines), casperID)
		require.Zero(t, r.manifestOf(r.exported("/fhir/Group/nobody/$export")).count("output"))
		r.get("/fhir/Group/other/$export", "Prefer", "respond-async").refused(http.StatusNotFound, "not-found")
	})
}

// TestExportSince: an export since the transactionTime of the one before it has
// each change once, and tells what was deleted.
func TestExportSince(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	kept, gone := r.create(oona("kept").json()).id(), r.create(casper("gone").json()).id()
	before := r.manifestOf(r.exported("/fhir/$export")).text("transactionTime")
	change := oona("kept")
	change.id, change.status, change.itch = kept, "amended", "1"
	require.Equal(t, http.StatusOK, r.put(change).status)
	fresh := r.create(oona("fresh").json()).id()
	short := r.create(oona("short").json()).id()
	require.Equal(t, http.StatusNoContent, r.remove(gone).status)
	require.Equal(t, http.StatusNoContent, r.remove(short).status)

	m := r.manifestOf(r.exported("/fhir/$export?_since=" + before))
	lines := r.linesOf(m, "output")
	require.ElementsMatch(t, []string{kept, fresh}, r.idsOf(lines["QuestionnaireResponse"]))
	require.ElementsMatch(t, []string{kept, fresh, gone, short}, r.idsOf(lines["Observation"]), "the scores of what was deleted are taken back, not deleted")
	deleted := r.linesOf(m, "deleted")
	require.Len(t, deleted["Bundle"], 2)
	for _, id := range []string{gone, short} {
		require.Contains(t, deleted["Bundle"], `{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"DELETE","url":"QuestionnaireResponse/`+id+`"}}]}`)
	}
	ofGroup := r.linesOf(r.manifestOf(r.exported("/fhir/Group/"+someGroup+"/$export?_since="+before)), "deleted")
	require.Len(t, ofGroup["Bundle"], 1, "whose it was is known of what is deleted")
	require.Contains(t, ofGroup["Bundle"][0], short)

	m = r.manifestOf(r.exported("/fhir/$export?_since=" + m.text("transactionTime")))
	require.Zero(t, m.count("output"))
	require.Zero(t, m.count("deleted"))
}

// TestExportFiles: large exports come in several files, compressed if that is
// accepted, and to HEAD without a body.
func TestExportFiles(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	var want []string
	for i := range 7 {
		want = append(want, r.create(oona(fmt.Sprint("file-", i)).json()).id())
	}
	id := r.started("/fhir/$export?_type=Observation,QuestionnaireResponse", "")
	require.NoError(t, r.worker(3).Work(context.Background()))
	m := r.manifestOf(id)
	require.Equal(t, 6, m.count("output"))
	slices.Sort(want)
	require.Equal(t, want, r.idsOf(r.linesOf(m, "output")["Observation"]), "each once, in order")
	file := m.text("output", 0, "url")
	plain := r.get(file, "Accept", "application/fhir+ndjson")
	zipped := r.get(file, "Accept-Encoding", "gzip")
	require.Equal(t, "gzip", zipped.header.Get("Content-Encoding"))
	reader, err := gzip.NewReader(bytes.NewReader(zipped.body))
	require.NoError(t, err)
	text, err := io.ReadAll(reader)
	require.NoError(t, err)
	require.Equal(t, string(plain.body), string(text))
	head := r.do(http.MethodHead, file, "")
	require.Equal(t, http.StatusOK, head.status)
	require.Empty(t, head.body)
	require.Equal(t, "application/fhir+ndjson", head.header.Get("Content-Type"))
	for _, name := range []string{"0", "7", "-1", "x", "notes.json"} {
		r.get("/fhir/$export/"+id+"/"+name).refused(http.StatusNotFound, "not-found")
	}
}

// TestExportGoesOnAfterARestart: what one worker began, another goes on with, and
// nothing is there twice or missing.
func TestExportGoesOnAfterARestart(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	var want []string
	for i := range 5 {
		want = append(want, r.create(oona(fmt.Sprint("restart-", i)).json()).id())
	}
	id := r.started("/fhir/$export?_type=Observation", "")
	ctx, kill := context.WithCancel(context.Background())
	met := 0
	lines := api.ExportLines{Store: r.store, Base: r.base}
	require.ErrorIs(t, r.workerWith(lines, func() {
		if met++; met == 3 {
			kill() // in the middle of a page, which is walked again
		}
	}).Work(ctx), context.Canceled)
	require.Equal(t, http.StatusAccepted, r.get("/fhir/$export/"+id).status)
	r.create(oona("restart-late").json())
	m := r.manifestOf(r.prepared(id))
	slices.Sort(want)
	require.Equal(t, want, r.idsOf(r.linesOf(m, "output")["Observation"]))
}

func TestExportIsCancelledAndForgotten(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered, func(o *api.Options) { o.Exports.Most = 1 })
	r.create(oona("one").json())
	id := r.started("/fhir/$export", "")
	second := r.do(http.MethodGet, "/fhir/$export", "", "Prefer", "respond-async")
	second.refused(http.StatusTooManyRequests, "throttled")
	require.Equal(t, "30", second.header.Get("Retry-After"))
	require.Equal(t, http.StatusAccepted, r.do(http.MethodDelete, "/fhir/$export/"+id, "").status)
	for _, a := range []answer{r.get("/fhir/$export/" + id), r.do(http.MethodDelete, "/fhir/$export/"+id, "")} {
		a.refused(http.StatusNotFound, "not-found")
	}
	id = r.exported("/fhir/$export")
	file := r.manifestOf(id).text("output", 0, "url")
	require.Equal(t, http.StatusOK, r.get(file).status)
	require.Equal(t, http.StatusAccepted, r.do(http.MethodDelete, "/fhir/$export/"+id, "").status)
	r.get(file).refused(http.StatusNotFound, "not-found")
	for event, want := range map[string]float64{"started": 2, "completed": 1, "cancelled": 2, "failed": 0} {
		require.InDelta(t, want, r.counter("tidemark_exports_total", "event", event), 0, event)
	}
}

func TestExportExpires(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered, func(o *api.Options) { o.Exports.Keep = time.Millisecond })
	id := r.started("/fhir/$export", "")
	require.Eventually(t, func() bool { return r.get("/fhir/$export/"+id).status == http.StatusNotFound }, patience, waiting)
	r.get("/fhir/$export/"+id+"/1").refused(http.StatusNotFound, "not-found")
	require.NoError(t, r.worker(0).Work(context.Background()))
	require.InDelta(t, 1, r.counter("tidemark_exports_total", "event", "expired"), 0)
}

func TestExportRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t, offered)
	for _, c := range []struct {
		path, body, code string
		status           int
	}{
		{"/fhir/$export?_type=Patient", "", "not-supported", 400},
		{"/fhir/$export?_type=", "", "required", 400},
		{"/fhir/$export?_since=yesterday", "", "value", 400},
		{"/fhir/$export?_since=2026-03-04", "", "value", 400},
		{"/fhir/$export?_outputFormat=text/csv", "", "not-supported", 400},
		{"/fhir/$export?_elements=nothing", "", "value", 400},
		{"/fhir/$export?_elements=Observation.status&_type=Provenance", "", "value", 400},
		{"/fhir/$export?_typeFilter=Observation%3Fstatus%3Dfinal", "", "not-supported", 400},
		{"/fhir/$export?patient=Patient/oona-thistledown", "", "not-supported", 400},
		{"/fhir/Patient/$export?patient=Patient/oona-thistledown", "", "not-supported", 400},
		{"/fhir/$export", parametersOf(`{"name":"patient","valueString":"` + oonas + `"}`), "not-supported", 400},
		{"/fhir/Group/" + someGroup + "/$export", parametersOf(`{"name":"patient","valueString":"Patient/` + casperID + `"}`), "forbidden", 403},
		{"/fhir/$scorad-research-export?_type=Observation", "", "not-supported", 400},
	} {
		method := http.MethodGet
		if c.body != "" {
			method = http.MethodPost
		}
		r.do(method, c.path, c.body, "Prefer", "respond-async").refused(c.status, c.code)
	}
	r.get("/fhir/$export").refused(http.StatusBadRequest, "required")
	r.get("/fhir/$export/none").refused(http.StatusNotFound, "not-found")
	bundle := r.do(http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"$export"}}]}`)
	require.Equal(t, "400", bundle.text("entry", 0, "response", "status")[:3])

	m := r.manifestOf(r.exportedBy("/fhir/$export?_typeFilter=x&_type=Observation,Patient", "", "Prefer", "respond-async, handling=lenient"))
	notes := r.linesOf(m, "error")["OperationOutcome"]
	require.Len(t, notes, 2)
	require.Contains(t, notes[0], "_typeFilter")
	require.Contains(t, notes[1], "Patient")
}

// TestExportFileThatCannotBeFinished: the connection breaks off, so that what came
// cannot be taken for the whole; before the first line it is an ordinary refusal.
func TestExportFileThatCannotBeFinished(t *testing.T) {
	t.Parallel()
	failing := &snapshotFailing{}
	r := newRig(t, offered, func(o *api.Options) { failing.Store = o.Store; o.Store = failing })
	require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
		for i := range 250 { // more than a page
			if _, err := tx.Put(store.Key{Type: "Observation", ID: fmt.Sprintf("page-%03d", i)}, "POST", store.Index{},
				func(int64, time.Time) ([]byte, error) { return []byte(`{"resourceType":"Observation"}`), nil }); err != nil {
				return err
			}
		}
		return nil
	}))
	id := r.exported("/fhir/$export")
	whole := r.get("/fhir/$export/" + id + "/1")
	require.Equal(t, 250, strings.Count(string(whole.body), "\n"))
	failing.from.Store(2)
	a, err := send(r.origin, http.MethodGet, "/fhir/$export/"+id+"/1", "")
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	require.Equal(t, http.StatusOK, a.status)
	require.Less(t, len(a.body), len(whole.body))
	require.Contains(t, r.log.String(), "request failed")
	failing.calls.Store(0)
	failing.from.Store(1)
	r.get("/fhir/$export/"+id+"/1").refused(http.StatusServiceUnavailable, "no-store")
}

// snapshotFailing is a store whose snapshots fail from a call on, the first being
// 1; 0 is never.
type snapshotFailing struct {
	store.Store
	from, calls atomic.Int64
}

// Snapshot implements store.Store.
func (s *snapshotFailing) Snapshot(ctx context.Context, query store.SnapshotQuery) ([]store.Snapshotted, error) {
	if from := s.from.Load(); from > 0 && s.calls.Add(1) >= from {
		return nil, errors.New("the disk is gone")
	}
	return s.Store.Snapshot(ctx, query)
}

// counter is a counter of a label's value.
func (r *rig) counter(name, label, value string) float64 {
	r.t.Helper()
	families, err := r.metrics.Registry.Gather()
	require.NoError(r.t, err)
	for _, family := range families {
		for _, metric := range family.GetMetric() {
			if family.GetName() == name && metric.GetLabel()[0].GetName() == label && metric.GetLabel()[0].GetValue() == value {
				return metric.GetCounter().GetValue()
			}
		}
	}
	require.Fail(r.t, "no such counter", "%s %s", name, value)
	return 0
}
