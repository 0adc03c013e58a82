package postgres_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
)

// TestOutcomesPassOverWhatABatchIsJustWriting: outcomes that are recorded together do not
// wait for a row that somebody else writes while they hold others; the one whose row it
// is waits by itself.
func TestOutcomesPassOverWhatABatchIsJustWriting(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	address := create(t)
	s := open(t, address, postgres.Options{})
	for _, id := range []string{"a", "b", "c"} {
		require.NoError(t, write(s, id))
	}
	claimed, err := s.Claim(ctx, "ehr", "w", time.Minute, 5)
	require.NoError(t, err)
	require.Len(t, claimed, 3)
	steps := make([]store.Step, len(claimed))
	for i, d := range claimed {
		d.Delivered = 1
		steps[i].Delivery = d
	}
	conn := connect(t, address)
	_, err = conn.Exec(ctx, "BEGIN; SELECT * FROM deliveries WHERE rid = (SELECT rid FROM resource WHERE id = 'b') FOR UPDATE")
	require.NoError(t, err)
	answered := make(chan []error, 1)
	go func() { answered <- s.Advance(ctx, steps) }()
	delivered := func(id string) bool {
		d, err := s.Delivery(ctx, "ehr", key(id), store.Whole)
		return err == nil && d.Delivered == 1
	}
	require.Eventually(t, func() bool { return delivered("a") && delivered("c") }, time.Minute, time.Millisecond)
	require.False(t, delivered("b"))
	require.Empty(t, answered)
	_, err = conn.Exec(ctx, "COMMIT")
	require.NoError(t, err)
	for _, err := range <-answered {
		require.NoError(t, err)
	}
	require.True(t, delivered("b"))
}
