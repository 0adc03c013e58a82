package api_test

import (
	"bytes"
	"context"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/export"
	"tidemark.example/tidemark/fhir/store"
)

// someGroup is a group of Oona alone.
const someGroup = "winter-study"

// exportsOffered offers exports of everything, and of some groups.
func exportsOffered() *api.Exports {
	groups := map[string][]string{someGroup: {oonas}, "nobody": {}}
	return &api.Exports{Most: 1000, Groups: func(id string) ([]string, bool, error) {
		members, known := groups[id]
		return members, known, nil
	}}
}

// isExport says whether a route is about bulk exports.
func isExport(rule api.Rule) bool {
	return rule.Operation == "export" || rule.Operation == "scorad-research-export" || strings.HasPrefix(rule.Interaction, "export-")
}

// askingExport is the request of such a route in the matrix.
func askingExport(rule api.Rule, path string) (method, at, body string, headers []string) {
	if rule.Operation == "" {
		return rule.Method, strings.Replace(path, ":file", "1", 1), "", nil
	}
	if rule.Resource == "Group" {
		path = "/fhir/Group/" + someGroup + "/$" + rule.Operation
	}
	if rule.Method == http.MethodPost {
		body = parameters(`"_outputFormat","valueString":"ndjson"`)
	}
	if rule.Method == http.MethodPost && rule.Resource == "Patient" {
		body = parameters(`"patient","valueReference":{"reference":"` + oonas + `"}`)
	}
	return rule.Method, path, body, []string{"Prefer", "respond-async"}
}

// worker is one that prepares the exports of the rig.
func (r *rig) worker(fileSize int) *export.Worker {
	return export.New(r.store, export.Options{Line: api.ExportLines{Store: r.store, Base: r.base}.Line, Observe: r.metrics.Exported, FileSize: fileSize})
}

// prepared waits until an export is not running any more, and prepares it unless
// another test does.
func (r *rig) prepared(id string) string {
	r.t.Helper()
	require.Eventually(r.t, func() bool {
		require.NoError(r.t, r.worker(0).Work(context.Background()))
		found, err := r.store.Export(context.Background(), id)
		require.NoError(r.t, err)
		return found.Status != store.ExportRunning
	}, patience, waiting)
	return id
}

// exported starts an export by GET, and gives its id when it is prepared.
func (r *rig) exported(path string) string { r.t.Helper(); return r.exportedBy(path, "") }

// exportedBy starts one with a body, by POST if that is not empty.
func (r *rig) exportedBy(path, body string, headers ...string) string {
	r.t.Helper()
	return r.prepared(r.started(path, body, headers...))
}

// started starts one.
func (r *rig) started(path, body string, headers ...string) string {
	r.t.Helper()
	method := http.MethodGet
	if body != "" {
		method = http.MethodPost
	}
	a := r.do(method, path, body, append([]string{"Prefer", "respond-async"}, headers...)...)
	require.Equal(r.t, http.StatusAccepted, a.status, "%s", a.body)
	id, ok := strings.CutPrefix(a.header.Get("Content-Location"), r.base+"/$export/")
	require.True(r.t, ok, a.header)
	return id
}

// exportedAs starts one by a token.
func (r *authRig) exportedAs(token, path, body string) string {
	r.t.Helper()
	return r.exportedBy(path, body, "Authorization", "Bearer "+token)
}

// manifestOf is the manifest of an export that is prepared.
func (r *rig) manifestOf(id string, headers ...string) answer {
	r.t.Helper()
	a := r.get("/fhir/$export/"+id, append([]string{"Accept", "application/json"}, headers...)...)
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(r.t, "application/json", a.header.Get("Content-Type"))
	expires, err := http.ParseTime(a.header.Get("Expires"))
	require.NoError(r.t, err)
	require.True(r.t, expires.After(time.Now()))
	return a
}

// linesOf downloads all files of one list of a manifest: by type, its lines.
func (r *rig) linesOf(manifest answer, list string, headers ...string) map[string][]string {
	r.t.Helper()
	all := map[string][]string{}
	for i := range manifest.count(list) {
		kind := manifest.text(list, i, "type")
		a := r.get(manifest.text(list, i, "url"), headers...)
		require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(r.t, "application/fhir+ndjson", a.header.Get("Content-Type"))
		require.True(r.t, bytes.HasSuffix(a.body, []byte("\n")), "each line ends")
		lines := strings.Split(strings.TrimSuffix(string(a.body), "\n"), "\n")
		require.Equal(r.t, strconv.Itoa(len(lines)), manifest.text(list, i, "count"))
		for _, line := range lines {
			require.Equal(r.t, kind, answer{t: r.t, body: []byte(line)}.text("resourceType"))
		}
		all[kind] = append(all[kind], lines...)
	}
	return all
}

// workerWith is one whose lines are met by a test.
func (r *rig) workerWith(lines api.ExportLines, met func()) *export.Worker {
	return export.New(r.store, export.Options{Line: func(ctx context.Context, plan *export.Plan, version store.Snapshotted) ([]byte, bool, error) {
		if met(); ctx.Err() != nil {
			return nil, false, ctx.Err()
		}
		return lines.Line(ctx, plan, version)
	}})
}

// auditFailing is a store that keeps no audit while it is on.
type auditFailing struct {
	store.Store
	on atomic.Bool
}

// Write implements store.Store.
func (a *auditFailing) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	if a.on.Load() {
		return store.ErrUnknownOutcome
	}
	return a.Store.Write(ctx, keys, job, ahead...)
}
