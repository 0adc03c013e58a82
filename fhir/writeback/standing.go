package writeback

import (
	"context"
	"sync"
	"time"
)

// standing is the mode a target is written to in, and what it follows from.
type standing struct {
	mu sync.Mutex
	// asked is what was configured, mode what is done.
	asked, mode Mode
	// said is what the target's CapabilityStatement says.
	said abilities
	// refused is the mode that the target has refused, after which it is searched
	// first; "" if none.
	refused Mode
	// unmatched says that the target has refused If-Match.
	unmatched bool
	// told is what was told last, so that nothing is told twice.
	told string
	// failures counts the statements in a row that could not be read.
	failures int
}

// newStanding is that of a target of which nothing is known.
func newStanding(asked Mode) *standing {
	if asked == "" {
		asked = Auto
	}
	return &standing{asked: asked, mode: wayOf(asked).mode}
}

// way is what to do with a next delivery.
func (s *standing) way() way {
	s.mu.Lock()
	defer s.mu.Unlock()
	return wayOf(s.mode)
}

// guarded says whether an update with If-Match cannot replace what it did not
// see, and matching whether to send If-Match at all.
func (s *standing) guarded() (guarded, matching bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.guarded() && !s.unmatched, !s.unmatched
}

// learn takes a statement. What the target refused is forgotten once it says
// something else than it did, since it may then be another server.
func (s *standing) learn(said abilities) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.said.read && said != s.said {
		s.refused, s.unmatched = "", false
	}
	s.said, s.failures = said, 0
	s.decide()
}

// decide chooses the mode.
func (s *standing) decide() {
	switch best := s.said.best(); {
	case s.refused != "":
		s.mode = SearchThenWrite
	case s.asked == Auto && best != "":
		s.mode = best
	default:
		s.mode = wayOf(s.asked).mode
	}
}

// fallBack remembers that a mode was refused; it says whether that is new.
func (s *standing) fallBack(from Mode) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.mode != from {
		return false
	}
	s.refused = from
	s.decide()
	return true
}

// unmatch remembers that If-Match was refused; it says whether that is new.
func (s *standing) unmatch() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	was := s.unmatched
	s.unmatched = true
	return !was
}

// Choice is the mode that a target is written to in from now on.
type Choice struct {
	Target string
	Mode   Mode
	// Refused is the mode in whose place it came, since the target does not do
	// what that needs; "" if it was configured or chosen.
	Refused Mode
}

// discover reads the target's CapabilityStatement and chooses the mode. It gives
// the time after which to do so again.
func (w *Worker) discover(ctx context.Context) time.Duration {
	if w.pace.wait(ctx) != nil {
		return w.options.Discover
	}
	limited, cancel := context.WithTimeout(ctx, w.options.Timeout)
	defer cancel()
	said, fault := w.client.abilities(limited)
	if ctx.Err() != nil {
		return w.options.Discover
	}
	if fault == FaultNone {
		w.standing.learn(said)
		w.tell(fault)
		return w.options.Discover
	}
	w.standing.mu.Lock()
	w.standing.failures++
	failures := w.standing.failures
	w.standing.mu.Unlock()
	w.tell(fault)
	return min(w.options.Slow.Limit(failures), w.options.Discover)
}

// tell says in one line which mode is used and why, if that is news.
func (w *Worker) tell(fault Fault) {
	s := w.standing
	s.mu.Lock()
	mode, refused, said := s.mode, s.refused, s.said
	why, lacks := s.reason(fault)
	news := string(mode) + why + lacks
	known := s.told == news
	s.told = news
	s.mu.Unlock()
	if known {
		return
	}
	attributes := []any{"target", w.name, "mode", mode, "because", why}
	if said.read {
		attributes = append(attributes, "fhir", said.version, "versioning", said.versioning)
	}
	report := w.log.Info
	if lacks != "" {
		attributes = append(attributes, "lacks", lacks)
	}
	if lacks != "" || refused != "" {
		report = w.log.Warn
	}
	report("write mode of the target", attributes...)
	w.options.Observer.Chosen(Choice{Target: w.name, Mode: mode, Refused: refused})
}

// reason says why the mode is what it is, and what the target does not say that
// it can do and the mode needs.
func (s *standing) reason(fault Fault) (why, lacks string) {
	switch {
	case s.refused != "":
		return "the target refused what mode " + string(s.refused) + " needs and took a plain request instead", ""
	case !s.said.read && s.asked == Auto:
		return "no CapabilityStatement could be read (" + string(fault) + "), and this is tried first", ""
	case !s.said.read:
		return "it is configured; no CapabilityStatement could be read (" + string(fault) + ")", ""
	case s.asked == Auto && s.said.best() == "":
		return "the target states none that it can do, and this is tried first", inWords(s.said.lacks(s.mode))
	case s.asked == Auto:
		return "the target states that it can do it", ""
	default:
		return "it is configured", inWords(s.said.lacks(s.mode))
	}
}

// fallBack goes on by searching first, since the target has shown that it does
// not do what the mode needs.
func (w *Worker) fallBack(from Mode) {
	if w.standing.fallBack(from) {
		w.tell(FaultNone)
	}
}

// unmatch goes on without If-Match, which the target has refused.
func (w *Worker) unmatch() {
	if w.standing.unmatch() {
		w.log.Warn("the target does not do If-Match; from now on each resource is read right before it is updated", "target", w.name)
	}
}
