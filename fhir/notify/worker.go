package notify

import (
	"context"
	"errors"
	"sync"
	"time"

	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// distributeAtOnce is how many events one transaction gives their numbers: what
// comes in waits as long.
const distributeAtOnce = 200

// lease is how long a subscription is claimed for: the longest call and what is
// done around it.
const lease = subscription.MaxTimeout + 30*time.Second

// Worker notifies. Make one with New.
type Worker struct {
	store   store.Store
	options Options
	caller  *caller
	book    *book
	kick    chan struct{}
}

// New makes a worker on a store.
func New(s store.Store, options Options) (*Worker, error) {
	options, err := options.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Worker{
		store: s, options: options, caller: newCaller(options.Policy, options.TLS, options.Clock),
		book: &book{base: options.Base, read: map[string]known{}}, kick: make(chan struct{}, 1),
	}, nil
}

// Kick makes the worker look at once: something was recorded or subscribed.
func (w *Worker) Kick() {
	select {
	case w.kick <- struct{}{}:
	default:
	}
}

// Run works until the context ends, and then lets the calls under way finish for
// as long as Drain.
func (w *Worker) Run(ctx context.Context) {
	calls, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	free := make(chan struct{}, w.options.Senders)
	var under sync.WaitGroup
	timer := time.NewTimer(0)
	defer timer.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-w.kick:
		case <-timer.C:
		}
		w.distribute(ctx)
		w.claim(ctx, calls, free, &under)
		timer.Reset(w.options.Poll)
	}
	stop := time.AfterFunc(w.options.Drain, cancel)
	defer stop.Stop()
	under.Wait()
}

// distribute gives what was recorded its numbers.
func (w *Worker) distribute(ctx context.Context) {
	for ctx.Err() == nil {
		taken, err := w.store.Distribute(ctx, distributeAtOnce, w.match)
		if err != nil && ctx.Err() == nil {
			w.options.Logger.Error("events could not be given to subscriptions; they wait in the database", "error", err)
		}
		if err != nil || taken < distributeAtOnce {
			return
		}
	}
}

// claim begins a call for each subscription that is due, while senders are free.
func (w *Worker) claim(ctx, calls context.Context, free chan struct{}, under *sync.WaitGroup) {
	for ctx.Err() == nil {
		select {
		case free <- struct{}{}:
		default:
			return // whoever becomes free looks again
		}
		s, err := w.store.ClaimSubscription(ctx, w.options.Name, lease)
		if err != nil {
			<-free
			if !errors.Is(err, store.ErrNotFound) && ctx.Err() == nil {
				w.options.Logger.Error("no subscription could be claimed", "error", err)
			}
			return
		}
		under.Go(func() {
			defer w.Kick()
			defer func() { <-free }()
			w.serve(calls, s)
		})
	}
}

// serve does what is due for a claimed subscription, and records it.
func (w *Worker) serve(ctx context.Context, s store.Subscription) {
	k, err := w.book.of(s)
	if err != nil {
		w.options.Logger.Error("a stored subscription cannot be read, and is told nothing", "subscription", s.ID, "error", err)
		s.Status, s.Fault, s.Due = store.SubscriptionError, "This server can no longer read the subscription; send it again.", time.Time{}
	} else if !w.step(ctx, &s, k) {
		return // it is not known what became of it; the lease ends by itself
	}
	err = w.store.RecordSubscription(context.WithoutCancel(ctx), s, w.options.Clock().Add(-w.options.Memory))
	if err != nil && !errors.Is(err, store.ErrLeaseLost) {
		w.options.Logger.Error("the outcome of a notification could not be recorded; it is sent again", "subscription", s.ID, "error", err)
	}
}

// step makes the call that is due, if one is, and says what follows; false if
// the outcome is not known.
func (w *Worker) step(ctx context.Context, s *store.Subscription, k known) bool {
	now := w.options.Clock()
	switch {
	case !k.asked.End.IsZero() && !now.Before(k.asked.End):
		w.off(s, "The subscription has ended.")
	case s.Status == store.SubscriptionError && !now.Before(s.Failing.Add(w.options.ErrorLife)):
		w.off(s, "The subscription was in error for too long, and was switched off; ask with status requested to begin again.")
	case s.Status == store.SubscriptionError:
		s.Due = s.Failing.Add(w.options.ErrorLife)
	case s.Status == store.SubscriptionRequested:
		return w.notify(ctx, s, k, subscription.Handshake)
	case s.Status == store.SubscriptionActive && s.Delivered < s.Events:
		return w.notify(ctx, s, k, subscription.Notification)
	case s.Status == store.SubscriptionActive && k.asked.Heartbeat > 0 && !now.Before(s.Sent.Add(k.asked.Heartbeat)):
		return w.notify(ctx, s, k, subscription.Heartbeat)
	default:
		s.Due = w.next(s, k)
	}
	return true
}

// off switches a subscription off.
func (w *Worker) off(s *store.Subscription, why string) {
	s.Status, s.Fault, s.Due, s.Failing, s.Attempts = store.SubscriptionOff, why, time.Time{}, time.Time{}, 0
	w.options.Logger.Info("a subscription is off", "subscription", s.ID, "reason", why)
}

// notify makes one call.
func (w *Worker) notify(ctx context.Context, s *store.Subscription, k known, kind subscription.Kind) bool {
	message := subscription.Message{
		Base: w.options.Base, Subscription: s.ID, ID: uuid.NewString(), StatusID: uuid.NewString(), Kind: kind,
		Status: string(s.Status), Total: s.Events, Content: k.asked.Content, At: w.options.Clock(),
	}
	var traces []string
	if kind == subscription.Notification {
		events, of, err := w.pending(ctx, s, k)
		if err != nil {
			w.options.Logger.Error("the events of a subscription could not be read; they wait", "subscription", s.ID, "error", err)
			return false
		}
		message.Events, traces = events, of
	}
	began := time.Now()
	within, ended := w.traced(ctx, traces, s.Attempts+1)
	reason, fault := w.caller.call(within, s.ID, k.asked, k.private.Key, message.Bundle())
	ended(reason)
	if ctx.Err() != nil {
		return false
	}
	w.options.Observe(Call{Kind: string(kind), Reason: reason, Events: len(message.Events), Took: time.Since(began)})
	if reason == Accepted {
		w.accepted(s, k, message.Events)
	} else {
		w.failed(s, reason, fault)
	}
	return true
}

// pending reads the events that the endpoint has not accepted, as many as it
// takes at once, and the traces that they come from. Numbers have no gaps, so that
// there is one at least.
func (w *Worker) pending(ctx context.Context, s *store.Subscription, k known) ([]subscription.Event, []string, error) {
	events, err := w.store.Events(ctx, s.ID, s.Delivered+1, s.Events, k.asked.MaxCount)
	if err == nil && len(events) == 0 {
		err = errors.New("notify: no event where one must be")
	}
	if err != nil {
		return nil, nil, err
	}
	told, err := w.tell(events, k.private.Rights, func(key store.Key, version int64) (store.Resource, error) {
		return w.store.Version(ctx, key, version)
	})
	if err != nil {
		return nil, nil, err
	}
	return told, tracesOf(events, told), nil
}

// accepted is what follows a call that the endpoint accepted.
func (w *Worker) accepted(s *store.Subscription, k known, events []subscription.Event) {
	if s.Status == store.SubscriptionRequested {
		w.options.Logger.Info("a subscription is active", "subscription", s.ID)
	}
	s.Status, s.Fault, s.Attempts, s.Failing, s.Sent = store.SubscriptionActive, "", 0, time.Time{}, w.options.Clock()
	if len(events) > 0 {
		s.Delivered = events[len(events)-1].Number
	}
	s.Due = w.next(s, k)
}

// next is when something is due after a call that succeeded.
func (w *Worker) next(s *store.Subscription, k known) time.Time {
	due := k.asked.End
	if s.Delivered < s.Events {
		return w.options.Clock()
	}
	if k.asked.Heartbeat > 0 {
		if beat := s.Sent.Add(k.asked.Heartbeat); due.IsZero() || beat.Before(due) {
			due = beat
		}
	}
	return due
}

// failed is what follows a call that failed. A handshake has one chance (the
// guide, channels.html: any error in it makes the status error); what was active
// is tried again.
func (w *Worker) failed(s *store.Subscription, reason Reason, fault string) {
	now := w.options.Clock()
	s.Attempts++
	if s.Failing.IsZero() {
		s.Failing = now
	}
	if s.Status == store.SubscriptionActive && s.Attempts < w.options.Attempts {
		s.Due = now.Add(w.options.wait(s.Attempts))
		w.options.Logger.Info("a notification failed and is sent again", "subscription", s.ID, "reason", string(reason), "attempts", s.Attempts)
		return
	}
	s.Status, s.Fault, s.Failing = store.SubscriptionError, fault, now
	s.Due = now.Add(w.options.ErrorLife)
	w.options.Logger.Warn("a subscription is in error; its client asks again with status requested once the endpoint answers", "subscription", s.ID, "reason", string(reason), "attempts", s.Attempts)
}
