package writeback

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// maxRequests is how many requests one claim may make. Six are the most that a
// target which does not change meanwhile can need: an update that finds nothing,
// the read that confirms it, the search and the conditional update, and where
// that is not offered, another search and a plain create.
const maxRequests = 8

// errDeletion says that a deletion was wanted: a result is taken back by an
// update to entered-in-error (R4 lifecycle.html 2.2.7), never by deleting it.
var errDeletion = errors.New("writeback: the version wanted is a deletion")

// delivering is one claimed delivery on its way.
type delivering struct {
	w *Worker
	// d is the delivery as it will be recorded.
	d store.Delivery
	// until is when the lease must be given back.
	until time.Time
	// stored is the version wanted, and want what it is at the target.
	stored store.Resource
	want   content
	// way is what the mode does, suspicion that the target cannot do it, and
	// unmatching that it refused If-Match.
	way        way
	suspicion  *suspicion
	unmatching bool
	// next is what to ask of the target next.
	next action
	// started is the time of the first request.
	started time.Time
	attempt Attempt
	// failures are those of the target when this delivery was let in.
	failures int
	// stop is closed when the worker is to stop; nil if it never is.
	stop <-chan struct{}
	// verdict is what the last answer meant, for the pause of the target.
	verdict verdict
	wait    time.Duration
	issues  []string
	// collided says that the target refused to create since there is one.
	collided bool
	// unsettled says that a request of an earlier attempt may still be on its
	// way, see settling.
	unsettled bool
	// reread says that an update was refused and the target read, to see whether
	// it still holds what was to be updated.
	reread bool
	// wrote says that the target took a retraction and did not show it, so that it
	// is read.
	wrote bool
	// sweeping says that the target is only looked at, see sweep.go.
	sweeping bool
}

// deliver brings one claimed delivery as far as it can be brought now, and says
// what became of it. What was learned is in d, ready to be recorded.
func (s *delivering) deliver(ctx context.Context) {
	if s.nothingToTakeBack() {
		s.succeed(Withdrawn)
		return
	}
	if !s.load(ctx) {
		return
	}
	s.unsettled = s.settling()
	s.choose()
	for range maxRequests {
		if !s.begin(ctx) || s.step(ctx) {
			return
		}
	}
	s.fail(Retry, FaultConflict)
}

// nothingToTakeBack says that the target never had what is taken back.
func (s *delivering) nothingToTakeBack() bool {
	return s.d.Retract && s.d.Delivered == 0 && s.d.RemoteID == "" && !s.d.InDoubt
}

// settling says that a doubt may be younger than Options.Settle. An attempt that
// leaves a doubt sets the time to look, and gives a reason; a version wanted
// since then makes the delivery due at once and clears the reason, and a lease
// that ran out sets no time at all.
func (s *delivering) settling() bool { return s.d.InDoubt && s.d.Reason == "" }

// load gets the version wanted and shapes it.
func (s *delivering) load(ctx context.Context) bool {
	stored, err := s.stored, error(nil)
	if stored.Version != s.d.Wanted {
		if stored, err = s.w.store.Version(ctx, s.d.Key, s.d.Wanted); err == nil {
			stored.Body = bytes.Clone(stored.Body) // to write over, as one of WantedVersions is
		}
	}
	switch {
	case err != nil:
		err = unread(err)
	case stored.Deleted:
		err = errDeletion
	default:
		if stored.Body, err = s.addressed(ctx, stored.Body); err == nil {
			s.want, err = s.shape(ctx, stored)
		}
	}
	if err != nil {
		s.unshaped(ctx, err)
	}
	return err == nil
}

// choose says what to start with. An update by id needs the version it
// replaces; without one, the target is read first. So it is before a result is
// taken back under an unknown id, since it may not be there any more.
func (s *delivering) choose() {
	s.way = s.w.standing.way()
	switch {
	case s.d.InDoubt, s.d.RemoteID != "" && !s.guarded(s.d.ETag), s.d.RemoteID == "" && (s.d.Retract || s.way.looks):
		s.look()
	case s.d.RemoteID != "":
		s.next = s.way.update
	default:
		s.next = s.way.create
	}
}

// guarded says that an update which names that version cannot replace another.
func (s *delivering) guarded(etag string) bool {
	guarded, _ := s.w.standing.guarded()
	return guarded && etag != "" && !s.unmatching
}

// look makes the next request a read, by the id if it is known.
func (s *delivering) look() {
	s.next = searching
	if s.d.RemoteID != "" {
		s.next = reading
	}
}

// trusted is how long after a claim something may be written, at most, without asking
// the store whether the lease still holds. A lease is another's before its time only if
// the store's clock jumped. Whoever has it then looks at the target, and waits
// Options.Settle for what may be on its way, of which this is a small part.
const trusted = time.Second

// trusts says that the lease need not be asked for.
func (s *delivering) trusts(now time.Time) bool {
	age := now.Sub(s.until.Add(-s.w.options.Lease))
	return age >= 0 && age < min(trusted, s.w.options.Settle/8) && s.w.holds(&s.d)
}

// begin makes sure that the lease still holds before something is written long after
// the claim. Else nothing may be sent.
func (s *delivering) begin(ctx context.Context) bool {
	if s.sweeping || s.attempt.Requests > 0 && !s.next.writes() {
		return true
	}
	now := s.w.clock.Now()
	if now.Add(s.w.options.Timeout).After(s.until) {
		s.fail(Retry, FaultTime)
		return false
	}
	if !s.next.writes() || s.trusts(now) {
		return true
	}
	switch err := s.w.steps.do(ctx, store.Step{Delivery: s.d, Begins: true}); {
	case err == nil:
		return true
	case errors.Is(err, store.ErrLeaseLost):
		// One that ran out by a clock that was ahead, and that nobody has, would lie
		// still once that is put right; recording tells.
		s.fail(Released, FaultTime)
	case ctx.Err() != nil:
		s.fail(Released, FaultStopped)
	default:
		s.w.log.Error("cannot begin an attempt", "target", s.d.Target, "error", err)
		s.fail(Retry, FaultStore)
	}
	return false
}

// step makes one request and draws the conclusion; it says whether the delivery
// is finished for now.
func (s *delivering) step(ctx context.Context) bool {
	x, err := s.exchange(ctx)
	if err != nil {
		s.w.log.Error("cannot read what goes with a version", "target", s.d.Target, "error", err)
		s.fail(Retry, FaultStore)
		return true
	}
	a, err := s.ask(ctx, x)
	if err != nil {
		s.fail(Released, FaultNone)
		return true
	}
	if a.class == done {
		a.prove(s.next, s.want.kind)
	}
	s.attempt.Status, s.verdict, s.wait, s.issues = a.status, a.verdict, a.wait, a.issues
	if a.class != done && (s.tryPlainly(a) || s.refusesMatch(a)) {
		return false
	}
	switch a.class {
	case done:
		return s.conclude(a)
	case conflicting:
		return s.conflict()
	case absent:
		s.acquit()
		s.d.RemoteID, s.d.ETag = "", ""
		s.next = searching
		return false
	case doubtful:
		s.fail(InDoubt, a.fault)
	case refused:
		if s.mayBeGone(a.status) {
			return false
		}
		s.fail(Refused, s.aboutSubject(a.fault))
	default:
		s.fail(Retry, a.fault)
	}
	return true
}

// mayBeGone makes the next request a read, once, where an update by id was refused
// by a status that says it of an id which is not there as well: R4 has 400, 404
// and 405 for that where clients may not choose ids (http.html 3.1.0.4), and what
// is gone is to be created again, not parked.
func (s *delivering) mayBeGone(status int) bool {
	if s.next != updating || s.reread {
		return false
	}
	switch status {
	case http.StatusBadRequest, http.StatusMethodNotAllowed, http.StatusUnprocessableEntity:
		s.reread = true
		s.look()
		return true
	default:
		return false
	}
}

// conflict follows an answer that the target holds something else than was
// expected: read it. Until then there is doubt, even where nothing was known to
// be there.
func (s *delivering) conflict() bool {
	s.collided = s.collided || s.next.creates()
	s.d.InDoubt = true
	s.look()
	return false
}

// conclude draws the conclusion from a success.
func (s *delivering) conclude(a answer) bool {
	switch s.next {
	case reading:
		return s.judge(a.resource, a.id, a.etag)
	case searching:
		return s.found(a)
	default:
		return s.took(a)
	}
}

// took follows a write that was done. That a result was taken back is proved by
// what the target holds only: an answer without it may be one to a request that
// was taken and not applied.
func (s *delivering) took(a answer) bool {
	if a.id != "" || s.next.creates() {
		s.d.RemoteID = a.id
	}
	s.convict()
	s.d.ETag, s.d.Accepted = a.etag, ""
	shown := a.resource["resourceType"] == s.want.kind
	if s.d.Retract && !(shown && a.resource["status"] == enteredInError) {
		s.wrote, s.d.InDoubt = true, true
		s.look()
		return false
	}
	if shown {
		s.keeps(a.resource)
	}
	s.succeed(Delivered)
	return true
}

// enteredInError is the status of what was taken back, of Observation and
// DocumentReference alike.
const enteredInError = "entered-in-error"

// keeps remembers what the target made of what it took.
func (s *delivering) keeps(resource map[string]any) {
	s.attempt.ReadBack, s.d.Accepted = s.w.compare.accept(s.want.tree(), resource)
}

// found follows a search.
func (s *delivering) found(a answer) bool {
	resources, err := matches(a.resource, s.want.kind, s.want.identifier)
	switch {
	case err != nil:
		s.fail(Refused, FaultUnsearchable)
		return true
	case len(resources) > 1:
		s.fail(Refused, FaultAmbiguous)
		return true
	case len(resources) == 1:
		id, etag := address(resources[0])
		return s.judge(resources[0], id, etag)
	}
	if s.wrote {
		s.fail(InDoubt, FaultUnretracted)
		return true
	}
	if s.collided {
		// It is there, but not yet found.
		s.fail(InDoubt, FaultConflict)
		return true
	}
	if s.unsettled {
		// What arrives after a result was taken back, or after the target deleted
		// a newer version, would stay.
		s.fail(InDoubt, FaultSettling)
		return true
	}
	s.d.InDoubt, s.d.RemoteID, s.d.ETag, s.d.Accepted = false, "", "", ""
	if s.d.Retract {
		s.succeed(Withdrawn)
		return true
	}
	s.next = s.way.create
	return false
}

// judge compares what the target holds with what it should hold.
func (s *delivering) judge(resource map[string]any, id, etag string) bool {
	switch {
	case !carries(resource, s.want.kind, s.want.identifier):
		s.fail(Refused, FaultForeign)
		return true
	case id == "":
		s.fail(Retry, FaultNotFHIR)
		return true
	case s.w.compare.ahead(s.want.tree(), resource):
		s.fail(Refused, FaultAhead)
		return true
	case s.wrote && resource["status"] != enteredInError:
		s.d.RemoteID, s.d.ETag = id, etag
		s.fail(InDoubt, FaultUnretracted)
		return true
	}
	s.d.InDoubt, s.d.RemoteID, s.d.ETag = false, id, etag
	if s.wrote || s.w.compare.same(s.want.tree(), resource) {
		s.keeps(resource)
		s.succeed(Delivered)
		return true
	}
	if s.unsettled && !s.guarded(etag) {
		// What arrives later would replace what is written now.
		s.fail(InDoubt, FaultSettling)
		return true
	}
	s.next = s.way.update
	return false
}

// succeed ends the delivery: the target is where it should be.
func (s *delivering) succeed(outcome Outcome) {
	now := s.w.clock.Now()
	s.attempt.Outcome, s.attempt.Fault = outcome, FaultNone
	if !s.d.WantedSince.IsZero() {
		s.attempt.Age = now.Sub(s.d.WantedSince)
	}
	s.d.Delivered, s.d.InDoubt, s.d.Parked, s.d.Due = s.d.Wanted, false, false, now
	s.d.Reason, s.d.Fault = explainReadBack(s.attempt.ReadBack), ""
}

// fail ends the delivery for now. One that was delivered before, and is to be
// repaired, stays in doubt until it is, since nothing else tells that it is not
// done.
func (s *delivering) fail(outcome Outcome, fault Fault) {
	s.attempt.Outcome, s.attempt.Fault = outcome, fault
	s.d.InDoubt = s.d.InDoubt || s.d.Delivered == s.d.Wanted
	if outcome == Released {
		return
	}
	s.d.InDoubt = s.d.InDoubt || outcome == InDoubt
	s.d.Parked = outcome == Refused
	s.d.Due = s.w.clock.Now().Add(s.delay(outcome))
	s.d.Reason, s.d.Fault = explain(fault, s.attempt.Status, s.issues), string(fault)
}

// delay is how long to wait for the next attempt. What is in doubt waits at
// least until a request that was held up has arrived and been indexed.
func (s *delivering) delay(outcome Outcome) time.Duration {
	failures := max(s.d.Attempts, 1)
	backoff := s.w.options.Backoff
	if s.verdict.class == slowly {
		backoff = s.w.options.Slow
	}
	wait := s.wait + s.w.options.Jitter(backoff.Limit(failures))
	if outcome == InDoubt || s.unsettled {
		wait = max(wait, s.w.options.Settle)
	}
	return wait
}
