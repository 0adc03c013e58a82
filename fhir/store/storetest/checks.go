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

// checkDue is when copies are looked at in these tests.
var checkDue = store.CheckDue{Fresh: time.Minute, Interval: 24 * time.Hour}

// claimChecks leases what is to be looked at for a minute.
func claimChecks(t *testing.T, s store.Store, owner string, limit int) []store.Delivery {
	t.Helper()
	claimed, err := s.ClaimChecks(context.Background(), target, owner, time.Minute, checkDue, limit)
	require.NoError(t, err)
	return claimed
}

// claimCheck leases the one copy that is to be looked at.
func claimCheck(t *testing.T, s store.Store, owner string) store.Delivery {
	t.Helper()
	claimed := claimChecks(t, s, owner, 10)
	require.Len(t, claimed, 1)
	return claimed[0]
}

// recordCheck keeps what was found, which must be accepted.
func recordCheck(t *testing.T, s store.Store, d store.Delivery) {
	t.Helper()
	require.NoError(t, s.RecordCheck(context.Background(), store.Check{Delivery: d, Looked: true, Read: true}))
}

// deliverOne stores a score and delivers it.
func deliverOne(t *testing.T, s store.Store, key store.Key, retract bool) {
	t.Helper()
	want(t, s, key, retract)
	deliverAll(t, s)
}

// differ stores a score, delivers it and finds its copy changed.
func differ(t *testing.T, s store.Store, clock *Clock, key store.Key) {
	t.Helper()
	deliverOne(t, s, key, false)
	clock.Add(checkDue.Fresh)
	d := claimCheck(t, s, worker)
	d.Fault, d.Reason = "changed", "The copy is another."
	recordCheck(t, s, d)
}

// copies tells how the copies at the target stand.
func copies(t *testing.T, s store.Store) store.Copies {
	t.Helper()
	all, err := s.Copies(context.Background())
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.Equal(t, target, all[0].Target)
	return all[0]
}

// testChecks: what is delivered is looked at now and again, and what was found is
// kept.
func testChecks(t *testing.T, driver Driver) {
	testChecksAreDue(t, driver)
	testChecksAreKept(t, driver)
	testCheckLeases(t, driver)
	driver.subtest(t, "WithDeliveriesNothingIsLostAndNothingHeldTwice", testChecksBesideDeliveries)
}

func testChecksAreDue(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "AreOfWhatIsDeliveredOnly", func(t *testing.T, s store.Store, clock *Clock) {
		all, err := s.Copies(context.Background())
		require.NoError(t, err)
		require.Empty(t, all)
		standAll(t, s, clock)
		clock.Add(48 * time.Hour)
		found := map[string]bool{}
		for _, d := range claimChecks(t, s, worker, 10) {
			found[d.Key.ID] = true
			require.Equal(t, d.Wanted, d.Delivered)
		}
		require.Equal(t, map[string]bool{string(store.Delivered): true, string(store.Differs): true}, found)
	})
	driver.subtest(t, "AreOnceAfterTheDeliveryAndThenEveryInterval", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		require.True(t, state(t, s, key).Fresh)
		clock.Add(checkDue.Fresh - time.Millisecond)
		require.Empty(t, claimChecks(t, s, worker, 10))
		clock.Add(time.Millisecond)
		recordCheck(t, s, claimCheck(t, s, worker))
		d := state(t, s, key)
		require.False(t, d.Fresh)
		require.Equal(t, clock.Now(), d.Looked)
		require.Equal(t, clock.Now(), d.Checked)
		clock.Add(checkDue.Interval - time.Millisecond)
		require.Empty(t, claimChecks(t, s, worker, 10))
		clock.Add(time.Millisecond)
		claimCheck(t, s, worker)
	})
	driver.subtest(t, "AreAnewAfterTheNextVersion", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		clock.Add(checkDue.Fresh)
		recordCheck(t, s, claimCheck(t, s, worker))
		deliverOne(t, s, key, true)
		clock.Add(checkDue.Fresh)
		d := claimCheck(t, s, worker)
		require.True(t, d.Retract)
		require.EqualValues(t, 2, d.Delivered)
	})
	driver.subtest(t, "AreOfOneTarget", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		clock.Add(checkDue.Interval)
		claimed, err := s.ClaimChecks(context.Background(), "registry", worker, time.Minute, checkDue, 10)
		require.NoError(t, err)
		require.Empty(t, claimed)
	})
	driver.subtest(t, "AreOfEachMember", func(t *testing.T, s store.Store, clock *Clock) {
		wantMembers(t, s, key, false, store.Whole, "b", "a")
		deliverAll(t, s)
		clock.Add(checkDue.Fresh)
		require.Equal(t, []string{" 1/1", "a 1/1", "b 1/1"}, summary(claimChecks(t, s, worker, 10)))
	})
	driver.subtest(t, "AreOldestFirstAndHalfAreNotFresh", func(t *testing.T, s store.Store, clock *Clock) {
		for _, name := range []string{"o3", "o1", "o2"} {
			deliverOne(t, s, observation(name), false)
			clock.Add(checkDue.Fresh)
			recordCheck(t, s, claimCheck(t, s, worker))
		}
		clock.Add(checkDue.Interval)
		for i := range 3 {
			deliverOne(t, s, observation(fmt.Sprint("fresh", i)), false)
			clock.Add(time.Second)
		}
		clock.Add(checkDue.Fresh)
		var order []string
		for range 4 {
			for _, d := range claimChecks(t, s, worker, 2) {
				order = append(order, d.Key.ID)
			}
		}
		require.Equal(t, []string{"o3", "fresh0", "o1", "fresh1", "o2", "fresh2"}, order)
		require.Empty(t, claimChecks(t, s, worker, 0))
	})
	driver.subtest(t, "LookedAtWhileTheClockWasAheadAreDue", func(t *testing.T, s store.Store, clock *Clock) {
		clock.Add(30 * 24 * time.Hour)
		deliverOne(t, s, key, false)
		clock.Add(-30 * 24 * time.Hour)
		claimCheck(t, s, worker)
	})
}

func testChecksAreKept(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "WhatDiffersIsSeenAndCounted", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, observation("o2"), false)
		delivered := clock.Now()
		clock.Add(time.Second)
		require.Equal(t, store.Copies{Target: target, Oldest: delivered}, copies(t, s))
		clock.Add(checkDue.Fresh)
		recordCheck(t, s, claimCheck(t, s, worker))
		looked := clock.Now()
		differ(t, s, clock, key)
		require.Equal(t, store.Copies{Target: target, Differing: 1, Oldest: looked}, copies(t, s))
		d := state(t, s, key)
		require.Equal(t, store.Differs, d.State())
		require.Equal(t, "The copy is another.", d.Reason)
		require.Equal(t, clock.Now(), d.Changed)
		require.Empty(t, backlog(t, s), "the target lacks nothing that was not sent")
		require.Empty(t, claim(t, s, worker))
	})
	driver.subtest(t, "WhatIsTheSameAgainIsNot", func(t *testing.T, s store.Store, clock *Clock) {
		differ(t, s, clock, key)
		clock.Add(checkDue.Interval)
		d := claimCheck(t, s, worker)
		d.Fault, d.Reason = "", ""
		recordCheck(t, s, d)
		require.Zero(t, copies(t, s).Differing)
		changed := state(t, s, key).Changed
		clock.Add(checkDue.Interval)
		recordCheck(t, s, claimCheck(t, s, worker))
		require.Equal(t, changed, state(t, s, key).Changed, "nothing changed but that somebody looked")
	})
	driver.subtest(t, "AllThatWasLearnedIsKept", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		clock.Add(checkDue.Fresh)
		d := claimCheck(t, s, worker)
		d.RemoteID, d.ETag, d.Accepted, d.Repairs = "18", `W/"9"`, "digest", 2
		recordCheck(t, s, d)
		d.Fresh, d.Looked, d.Checked, d.Owner, d.LeaseUntil = false, clock.Now(), clock.Now(), "", time.Time{}
		require.Equal(t, d, state(t, s, key))
	})
	driver.subtest(t, "LookedAtInVainKeepsWhatWasRead", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		clock.Add(checkDue.Fresh)
		require.NoError(t, s.RecordCheck(context.Background(), store.Check{Delivery: claimCheck(t, s, worker), Looked: true}))
		require.Equal(t, clock.Now(), state(t, s, key).Looked)
		require.True(t, state(t, s, key).Checked.IsZero())
		require.Empty(t, claimChecks(t, s, worker, 10), "the others have their turn first")
	})
	driver.subtest(t, "GivenBackIsAsItWas", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		before := state(t, s, key)
		clock.Add(checkDue.Fresh)
		require.NoError(t, s.RecordCheck(context.Background(), store.Check{Delivery: claimCheck(t, s, worker)}))
		require.Equal(t, before, state(t, s, key))
		claimCheck(t, s, worker)
	})
	driver.subtest(t, "InDoubtIsDelivered", testRepair)
	driver.subtest(t, "ReleasedIsInDoubt", func(t *testing.T, s store.Store, clock *Clock) {
		differ(t, s, clock, key)
		require.Zero(t, release(t, s, store.DeliveryQuery{Target: target}), "only if somebody says so")
		require.Equal(t, 1, release(t, s, store.DeliveryQuery{Target: target, States: []store.DeliveryState{store.Differs}}))
		d := claimOne(t, s, worker)
		require.True(t, d.InDoubt)
		require.NotEmpty(t, d.Reason, "so that there is no need to wait")
		require.Equal(t, clock.Now(), d.WantedSince)
	})
}

// testRepair: what is in doubt by a check is delivered again, and the number of
// times is known until the next version.
func testRepair(t *testing.T, s store.Store, clock *Clock) {
	key := observation("o1")
	deliverOne(t, s, key, false)
	clock.Add(checkDue.Fresh)
	d := claimCheck(t, s, worker)
	d.InDoubt, d.Repairs, d.Fault, d.Reason = true, 1, "lost", "The copy is gone."
	recordCheck(t, s, d)
	require.Empty(t, claimChecks(t, s, "other", 10))
	require.Equal(t, clock.Now(), backlog(t, s)[0].Oldest)
	d = claimOne(t, s, worker)
	require.True(t, d.InDoubt)
	require.Equal(t, 1, d.Repairs)
	begin(t, s, d)
	d.InDoubt, d.Fault, d.Reason, d.Accepted = false, "", "", "digest"
	record(t, s, d)
	d = state(t, s, key)
	require.Equal(t, store.Delivered, d.State())
	require.Equal(t, 1, d.Repairs, "it is the same version")
	require.Equal(t, "digest", d.Accepted)
	require.True(t, d.Fresh)
	deliverOne(t, s, key, false)
	require.Zero(t, state(t, s, key).Repairs)
}

func testCheckLeases(t *testing.T, driver Driver) {
	key := observation("o1")
	ctx := context.Background()
	ready := func(t *testing.T, s store.Store, clock *Clock) store.Delivery {
		deliverOne(t, s, key, false)
		clock.Add(checkDue.Fresh)
		return claimCheck(t, s, worker)
	}
	driver.subtest(t, "ARunningLeaseKeepsOthersAway", func(t *testing.T, s store.Store, clock *Clock) {
		first := ready(t, s, clock)
		require.Empty(t, claimChecks(t, s, "other", 10))
		clock.Add(time.Minute)
		second := claimCheck(t, s, "other")
		require.False(t, second.InDoubt, "nothing was sent")
		require.ErrorIs(t, s.RecordCheck(ctx, store.Check{Delivery: first, Looked: true}), store.ErrLeaseLost)
		recordCheck(t, s, second)
		require.ErrorIs(t, s.RecordCheck(ctx, store.Check{Delivery: second, Looked: true}), store.ErrLeaseLost, "once")
	})
	driver.subtest(t, "OneThatRanOutMayStillRecord", func(t *testing.T, s store.Store, clock *Clock) {
		d := ready(t, s, clock)
		clock.Add(time.Hour)
		recordCheck(t, s, d)
	})
	driver.subtest(t, "LeasedWhileTheClockWasAheadIsClaimed", func(t *testing.T, s store.Store, clock *Clock) {
		deliverOne(t, s, key, false)
		clock.Add(24 * time.Hour)
		claimCheck(t, s, worker)
		clock.Add(-12 * time.Hour)
		claimCheck(t, s, "other")
	})
	driver.subtest(t, "ADeliveryWantedMeanwhileTakesItAway", func(t *testing.T, s store.Store, clock *Clock) {
		look := ready(t, s, clock)
		want(t, s, key, true)
		require.Empty(t, claimChecks(t, s, "other", 10))
		d := claimOne(t, s, "other")
		require.False(t, d.InDoubt)
		require.EqualValues(t, 2, d.Wanted)
		begin(t, s, d)
		look.Fault, look.InDoubt = "changed", true
		require.ErrorIs(t, s.RecordCheck(ctx, store.Check{Delivery: look, Looked: true, Read: true}), store.ErrLeaseLost)
		require.Empty(t, claim(t, s, "third"), "the lease of a delivery is one")
		d.Delivered = 2
		record(t, s, d)
	})
	driver.subtest(t, "WhatIsFoundOfAnEarlierVersionIsNotKept", func(t *testing.T, s store.Store, clock *Clock) {
		look := ready(t, s, clock)
		want(t, s, key, true)
		look.Fault, look.Reason = "changed", "another"
		require.ErrorIs(t, s.RecordCheck(ctx, store.Check{Delivery: look, Looked: true, Read: true}), store.ErrLeaseLost)
		d := claimOne(t, s, "other")
		require.Empty(t, d.Fault)
	})
	driver.subtest(t, "ALeaseOfADeliveryRecordsNoCheck", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		require.ErrorIs(t, s.RecordCheck(ctx, store.Check{Delivery: d, Looked: true}), store.ErrLeaseLost)
		record(t, s, d)
	})
}

// testChecksBesideDeliveries: some look while others submit and deliver; every
// version wanted ends up delivered.
func testChecksBesideDeliveries(t *testing.T, s store.Store, _ *Clock) {
	const resources, workers = 40, 4
	var held sync.Map
	done, looked := make(chan struct{}), make(chan struct{})
	errs, lookErrs := make(chan error, workers), make(chan error, workers)
	for w := range workers {
		go func() { errs <- drain(s, fmt.Sprint("worker", w), &held, done) }()
		go func() { lookErrs <- lookAround(s, fmt.Sprint("looker", w), looked) }()
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
	close(looked)
	for range workers {
		require.NoError(t, <-lookErrs)
	}
	require.Empty(t, backlog(t, s))
	for i := range resources {
		d := state(t, s, observation(fmt.Sprint("o", i)))
		require.EqualValues(t, 3, d.Delivered)
		require.False(t, d.InDoubt)
	}
}

// lookAround looks at what there is until it is told to stop.
func lookAround(s store.Store, owner string, stop <-chan struct{}) error {
	ctx := context.Background()
	for {
		claimed, err := s.ClaimChecks(ctx, target, owner, time.Minute, store.CheckDue{}, 5)
		if err != nil {
			return err
		}
		for _, d := range claimed {
			if d.Wanted != d.Delivered || d.InDoubt {
				return fmt.Errorf("%s is not delivered", d.Key)
			}
			if err := s.RecordCheck(ctx, store.Check{Delivery: d, Looked: true, Read: true}); err != nil && !errors.Is(err, store.ErrLeaseLost) {
				return err
			}
		}
		select {
		case <-stop:
			return nil
		default:
		}
	}
}
