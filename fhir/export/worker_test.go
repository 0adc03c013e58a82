package export_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/export"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/test/sqlitetest"
)

// shown writes a version as it is.
func shown(_ context.Context, _ *export.Plan, v store.Snapshotted) ([]byte, bool, error) {
	return v.Body, true, nil
}

// rig is a store with Observations 0 to n-1, each of so many bytes.
type rig struct {
	t     testing.TB
	store *sqlite.Store
	clock *clock
}

// clock stands still until it is moved.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.at }

func (c *clock) add(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.at = c.at.Add(d) }

func newRig(t testing.TB, resources, size int) *rig {
	t.Helper()
	r := &rig{t, nil, &clock{at: time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)}}
	s := sqlitetest.Open(t, sqlite.Options{Clock: r.clock.now})
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	r.store = s
	filler := strings.Repeat("x", size)
	for from := 0; from < resources; from += 500 {
		require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
			for i := from; i < min(from+500, resources); i++ {
				body := fmt.Appendf(nil, `{"resourceType":"Observation","id":"%06d","note":[{"text":"%s"}]}`, i, filler)
				if _, err := tx.Put(store.Key{Type: "Observation", ID: fmt.Sprintf("%06d", i)}, "POST", store.Index{Patient: fmt.Sprint("Patient/", i%7)},
					func(int64, time.Time) ([]byte, error) { return body, nil }); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	return r
}

// start starts an export.
func (r *rig) start(id string, plan export.Plan) store.Export {
	r.t.Helper()
	request, err := json.Marshal(plan)
	require.NoError(r.t, err)
	var started store.Export
	require.NoError(r.t, r.store.Write(context.Background(), nil, func(tx store.Tx) (err error) {
		started, err = tx.StartExport(store.Export{ID: id, Expires: tx.Now().Add(time.Hour), Request: request})
		return err
	}))
	return started
}

// now reads an export.
func (r *rig) now(id string) (store.Export, *export.Plan, *export.State) {
	r.t.Helper()
	e, err := r.store.Export(context.Background(), id)
	require.NoError(r.t, err)
	plan, state, err := export.Read(e)
	require.NoError(r.t, err)
	return e, plan, state
}

// lines downloads all files of an export.
func (r *rig) lines(id string) (all []string) {
	r.t.Helper()
	e, plan, state := r.now(id)
	require.Equal(r.t, store.ExportDone, e.Status)
	for _, file := range state.Files {
		before := len(all)
		require.NoError(r.t, export.Walk(context.Background(), r.store, shown, plan, e.Instant, file, func(page []export.Made) error {
			for _, line := range page {
				all = append(all, line.ID)
			}
			return nil
		}))
		require.Equal(r.t, file.Count, len(all)-before)
	}
	return all
}

var observations = export.Plan{Types: []string{"Observation"}}

// TestFilesHoldEachOnce, whatever their size is beside that of a page.
func TestFilesHoldEachOnce(t *testing.T) {
	t.Parallel()
	r := newRig(t, 450, 1)
	var want []string
	for i := range 450 {
		want = append(want, fmt.Sprintf("%06d", i))
	}
	for _, size := range []int{1, 7, 200, 449, 450, 10_000} {
		id := fmt.Sprint("size-", size)
		r.start(id, observations)
		require.NoError(t, export.New(r.store, export.Options{Line: shown, FileSize: size}).Work(context.Background()))
		_, _, state := r.now(id)
		require.Len(t, state.Files, (450+size-1)/size)
		require.Equal(t, want, r.lines(id))
	}
}

// TestKilledWorkers: workers that are killed at any place, whose leases run out,
// leave nothing that is there twice or missing.
func TestKilledWorkers(t *testing.T) {
	t.Parallel()
	r := newRig(t, 650, 1)
	r.start("killed", observations)
	kills := 0
	for at := 0; ; at += 137 {
		met, killed := 0, errors.New("killed")
		w := export.New(r.store, export.Options{FileSize: 90, Line: func(ctx context.Context, p *export.Plan, v store.Snapshotted) ([]byte, bool, error) {
			if met++; met == at+1 {
				return nil, false, killed
			}
			return shown(ctx, p, v)
		}})
		err := w.Work(context.Background())
		if err == nil {
			break
		}
		require.ErrorIs(t, err, killed)
		require.NoError(t, w.Work(context.Background()), "it is leased, and nobody else takes it")
		r.clock.add(time.Minute)
		kills++
	}
	require.Greater(t, kills, 2)
	all := r.lines("killed")
	require.Len(t, all, 650)
	for i, id := range all {
		require.Equal(t, fmt.Sprintf("%06d", i), id)
	}
}

// TestCancelledWhileItIsPrepared: the worker lets it go, and serves the next.
func TestCancelledWhileItIsPrepared(t *testing.T) {
	t.Parallel()
	r := newRig(t, 450, 1)
	r.start("cancelled", observations)
	r.clock.add(time.Second)
	r.start("next", observations)
	met := 0
	w := export.New(r.store, export.Options{Line: func(ctx context.Context, p *export.Plan, v store.Snapshotted) ([]byte, bool, error) {
		if met++; met == 300 {
			require.NoError(t, r.store.Write(ctx, nil, func(tx store.Tx) error { return tx.DeleteExport("cancelled") }))
		}
		return shown(ctx, p, v)
	}})
	require.NoError(t, w.Work(context.Background()))
	_, err := r.store.Export(context.Background(), "cancelled")
	require.ErrorIs(t, err, store.ErrNotFound)
	require.Len(t, r.lines("next"), 450)
}

// TestMemoryIsFlat: an export of ten times as much, prepared and downloaded, holds
// no more memory at any page than one page of it takes.
func TestMemoryIsFlat(t *testing.T) {
	const size = 20_000
	most := func(resources int) uint64 {
		r := newRig(t, resources, size)
		var most, least uint64 = 0, 1 << 62
		measure := func() {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			most, least = max(most, m.HeapAlloc), min(least, m.HeapAlloc)
		}
		r.start("flat", observations)
		met := 0
		w := export.New(r.store, export.Options{FileSize: 1_000_000, Line: func(ctx context.Context, p *export.Plan, v store.Snapshotted) ([]byte, bool, error) {
			if met++; met%200 == 0 {
				measure()
			}
			return shown(ctx, p, v)
		}})
		require.NoError(t, w.Work(context.Background()))
		e, plan, state := r.now("flat")
		require.Len(t, state.Files, 1)
		pages := 0
		require.NoError(t, export.Walk(context.Background(), r.store, shown, plan, e.Instant, state.Files[0], func(lines []export.Made) error {
			pages++
			measure()
			runtime.KeepAlive(lines)
			return nil
		}))
		require.GreaterOrEqual(t, pages, resources/200)
		measure() // with nothing under way
		return most - least
	}
	small, large := most(400), most(4000)
	t.Logf("held at most: %d kB of 8 MB, %d kB of 80 MB", small>>10, large>>10)
	require.Less(t, large, uint64(8<<20), "a page of 200 is 4 MB")
	require.Less(t, large, 2*small+(4<<20))
}
