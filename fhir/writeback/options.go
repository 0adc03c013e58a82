package writeback

import (
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/google/uuid"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"

	"tidemark.example/tidemark/fhir/store"
)

// Options configure a Worker; the zero value works.
type Options struct {
	// Owner names the worker in the store's leases; it must be unique among all
	// that work on the store. "" means a random name.
	Owner string
	// Senders is how many requests are under way at once; 0 means 4.
	Senders int
	// Batch is how many deliveries are claimed at once; 0 means 64 for each sender, up
	// to 448 more than there are senders. As many more wait for a sender.
	Batch int
	// Interval is the least time between two requests to the target, whoever
	// sends them; 0 means none.
	Interval time.Duration
	// Poll is how often to look for what is due without a Kick: what was wanted
	// by another process, what failed, what another worker left; 0 means 5 s.
	Poll time.Duration
	// Timeout is for one request; 0 means 30 s.
	Timeout time.Duration
	// Lease is how long a delivery is claimed for, and how long it lies still if
	// the process dies; 0 means 2 minutes. It must be at least twice Timeout.
	Lease time.Duration
	// Settle is how long to wait before the target is read after an attempt
	// whose outcome is unknown; 0 means 30 s.
	Settle time.Duration
	// Drain is how long what is under way may take once Run is told to stop; 0
	// means 10 s.
	Drain time.Duration
	// Backoff is the wait after a failure; zero means up to 1 s, doubling to 5
	// minutes. Slow is the same for what a person must change at the target
	// (credentials, permissions, its address); zero means 1 to 15 minutes.
	Backoff, Slow Backoff
	// RetryAfterCap is the most of a Retry-After that is honoured; 0 means 1 h.
	RetryAfterCap time.Duration
	// Discover is how often the target's CapabilityStatement is read again; 0 means
	// 1 h. One that cannot be read is tried again as Slow says.
	Discover time.Duration
	// Sweep is how the target's copies are looked after; the zero value does not.
	Sweep Sweep
	// Clock tells the time; nil means that of the machine.
	Clock Clock
	// Jitter gives a random time from 0 up to and with a limit; nil means evenly.
	Jitter func(limit time.Duration) time.Duration
	// Logger gets what someone should know, without patient data; nil discards it.
	Logger *slog.Logger
	// Traces records a span of each delivery, in the trace of the request that
	// wanted it; nil records none.
	Traces trace.TracerProvider
	// Observer is told of every attempt, for metrics; nil if nobody wants to know.
	Observer Observer
}

// withDefaults fills what was left out and checks the rest.
func (o Options) withDefaults() (Options, error) {
	if o.Senders == 0 {
		o.Senders = 4
	}
	if o.Batch == 0 {
		o.Batch = min(64*o.Senders, o.Senders+448)
	}
	for _, each := range []struct {
		at    *time.Duration
		value time.Duration
	}{
		{&o.Poll, 5 * time.Second}, {&o.Timeout, 30 * time.Second}, {&o.Lease, 2 * time.Minute},
		{&o.Settle, 30 * time.Second}, {&o.Drain, 10 * time.Second}, {&o.RetryAfterCap, time.Hour},
		{&o.Discover, time.Hour}, {&o.Sweep.Interval, 24 * time.Hour}, {&o.Sweep.Gap, 50 * time.Millisecond},
	} {
		if *each.at == 0 {
			*each.at = each.value
		}
	}
	if o.Sweep.Repairs == 0 {
		o.Sweep.Repairs = 3
	}
	if o.Backoff == (Backoff{}) {
		o.Backoff = Backoff{Base: time.Second, Cap: 5 * time.Minute}
	}
	if o.Slow == (Backoff{}) {
		o.Slow = Backoff{Base: time.Minute, Cap: 15 * time.Minute}
	}
	o.fillParts()
	return o, o.check()
}

// hands is how many deliveries are worked on at once: while some wait for the
// target, others are prepared.
func (o Options) hands() int { return 2 * o.Senders }

// fillParts fills the parts that are not numbers.
func (o *Options) fillParts() {
	if o.Owner == "" {
		o.Owner = uuid.NewString()
	}
	if o.Clock == nil {
		o.Clock = systemClock{}
	}
	if o.Jitter == nil {
		o.Jitter = func(limit time.Duration) time.Duration { return rand.N(max(limit, 0) + 1) }
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Traces == nil {
		o.Traces = noop.NewTracerProvider()
	}
	if o.Observer == nil {
		o.Observer = unobserved{}
	}
}

// check names everything that cannot work.
func (o Options) check() error {
	var faults []error
	fault := func(wrong bool, format string, args ...any) {
		if wrong {
			faults = append(faults, fmt.Errorf("writeback: "+format, args...))
		}
	}
	fault(o.Senders < 0, "the number of senders is negative")
	fault(o.Batch < 0, "the size of a batch is negative")
	fault(o.Interval < 0, "the interval between requests is negative")
	fault(min(o.Poll, o.Timeout, o.Lease, o.Settle, o.Drain, o.RetryAfterCap, o.Discover, o.Sweep.Interval, o.Sweep.Gap) < 0, "a time is negative")
	fault(o.Sweep.Repairs < 0, "the number of repairs is negative")
	fault(!slices.Contains([]Action{"", Report, Repair}, o.Sweep.Action), "copies that differ cannot be %q", o.Sweep.Action)
	fault(o.Lease < 2*o.Timeout, "a lease of %s is less than twice the time of a request, %s", o.Lease, o.Timeout)
	longest := o.RetryAfterCap + max(o.Backoff.Cap, o.Slow.Cap, o.Settle)
	fault(longest > store.MaxWait, "a wait of %s is more than the store keeps, %s", longest, store.MaxWait)
	for _, b := range []Backoff{o.Backoff, o.Slow} {
		fault(b.Base <= 0 || b.Cap < b.Base, "a back-off from %s to %s is none", b.Base, b.Cap)
	}
	return errors.Join(faults...)
}
