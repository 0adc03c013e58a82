package notify

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"

	"tidemark.example/tidemark/fhir"
)

// Rights is who judges what the client of a subscription may be told.
type Rights interface {
	// Patient is what the patient of a score is found by.
	Patient(score fhir.Node) string
	// Permits says whether rights that are kept with a subscription cover a score,
	// and the response that it derives from.
	Permits(rights []byte, score fhir.Node) (ofScore, ofResponse bool)
}

// Options configure a Worker. Base, Policy and Rights are required.
type Options struct {
	// Base is the FHIR base that the server is known under.
	Base   string
	Policy *Policy
	Rights Rights
	// Name tells the leases of workers apart; "" is a random one.
	Name string
	// Senders is how many subscriptions are called at once; 0 means 8. Each is
	// called by one at a time.
	Senders int
	// Poll is how often to look without a Kick: for what another process recorded,
	// and for what is due; 0 means 1 s.
	Poll time.Duration
	// Wait is the wait after the first failure, which doubles with each until
	// MaxWait; half of it is left to chance. 0 means 10 s and 30 min.
	Wait, MaxWait time.Duration
	// Attempts is how many must fail in a row for the status to become error; 0
	// means 10, which with the waits above is about an hour and a half.
	Attempts int
	// ErrorLife is how long events are recorded for one in error before it is off;
	// 0 means 7 days.
	ErrorLife time.Duration
	// Memory is how long delivered events can be asked for; 0 means 7 days.
	Memory time.Duration
	// Drain is how long calls may take once Run is told to stop; 0 means 10 s.
	Drain time.Duration
	// TLS holds the roots that endpoints are verified by; nil means the system's.
	TLS *tls.Config
	// Clock tells the time; nil means that of the machine.
	Clock func() time.Time
	// Logger gets ids and reasons only; nil discards them.
	Logger *slog.Logger
	// Traces records a span of each call in the traces of the requests that it
	// tells of; nil records none, and still tells the endpoint of the first.
	Traces trace.TracerProvider
	// Observe is told of every call that ended, for metrics; nil if nobody wants
	// to know.
	Observe func(Call)
}

// Call is one call that ended.
type Call struct {
	// Kind is that of the notification.
	Kind string
	// Reason is what became of it, Events how many it told of.
	Reason Reason
	Events int
	Took   time.Duration
}

// withDefaults fills what was left out.
func (o Options) withDefaults() (Options, error) {
	if o.Base == "" || o.Policy == nil || o.Rights == nil {
		return o, errors.New("notify: Base, Policy and Rights are needed")
	}
	if o.Name == "" {
		o.Name = uuid.NewString()
	}
	for _, d := range []struct {
		value   *time.Duration
		usually time.Duration
	}{
		{&o.Poll, time.Second}, {&o.Wait, 10 * time.Second}, {&o.MaxWait, 30 * time.Minute}, {&o.ErrorLife, 7 * 24 * time.Hour},
		{&o.Memory, 7 * 24 * time.Hour}, {&o.Drain, 10 * time.Second},
	} {
		if *d.value <= 0 {
			*d.value = d.usually
		}
	}
	if o.Senders <= 0 {
		o.Senders = 8
	}
	if o.Attempts <= 0 {
		o.Attempts = 10
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Traces == nil {
		o.Traces = noop.NewTracerProvider()
	}
	if o.Observe == nil {
		o.Observe = func(Call) {}
	}
	return o, nil
}

// wait is how long to wait after that many failures in a row, at least one.
func (o Options) wait(failures int) time.Duration {
	limit := o.Wait
	for i := 1; i < failures && limit < o.MaxWait; i++ {
		limit *= 2
	}
	limit = min(limit, o.MaxWait)
	return limit/2 + rand.N(limit/2+1) //nolint:gosec // spreads calls, and is no secret
}
