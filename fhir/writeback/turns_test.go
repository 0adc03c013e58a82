package writeback

import (
	"context"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// turnsAt is a worker with more to do than it may ask at once, and a target that
// a function answers for.
func turnsAt(t *testing.T, senders, scores int, answer http.HandlerFunc) (*Worker, store.Store) {
	t.Helper()
	s := openStore(t, time.Now)
	for n := range scores {
		want(t, s, n+1, false)
	}
	server := httptest.NewServer(answer)
	t.Cleanup(server.Close)
	w, err := New(s, Target{Name: targetName, Base: server.URL + "/fhir"}, Options{
		Senders: senders, Backoff: Backoff{Base: time.Hour, Cap: time.Hour}, Jitter: func(limit time.Duration) time.Duration { return limit },
	})
	require.NoError(t, err)
	return w, s
}

// running runs a worker until the test ends.
func running(t *testing.T, w *Worker) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	t.Cleanup(func() { stop(); require.NoError(t, <-ended) })
}

// TestNoMoreRequestsAtOnceThanSenders: deliveries wait for their turn at the
// target, however many are prepared meanwhile.
func TestNoMoreRequestsAtOnceThanSenders(t *testing.T) {
	t.Parallel()
	const senders, scores = 2, 40
	var now, most, puts atomic.Int32
	all := make(chan struct{})
	w, _ := turnsAt(t, senders, scores, func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodPut {
			w.WriteHeader(http.StatusNotFound)
			return
		}
		n := now.Add(1)
		defer now.Add(-1)
		for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
		}
		if n == senders && puts.Load() == 0 {
			close(all)
		}
		select { // as many as may are under way at once before any is answered
		case <-all:
		case <-r.Context().Done():
		}
		time.Sleep(2 * time.Millisecond)
		puts.Add(1)
		w.Header().Set("Location", "/Observation/a/_history/1")
		w.WriteHeader(http.StatusCreated)
	})
	running(t, w)
	require.Eventually(t, func() bool { return puts.Load() == scores }, patience, time.Millisecond)
	require.EqualValues(t, senders, most.Load())
}

// TestWhatWaitsForItsTurnIsNotSentToATargetThatIsPaused: they are given back, and
// nothing is in doubt.
func TestWhatWaitsForItsTurnIsNotSentToATargetThatIsPaused(t *testing.T) {
	t.Parallel()
	const scores = 30
	var puts atomic.Int32
	w, s := turnsAt(t, 1, scores, func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodPut {
			puts.Add(1)
			time.Sleep(50 * time.Millisecond) // so that the others wait by now
		}
		w.WriteHeader(http.StatusServiceUnavailable)
	})
	running(t, w)
	leased := func() (n int) {
		for i := range scores {
			d, err := s.Delivery(context.Background(), targetName, keyOf(i+1), "")
			require.NoError(t, err)
			require.Zero(t, d.Delivered)
			if d.Owner != "" {
				n++
			}
		}
		return n
	}
	require.Eventually(t, func() bool { return puts.Load() > 0 && leased() == 0 }, patience, 5*time.Millisecond)
	require.EqualValues(t, 1, puts.Load(), "the others were given back")
	backlog, err := s.Backlog(context.Background())
	require.NoError(t, err)
	require.Equal(t, scores, backlog[0].Pending)
	require.LessOrEqual(t, backlog[0].InDoubt, 1)
}
