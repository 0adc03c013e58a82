package writeback

import (
	"context"
	"sync"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// together tells the store of many steps at once, of beginnings and of outcomes: while it is being told of
// some, the next ones gather. Each of them alone would cost it a transaction, and
// each transaction a wait for the disk.
type together struct {
	tell func(ctx context.Context, all []store.Step) []error
	// busy says that more steps are to come, so that those nobody waits for gather, for
	// that long at most, until there are enough of them or hurry is told.
	busy      func() bool
	gathering time.Duration
	hurry     chan struct{}

	mu      sync.Mutex
	waiting []asking
	telling bool
}

// enough steps cost each of them little.
const enough = 128

// newTogether makes one that lets steps gather for as long as a flush of the disk may
// take.
func newTogether(tell func(context.Context, []store.Step) []error, busy func() bool) *together {
	return &together{tell: tell, busy: busy, gathering: 5 * time.Millisecond, hurry: make(chan struct{}, 1)}
}

// asking is one step on its way to the store. Its answer is called once.
type asking struct {
	step   store.Step
	ctx    context.Context //nolint:containedctx // that of the one who waits
	answer func(error)
}

// do tells the store of one step, with those that others tell it of, and gives
// its answer. If the context ends first, the store may still be told.
func (t *together) do(ctx context.Context, step store.Step) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	answer := make(chan error, 1)
	t.put(asking{step, ctx, func(err error) { answer <- err }}, true)
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// later tells the store of one step as do does, without waiting for the answer, which
// is called with it.
func (t *together) later(step store.Step, answer func(error)) {
	t.put(asking{step, context.Background(), answer}, false)
}

// put lets a step wait for its turn.
func (t *together) put(one asking, hurries bool) {
	t.mu.Lock()
	t.waiting = append(t.waiting, one)
	hurries = hurries || len(t.waiting) == enough
	begins := !t.telling
	t.telling = true
	t.mu.Unlock()
	if hurries {
		select {
		case t.hurry <- struct{}{}:
		default:
		}
	}
	if begins {
		go t.run()
	}
}

// run tells the store until nobody waits.
func (t *together) run() {
	for {
		if t.busy() {
			select {
			case <-t.hurry:
			case <-time.After(t.gathering):
			}
		}
		t.mu.Lock()
		all := t.waiting
		t.waiting = nil
		t.telling = len(all) > 0
		t.mu.Unlock()
		if len(all) == 0 {
			return
		}
		t.round(all)
	}
}

// round tells the store of those who still wait.
func (t *together) round(all []asking) {
	asked, steps := make([]asking, 0, len(all)), make([]store.Step, 0, len(all))
	for _, one := range all {
		if one.ctx.Err() == nil {
			asked, steps = append(asked, one), append(steps, one.step)
		}
	}
	if len(asked) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), recordTime)
	defer cancel()
	for i, err := range t.tell(ctx, steps) {
		asked[i].answer(err)
	}
}
