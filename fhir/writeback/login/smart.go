package login

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"

	"tidemark.example/tidemark/fhir/writeback"
)

// Outcome is what became of asking for a token. The values serve as labels.
type Outcome string

// The outcomes.
const (
	// Given: there is a token.
	Given Outcome = "given"
	// Refused: a person must change something, here or at the hospital.
	Refused Outcome = "refused"
	// Unavailable: it could not be asked, or answered nothing of use.
	Unavailable Outcome = "unavailable"
)

// String gives it as a label.
func (o Outcome) String() string { return string(o) }

// Outcomes lists them.
func Outcomes() []Outcome { return []Outcome{Given, Refused, Unavailable} }

const (
	// marginOf of a token's lifetime, but no more than longestMargin, is left when
	// it is renewed, so that it does not end on the way.
	marginOf, longestMargin = 5, 30 * time.Second
	// rest is how long a token endpoint that failed is left in peace.
	rest = time.Second
)

// SMARTOptions configure the tokens of a target.
type SMARTOptions struct {
	// Client gets them.
	Client *Client
	// Logger is told when there is none; nil discards it.
	Logger *slog.Logger
	// Asked is told what became of each question, for metrics; nil if nobody wants
	// to know.
	Asked func(Outcome)
}

// smart keeps the token of a target. There is one question at a time, whoever
// waits for it.
type smart struct {
	client *Client
	logger *slog.Logger
	asked  func(Outcome)
	flight singleflight.Group

	mu sync.Mutex
	// value is the header of the token, to be renewed at due and of no use from
	// ends on.
	value     string
	due, ends time.Time
	// failure is why there was no other, when it was last asked for.
	failure error
	failed  time.Time
	granted string
}

// SMART sends the access tokens that a Client gets.
func SMART(options SMARTOptions) (Source, error) {
	if options.Client == nil {
		return nil, errors.New("login: there is no client to get tokens")
	}
	s := &smart{client: options.Client, logger: options.Logger, asked: options.Asked}
	if s.logger == nil {
		s.logger = slog.New(slog.DiscardHandler)
	}
	if s.asked == nil {
		s.asked = func(Outcome) {}
	}
	return s, nil
}

// Authorization implements Source.
func (s *smart) Authorization(ctx context.Context, rejected string) (string, error) {
	if value, known, err := s.kept(rejected); known {
		return value, err
	}
	// The question is asked for all who wait, so it does not end with one of them,
	// and says nothing to the trace of one.
	answer := s.flight.DoChan("", func() (any, error) { return s.renew(rejected) })
	select {
	case result := <-answer:
		value, _ := result.Val.(string)
		return value, result.Err
	case <-ctx.Done():
		return "", failed(writeback.ErrNotSent, "waiting for an access token: %w", context.Cause(ctx))
	}
}

// kept gives the token that there is, or the failure of a moment ago; known is
// false if a new one must be asked for.
func (s *smart) kept(rejected string) (value string, known bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.client.options.Now()
	usable := s.value != "" && s.value != rejected && now.Before(s.ends)
	switch resting := s.failure != nil && now.Sub(s.failed).Abs() < rest; {
	case usable && (resting || now.Before(s.due)):
		return s.value, true, nil
	case resting:
		return "", true, s.failure
	}
	return "", false, nil
}

// renew asks for a token, unless another has got one meanwhile. One that should
// be renewed and cannot be serves to its end.
func (s *smart) renew(rejected string) (string, error) {
	if value, known, err := s.kept(rejected); known {
		return value, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*patience) // it may have to find the endpoint first
	defer cancel()
	asked := s.client.options.Now()
	token, err := s.client.Token(ctx)
	s.tell(err)
	s.keep(token, asked, err)
	if err != nil {
		value, _, err := s.kept(rejected)
		return value, err
	}
	return bearer(token), nil // also if it has ended by now
}

func (s *smart) keep(token Token, asked time.Time, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failure, s.failed = err, s.client.options.Now()
	if err != nil {
		return
	}
	s.value = bearer(token)
	s.ends = asked.Add(token.Lifetime)
	s.due = s.ends.Add(-min(token.Lifetime/marginOf, longestMargin))
	s.compare(token.Scope)
}

func bearer(token Token) string { return "Bearer " + token.Text }

// tell counts and logs what became of a question.
func (s *smart) tell(err error) {
	switch {
	case err == nil:
		s.asked(Given)
	case errors.Is(err, writeback.ErrLogin):
		s.asked(Refused)
		s.logger.Error("no access token for the target, and asking again will not help; see that client_id, keys, token endpoint and scope are those that the hospital has registered", "error", err)
	default:
		s.asked(Unavailable)
		s.logger.Warn("no access token for the target", "error", err)
	}
}

// compare logs scopes that were asked for and not granted, once for each answer
// of another kind. A server may also write them in another way, so it is no error.
func (s *smart) compare(granted string) {
	if granted == s.granted || granted == "" {
		return
	}
	s.granted = granted
	given := strings.Fields(granted)
	missing := slices.DeleteFunc(strings.Fields(s.client.options.Scope), func(scope string) bool { return slices.Contains(given, scope) })
	if len(missing) > 0 {
		s.logger.Warn("the target grants other scopes than were asked for", "missing", strings.Join(missing, " "))
	}
}
