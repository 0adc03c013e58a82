package writeback

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// numbered is a step that an answer can be told by.
func numbered(n int) store.Step {
	return store.Step{Delivery: store.Delivery{Key: store.Key{Type: "Observation", ID: fmt.Sprint(n)}}}
}

func idle() bool { return false }

// TestTogetherWhileMoreAreToCome: what nobody waits for gathers until there is enough of
// it, or until somebody waits.
func TestTogetherWhileMoreAreToCome(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		later int
		waits bool
	}{"UntilThereIsEnough": {enough, false}, "UntilSomebodyWaits": {3, true}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rounds, answered, asked := make(chan int, enough), make(chan error, enough), atomic.Bool{}
			all := newTogether(func(_ context.Context, steps []store.Step) []error {
				rounds <- len(steps)
				return make([]error, len(steps))
			}, func() bool { asked.Store(true); return true })
			all.gathering = time.Hour
			for n := range c.later {
				require.Empty(t, rounds)
				all.later(numbered(n), func(err error) { answered <- err })
				require.Eventually(t, asked.Load, 10*time.Second, time.Microsecond)
			}
			if c.waits {
				require.Empty(t, rounds)
				require.NoError(t, all.do(context.Background(), numbered(c.later)))
				require.Equal(t, c.later+1, <-rounds)
			} else {
				require.Equal(t, c.later, <-rounds)
			}
			for range c.later {
				require.NoError(t, <-answered)
			}
		})
	}
	t.Run("NotForEver", func(t *testing.T) {
		t.Parallel()
		answered := make(chan error)
		newTogether(func(_ context.Context, steps []store.Step) []error { return make([]error, len(steps)) }, func() bool { return true }).
			later(numbered(1), func(err error) { answered <- err })
		require.NoError(t, <-answered)
	})
}

// TestTogether: while the store is told of some deliveries, the next ones gather, and
// everyone gets the answer to their own.
func TestTogether(t *testing.T) {
	t.Parallel()
	const many = 50
	first, gathered := make(chan struct{}), make(chan struct{})
	var rounds []int
	all := newTogether(func(_ context.Context, steps []store.Step) (answers []error) {
		if rounds = append(rounds, len(steps)); len(rounds) == 1 {
			close(first)
			<-gathered
		}
		for _, d := range steps {
			answers = append(answers, errors.New(d.Delivery.Key.ID))
		}
		return answers
	}, idle)
	var waiting sync.WaitGroup
	ask := func(n int) {
		waiting.Go(func() {
			if err := all.do(context.Background(), numbered(n)); err == nil || err.Error() != fmt.Sprint(n) {
				t.Errorf("delivery %d is answered %v", n, err)
			}
		})
	}
	ask(0)
	<-first
	for n := range many {
		ask(n + 1)
	}
	require.Eventually(t, func() bool {
		all.mu.Lock()
		defer all.mu.Unlock()
		return len(all.waiting) == many
	}, patience, time.Millisecond)
	close(gathered)
	waiting.Wait()
	require.Equal(t, []int{1, many}, rounds)
}

// TestTogetherOfOneWhoGaveUp: a context that ends lets its caller go, and the store is
// not told if it was not yet.
func TestTogetherOfOneWhoGaveUp(t *testing.T) {
	t.Parallel()
	first, release := make(chan struct{}), make(chan struct{})
	var told []string
	all := newTogether(func(_ context.Context, steps []store.Step) []error {
		if len(told) == 0 {
			close(first)
			<-release
		}
		for _, d := range steps {
			told = append(told, d.Delivery.Key.ID)
		}
		return make([]error, len(steps))
	}, idle)
	ended := make(chan error, 2)
	go func() { ended <- all.do(context.Background(), numbered(1)) }()
	<-first
	ctx, cancel := context.WithCancel(context.Background())
	gaveUp := make(chan error, 1)
	go func() { gaveUp <- all.do(ctx, numbered(2)) }()
	require.Eventually(t, func() bool {
		all.mu.Lock()
		defer all.mu.Unlock()
		return len(all.waiting) == 1
	}, patience, time.Millisecond)
	cancel()
	require.ErrorIs(t, <-gaveUp, context.Canceled)
	require.ErrorIs(t, all.do(ctx, numbered(3)), context.Canceled)
	close(release)
	require.NoError(t, <-ended)
	require.NoError(t, all.do(context.Background(), numbered(4)))
	require.Equal(t, []string{"1", "4"}, told)
}
