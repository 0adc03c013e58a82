package postgres_test

import (
	"context"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/test/postgrestest"
)

// TestCommitThatDoesNotReachTheStandby: a session that waits for its standby can be
// told to wait no longer, and COMMIT then succeeds with a warning. What may be on one
// server only is acknowledged to nobody, and nothing is sent because of it.
func TestCommitThatDoesNotReachTheStandby(t *testing.T) {
	t.Parallel()
	need(t)
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Minute)
	defer cancel()
	own, err := postgrestest.Start()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, own.Stop()) })
	address, err := own.Create(ctx)
	require.NoError(t, err)
	s := open(t, address, postgres.Options{})
	standby, err := own.Standby(ctx)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, standby.Stop()) })
	require.NoError(t, write(s, "a"), "with the standby there")
	claimed, err := s.Claim(ctx, "ehr", "w", time.Hour, 1)
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	require.NoError(t, standby.Halt(syscall.SIGQUIT))

	other := connect(t, address)
	cancelled := func(job func() error) error {
		ended := make(chan error, 1)
		go func() { ended <- job() }()
		for {
			select {
			case err := <-ended:
				return err
			case <-time.After(20 * time.Millisecond):
				_, err := other.Exec(ctx, "SELECT pg_cancel_backend(pid) FROM pg_stat_activity WHERE wait_event = 'SyncRep'")
				require.NoError(t, err)
			}
		}
	}
	require.ErrorIs(t, cancelled(func() error { return write(s, "b") }), store.ErrUnknownOutcome)
	require.ErrorIs(t, cancelled(func() error { return s.Begin(ctx, claimed[0]) }), store.ErrUnknownOutcome)
	require.ErrorIs(t, cancelled(func() error {
		claimed, err := s.Claim(ctx, "ehr", "w", time.Hour, 1)
		require.Empty(t, claimed)
		return err
	}), store.ErrUnknownOutcome, "the other one is due, and would be sent")
	require.Equal(t, 2, total(t, s), "it is on this server")
	exec(t, address, "ALTER SYSTEM RESET synchronous_standby_names")
	exec(t, address, "SELECT pg_reload_conf()")
	require.NoError(t, write(s, "b"), "a repetition is answered as if it were the first")
	require.NoError(t, write(s, "c"), "the session has forgotten the warning")
}

// TestWarningOfAStatement: what a statement before the COMMIT warns of says nothing
// about the COMMIT.
func TestWarningOfAStatement(t *testing.T) {
	t.Parallel()
	address := create(t)
	s := open(t, address, postgres.Options{})
	exec(t, address, `CREATE FUNCTION warn() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE WARNING 'of something else'; RETURN NEW; END $$;
		CREATE TRIGGER warn BEFORE INSERT ON resource FOR EACH ROW EXECUTE FUNCTION warn()`)
	require.NoError(t, write(s, "a"))
}
