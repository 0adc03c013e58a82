package writeback

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// hospital is a FHIR server just good enough to be written to, on which a test
// can script what goes wrong with each request.
type hospital struct {
	*httptest.Server

	mu        sync.Mutex
	next      int
	resources map[string][]map[string]any
	requests  []*http.Request
	// meddle may answer in the server's place; it returns false to let it work.
	meddle func(w http.ResponseWriter, r *http.Request, n int) bool
}

// newHospital starts one.
func newHospital(t testing.TB) *hospital {
	h := &hospital{resources: map[string][]map[string]any{}}
	h.Server = httptest.NewServer(http.HandlerFunc(h.serve))
	t.Cleanup(h.Close)
	return h
}

// script sets what goes wrong.
func (h *hospital) script(meddle func(w http.ResponseWriter, r *http.Request, n int) bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.meddle = meddle
}

// asked are the requests made so far, as "PUT Observation".
func (h *hospital) asked() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	asked := []string{}
	for _, r := range h.requests {
		path := strings.TrimPrefix(r.URL.Path, "/fhir/")
		if r.URL.RawQuery != "" {
			path += "?"
		}
		asked = append(asked, r.Method+" "+path)
	}
	return asked
}

// only is the one resource kept, with its versions.
func (h *hospital) only(t require.TestingT) []map[string]any {
	h.mu.Lock()
	defer h.mu.Unlock()
	require.Len(t, h.resources, 1)
	for _, versions := range h.resources {
		return versions
	}
	return nil
}

func (h *hospital) serve(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	h.requests = append(h.requests, r)
	n, meddle := len(h.requests), h.meddle
	h.mu.Unlock()
	if meddle != nil && meddle(w, r, n) {
		return
	}
	h.answer(w, r)
}

// answer does what a server does.
func (h *hospital) answer(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	defer h.mu.Unlock()
	_, id, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/fhir/"), "/")
	found := h.find(r.URL.Query().Get("identifier"))
	switch {
	case r.Method == http.MethodGet && id == "":
		h.bundle(w, found)
	case r.Method == http.MethodGet:
		h.write(w, http.StatusOK, id)
	case id == "" && len(found) > 1, r.Header.Get("If-None-Match") == "*" && len(found) > 0:
		w.WriteHeader(http.StatusPreconditionFailed)
	default:
		if id == "" && len(found) == 1 {
			id = found[0]
		}
		h.put(w, r, id)
	}
}

func (h *hospital) put(w http.ResponseWriter, r *http.Request, id string) {
	body, _ := io.ReadAll(r.Body)
	var resource map[string]any
	decoder := json.NewDecoder(strings.NewReader(string(body)))
	decoder.UseNumber()
	if decoder.Decode(&resource) != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	status := http.StatusOK
	if id == "" {
		h.next++
		id, status = fmt.Sprint("h", h.next), http.StatusCreated
	}
	if match := r.Header.Get("If-Match"); match != "" && match != h.etag(id) {
		w.WriteHeader(http.StatusPreconditionFailed)
		return
	}
	h.keep(id, resource)
	h.write(w, status, id)
}

// keep stores the next version.
func (h *hospital) keep(id string, resource map[string]any) {
	resource = maps.Clone(resource)
	resource["id"] = id
	resource["meta"] = map[string]any{"versionId": fmt.Sprint(len(h.resources[id]) + 1)}
	h.resources[id] = append(h.resources[id], resource)
}

func (h *hospital) etag(id string) string { return fmt.Sprintf(`W/"%d"`, len(h.resources[id])) }

// find gives the ids of what carries an identifier.
func (h *hospital) find(token string) []string {
	var found []string
	for id, versions := range h.resources {
		for _, each := range versions[len(versions)-1]["identifier"].([]any) {
			i := each.(map[string]any)
			if fmt.Sprint(i["system"], "|", i["value"]) == token {
				found = append(found, id)
			}
		}
	}
	return found
}

func (h *hospital) write(w http.ResponseWriter, status int, id string) {
	versions := h.resources[id]
	if len(versions) == 0 {
		w.WriteHeader(http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", mediaType)
	w.Header().Set("ETag", h.etag(id))
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(versions[len(versions)-1])
}

func (h *hospital) bundle(w http.ResponseWriter, found []string) {
	entries := []any{}
	for _, id := range found {
		versions := h.resources[id]
		entries = append(entries, map[string]any{"resource": versions[len(versions)-1], "search": map[string]any{"mode": "match"}})
	}
	w.Header().Set("Content-Type", mediaType)
	_ = json.NewEncoder(w).Encode(map[string]any{"resourceType": "Bundle", "type": "searchset", "entry": entries})
}
