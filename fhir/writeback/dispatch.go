package writeback

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// claim is a delivery claimed, with the end of its lease on our own clock, which
// need not agree with that of the store.
type claim struct {
	delivery store.Delivery
	until    time.Time
	// wanted is the version wanted, if it was read with those of others.
	wanted store.Resource
}

// dispatch claims what is due and hands it to the senders.
func (w *Worker) dispatch(ctx context.Context, claims chan<- claim) error {
	for ctx.Err() == nil {
		now := w.clock.Now()
		closed, probing, probed := w.gate.state(now)
		switch {
		case closed > 0:
			_ = sleep(ctx, w.clock, closed)
			continue
		case probed:
			select {
			case <-ctx.Done():
			case <-w.gate.answered:
			}
			continue
		}
		claimed, err := w.claim(ctx, now, w.options.Batch)
		if errors.Is(err, store.ErrClosed) && ctx.Err() == nil {
			return fmt.Errorf("writeback to %s: %w", w.name, err)
		}
		few := len(claimed) < w.options.Batch
		if probing {
			claimed = w.probe(claimed)
		}
		w.hand(ctx, claims, claimed)
		if few || probing {
			w.idle(ctx)
		}
	}
	return nil
}

// probe is the one of those claimed that has failed least, so that what a target
// cannot digest is not taken for a target that is down. The others are given
// back.
func (w *Worker) probe(claimed []claim) []claim {
	if len(claimed) == 0 {
		return nil
	}
	least := 0
	for i, c := range claimed {
		if c.delivery.Attempts < claimed[least].delivery.Attempts {
			least = i
		}
	}
	for _, other := range slices.Concat(claimed[:least], claimed[least+1:]) {
		w.release(other)
	}
	return claimed[least : least+1]
}

// claim takes up to that many deliveries.
func (w *Worker) claim(ctx context.Context, now time.Time, limit int) ([]claim, error) {
	w.disarm(now)
	deliveries, err := w.store.Claim(ctx, w.name, w.options.Owner, w.options.Lease, limit)
	if err != nil && ctx.Err() == nil {
		w.log.Error("cannot claim deliveries", "target", w.name, "error", err)
	}
	claimed := make([]claim, 0, len(deliveries))
	w.hold(deliveries)
	for _, d := range deliveries {
		claimed = append(claimed, claim{delivery: d, until: now.Add(w.options.Lease)})
	}
	return claimed, err
}

// hand gives claims to senders as they become free, and the rest back to the
// store if the worker is to stop.
func (w *Worker) hand(ctx context.Context, claims chan<- claim, claimed []claim) {
	for i := range claimed {
		if i%readAtOnce == 0 {
			w.read(ctx, claimed[i:min(i+readAtOnce, len(claimed))])
		}
		select {
		case claims <- claimed[i]:
		case <-ctx.Done():
			for _, c := range claimed[i:] {
				w.release(c)
			}
			return
		}
	}
}

// readAtOnce is how many versions are read together. It is enough for a query to
// cost each of them little, and bounds what lies in memory before it is sent.
const readAtOnce = 32

// read reads the versions that some claims want. What cannot be read now is read, or
// found to be missing, when its turn comes.
func (w *Worker) read(ctx context.Context, claimed []claim) {
	deliveries := make([]store.Delivery, len(claimed))
	for i, c := range claimed {
		deliveries[i] = c.delivery
	}
	found, err := w.store.WantedVersions(ctx, deliveries)
	if err != nil {
		return
	}
	for i := range claimed {
		claimed[i].wanted = found[i]
	}
}

// idle waits for a kick, the next time something is due, or the next poll.
func (w *Worker) idle(ctx context.Context) {
	poll := w.clock.Now().Add(w.options.Poll)
	for {
		until := poll
		if alarm := w.nextAlarm(); !alarm.IsZero() && alarm.Before(poll) {
			until = alarm
		}
		wait := min(until.Sub(w.clock.Now()), w.options.Poll) // a clock may have been put back
		if wait <= 0 {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-w.kick:
			return
		case <-w.rearm:
		case <-w.clock.After(wait):
			return
		}
	}
}

// arm makes sure that the worker looks again when something is due.
func (w *Worker) arm(due time.Time) {
	w.mu.Lock()
	earlier := w.alarm.IsZero() || due.Before(w.alarm)
	if earlier {
		w.alarm = due
	}
	w.mu.Unlock()
	if earlier {
		select {
		case w.rearm <- struct{}{}:
		default:
		}
	}
}

// disarm forgets the alarm once it has passed; what it does not cover, the poll
// finds.
func (w *Worker) disarm(now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.alarm.After(now) {
		w.alarm = time.Time{}
	}
}

func (w *Worker) nextAlarm() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.alarm
}
