package writeback

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// ward is a worker between the real store and the stand-in hospital server,
// which it reaches by HTTP, on a clock that stands still.
type ward struct {
	t        testing.TB
	clock    *clock
	store    store.Store
	hospital *sandbox.Server
	url      string
	// mode is that of the workers hired from now on.
	mode   Mode
	worker *Worker
	seen   *observed

	mu       sync.Mutex
	requests []string
}

// newWard makes one whose hospital gives the ids h1, h2 and so on.
func newWard(t testing.TB, adjust ...func(*Options)) *ward {
	return newWardOf(t, sandbox.Options{}, adjust...)
}

// newWardOf makes one of a hospital with options.
func newWardOf(t testing.TB, options sandbox.Options, adjust ...func(*Options)) *ward {
	return newWardIn(t, "", options, adjust...)
}

// newWardIn makes one that is written to in a mode.
func newWardIn(t testing.TB, mode Mode, options sandbox.Options, adjust ...func(*Options)) *ward {
	w := &ward{t: t, clock: newClock(), seen: &observed{}, mode: mode}
	w.store = openStore(t, w.clock.Now)
	created := 0
	options.Now = w.clock.Now
	options.NewID = func() string { created++; return fmt.Sprint("h", created) }
	w.hospital = sandbox.New(options)
	server := httptest.NewServer(http.HandlerFunc(func(answer http.ResponseWriter, r *http.Request) {
		w.note(r)
		w.hospital.ServeHTTP(answer, r)
	}))
	t.Cleanup(server.Close)
	w.url = server.URL
	w.worker = w.hire(adjust...)
	return w
}

// note keeps a request as "PUT Observation/h1 If-Match W/"1"".
func (w *ward) note(r *http.Request) {
	line := r.Method + " " + strings.TrimPrefix(strings.TrimPrefix(r.URL.Path, "/fhir"), "/")
	if r.URL.RawQuery != "" {
		line += "?"
	}
	for _, header := range []string{"If-Match", "If-None-Exist"} {
		if value := r.Header.Get(header); value != "" {
			line += " " + header + " " + value
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.requests = append(w.requests, line)
}

// asked are the requests since it was called last.
func (w *ward) asked() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	asked := w.requests
	w.requests = nil
	return asked
}

// hire makes another worker, whose jitter is at its limit, so that waits are
// known.
func (w *ward) hire(adjust ...func(*Options)) *Worker {
	options := Options{
		Clock: w.clock, Observer: w.seen, Timeout: 5 * time.Second,
		Jitter: func(limit time.Duration) time.Duration { return limit },
	}
	for _, each := range adjust {
		each(&options)
	}
	worker, err := New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Mode: w.mode}, options)
	require.NoError(w.t, err)
	return worker
}

// claim takes what is due for a worker.
func (w *ward) claim(worker *Worker) []claim {
	claimed, err := worker.claim(context.Background(), w.clock.Now(), 100)
	require.NoError(w.t, err)
	return claimed
}

// pass lets the worker do all that is due, and gives how many deliveries that
// were.
func (w *ward) pass() int {
	claimed := w.claim(w.worker)
	for _, c := range claimed {
		finish(w.worker, c)
	}
	return len(claimed)
}

// delivers lets the worker do the one delivery that is due, which must succeed.
func (w *ward) delivers() {
	require.Equal(w.t, 1, w.pass())
	require.Equal(w.t, Delivered, w.seen.last().Outcome)
	d := state(w.t, w.store, 1)
	require.Equal(w.t, d.Wanted, d.Delivered)
	require.False(w.t, d.InDoubt)
}

// settle lets as much time pass as any failure here makes the worker wait.
func (w *ward) settle() { w.clock.Add(w.worker.options.Settle) }

// only is the one Observation that the hospital holds, which must be sound FHIR.
func (w *ward) only() map[string]any {
	all := w.hospital.Current("Observation")
	require.Len(w.t, all, 1)
	document, err := fhir.Decode(all[0])
	require.NoError(w.t, err)
	document.Release()
	return tree(w.t, string(all[0]))
}

// requireHeld checks which version of the score the hospital holds, and under
// which id.
func (w *ward) requireHeld(id string, version int64, status string) {
	held := w.only()
	require.Equal(w.t, id, held["id"])
	require.Equal(w.t, version, versionIn(w.t, held))
	require.Equal(w.t, status, held["status"])
}
