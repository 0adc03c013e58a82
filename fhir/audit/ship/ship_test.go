package ship_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/audit/ship"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// poll keeps the tests short.
const (
	poll     = 5 * time.Millisecond
	patience = 2 * time.Minute
)

func opened(t *testing.T, place string) *sqlite.Store {
	t.Helper()
	s, err := sqlite.Open(context.Background(), place, sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// record writes entries of the numbers given.
func record(t *testing.T, s store.Store, from, to int) {
	t.Helper()
	require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
		for i := from; i < to; i++ {
			e := audit.Event{Interaction: "read", Recorded: time.Now(), Status: 200, Base: "https://tidemark.example/fhir",
				Observer: "Device/d", Entity: fmt.Sprint("Observation/n", i), Request: fmt.Sprint("r", i)}
			if err := tx.Audit(store.Audit{Recorded: e.Recorded, Event: audit.Append(nil, &e), Type: "rest", Action: "R", Outcome: "0"}); err != nil {
				return err
			}
		}
		return nil
	}))
}

// run ships until the end of the test, or until stop is called.
func run(t *testing.T, s store.Store, target string, options ship.Options) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	options.Poll = poll
	go func() {
		ship.New(s, target, options).Run(ctx)
		close(done)
	}()
	stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(stop)
	return stop
}

// empty waits until a target has everything.
func empty(t *testing.T, s store.Store, target string) {
	t.Helper()
	require.Eventually(t, func() bool {
		pending, _, err := s.AuditBacklog(context.Background(), target)
		return err == nil && pending == 0
	}, patience, poll)
}

// entities reads shipped lines and gives the resources they are about.
func entities(t *testing.T, text []byte) []string {
	t.Helper()
	var all []string
	for line := range strings.Lines(string(text)) {
		var e struct {
			ResourceType, ID string
			Entity           []struct{ What struct{ Reference string } }
		}
		require.NoError(t, json.Unmarshal([]byte(line), &e))
		require.Equal(t, "AuditEvent", e.ResourceType)
		_, ok := store.ParseAuditPlace(e.ID)
		require.True(t, ok, e.ID)
		all = append(all, e.Entity[1].What.Reference)
	}
	return all
}

func numbered(from, to int) []string {
	var all []string
	for i := from; i < to; i++ {
		all = append(all, fmt.Sprint("Observation/n", i))
	}
	return all
}

func TestFile(t *testing.T) {
	t.Parallel()
	place, file := filepath.Join(t.TempDir(), "db"), filepath.Join(t.TempDir(), "audit.jsonl")
	s := opened(t, place)
	record(t, s, 0, 250)
	stop := run(t, s, file, ship.Options{})
	empty(t, s, file)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, numbered(0, 250), entities(t, text), "all of it, once and in order")
	t.Run("goes on where it was, in another process and another chain", func(t *testing.T) {
		stop()
		record(t, s, 250, 253)
		again := opened(t, place)
		record(t, again, 253, 255)
		run(t, again, file, ship.Options{})
		empty(t, again, file)
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, numbered(0, 255), entities(t, text))
		require.NoError(t, os.Rename(file, file+".1"))
		record(t, again, 255, 256)
		empty(t, again, file)
		text, err = os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, numbered(255, 256), entities(t, text), "the file may be moved away")
		info, err := os.Stat(file)
		require.NoError(t, err)
		require.Zero(t, info.Mode()&0o077, "and is nobody else's to read")
	})
}

func TestStdout(t *testing.T) {
	t.Parallel()
	s := opened(t, filepath.Join(t.TempDir(), "db"))
	record(t, s, 0, 3)
	var out bytes.Buffer
	stop := run(t, s, ship.Stdout, ship.Options{Out: &out})
	empty(t, s, ship.Stdout)
	stop()
	require.Equal(t, numbered(0, 3), entities(t, out.Bytes()))
}

// repository is an invented audit repository that refuses at will.
type repository struct {
	mu     sync.Mutex
	taken  []byte
	asked  int
	refuse func(asked int) int
}

// ServeHTTP implements http.Handler.
func (r *repository) ServeHTTP(w http.ResponseWriter, request *http.Request) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked++
	body, err := io.ReadAll(request.Body)
	status := r.refuse(r.asked)
	if err != nil || request.Method+request.URL.Path != "POST/fhir/AuditEvent" || request.Header.Get("Content-Type") != "application/fhir+json" {
		status = http.StatusTeapot
	}
	if status < 300 {
		r.taken = append(append(r.taken, body...), '\n')
	}
	w.Header().Set("Location", "/elsewhere")
	w.WriteHeader(status)
}

func TestEndpoint(t *testing.T) {
	t.Parallel()
	for name, refuse := range map[string]func(int) int{
		"that takes all":            func(int) int { return http.StatusCreated },
		"that fails now and then":   func(asked int) int { return []int{201, 201, 500}[asked%3] },
		"that is not there at once": func(asked int) int { return []int{503, 201}[min(asked/4, 1)] },
		"that refuses at first":     func(asked int) int { return []int{422, 201}[min(asked/3, 1)] },
		"that leads elsewhere":      func(asked int) int { return []int{302, 201}[min(asked/2, 1)] },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := &repository{refuse: refuse}
			server := httptest.NewServer(r)
			t.Cleanup(server.Close)
			s := opened(t, filepath.Join(t.TempDir(), "db"))
			record(t, s, 0, 12)
			var failures sync.Map
			run(t, s, server.URL+"/fhir", ship.Options{Failed: func() { failures.Store(time.Now(), true) }})
			empty(t, s, server.URL+"/fhir")
			r.mu.Lock()
			defer r.mu.Unlock()
			require.Equal(t, numbered(0, 12), entities(t, r.taken), "all of it, in order; an answer that was given is not lost")
			failed := false
			failures.Range(func(any, any) bool { failed = true; return false })
			require.Equal(t, name != "that takes all", failed)
		})
	}
}

func TestWhatCannotBeShippedWaits(t *testing.T) {
	t.Parallel()
	s := opened(t, filepath.Join(t.TempDir(), "db"))
	target := filepath.Join(t.TempDir(), "no", "such", "directory", "audit.jsonl")
	record(t, s, 0, 5)
	failed := make(chan struct{}, 100)
	run(t, s, target, ship.Options{Failed: func() { failed <- struct{}{} }})
	<-failed
	<-failed
	pending, oldest, err := s.AuditBacklog(context.Background(), target)
	require.NoError(t, err)
	require.EqualValues(t, 5, pending)
	require.False(t, oldest.IsZero())
	require.NoError(t, os.MkdirAll(filepath.Dir(target), 0o755))
	empty(t, s, target)
}
