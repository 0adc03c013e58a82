package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// exportOf is an export that is kept for an hour.
func exportOf(id, owner string, clock *Clock) store.Export {
	return store.Export{ID: id, Owner: owner, Expires: clock.Now().Add(time.Hour), Request: []byte(`{"asked":1}`), State: []byte(`{}`)}
}

// export starts one.
func export(t tester, s store.Store, e store.Export) store.Export {
	t.Helper()
	var started store.Export
	write(t, s, func(tx store.Tx) (err error) {
		started, err = tx.StartExport(e)
		return err
	})
	return started
}

// cancel forgets one.
func cancel(s store.Store, id string) error {
	return s.Write(context.Background(), nil, func(tx store.Tx) error { return tx.DeleteExport(id) })
}

// running counts those of an owner.
func running(t tester, s store.Store, owner string) (count int) {
	t.Helper()
	write(t, s, func(tx store.Tx) (err error) {
		count, err = tx.Exports(owner)
		return err
	})
	return count
}

// testExports: an export is read as it was started, until it is cancelled or past
// its time.
func testExports(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "AreReadAsStarted", func(t *testing.T, s store.Store, clock *Clock) {
		want := exportOf("a", "portal", clock)
		want.Instant, want.Status = clock.Now(), store.ExportRunning
		require.Equal(t, want, export(t, s, exportOf("a", "portal", clock)))
		found, err := s.Export(ctx, "a")
		require.NoError(t, err)
		require.Equal(t, want, found)
		write(t, s, func(tx store.Tx) error {
			found, err := tx.Export("a")
			require.Equal(t, want, found)
			return err
		})
		_, err = s.Export(ctx, "b")
		require.ErrorIs(t, err, store.ErrNotFound)
	})
	driver.subtest(t, "AreCountedWhileTheyRun", func(t *testing.T, s store.Store, clock *Clock) {
		for _, e := range []store.Export{exportOf("a", "portal", clock), exportOf("b", "portal", clock), exportOf("c", "other", clock)} {
			export(t, s, e)
		}
		require.Equal(t, 2, running(t, s, "portal"))
		require.NoError(t, cancel(s, "b"))
		require.Equal(t, 1, running(t, s, "portal"))
		claimed, err := s.ClaimExport(ctx, "worker", time.Minute)
		require.NoError(t, err)
		require.Equal(t, "a", claimed.ID, "the oldest")
		claimed.Status = store.ExportDone
		_, err = s.RecordExport(ctx, claimed, time.Minute)
		require.NoError(t, err)
		require.Equal(t, 0, running(t, s, "portal"))
		require.Equal(t, 1, running(t, s, "other"))
		clock.Add(time.Hour)
		require.Equal(t, 0, running(t, s, "other"), "past its time")
	})
	driver.subtest(t, "AreGoneWhenCancelledOrPastTheirTime", func(t *testing.T, s store.Store, clock *Clock) {
		export(t, s, exportOf("a", "portal", clock))
		export(t, s, exportOf("b", "portal", clock))
		require.NoError(t, cancel(s, "a"))
		require.ErrorIs(t, cancel(s, "a"), store.ErrNotFound)
		_, err := s.Export(ctx, "a")
		require.ErrorIs(t, err, store.ErrNotFound)
		count, err := s.ForgetExports(ctx)
		require.NoError(t, err)
		require.Zero(t, count)
		clock.Add(time.Hour - time.Millisecond)
		_, err = s.Export(ctx, "b")
		require.NoError(t, err)
		clock.Add(time.Millisecond)
		_, err = s.Export(ctx, "b")
		require.ErrorIs(t, err, store.ErrNotFound)
		_, err = s.ClaimExport(ctx, "worker", time.Minute)
		require.ErrorIs(t, err, store.ErrNotFound)
		count, err = s.ForgetExports(ctx)
		require.NoError(t, err)
		require.Equal(t, 1, count)
		require.ErrorIs(t, cancel(s, "b"), store.ErrNotFound)
	})
	driver.subtest(t, "AreNotStartedByAJobThatFails", func(t *testing.T, s store.Store, clock *Clock) {
		err := s.Write(ctx, nil, func(tx store.Tx) error {
			if _, err := tx.StartExport(exportOf("a", "portal", clock)); err != nil {
				return err
			}
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		_, err = s.Export(ctx, "a")
		require.ErrorIs(t, err, store.ErrNotFound)
	})
}

// testExportClaims: one worker at a time prepares an export, and goes on where the
// one before it stopped.
func testExportClaims(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "GoOnWhereTheOtherStopped", func(t *testing.T, s store.Store, clock *Clock) {
		export(t, s, exportOf("a", "portal", clock))
		first, err := s.ClaimExport(ctx, "first", time.Minute)
		require.NoError(t, err)
		require.Equal(t, clock.Now().Add(time.Minute), first.LeaseUntil)
		_, err = s.ClaimExport(ctx, "second", time.Minute)
		require.ErrorIs(t, err, store.ErrNotFound, "it is leased")
		first.State = []byte(`{"at":1}`)
		clock.Add(time.Second)
		first, err = s.RecordExport(ctx, first, time.Minute)
		require.NoError(t, err)
		require.Equal(t, clock.Now().Add(time.Minute), first.LeaseUntil, "it is leased anew")
		clock.Add(time.Minute)
		second, err := s.ClaimExport(ctx, "second", time.Minute)
		require.NoError(t, err)
		require.Equal(t, first.State, second.State)
		require.Equal(t, first.Instant, second.Instant)
		first.State = []byte(`{"at":2}`)
		_, err = s.RecordExport(ctx, first, time.Minute)
		require.ErrorIs(t, err, store.ErrLeaseLost)
		second.Status = store.ExportDone
		_, err = s.RecordExport(ctx, second, time.Minute)
		require.NoError(t, err)
		_, err = s.RecordExport(ctx, second, time.Minute)
		require.ErrorIs(t, err, store.ErrLeaseLost, "it is done")
		clock.Add(2 * time.Minute)
		_, err = s.ClaimExport(ctx, "third", time.Minute)
		require.ErrorIs(t, err, store.ErrNotFound)
	})
	driver.subtest(t, "AreLostWithTheExport", func(t *testing.T, s store.Store, clock *Clock) {
		export(t, s, exportOf("a", "portal", clock))
		claimed, err := s.ClaimExport(ctx, "worker", time.Minute)
		require.NoError(t, err)
		require.NoError(t, cancel(s, "a"))
		_, err = s.RecordExport(ctx, claimed, time.Minute)
		require.ErrorIs(t, err, store.ErrLeaseLost)
	})
	driver.subtest(t, "AreNotHeldUpByAClockThatWasSetBack", func(t *testing.T, s store.Store, clock *Clock) {
		given := exportOf("a", "portal", clock)
		given.Expires = clock.Now().Add(100 * time.Hour)
		export(t, s, given)
		clock.Add(2 * store.MaxWait)
		_, err := s.ClaimExport(ctx, "first", time.Minute)
		require.NoError(t, err)
		clock.Add(-2 * store.MaxWait)
		_, err = s.ClaimExport(ctx, "second", time.Minute)
		require.NoError(t, err)
	})
	t.Run("GoOnAfterARestart", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		first, err := driver.Open(place, clock.Now)
		require.NoError(t, err)
		put(t, first, observation("1"), store.Index{})
		started := export(t, first, exportOf("a", "portal", clock))
		claimed, err := first.ClaimExport(ctx, "worker", time.Minute)
		require.NoError(t, err)
		claimed.State = []byte(`{"at":1}`)
		_, err = first.RecordExport(ctx, claimed, time.Minute)
		require.NoError(t, err)
		require.NoError(t, first.Close())
		other := driver.open(t, place, clock.Now)
		put(t, other, observation("1"), store.Index{})
		put(t, other, observation("2"), store.Index{})
		clock.Add(time.Minute)
		again, err := other.ClaimExport(ctx, "worker", time.Minute)
		require.NoError(t, err)
		require.Equal(t, claimed.State, again.State)
		require.Equal(t, []string{"1|1"}, snapshot(t, other, store.SnapshotQuery{Type: "Observation", At: started.Instant}))
	})
}
