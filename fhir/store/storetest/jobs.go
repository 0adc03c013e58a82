package storetest

import (
	"context"
	"errors"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testJobs: a job sees what it writes, and one that fails leaves nothing behind.
func testJobs(t *testing.T, driver Driver) {
	driver.subtest(t, "SeesItsOwnWrites", testOwnWrites)
	testFailedJobsLeaveNothing(t, driver)
	testBrokenJobsFailAlone(t, driver)
	testJobsAreTakenUpOrWithdrawn(t, driver)
}

// testFailedJobsLeaveNothing: a job that returns an error is as if it had never
// run.
func testFailedJobsLeaveNothing(t *testing.T, driver Driver) {
	driver.subtest(t, "FailedLeavesNothingBehind", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(context.Background(), nil, func(tx store.Tx) error {
			require.NoError(t, everything(tx, "o1"))
			return errRefused
		})
		require.Equal(t, errRefused, err, "the job's own error is returned as it is")
		requireNothing(t, s, "o1")
	})
	driver.subtest(t, "FailedAfterReadingItsWritesLeavesNothingBehind", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(context.Background(), nil, func(tx store.Tx) error {
			require.NoError(t, everything(tx, "o1"))
			page, err := tx.Search(store.Query{Type: "Observation", Limit: 5})
			require.NoError(t, err)
			require.Len(t, page.Resources, 1)
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		requireNothing(t, s, "o1")
	})
	driver.subtest(t, "FailedUpdateLeavesTheEarlierIndex", func(t *testing.T, s store.Store, _ *Clock) {
		write(t, s, func(tx store.Tx) error { return everything(tx, "o1") })
		err := s.Write(context.Background(), nil, func(tx store.Tx) error {
			_, err := tx.Put(observation("o1"), "PUT", store.Index{Tokens: []store.Token{{Param: "code", Value: "b"}}}, body)
			require.NoError(t, err)
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		requireEverything(t, s, "o1")
	})
}

// testBrokenJobsFailAlone: whatever a job does to its goroutine or with its
// transaction costs that job only.
func testBrokenJobsFailAlone(t *testing.T, driver Driver) {
	driver.subtest(t, "PanickingFailsAlone", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(context.Background(), nil, func(tx store.Tx) error {
			require.NoError(t, everything(tx, "o1"))
			panic("Oona Thistledown")
		})
		require.Error(t, err)
		require.NotContains(t, err.Error(), "Oona", "an error never tells what a job knew")
		requireNothing(t, s, "o1")
		write(t, s, func(tx store.Tx) error { return everything(tx, "o2") })
	})
	driver.subtest(t, "EndingItsGoroutineFailsAlone", func(t *testing.T, s store.Store, _ *Clock) {
		require.Error(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
			require.NoError(t, everything(tx, "o1"))
			runtime.Goexit()
			return nil
		}))
		requireNothing(t, s, "o1")
		write(t, s, func(tx store.Tx) error { return everything(tx, "o2") })
	})
	driver.subtest(t, "GoingOnAfterAFailedWriteFails", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(context.Background(), nil, func(tx store.Tx) error {
			require.NoError(t, everything(tx, "o1"))
			_, err := tx.Put(observation("o2"), "PUT", store.Index{}, func(int64, time.Time) ([]byte, error) {
				return nil, errRefused
			})
			require.ErrorIs(t, err, errRefused)
			return nil
		})
		require.ErrorIs(t, err, errRefused)
		requireNothing(t, s, "o1")
	})
	driver.subtest(t, "FindingNothingToDeleteMayGoOn", func(t *testing.T, s store.Store, _ *Clock) {
		write(t, s, func(tx store.Tx) error {
			_, err := tx.Delete(observation("o9"))
			require.ErrorIs(t, err, store.ErrNotFound)
			return everything(tx, "o1")
		})
		requireEverything(t, s, "o1")
	})
	driver.subtest(t, "KeepingItsTransactionIsRefused", func(t *testing.T, s store.Store, _ *Clock) {
		var kept store.Tx
		write(t, s, func(tx store.Tx) error { kept = tx; return nil })
		_, err := kept.Get(observation("o1"))
		require.Error(t, err)
		require.NotErrorIs(t, err, store.ErrNotFound)
		require.Error(t, everything(kept, "o1"))
		requireNothing(t, s, "o1")
	})
}

// testJobsAreTakenUpOrWithdrawn: a context withdraws a job until it is taken up;
// then the commit is awaited, and nobody reads before it.
func testJobsAreTakenUpOrWithdrawn(t *testing.T, driver Driver) {
	driver.subtest(t, "WithdrawnBeforehandDoesNotRun", func(t *testing.T, s store.Store, _ *Clock) {
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		err := s.Write(ctx, nil, func(store.Tx) error { panic("ran") })
		require.ErrorIs(t, err, context.Canceled)
	})
	driver.subtest(t, "WithdrawnWhileWaitingDoesNotRun", testWithdrawn)
	driver.subtest(t, "TakenUpIsAwaitedThoughItsContextEnds", func(t *testing.T, s store.Store, _ *Clock) {
		ctx, cancel := context.WithCancel(context.Background())
		require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
			cancel()
			return everything(tx, "o1")
		}))
		requireEverything(t, s, "o1")
	})
	driver.subtest(t, "ReadersDoNotSeeItBeforeItsCommit", func(t *testing.T, s store.Store, _ *Clock) {
		write(t, s, func(tx store.Tx) error {
			if err := everything(tx, "o1"); err != nil {
				return err
			}
			_, err := s.Get(context.Background(), observation("o1"))
			require.ErrorIs(t, err, store.ErrNotFound)
			return nil
		})
		requireEverything(t, s, "o1")
	})
}

// everything uses all that a transaction can write.
func everything(tx store.Tx, id string) error {
	_, err := tx.Put(observation(id), "POST", store.Index{
		Patient: "Patient/oona", Status: "final",
		Start: tx.Now(), End: tx.Now(),
		Tokens:  []store.Token{{Param: "code", Value: "a"}, {Param: "code", Value: "a"}},
		Numbers: []store.Number{{Param: "value-quantity", Value: 7}, {Param: "value-quantity", Value: 7}},
	}, body)
	return errors.Join(err,
		tx.Audit(auditEntry(id, tx.Now())),
		tx.PutIdentity("key of "+id, store.Identity{Key: observation(id), Digest: "d"}),
		tx.Want("ehr", observation(id), 1, false))
}

// whatEverythingWrites finds what everything wrote.
var whatEverythingWrites = store.Query{
	Type: "Observation", Patients: []string{"Patient/oona"}, Statuses: []string{"final"},
	Tokens:  []store.TokenQuery{{Param: "code", Values: []string{"a"}}},
	Numbers: []store.NumberQuery{{Any: []store.NumberRange{{Param: "value-quantity", Low: 7, High: 7}}}},
	Limit:   10, Total: true,
}

// requireEverything checks that all that everything wrote is there.
func requireEverything(t *testing.T, s store.Store, id string) {
	t.Helper()
	ctx := context.Background()
	query := whatEverythingWrites
	query.IDs = []string{id}
	page, err := s.Search(ctx, query)
	require.NoError(t, err)
	require.Equal(t, []string{id}, ids(page.Resources))
	require.Equal(t, 1, page.Total)
	trail, err := s.Audits(ctx, store.AuditQuery{Entities: []string{"Observation/" + id}, Limit: 2})
	require.NoError(t, err)
	require.Len(t, trail.Records, 1, "what was done is on record, and once")
	write(t, s, func(tx store.Tx) error {
		identity, found, err := tx.Identity("key of " + id)
		require.NoError(t, err)
		require.True(t, found)
		require.Equal(t, store.Identity{Key: observation(id), Digest: "d"}, identity)
		return nil
	})
	delivery, err := s.Delivery(ctx, "ehr", observation(id), store.Whole)
	require.NoError(t, err)
	require.EqualValues(t, 1, delivery.Wanted)
}

// requireNothing checks that nothing that everything writes is there.
func requireNothing(t *testing.T, s store.Store, id string) {
	t.Helper()
	ctx := context.Background()
	_, err := s.Get(ctx, observation(id))
	require.ErrorIs(t, err, store.ErrNotFound)
	_, err = s.Version(ctx, observation(id), 1)
	require.ErrorIs(t, err, store.ErrNotFound)
	query := whatEverythingWrites
	query.IDs = []string{id}
	page, err := s.Search(ctx, query)
	require.NoError(t, err)
	require.Empty(t, page.Resources)
	write(t, s, func(tx store.Tx) error {
		_, found, err := tx.Identity("key of " + id)
		require.NoError(t, err)
		require.False(t, found)
		return nil
	})
	_, err = s.Delivery(ctx, "ehr", observation(id), store.Whole)
	require.ErrorIs(t, err, store.ErrNotFound)
}

// testOwnWrites: Get, Search and Identity of a transaction see what it wrote,
// more than once over.
func testOwnWrites(t *testing.T, s store.Store, clock *Clock) {
	write(t, s, func(tx store.Tx) error {
		require.Equal(t, clock.Now(), tx.Now())
		for round := int64(1); round <= 3; round++ {
			value := string(rune('a' + round))
			stored, err := tx.Put(observation("o1"), "PUT", store.Index{
				Status: value, Tokens: []store.Token{{Param: "code", Value: value}},
			}, body)
			require.NoError(t, err)
			read, err := tx.Get(observation("o1"))
			require.NoError(t, err)
			require.Equal(t, stored, read)
			require.Equal(t, round, read.Version)
			for letter := int64(1); letter <= 3; letter++ {
				page, err := tx.Search(store.Query{
					Type:   "Observation",
					Tokens: []store.TokenQuery{{Param: "code", Values: []string{string(rune('a' + letter))}}},
					Limit:  5, Total: true,
				})
				require.NoError(t, err)
				require.Equal(t, letter == round, page.Total == 1, "the index of version %d in place of the earlier ones", round)
			}
		}
		_, found, err := tx.Identity("k")
		require.NoError(t, err)
		require.False(t, found)
		require.NoError(t, tx.PutIdentity("k", store.Identity{Key: observation("o1"), Digest: "d1"}))
		identity, found, err := tx.Identity("k")
		require.NoError(t, err)
		require.True(t, found)
		require.Equal(t, "d1", identity.Digest)
		return nil
	})
}

// testWithdrawn: a job that waits behind a running one is withdrawn by its
// context, and the writer goes on.
func testWithdrawn(t *testing.T, s store.Store, _ *Clock) {
	running, release := make(chan struct{}), make(chan struct{})
	first := make(chan error, 1)
	go func() {
		first <- s.Write(context.Background(), nil, func(tx store.Tx) error {
			close(running)
			<-release
			return everything(tx, "o1")
		})
	}()
	<-running
	ctx, cancel := context.WithCancel(context.Background())
	second := make(chan error, 1)
	go func() {
		second <- s.Write(ctx, nil, func(tx store.Tx) error { return everything(tx, "o2") })
	}()
	cancel()
	require.ErrorIs(t, <-second, context.Canceled)
	close(release)
	require.NoError(t, <-first)
	requireEverything(t, s, "o1")
	requireNothing(t, s, "o2")
}
