package writeback

import (
	"context"
	"errors"
	"fmt"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// Why there is nothing to send.
var (
	// errWaiting: a panel waits for its members, see delivering.postpone.
	errWaiting = errors.New("writeback: the panel waits for its members")
	// errUnread: the store failed, which it may not do the next time.
	errUnread = errors.New("writeback: the store cannot be read")
	// errScore: what is stored is no score. What is wrong with it is not told, since
	// it would quote it.
	errScore = errors.New("writeback: the stored resource is no score in FHIR R4")
)

// unread wraps what the store says, unless it says that something is not there.
func unread(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return err
	}
	return errors.Join(errUnread, err)
}

// unshaped ends a delivery that has nothing to send.
func (s *delivering) unshaped(ctx context.Context, err error) {
	switch {
	case errors.Is(err, errWaiting), errors.Is(err, errUnlocated):
		// It was postponed, or ended.
	case ctx.Err() != nil:
		s.fail(Released, FaultStopped)
	case errors.Is(err, errUnread):
		s.w.log.Error("cannot read a version to deliver", "target", s.d.Target, "error", err)
		s.fail(Retry, FaultStore)
	default:
		s.w.log.Error("cannot deliver a version", "target", s.d.Target, "error", err)
		s.fail(Refused, FaultStore)
	}
}

// addressed gives the body of a score with all that it refers to as the target
// knows it.
func (s *delivering) addressed(ctx context.Context, body []byte) ([]byte, error) {
	body, err := s.located(ctx, body)
	if err != nil {
		return nil, err
	}
	return s.logical(ctx, body)
}

// shape makes the member that is to be delivered out of the stored version.
func (s *delivering) shape(ctx context.Context, stored store.Resource) (content, error) {
	asStored := s.d.Member == observation.Whole && s.w.profile.Stored()
	if asStored {
		if c, status, ok := storedScore(stored.Body); ok && (!s.d.Retract || status == enteredInError) {
			return c, nil
		}
	}
	document, err := fhir.Decode(stored.Body)
	if err != nil {
		return content{}, errScore
	}
	defer document.Release()
	score := document.Root()
	if asStored && (!s.d.Retract || score.Get("status").Is(enteredInError)) {
		return contentOf(score, stored.Body)
	}
	if s.d.Retract && !(score.Get("status").Is(enteredInError) && observation.Has(score, s.d.Member)) {
		return s.dropped(ctx, stored, score)
	}
	return s.member(ctx, score)
}

// dropped makes a member that the version wanted does not have any more, or that
// the target gets no more: entered in error, as the last version said it that had
// it.
func (s *delivering) dropped(ctx context.Context, stored store.Resource, score fhir.Node) (content, error) {
	source := ""
	for reference := range score.Each("derivedFrom") {
		source = reference.Get("reference").Text()
	}
	for version := stored.Version - 1; !observation.Has(score, s.d.Member); version-- {
		if version == 0 {
			return content{}, observation.ErrMember
		}
		earlier, err := s.w.store.Version(ctx, s.d.Key, version)
		if err != nil {
			return content{}, unread(err)
		}
		if earlier.Deleted {
			continue
		}
		if earlier.Body, err = s.addressed(ctx, earlier.Body); err != nil {
			return content{}, err
		}
		document, err := fhir.Decode(earlier.Body)
		if err != nil {
			return content{}, errScore
		}
		defer document.Release()
		score = document.Root()
	}
	stamp := fhir.Stamp{ID: s.d.Key.ID, Version: stored.Version, LastUpdated: stored.LastUpdated}
	document, err := fhir.Decode(observation.AppendRetracted(nil, score, stamp, source))
	if err != nil {
		return content{}, errScore
	}
	defer document.Release()
	return s.member(ctx, document.Root())
}

// member makes the member of a version of the score.
func (s *delivering) member(ctx context.Context, score fhir.Node) (content, error) {
	refer := func(string) string { return "" }
	profile := &s.w.profile
	if s.d.Member == observation.PanelMember && !profile.Logical {
		var err error
		if refer, err = s.references(ctx, score); err != nil {
			return content{}, err
		}
	}
	body, err := profile.Append(nil, score, s.d.Member, refer)
	if err != nil {
		return content{}, err
	}
	return newContent(body)
}

// references gives the members of a panel by the ids that the target gave them.
// Before they are all there, the panel waits, unless it is taken back.
func (s *delivering) references(ctx context.Context, score fhir.Node) (func(identifier string) string, error) {
	all, err := s.w.store.Members(ctx, s.d.Target, s.d.Key)
	if err != nil {
		return nil, unread(err)
	}
	states := map[string]store.Delivery{}
	for _, d := range all {
		states[d.Member] = d
	}
	identifier := score.Get("identifier").Get("value").Text()
	known := map[string]string{}
	var missing []store.Delivery
	members := append(observation.PartsOf(score), observation.Whole)
	for _, member := range members {
		d, wanted := states[member]
		if wanted && (d.InDoubt || d.Delivered < s.d.Wanted) {
			missing = append(missing, d)
		}
		if d.RemoteID != "" {
			known[observation.MemberIdentifier(identifier, member)] = observation.MemberType(member) + "/" + d.RemoteID
		}
	}
	if len(missing) > 0 && !s.d.Retract {
		s.postpone(missing, len(members))
		return nil, errWaiting
	}
	return func(identifier string) string { return known[identifier] }, nil
}

// postpone gives a panel back until its members may be there. That is no failure:
// nothing was tried, and it is not counted.
func (s *delivering) postpone(missing []store.Delivery, of int) {
	now := s.w.clock.Now()
	backoff, parked := s.w.options.Backoff, 0
	due := now.Add(backoff.Cap)
	for _, d := range missing {
		if d.Parked {
			parked++
		} else if d.Due.Before(due) {
			due = d.Due
		}
	}
	if soon := now.Add(backoff.Base); due.Before(soon) {
		due = soon
	}
	if settled := now.Add(s.w.options.Settle); s.settling() && due.Before(settled) {
		due = settled
	}
	s.attempt.Outcome, s.attempt.Fault = Waiting, FaultNone
	s.d.Due = due
	s.d.Reason = explainWaiting(len(missing), of, parked)
}

// explainWaiting is the reason that is kept with a panel that waits.
func explainWaiting(missing, of, parked int) string {
	text := fmt.Sprintf("Waits until %d of its %d members are delivered.", missing, of)
	if parked > 0 {
		text += fmt.Sprintf(" %d of them are parked; retry or drop those.", parked)
	}
	return text
}
