package groupcommit

import (
	"context"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Defaults of Options.
const (
	// DefaultMaxJobs is enough for the flush of the disk to cost each job
	// little, and small enough for the first job not to wait long for the last.
	DefaultMaxJobs = 64
	// DefaultQueue is how many jobs may wait before callers are held back.
	DefaultQueue = 1024
	// MinLinger and MaxLinger bound how long a batch waits for callers to come
	// back, where Options do not say it. The lower one is a fraction of what a
	// full batch takes; the upper one keeps a disk that stalled once from
	// holding up the next batch as well.
	MinLinger = time.Millisecond
	MaxLinger = 20 * time.Millisecond
)

// crowd is how many callers must be about for the writer to wait for them.
const crowd = 8

// Options configure a Writer; the zero value works.
type Options struct {
	// MaxJobs is the most jobs in one transaction; 0 means DefaultMaxJobs.
	MaxJobs int
	// Queue is the most jobs that wait; 0 means DefaultQueue. A caller that
	// finds it full waits for a place as long as its context lasts.
	Queue int
	// Linger is how long a batch waits, under load, for callers that the last one
	// answered and that are about to come back: without it they split into two
	// groups that wait for each other, and each group pays for a flush of its
	// own. 0 means as long as the last commit took, between MinLinger and
	// MaxLinger: it may cost what it saves. Less than 0 means not at all. With
	// few callers nothing ever waits.
	Linger time.Duration
	// Logger gets failed batches and panics; nil discards them. No text of a
	// job's error is logged, for it may hold patient data.
	Logger *slog.Logger
	// Observe is told of every batch, on the writer's goroutine; nil if nobody
	// wants to know.
	Observe func(Stats)
}

// Writer runs jobs in batches. Make one with New and end it with Close.
type Writer[T any] struct {
	backend Backend[T]
	options Options
	queue   chan *request[T]
	closing chan struct{}
	stopped chan struct{}
	once    sync.Once
	// current are the jobs taken up and not yet answered. Only the loop touches
	// it, or its successor after a job has ended the goroutine it ran on.
	current []*request[T]
	// expected is how many callers were about when the last batch was answered,
	// and flush how long its commit took.
	expected int
	flush    time.Duration
}

// New starts a writer on a backend.
func New[T any](backend Backend[T], options Options) *Writer[T] {
	if options.MaxJobs <= 0 {
		options.MaxJobs = DefaultMaxJobs
	}
	if options.Queue <= 0 {
		options.Queue = DefaultQueue
	}
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	w := &Writer[T]{
		backend: backend,
		options: options,
		queue:   make(chan *request[T], options.Queue),
		closing: make(chan struct{}),
		stopped: make(chan struct{}),
	}
	go w.loop()
	return w
}

// Queued is the number of jobs waiting to be taken up.
func (w *Writer[T]) Queued() int { return len(w.queue) }

// Queue is the number of jobs that may wait.
func (w *Writer[T]) Queue() int { return cap(w.queue) }

// Do runs a job in the next batch and returns after its commit: nil, the job's
// own error, store.ErrUnknownOutcome, store.ErrClosed, or the reason why there
// was no transaction. A context that ends before the job is taken up withdraws
// it; afterwards the answer is awaited. Keys and heads are told to the backend
// when the batch begins.
func (w *Writer[T]) Do(ctx context.Context, keys []string, job func(T) error, heads ...store.Heads) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	r := &request[T]{keys: keys, heads: heads, job: job, done: make(chan struct{})}
	select {
	case <-w.closing:
		return store.ErrClosed
	default:
	}
	select {
	case w.queue <- r:
	case <-ctx.Done():
		return ctx.Err()
	case <-w.closing:
		return store.ErrClosed
	}
	return w.await(ctx, r)
}

// await returns the answer to a queued request, or withdraws it.
func (w *Writer[T]) await(ctx context.Context, r *request[T]) error {
	select {
	case <-r.done:
		return r.err
	case <-ctx.Done():
		if r.withdraw() {
			return ctx.Err()
		}
	case <-w.closing:
		if r.withdraw() {
			return store.ErrClosed
		}
	}
	<-r.done
	return r.err
}

// Close lets the batch under way finish, answers its jobs, and refuses those
// still waiting with store.ErrClosed. It may be called more than once.
func (w *Writer[T]) Close() {
	w.once.Do(func() { close(w.closing) })
	<-w.stopped
}

// loop takes batches until the writer is closed. A job that ends the goroutine
// it runs on (runtime.Goexit, as a failing test does) must not end the writer:
// a successor takes over what was left.
func (w *Writer[T]) loop() {
	finished := false
	defer func() {
		if !finished {
			go w.loop()
		}
	}()
	if len(w.current) > 0 {
		w.resume()
	}
	for w.take() {
		w.run()
	}
	finished = true
	close(w.stopped)
}

// take waits for a job and gathers those that wait behind it; false means that
// the writer is closed.
func (w *Writer[T]) take() bool {
	select {
	case <-w.closing:
		return false
	default:
	}
	w.current = w.current[:0]
	select {
	case <-w.closing:
		return false
	case r := <-w.queue:
		w.add(r)
	}
	w.gather()
	return true
}

// gather adds the jobs that wait, and those of the callers expected if they
// come soon.
func (w *Writer[T]) gather() {
	var late <-chan time.Time
	for len(w.current) < w.options.MaxJobs {
		select {
		case r := <-w.queue:
			w.add(r)
			continue
		default:
		}
		if w.expected < crowd || len(w.current) >= w.expected || w.options.Linger < 0 {
			return
		}
		if late == nil {
			timer := time.NewTimer(w.linger())
			defer timer.Stop()
			late = timer.C
		}
		select {
		case r := <-w.queue:
			w.add(r)
		case <-late:
			return
		case <-w.closing:
			return
		}
	}
}

// linger is how long to wait for the callers expected.
func (w *Writer[T]) linger() time.Duration {
	if w.options.Linger != 0 {
		return w.options.Linger
	}
	return min(max(w.flush, MinLinger), MaxLinger)
}

// add takes a request up unless its caller has withdrawn it.
func (w *Writer[T]) add(r *request[T]) {
	if r.state.CompareAndSwap(waiting, taken) {
		w.current = append(w.current, r)
	}
}

// The states of a request: it is either taken up or withdrawn, never both.
const (
	waiting int32 = iota
	taken
	withdrawn
)

// request is one job on its way.
type request[T any] struct {
	keys  []string
	heads []store.Heads
	job   func(T) error
	state atomic.Int32
	// answered, running and err belong to the writer until done is closed.
	answered, running bool
	err               error
	done              chan struct{}
}

// withdraw takes a request back; false if the writer has it already.
func (r *request[T]) withdraw() bool { return r.state.CompareAndSwap(waiting, withdrawn) }

// answer lets the caller go.
func (r *request[T]) answer(err error) {
	r.err, r.answered = err, true
	close(r.done)
}

// since is the time passed, for statistics only: nothing that is kept depends
// on this clock.
func since(start time.Time) time.Duration { return time.Since(start) }
