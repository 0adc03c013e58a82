package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/test/postgrestest"
)

// cutSQL ends all sessions that write in the middle of a transaction in a schema.
const cutSQL = `SELECT count(pg_terminate_backend(pid)) FROM pg_locks
	WHERE locktype = 'advisory' AND classid = x'74696465'::int AND objid = to_regnamespace('%s')::oid AND granted`

func TestLostTransaction(t *testing.T) {
	t.Parallel()
	t.Run("IsRunAgainWhenItsConnectionIsCutInTheMiddle", func(t *testing.T) {
		t.Parallel()
		address := create(t)
		s := open(t, address, postgres.Options{})
		other := connect(t, address)
		runs := 0
		require.NoError(t, s.Write(context.Background(), []string{"of a"}, func(tx store.Tx) error {
			if runs++; runs == 1 {
				_, err := tx.Get(key("none")) // the transaction has done something
				require.ErrorIs(t, err, store.ErrNotFound)
				var cut int
				require.NoError(t, other.QueryRow(context.Background(), fmt.Sprintf(cutSQL, schemaOf(address))).Scan(&cut))
				require.Equal(t, 1, cut)
			}
			return submit("a")(tx)
		}))
		require.Equal(t, 2, runs)
		require.Equal(t, 1, total(t, s))
		requireSound(t, s, 1)
	})
	for name, code := range map[string]string{"ToADeadlock": "40P01", "ToAFailedSerialisation": "40001"} {
		t.Run("IsRunAgainWhenItWasLost"+name, func(t *testing.T) {
			t.Parallel()
			address := create(t)
			s := open(t, address, postgres.Options{})
			exec(t, address, raiseTwice(code))
			require.NoError(t, write(s, "a"))
			require.Equal(t, 1, total(t, s))
			requireSound(t, s, 1)
		})
	}
	t.Run("IsNotRunAgainForAFaultOfItsOwn", func(t *testing.T) {
		t.Parallel()
		address := create(t)
		s := open(t, address, postgres.Options{})
		exec(t, address, raiseTwice("22012"))
		err := write(s, "a")
		require.ErrorContains(t, err, "22012")
		require.NotContains(t, err.Error(), "Oona", "the server's message may hold a value")
		var fault *pgconn.PgError
		require.ErrorAs(t, err, &fault)
		require.Error(t, write(s, "a"), "the second and last time")
		require.NoError(t, write(s, "a"))
	})
	t.Run("CostsItsNeighboursNothing", func(t *testing.T) {
		t.Parallel()
		address := create(t)
		s := open(t, address, postgres.Options{})
		exec(t, address, raiseTwice("40P01"))
		var all sync.WaitGroup
		errs := make([]error, 20)
		for i := range errs {
			all.Go(func() { errs[i] = write(s, fmt.Sprint(i)) })
		}
		all.Wait()
		require.NoError(t, errors.Join(errs...))
		require.Equal(t, len(errs), total(t, s))
		requireSound(t, s, len(errs))
	})
}

// raiseTwice makes the first two inserts of a version fail with a condition.
func raiseTwice(code string) string {
	return `CREATE SEQUENCE tries;
	CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql AS $$
	BEGIN
		IF nextval('tries') <= 2 THEN RAISE EXCEPTION 'Oona Thistledown' USING ERRCODE = '` + code + `'; END IF;
		RETURN NULL;
	END; $$;
	CREATE TRIGGER fail AFTER INSERT ON resource_version FOR EACH STATEMENT EXECUTE FUNCTION fail();`
}

// atCommit runs something at the first COMMIT that has an identity key.
func atCommit(statement string) string {
	return `CREATE SEQUENCE tries;
	CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql AS $$
	BEGIN
		IF nextval('tries') = 1 THEN ` + statement + `; END IF;
		RETURN NULL;
	END; $$;
	CREATE CONSTRAINT TRIGGER fail AFTER INSERT ON identity DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION fail();`
}

func TestFailedCommit(t *testing.T) {
	t.Parallel()
	for name, statement := range map[string]string{
		"WithItsConnection": "PERFORM pg_terminate_backend(pg_backend_pid())",
		"AtTheServer":       "RAISE EXCEPTION 'no'",
	} {
		t.Run("IsUnknownAndNotRunAgainWhenItFails"+name, func(t *testing.T) {
			t.Parallel()
			address := create(t)
			s := open(t, address, postgres.Options{})
			require.NoError(t, write(s, "before"))
			exec(t, address, atCommit(statement))
			var runs atomic.Int32
			err := s.Write(context.Background(), []string{"of a"}, func(tx store.Tx) error {
				runs.Add(1)
				return submit("a")(tx)
			})
			require.ErrorIs(t, err, store.ErrUnknownOutcome)
			require.EqualValues(t, 1, runs.Load())
			require.NoError(t, write(s, "a"), "the sender repeats, and the identity key settles it")
			require.Equal(t, 2, total(t, s))
			requireSound(t, s, 2)
		})
	}
	t.Run("OfTheFirstEntryLeavesNoChainBehind", func(t *testing.T) {
		t.Parallel()
		address := create(t)
		s := open(t, address, postgres.Options{})
		exec(t, address, atCommit("RAISE EXCEPTION 'no'"))
		require.ErrorIs(t, write(s, "a"), store.ErrUnknownOutcome)
		require.NoError(t, write(s, "b"))
		require.Len(t, requireSound(t, s, 1), 1)
	})
}

func TestServerThatRestarts(t *testing.T) {
	t.Parallel()
	need(t)
	own, err := postgrestest.Start()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, own.Stop()) })
	address, err := own.Create(context.Background())
	require.NoError(t, err)
	s := open(t, address, postgres.Options{})
	for round, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT} {
		acknowledged := writeUntilItFails(t, s, round, func() { require.NoError(t, own.Halt(signal)) })
		_, err := s.Get(context.Background(), key("none"))
		require.NotErrorIs(t, err, store.ErrNotFound)
		require.Error(t, err, "the server is gone")
		require.Error(t, s.Ping(context.Background()))
		require.NoError(t, own.Restart())
		require.Eventually(t, func() bool { return s.Ping(context.Background()) == nil }, 2*time.Minute, 50*time.Millisecond)
		for _, id := range acknowledged {
			_, err := s.Get(context.Background(), key(id))
			require.NoError(t, err, "acknowledged is stored")
		}
		require.NoError(t, write(s, fmt.Sprint("after", round)))
	}
	requireSound(t, s, total(t, s))
}

// writeUntilItFails writes from several goroutines, stops the server under them,
// and gives what was acknowledged.
func writeUntilItFails(t *testing.T, s *postgres.Store, round int, stop func()) (acknowledged []string) {
	t.Helper()
	var all sync.WaitGroup
	var mu sync.Mutex
	enough := make(chan struct{})
	var once sync.Once
	for writer := range 8 {
		all.Go(func() {
			for i := 0; ; i++ {
				id := fmt.Sprintf("r%d-w%d-%d", round, writer, i)
				if write(s, id) != nil {
					return
				}
				mu.Lock()
				if acknowledged = append(acknowledged, id); len(acknowledged) == 50 {
					once.Do(func() { close(enough) })
				}
				mu.Unlock()
			}
		})
	}
	<-enough
	stop()
	all.Wait()
	return acknowledged
}
