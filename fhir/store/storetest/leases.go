package storetest

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

// testDeliveryLeases: only the holder of the lease decides, and what a lost
// lease leaves behind is known.
func testDeliveryLeases(t *testing.T, driver Driver) {
	testLeasesThatRunOutLeaveDoubt(t, driver)
	testLostLeasesDecideNothing(t, driver)
	testLeasesAreRecordedOnce(t, driver)
	testClockThatWasAhead(t, driver)
	testLeasesOfMany(t, driver)
}

// testClockThatWasAhead: what was written while the clock was ahead of the time
// does not lie still until the clock is there again.
func testClockThatWasAhead(t *testing.T, driver Driver) {
	key := observation("o1")
	const ahead = 24 * time.Hour
	driver.subtest(t, "PutOffWhileTheClockWasAheadIsDue", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		clock.Add(ahead)
		d := claimOne(t, s, worker)
		d.Due = clock.Now().Add(time.Minute)
		record(t, s, d)
		require.Empty(t, claim(t, s, worker))
		clock.Add(-ahead)
		require.Len(t, claim(t, s, worker), 1)
		require.Empty(t, claim(t, s, "other"), "once")
	})
	for _, ahead := range []time.Duration{time.Minute, time.Hour, store.MaxWait - 2*time.Minute} {
		driver.subtest(t, fmt.Sprint("AheadBy", ahead), func(t *testing.T, s store.Store, clock *Clock) { testClockSetBack(t, s, clock, ahead) })
	}
	driver.subtest(t, "AWaitThatWasMeasuredHoldsByTheStoresClock", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		d.Due = time.Now().Add(time.Hour) // with a reading of the clock that does not jump
		record(t, s, d)
		require.WithinDuration(t, clock.Now().Add(time.Hour), state(t, s, key).Due, 10*time.Minute)
	})
	driver.subtest(t, "PutOffForLessStaysPutOff", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		d.Due = clock.Now().Add(store.MaxWait)
		record(t, s, d)
		require.Empty(t, claim(t, s, worker))
		clock.Add(store.MaxWait)
		claimOne(t, s, worker)
	})
	driver.subtest(t, "LeasedWhileTheClockWasAheadIsClaimedInDoubt", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		clock.Add(ahead)
		first := claimOne(t, s, worker)
		begin(t, s, first)
		clock.Add(-ahead)
		d := claimOne(t, s, "other")
		require.True(t, d.InDoubt)
		require.Less(t, d.LeaseUntil, clock.Now().Add(ahead))
		require.ErrorIs(t, s.Begin(context.Background(), first), store.ErrLeaseLost)
		clock.Add(time.Minute)
		require.Len(t, claim(t, s, "third"), 1, "and the next lease runs out in its time")
	})
	driver.subtest(t, "LeasedAfterTheClockWasSetBackRunsOutInItsTime", func(t *testing.T, s store.Store, clock *Clock) {
		clock.Add(time.Hour)
		want(t, s, key, false)
		clock.Add(-time.Hour)
		claimOne(t, s, worker)
		clock.Add(time.Minute)
		claimOne(t, s, "other")
	})
	driver.subtest(t, "NoMoreThanTheLimitAreClaimed", func(t *testing.T, s store.Store, clock *Clock) {
		for _, name := range []string{"o1", "o2", "o3"} {
			want(t, s, observation(name), false)
		}
		clock.Add(ahead)
		d := claimFirst(t, s)
		d.Due = clock.Now().Add(time.Minute)
		record(t, s, d)
		clock.Add(-ahead)
		claimed, err := s.Claim(context.Background(), target, worker, time.Minute, 2)
		require.NoError(t, err)
		require.Len(t, claimed, 2)
		require.Len(t, claim(t, s, worker), 1)
	})
}

// testClockSetBack: a clock that was ahead and is put right makes nothing late, nor any
// wait shorter that is measured afterwards.
func testClockSetBack(t *testing.T, s store.Store, clock *Clock, ahead time.Duration) {
	failed, doubtful, parked, checked, fresh := observation("failed"), observation("doubtful"), observation("parked"), observation("checked"), observation("fresh")
	for _, key := range []store.Key{failed, doubtful, parked, checked} {
		want(t, s, key, false)
	}
	clock.Add(ahead)
	for _, d := range claim(t, s, worker) {
		switch d.Due = clock.Now().Add(time.Minute); d.Key {
		case doubtful:
			d.InDoubt, d.Reason = true, "no answer"
		case parked:
			d.Parked, d.Reason, d.Fault = true, "refused", "content"
		case checked:
			d.Delivered = 1
		default:
			d.Reason = "busy"
		}
		record(t, s, d)
	}
	want(t, s, fresh, false)
	require.Len(t, claim(t, s, worker), 1, "the others wait")
	clock.Add(-ahead)
	again := map[store.Key]store.Delivery{}
	for _, d := range claim(t, s, worker) {
		again[d.Key] = d
	}
	require.Len(t, again, 2, "what was put off; what is leased stays so")
	require.Equal(t, "busy", again[failed].Reason)
	require.True(t, again[doubtful].InDoubt)
	require.Empty(t, again[doubtful].Reason, "nobody has waited for what may be on its way")
	require.Empty(t, claim(t, s, "other"), "once")

	for _, d := range again {
		d.Due, d.Reason, d.Parked = clock.Now().Add(time.Second), "busy still", d.Key == failed
		record(t, s, d)
	}
	require.Empty(t, claim(t, s, worker), "a back-off is one, though the clock is behind what was written")
	require.Equal(t, 2, release(t, s, store.DeliveryQuery{}))
	require.Len(t, claim(t, s, worker), 2, "a decision counts at once")
	want(t, s, checked, false)
	d := claimOne(t, s, worker)
	require.Equal(t, checked, d.Key, "and a version wanted")
	want(t, s, checked, false)
	d.Delivered, d.Reason, d.Due = d.Wanted, "took less", clock.Now().Add(time.Hour)
	record(t, s, d)
	require.Equal(t, checked, claimOne(t, s, worker).Key, "also one wanted meanwhile")
	clock.Add(time.Second)
	require.Equal(t, doubtful, claimOne(t, s, worker).Key)
}

// claimFirst claims one of several.
func claimFirst(t *testing.T, s store.Store) store.Delivery {
	t.Helper()
	claimed, err := s.Claim(context.Background(), target, worker, time.Minute, 1)
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	return claimed[0]
}

// testLeasesThatRunOutLeaveDoubt: a running lease keeps others away, and one
// that ran out leaves a doubt, since something may have been sent under it.
func testLeasesThatRunOutLeaveDoubt(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "RunningAreNotClaimedByAnother", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		claimOne(t, s, worker)
		clock.Add(time.Minute - time.Millisecond)
		require.Empty(t, claim(t, s, "other"))
		require.Empty(t, claim(t, s, worker))
	})
	driver.subtest(t, "GivenBackUnsentLeaveNoDoubtAndDoNotCount", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		for range 2 {
			d := claimOne(t, s, worker)
			begin(t, s, d)
			require.NoError(t, s.Advance(context.Background(), []store.Step{{Delivery: d, Unsent: true}})[0])
			require.Zero(t, state(t, s, key).Attempts)
			clock.Add(time.Minute)
		}
		require.False(t, claimOne(t, s, "other").InDoubt)
	})
	driver.subtest(t, "RunOutLeaveADoubt", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		claimOne(t, s, worker)
		require.False(t, state(t, s, key).InDoubt, "while the lease runs")
		clock.Add(time.Minute)
		require.True(t, state(t, s, key).InDoubt, "before anybody claims it")
		require.Equal(t, 1, backlog(t, s)[0].InDoubt)
		d := claimOne(t, s, "other")
		require.True(t, d.InDoubt)
		require.Equal(t, 2, d.Attempts)
		clock.Add(time.Minute)
		d = claimOne(t, s, "third")
		require.True(t, d.InDoubt, "and stays until somebody records")
		require.NoError(t, s.Advance(context.Background(), []store.Step{{Delivery: d, Unsent: true}})[0])
		d = claimOne(t, s, worker)
		require.True(t, d.InDoubt, "who knows")
		require.Equal(t, 3, d.Attempts)
	})
	driver.subtest(t, "DoubtIsClaimedThoughDeliveredIsWanted", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		d.Delivered, d.InDoubt = 1, true
		record(t, s, d)
		d = claimOne(t, s, worker)
		require.True(t, d.InDoubt)
		d.InDoubt = false
		record(t, s, d)
		require.Empty(t, claim(t, s, worker))
	})
}

// testLostLeasesDecideNothing: once another claim has followed, the holder of
// the earlier one changes nothing, even where it is the same worker.
func testLostLeasesDecideNothing(t *testing.T, driver Driver) {
	key := observation("o1")
	ctx := context.Background()
	driver.subtest(t, "LostCannotBegin", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		first := claimOne(t, s, worker)
		clock.Add(time.Minute)
		require.ErrorIs(t, s.Begin(ctx, first), store.ErrLeaseLost, "it has run out, though nobody took it over")
		claimOne(t, s, "other")
		require.ErrorIs(t, s.Begin(ctx, first), store.ErrLeaseLost)
		require.Equal(t, 2, state(t, s, key).Attempts, "those claimed")
	})
	driver.subtest(t, "LostCannotRecord", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		first := claimOne(t, s, worker)
		clock.Add(time.Minute)
		claimOne(t, s, "other")
		before := state(t, s, key)
		first.Delivered = 1
		require.ErrorIs(t, s.Record(ctx, first), store.ErrLeaseLost)
		require.Equal(t, before, state(t, s, key))
	})
	driver.subtest(t, "OfTheSameOwnerAreToldApart", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		first := claimOne(t, s, worker)
		clock.Add(time.Minute)
		second := claimOne(t, s, worker)
		require.ErrorIs(t, s.Begin(ctx, first), store.ErrLeaseLost)
		require.ErrorIs(t, s.Record(ctx, first), store.ErrLeaseLost)
		begin(t, s, second)
		record(t, s, second)
	})
}

// testLeasesAreRecordedOnce: what is known is taken as long as nobody else
// claimed, and only once.
func testLeasesAreRecordedOnce(t *testing.T, driver Driver) {
	key := observation("o1")
	ctx := context.Background()
	driver.subtest(t, "RunOutUnclaimedMayStillRecord", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		begin(t, s, d)
		clock.Add(time.Hour)
		d.Delivered = 1
		record(t, s, d)
		require.EqualValues(t, 1, state(t, s, key).Delivered)
		require.False(t, state(t, s, key).InDoubt)
	})
	driver.subtest(t, "RecordOnce", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		record(t, s, d)
		require.ErrorIs(t, s.Record(ctx, d), store.ErrLeaseLost)
		require.ErrorIs(t, s.Begin(ctx, d), store.ErrLeaseLost)
	})
	driver.subtest(t, "OfWhatWasNeverWantedDoNotExist", func(t *testing.T, s store.Store, clock *Clock) {
		d := store.Delivery{Target: target, Key: key, Owner: worker, LeaseUntil: clock.Now().Add(time.Minute)}
		require.ErrorIs(t, s.Begin(ctx, d), store.ErrLeaseLost)
		require.ErrorIs(t, s.Record(ctx, d), store.ErrLeaseLost)
	})
}

// testWantedInDoubt: a version wanted while the delivery is in doubt.
func testWantedInDoubt(t *testing.T, s store.Store, clock *Clock) {
	key := observation("o1")
	want(t, s, key, false)
	d := claimOne(t, s, worker)
	begin(t, s, d)
	d.InDoubt, d.Due, d.Reason = true, clock.Now().Add(time.Minute), "no answer"
	record(t, s, d)
	want(t, s, key, true)
	next := claimOne(t, s, worker)
	require.True(t, next.InDoubt, "what became of the attempt is still unknown")
	require.Empty(t, next.Reason, "it was the reason to wait, which nobody does any more")
}

// testDeliveryRaces: what is wanted while a delivery runs is not lost, and
// nothing goes backwards.
func testDeliveryRaces(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "WantedDuringASuccessIsDueAtOnce", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		since := clock.Now()
		d := claimOne(t, s, worker)
		begin(t, s, d)
		clock.Add(time.Second)
		want(t, s, key, true)
		require.Empty(t, claim(t, s, "other"), "the lease still runs")
		d.Delivered, d.ETag, d.Due = 1, "1", clock.Now().Add(time.Hour)
		record(t, s, d)
		next := claimOne(t, s, "other")
		require.EqualValues(t, 2, next.Wanted)
		require.EqualValues(t, 1, next.Delivered)
		require.True(t, next.Retract)
		require.Equal(t, "1", next.ETag)
		require.Equal(t, 1, next.Attempts)
		require.Equal(t, since, next.WantedSince, "the target has not caught up since")
	})
	driver.subtest(t, "WantedDuringAFailureIsDueWhenTheWorkerSays", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		begin(t, s, d)
		want(t, s, key, false)
		d.Due = clock.Now().Add(time.Minute)
		record(t, s, d)
		require.Empty(t, claim(t, s, worker))
		clock.Add(time.Minute)
		require.EqualValues(t, 2, claimOne(t, s, worker).Wanted)
	})
	driver.subtest(t, "WantedAfterADoubtIsDueAtOnceAndHasNoReason", testWantedInDoubt)
	driver.subtest(t, "WantedWhileAnotherIsRefusedIsNotParked", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		want(t, s, key, false)
		d.Parked, d.Reason = true, "refused"
		record(t, s, d)
		require.False(t, claimOne(t, s, worker).Parked)
	})
	driver.subtest(t, "WantedBelowOrAgainChangesNothing", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		want(t, s, key, false)
		before := state(t, s, key)
		clock.Add(time.Minute)
		for _, version := range []int64{1, 2} {
			write(t, s, func(tx store.Tx) error { return tx.Want(target, key, version, true) })
			require.Equal(t, before, state(t, s, key))
		}
	})
	driver.subtest(t, "SeveralWantedInOneJobLeaveTheHighest", func(t *testing.T, s store.Store, _ *Clock) {
		for range 3 {
			put(t, s, key, store.Index{})
		}
		write(t, s, func(tx store.Tx) error {
			for _, version := range []int64{2, 3, 1} {
				if err := tx.Want(target, key, version, version == 3); err != nil {
					return err
				}
			}
			return nil
		})
		d := claimOne(t, s, worker)
		require.EqualValues(t, 3, d.Wanted)
		require.True(t, d.Retract)
	})
	driver.subtest(t, "DeliveredNeverGoesBackwards", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		d.Delivered = 2
		record(t, s, d)
		want(t, s, key, false)
		d = claimOne(t, s, worker)
		d.Delivered, d.Due = 1, clock.Now()
		record(t, s, d)
		require.EqualValues(t, 2, state(t, s, key).Delivered)
		require.EqualValues(t, 3, claimOne(t, s, worker).Wanted, "and it stays pending")
	})
	driver.subtest(t, "WorkersShareWithoutOverlap", testWorkers)
}

// testWorkers: many workers claim, begin and record while others submit; every
// version wanted ends up delivered, and no lease is held twice at a time.
func testWorkers(t *testing.T, s store.Store, _ *Clock) {
	const resources, workers = 60, 8
	var held sync.Map
	done := make(chan struct{})
	errs := make(chan error, workers)
	for w := range workers {
		go func() { errs <- drain(s, fmt.Sprint("worker", w), &held, done) }()
	}
	for range 3 {
		for i := range resources {
			want(t, s, observation(fmt.Sprint("o", i)), false)
		}
	}
	close(done)
	for range workers {
		require.NoError(t, <-errs)
	}
	require.Empty(t, backlog(t, s))
	for i := range resources {
		require.EqualValues(t, 3, state(t, s, observation(fmt.Sprint("o", i))).Delivered)
	}
}

// stuck is how long nothing may be claimed though something is wanted, before it
// is taken that nothing ever will be.
const stuck = time.Minute

// drain works until nothing is left after the submissions are done.
func drain(s store.Store, owner string, held *sync.Map, done <-chan struct{}) error {
	ctx := context.Background()
	for moved := time.Now(); ; {
		last := false
		select {
		case <-done:
			last = true
		default:
		}
		claimed, err := s.Claim(ctx, target, owner, time.Minute, 5)
		if err != nil {
			return err
		}
		if len(claimed) > 0 {
			moved = time.Now()
		}
		for _, d := range claimed {
			if other, taken := held.LoadOrStore(d.Key, owner); taken {
				return fmt.Errorf("%s is held by %s and %s", d.Key, other, owner)
			}
			if err := s.Begin(ctx, d); err != nil {
				return err
			}
			held.Delete(d.Key)
			d.Delivered = d.Wanted
			if err := s.Record(ctx, d); err != nil {
				return err
			}
		}
		if last && len(claimed) == 0 {
			backlogs, err := s.Backlog(ctx)
			if err != nil || len(backlogs) == 0 {
				return err
			}
			if time.Since(moved) > stuck {
				return errors.New("what is wanted can be claimed by nobody")
			}
		}
	}
}
