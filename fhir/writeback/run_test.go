package writeback

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/test/sqlitetest"
)

// patience is how long a test waits for what must happen; it is never used up
// unless the test fails.
const patience = 2 * time.Minute

// told passes on what an observer is told.
type told struct {
	attempts chan Attempt
	pauses   chan Pause
	resumed  chan string
	choices  chan Choice
}

func newTold() *told {
	return &told{make(chan Attempt, 1000), make(chan Pause, 1000), make(chan string, 1000), make(chan Choice, 1000)}
}

func (o *told) Attempted(a Attempt) { o.attempts <- a }
func (o *told) Checked(Checked)     {}
func (o *told) Paused(p Pause)      { o.pauses <- p }
func (o *told) Resumed(t string)    { o.resumed <- t }
func (o *told) Chosen(c Choice)     { o.choices <- c }

// next waits for the next attempt.
func (o *told) next(t require.TestingT) Attempt { return await(t, o.attempts) }

// await waits for what an observer is told next.
func await[T any](t require.TestingT, told <-chan T) (next T) {
	select {
	case next = <-told:
	case <-time.After(patience):
		require.Failf(t, "nothing was told", "of %T", next)
	}
	return next
}

// onDuty is a worker that runs, on the clock of the machine.
type onDuty struct {
	worker *Worker
	told   *told
	stop   context.CancelFunc
	ended  chan error
}

// duty starts a worker on an address; it is stopped at the end of the test.
func duty(t testing.TB, s Store, url string, adjust ...func(*Options)) *onDuty {
	o := &onDuty{told: newTold(), ended: make(chan error, 1)}
	options := Options{
		Observer: o.told, Timeout: time.Minute, Settle: 10 * time.Millisecond, Poll: 20 * time.Millisecond,
		Backoff: Backoff{Base: time.Millisecond, Cap: 10 * time.Millisecond}, Drain: 5 * time.Second,
	}
	for _, each := range adjust {
		each(&options)
	}
	var err error
	o.worker, err = New(s, Target{Name: targetName, Base: url + "/fhir"}, options)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	o.stop = stop
	go func() { o.ended <- o.worker.Run(ctx) }()
	t.Cleanup(stop)
	return o
}

// end stops the worker and waits for it.
func (o *onDuty) end(t require.TestingT) {
	o.stop()
	select {
	case err := <-o.ended:
		require.NoError(t, err)
	case <-time.After(patience):
		require.Fail(t, "the worker did not end")
	}
}

// realStore is a database on the clock of the machine.
func realStore(t testing.TB) store.Store {
	return openStore(t, time.Now)
}

// serve starts a server without a CapabilityStatement until the end of the test,
// and gives its address.
func serve(t testing.TB, handler http.Handler) string {
	return listen(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/metadata") {
			w.WriteHeader(http.StatusNotFound)
			return
		}
		handler.ServeHTTP(w, r)
	}))
}

// listen is serve with whatever the handler makes of it.
func listen(t testing.TB, handler http.Handler) string {
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	return server.URL
}

func TestRun(t *testing.T) {
	t.Parallel()
	t.Run("DeliversWhatIsThereAndWhatItIsToldOf", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		want(t, s, 1, false)
		o := duty(t, s, serve(t, hospital), func(o *Options) { o.Poll = time.Hour })
		require.Equal(t, Delivered, o.told.next(t).Outcome)
		want(t, s, 2, false)
		o.worker.Kick()
		require.Equal(t, Delivered, o.told.next(t).Outcome)
		require.Len(t, hospital.Current("Observation"), 2)
		o.end(t)
	})
	t.Run("FindsWhatNobodyToldItOf", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		o := duty(t, s, serve(t, hospital))
		want(t, s, 1, false)
		require.Equal(t, Delivered, o.told.next(t).Outcome)
		o.end(t)
	})
	t.Run("TriesAgainWithoutBeingTold", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		hospital.Misbehave(sandbox.Refuse(503, ""), sandbox.Lost(true))
		want(t, s, 1, false)
		o := duty(t, s, serve(t, hospital))
		outcomes := []Outcome{}
		for len(outcomes) == 0 || outcomes[len(outcomes)-1] != Delivered {
			outcomes = append(outcomes, o.told.next(t).Outcome)
		}
		require.Contains(t, outcomes, InDoubt)
		require.Len(t, hospital.Current("Observation"), 1)
		require.Equal(t, FaultBusy, (<-o.told.pauses).Fault, "a target that is down is left alone for a while")
		o.end(t)
	})
	t.Run("ATargetThatIsDownCostsOneProbeAtATime", func(t *testing.T) {
		t.Parallel()
		s := realStore(t)
		for n := 1; n <= 20; n++ {
			want(t, s, n, false)
		}
		var requests sync.Mutex
		count := 0
		url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			requests.Lock()
			count++
			requests.Unlock()
			w.WriteHeader(http.StatusServiceUnavailable)
		}))
		o := duty(t, s, url, func(o *Options) {
			o.Senders, o.Batch = 2, 20
			o.Backoff = Backoff{Base: time.Millisecond, Cap: 4 * time.Millisecond}
		})
		for range 5 {
			<-o.told.pauses
		}
		o.end(t)
		requests.Lock()
		defer requests.Unlock()
		require.Less(t, count, 20, "not one for every delivery")
	})
}

// TestStop: a worker that is told to stop loses nothing, and the next goes on.
func TestStop(t *testing.T) {
	t.Parallel()
	t.Run("StoppedMidFlightLeavesADoubtThatTheNextSettles", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		arrived, once := make(chan struct{}), sync.Once{}
		url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			hospital.ServeHTTP(w, r)
			held := false
			once.Do(func() { held = true; close(arrived) })
			if held {
				<-r.Context().Done() // the answer is on its way for ever
			}
		}))
		want(t, s, 1, false)
		o := duty(t, s, url, func(o *Options) { o.Drain = 10 * time.Millisecond })
		<-arrived
		o.end(t)
		require.Equal(t, FaultStopped, o.told.next(t).Fault)
		require.True(t, state(t, s, 1).InDoubt)
		next := duty(t, s, url)
		require.Equal(t, Delivered, next.told.next(t).Outcome)
		next.end(t)
		require.Len(t, hospital.Current("Observation"), 1)
	})
	t.Run("LetsWhatIsUnderWayFinish", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		arrived, release := make(chan struct{}), make(chan struct{})
		url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			close(arrived)
			<-release
			hospital.ServeHTTP(w, r)
		}))
		want(t, s, 1, false)
		o := duty(t, s, url)
		<-arrived
		o.stop()
		close(release)
		o.end(t)
		require.Equal(t, Delivered, o.told.next(t).Outcome)
		require.EqualValues(t, 1, state(t, s, 1).Delivered)
	})
	t.Run("EndsOnceOutcomesAreRecorded", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		slow := &slowStore{Store: s, asked: make(chan struct{}), release: make(chan struct{})}
		want(t, s, 1, false)
		o := duty(t, slow, serve(t, hospital))
		<-slow.asked
		o.stop()
		select {
		case <-o.ended:
			require.Fail(t, "the outcome is not on disk yet")
		case <-time.After(100 * time.Millisecond):
		}
		close(slow.release)
		o.end(t)
		require.EqualValues(t, 1, state(t, s, 1).Delivered)
	})
	t.Run("GivesBackWhatItHasNotBegun", func(t *testing.T) {
		t.Parallel()
		s, hospital := realStore(t), sandbox.New(sandbox.Options{})
		for n := 1; n <= 20; n++ {
			want(t, s, n, false)
		}
		arrived, release := make(chan struct{}, 20), make(chan struct{})
		url := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			arrived <- struct{}{}
			<-release
			hospital.ServeHTTP(w, r)
		}))
		o := duty(t, s, url, func(o *Options) { o.Senders = 1; o.Batch = 4 })
		<-arrived
		require.Eventually(t, func() bool {
			page, err := s.Deliveries(context.Background(), store.DeliveryQuery{Limit: 20})
			require.NoError(t, err)
			return len(slices.DeleteFunc(page.Deliveries, func(d store.Delivery) bool { return d.Owner == "" })) == 8
		}, patience, time.Millisecond, "more than the senders have and may have next")
		o.stop()
		close(release)
		o.end(t)
		require.Len(t, hospital.Current("Observation"), 1)
		claimed, err := s.Claim(context.Background(), targetName, "next", time.Minute, 100)
		require.NoError(t, err)
		require.Len(t, claimed, 19, "another may take them at once")
		for _, d := range claimed {
			require.False(t, d.InDoubt)
			require.Equal(t, 1, d.Attempts, "what was given back does not count")
		}
	})
	t.Run("EndsIfTheStoreIsClosed", func(t *testing.T) {
		t.Parallel()
		s := sqlitetest.Open(t, sqlite.Options{})
		require.NoError(t, s.Close())
		o := duty(t, s, "http://127.0.0.1:1")
		select {
		case err := <-o.ended:
			require.ErrorIs(t, err, store.ErrClosed)
		case <-time.After(patience):
			require.Fail(t, "the worker did not end")
		}
	})
}

// slowStore is a store that takes its time to record one outcome.
type slowStore struct {
	Store
	asked, release chan struct{}
	once           sync.Once
}

func (s *slowStore) Advance(ctx context.Context, all []store.Step) []error {
	if !all[0].Begins {
		s.once.Do(func() { close(s.asked) })
		<-s.release
	}
	return s.Store.Advance(ctx, all)
}

// flakyStore is a store whose next records or versions fail.
type flakyStore struct {
	Store
	mu                sync.Mutex
	records, versions int
}

var errFlaky = errors.New("the disk is full")

func (s *flakyStore) Advance(ctx context.Context, all []store.Step) []error {
	s.mu.Lock()
	if !all[0].Begins {
		s.records--
	}
	fails := !all[0].Begins && s.records >= 0
	s.mu.Unlock()
	if fails {
		return slices.Repeat([]error{errFlaky}, len(all))
	}
	return s.Store.Advance(ctx, all)
}

func (s *flakyStore) WantedVersions(context.Context, []store.Delivery) ([]store.Resource, error) {
	return nil, errFlaky
}

func (s *flakyStore) Version(ctx context.Context, key store.Key, version int64) (store.Resource, error) {
	s.mu.Lock()
	s.versions--
	fails := s.versions >= 0
	s.mu.Unlock()
	if fails {
		return store.Resource{}, errFlaky
	}
	return s.Store.Version(ctx, key, version)
}

// TestRunWithAStoreThatFails: a store that fails now and then loses nothing.
func TestRunWithAStoreThatFails(t *testing.T) {
	t.Parallel()
	hospital := sandbox.New(sandbox.Options{})
	server := httptest.NewServer(hospital)
	t.Cleanup(server.Close)
	s := realStore(t)
	flaky := &flakyStore{Store: s, records: 2, versions: 1}
	want(t, s, 1, false)
	seen := newTold()
	w, err := New(flaky, Target{Name: targetName, Base: server.URL + "/fhir"}, Options{
		Observer: seen, Backoff: Backoff{Base: time.Millisecond, Cap: time.Millisecond}, Poll: 20 * time.Millisecond,
	})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()
	first := seen.next(t)
	require.Equal(t, Retry, first.Outcome)
	require.Equal(t, FaultStore, first.Fault)
	require.Equal(t, Delivered, seen.next(t).Outcome)
	stop()
	require.NoError(t, <-ended)
	require.EqualValues(t, 1, state(t, s, 1).Delivered)
	require.Len(t, hospital.Current("Observation"), 1)
}
