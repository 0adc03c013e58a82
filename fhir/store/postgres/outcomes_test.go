package postgres_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
)

// TestClaimsRunToTheirEnd: what a claim leases is told to whoever claims, even if it is
// told to stop meanwhile, or it would lie still until the lease runs out.
func TestClaimsRunToTheirEnd(t *testing.T) {
	t.Parallel()
	for name, claim := range map[string]func(context.Context, *postgres.Store) ([]store.Delivery, error){
		"Deliveries": func(ctx context.Context, s *postgres.Store) ([]store.Delivery, error) {
			return s.Claim(ctx, "ehr", "w", time.Minute, 5)
		},
		"Checks": func(ctx context.Context, s *postgres.Store) ([]store.Delivery, error) {
			return s.ClaimChecks(ctx, "ehr", "w", time.Minute, store.CheckDue{}, 5)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			address := create(t)
			s := open(t, address, postgres.Options{})
			require.NoError(t, write(s, "a"))
			if name == "Checks" {
				claimed, err := s.Claim(context.Background(), "ehr", "w", time.Minute, 5)
				require.NoError(t, err)
				claimed[0].Delivered = 1
				require.NoError(t, s.Record(context.Background(), claimed[0]))
			}
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			blocker, watcher := connect(t, address), connect(t, address)
			_, err := blocker.Exec(ctx, "BEGIN; LOCK TABLE deliveries IN EXCLUSIVE MODE")
			require.NoError(t, err)
			type answer struct {
				claimed []store.Delivery
				err     error
			}
			answered := make(chan answer, 1)
			go func() {
				claimed, err := claim(ctx, s)
				answered <- answer{claimed, err}
			}()
			require.Eventually(t, func() bool {
				waits := false
				err := watcher.QueryRow(context.Background(), "SELECT EXISTS (SELECT 1 FROM pg_locks WHERE NOT granted AND relation = 'deliveries'::regclass)").Scan(&waits)
				return err == nil && waits
			}, time.Minute, time.Millisecond)
			cancel()
			_, err = blocker.Exec(context.Background(), "ROLLBACK")
			require.NoError(t, err)
			got := <-answered
			require.NoError(t, got.err)
			require.Len(t, got.claimed, 1)
			_, err = claim(ctx, s)
			require.ErrorIs(t, err, context.Canceled, "but none begins afterwards")
		})
	}
}

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
