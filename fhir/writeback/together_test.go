package writeback

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// numbered is a step that an answer can be told by.
func numbered(n int) store.Step {
	return store.Step{Delivery: store.Delivery{Key: store.Key{Type: "Observation", ID: fmt.Sprint(n)}}}
}

// TestTogether: while the store is told of some deliveries, the next ones gather, and
// everyone gets the answer to their own.
func TestTogether(t *testing.T) {
	t.Parallel()
	const many = 50
	first, gathered := make(chan struct{}), make(chan struct{})
	var rounds []int
	all := &together{tell: func(_ context.Context, steps []store.Step) (answers []error) {
		if rounds = append(rounds, len(steps)); len(rounds) == 1 {
			close(first)
			<-gathered
		}
		for _, d := range steps {
			answers = append(answers, errors.New(d.Delivery.Key.ID))
		}
		return answers
	}}
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
	all := &together{tell: func(_ context.Context, steps []store.Step) []error {
		if len(told) == 0 {
			close(first)
			<-release
		}
		for _, d := range steps {
			told = append(told, d.Delivery.Key.ID)
		}
		return make([]error, len(steps))
	}}
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
