package writeback

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// Store is what a Worker needs of a store.
type Store interface {
	store.Deliveries
	// Version gives one version of a resource; store.ErrNotFound if none.
	Version(ctx context.Context, key store.Key, version int64) (store.Resource, error)
	// Search finds current resources: the Provenances of a score.
	Search(ctx context.Context, query store.Query) (store.Page, error)
}

// recordTime is how long recording an outcome may take. It runs even when
// everything else has been told to stop.
const recordTime = 10 * time.Second

// recordTries is how often recording is tried. If all fail, the lease runs out
// and leaves the delivery in doubt, which is the truth.
const recordTries = 4

// Worker brings one target to the versions wanted. Make one with New; several,
// in one process or in many, may work on the same target.
type Worker struct {
	store   Store
	name    string
	client  *client
	compare comparer
	subject Subject
	known   patients
	profile observation.Profile
	options Options
	clock   Clock
	log     *slog.Logger
	pace    *pacer
	gate    *gate
	kick    chan struct{}
	// steps tells the store of attempts and of outcomes, recording are those outcomes
	// that it is still to be told of.
	steps     *together
	recording sync.WaitGroup
	// slots hold as many requests as may be under way at once.
	slots chan struct{}
	// standing is what is known of the target.
	standing *standing
	// held are the ends of the leases that this worker has, the last of each delivery.
	held sync.Map

	mu sync.Mutex
	// alarm is the earliest time that a delivery recorded here is due again.
	alarm time.Time
	rearm chan struct{}
}

// New makes a worker for a target. Nothing runs before Run.
func New(store Store, target Target, options Options) (*Worker, error) {
	if store == nil {
		return nil, errors.New("writeback: no store")
	}
	options, err := options.withDefaults()
	if err != nil {
		return nil, err
	}
	client, err := target.client(options.Clock.Now)
	if err != nil {
		return nil, err
	}
	w := &Worker{
		store: store, name: target.Name, client: client, compare: comparer{client.base}, subject: target.Subject, profile: target.Profile,
		options: options, clock: options.Clock, log: options.Logger,
		pace: &pacer{clock: options.Clock, interval: options.Interval},
		gate: newGate(), standing: newStanding(target.Mode),
		kick: make(chan struct{}, 1), rearm: make(chan struct{}, 1),
		slots: make(chan struct{}, options.Senders),
	}
	w.steps = newTogether(store.Advance, func() bool { return w.InFlight() > 0 })
	return w, nil
}

// Kick wakes the worker after a commit that wants something delivered. It never
// blocks, and many calls count as one.
func (w *Worker) Kick() {
	select {
	case w.kick <- struct{}{}:
	default:
	}
}

// InFlight is how many requests to the target are under way.
func (w *Worker) InFlight() int { return len(w.slots) }

// Senders is how many requests to the target may be under way at once.
func (w *Worker) Senders() int { return cap(w.slots) }

// Run asks the target what it can do and works until the context ends. Then it claims nothing more, gives back
// what it has not begun, lets what is under way finish within Options.Drain,
// and returns nil. It returns an error only if the store was closed before.
func (w *Worker) Run(ctx context.Context) error {
	defer w.discovers(ctx)()
	defer w.sweeps(ctx)()
	working, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	// While one batch is worked on, the next one is claimed.
	claims := make(chan claim, w.options.Batch)
	var senders sync.WaitGroup
	for range w.options.hands() {
		senders.Go(func() {
			for c := range claims {
				w.work(working, ctx, c)
			}
		})
	}
	err := w.dispatch(ctx, claims)
	close(claims)
	finished := make(chan struct{})
	go func() { senders.Wait(); w.recording.Wait(); close(finished) }()
	select {
	case <-finished:
	case <-w.clock.After(w.options.Drain):
		cut()
		<-finished
	}
	return err
}

// discovers asks the target what it can do, now and again and again, until what
// it gives is called.
func (w *Worker) discovers(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	next := w.discover(ctx)
	var asking sync.WaitGroup
	asking.Go(func() {
		for sleep(ctx, w.clock, next) == nil {
			next = w.discover(ctx)
		}
	})
	return func() { cancel(); asking.Wait() }
}

// work delivers one claim, unless it is better given back: the worker is to
// stop, the target is paused, or the lease is nearly over. The outcome is recorded
// while the next one is worked on.
func (w *Worker) work(working, ctx context.Context, c claim) {
	now, failures := w.clock.Now(), w.gate.count()
	if ctx.Err() != nil || now.Add(w.options.Timeout).After(c.until) || !w.gate.enter(now) {
		w.release(c)
		return
	}
	s := &delivering{w: w, d: c.delivery, stored: c.wanted, until: c.until, attempt: Attempt{Target: w.name}, failures: failures, stop: ctx.Done()}
	traced, end := w.traced(working, s)
	limited, cancel := context.WithTimeout(traced, c.until.Sub(now))
	defer cancel()
	s.deliver(limited)
	w.weigh(s)
	w.record(s, end)
}

// release gives a claim back as it was.
func (w *Worker) release(c claim) {
	w.record(&delivering{w: w, d: c.delivery, attempt: Attempt{Target: w.name, Outcome: Released, Fault: FaultNone}}, func() {})
}

// weigh opens or closes the gate after an attempt.
func (w *Worker) weigh(s *delivering) {
	switch {
	case s.attempt.Requests == 0, s.attempt.Fault == FaultStopped:
		w.gate.leave()
		return
	case s.verdict.broad:
	case s.doubtsTarget():
		if !w.gate.doubt() {
			w.gate.leave()
			return
		}
	default:
		if w.gate.pass() {
			w.log.Info("the target answers again", "target", w.name)
			w.options.Observer.Resumed(w.name)
			w.Kick()
		}
		return
	}
	failures, until, closed := w.gate.fail(w.clock.Now(), func(failures int) time.Duration {
		backoff := w.options.Backoff
		if s.verdict.class == slowly {
			backoff = w.options.Slow
		}
		return max(s.wait, w.options.Jitter(backoff.Limit(failures)))
	})
	if closed {
		w.arm(until)
		w.log.Warn("the target is paused", "target", w.name, "fault", s.attempt.Fault, "status", s.attempt.Status,
			"failures", failures, "until", until)
		w.options.Observer.Paused(Pause{Target: w.name, Fault: s.attempt.Fault, Failures: failures, Until: until})
	}
}

// doubtsTarget says that an attempt failed by what may be the fault of the one
// delivery, or of the target: an error of its own, a permission, a page in place
// of FHIR.
func (s *delivering) doubtsTarget() bool {
	switch s.verdict.fault {
	case FaultServer, FaultForbidden, FaultNotFHIR, FaultTooLarge, FaultBusy, FaultConnect:
		return true
	default:
		return false
	}
}

// record keeps the outcome, reports it and calls end, all of it later. It is tried
// again, since a store that fails now may work in a moment, and what is known is
// better than a doubt.
func (w *Worker) record(s *delivering, end func()) {
	report := func() {
		w.report(s)
		end()
	}
	w.recording.Add(1)
	w.drop(&s.d)
	step := store.Step{Delivery: s.d, Unsent: s.attempt.Requests == 0}
	w.steps.later(step, func(err error) {
		if w.recorded(s, err) {
			report()
			w.recording.Done()
			return
		}
		go func() {
			defer w.recording.Done()
			w.recordAgain(s, step)
			report()
		}()
	})
}

// recordAgain tries to keep an outcome that the store has failed to keep once.
func (w *Worker) recordAgain(s *delivering, step store.Step) {
	ctx, cancel := context.WithTimeout(context.Background(), recordTime)
	defer cancel()
	for try := range recordTries - 1 {
		if sleep(ctx, w.clock, 50*time.Millisecond<<try) != nil || w.recorded(s, w.steps.do(ctx, step)) {
			return
		}
	}
}

// recorded says whether the store's answer to an outcome settles it.
func (w *Worker) recorded(s *delivering, err error) bool {
	switch {
	case err == nil:
		s.rearm()
	case errors.Is(err, store.ErrLeaseLost):
		s.attempt.Outcome = Lost
	default:
		w.log.Error("cannot record an outcome", "target", w.name, "outcome", s.attempt.Outcome, "error", err)
		return false
	}
	return true
}

// rearm makes sure that what is still to do is looked at when it is due. What
// was wanted while it was under way, the poll finds.
func (s *delivering) rearm() {
	switch s.attempt.Outcome {
	case Retry, InDoubt, Waiting, Released:
		s.w.arm(s.d.Due)
	}
}

// report tells the observer and the log.
func (w *Worker) report(s *delivering) {
	a := s.attempt
	w.options.Observer.Attempted(a)
	level := slog.LevelDebug
	switch {
	case a.Outcome == Refused:
		level = slog.LevelError
	case a.Fault != FaultNone, a.Outcome == Delivered && a.ReadBack.Checked && !a.ReadBack.Complete():
		level = slog.LevelWarn
	}
	if !w.log.Enabled(context.Background(), level) {
		return
	}
	w.log.Log(trace.ContextWithSpanContext(context.Background(), a.Trace), level, "delivery", "target", a.Target, "outcome", a.Outcome, "fault", a.Fault,
		"status", a.Status, "attempts", s.d.Attempts, "requests", a.Requests, "latency", a.Latency, "reason", s.d.Reason)
}
