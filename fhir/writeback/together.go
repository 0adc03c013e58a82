package writeback

import (
	"context"
	"sync"

	"tidemark.example/tidemark/fhir/store"
)

// together tells the store of many steps at once, of beginnings and of outcomes: while it is being told of
// some, the next ones gather. Each of them alone would cost it a transaction, and
// each transaction a wait for the disk.
type together struct {
	tell func(ctx context.Context, all []store.Step) []error

	mu      sync.Mutex
	waiting []asking
	telling bool
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
	t.put(asking{step, ctx, func(err error) { answer <- err }})
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
	t.put(asking{step, context.Background(), answer})
}

// put lets a step wait for its turn.
func (t *together) put(one asking) {
	t.mu.Lock()
	t.waiting = append(t.waiting, one)
	begins := !t.telling
	t.telling = true
	t.mu.Unlock()
	if begins {
		go t.run()
	}
}

// run tells the store until nobody waits.
func (t *together) run() {
	for {
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
