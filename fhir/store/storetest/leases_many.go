package storetest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// steps are all the beginnings, or else the outcomes, of some deliveries.
func steps(of []store.Delivery, begins bool) (all []store.Step) {
	for _, d := range of {
		all = append(all, store.Step{Delivery: d, Begins: begins})
	}
	return all
}

// testLeasesOfMany: many deliveries begun or recorded at once are answered each for
// itself, and what one is refused changes nothing for the others.
func testLeasesOfMany(t *testing.T, driver Driver) {
	driver.subtest(t, "ManyBegunAtOnceAreAnsweredEach", testManyBegun)
	driver.subtest(t, "ManyRecordedAtOnceAreAnsweredEach", testManyRecorded)
	driver.subtest(t, "ManyThatHaveAllLostTheirLease", testManyLost)
	driver.subtest(t, "ManyOfEitherKindAtOnce", testManyOfEitherKind)
	driver.subtest(t, "ManyOfSeveralLeasesAtOnce", testManyLeases)
	driver.subtest(t, "OneTwiceAtOnce", testOneTwice)
}

// claimThree wants three scores and claims them.
func claimThree(t *testing.T, s store.Store) []store.Delivery {
	t.Helper()
	for _, id := range []string{"o1", "o2", "o3"} {
		want(t, s, observation(id), false)
	}
	claimed := claim(t, s, worker)
	require.Len(t, claimed, 3)
	return claimed
}

func testManyBegun(t *testing.T, s store.Store, clock *Clock) {
	all := claimThree(t, s)
	record(t, s, all[1])
	answers := s.Advance(context.Background(), steps(all, true))
	require.Len(t, answers, 3)
	require.NoError(t, answers[0])
	require.ErrorIs(t, answers[1], store.ErrLeaseLost)
	require.NoError(t, answers[2])
	require.Empty(t, s.Advance(context.Background(), nil))
	clock.Add(2 * time.Minute)
	for _, d := range claim(t, s, "heir") {
		require.Equal(t, d.Key != all[1].Key, d.InDoubt, d.Key.ID)
		require.Equal(t, 2, d.Attempts, d.Key.ID)
	}
}

func testManyRecorded(t *testing.T, s store.Store, _ *Clock) {
	all := claimThree(t, s)
	for i := range all {
		all[i].Delivered = 1
		all[i].RemoteID = "h-" + all[i].Key.ID
	}
	all[0].Delivered = 2 // more than was wanted
	all[1].Owner = "another"
	answers := s.Advance(context.Background(), steps(all, false))
	require.Len(t, answers, 3)
	require.ErrorContains(t, answers[0], "only 1 wanted")
	require.ErrorIs(t, answers[1], store.ErrLeaseLost)
	require.NoError(t, answers[2])
	for i, d := range all {
		now, err := s.Delivery(context.Background(), target, d.Key, store.Whole)
		require.NoError(t, err)
		require.Equal(t, i == 2, now.State() == store.Delivered, d.Key.ID)
		require.Equal(t, i == 2, now.RemoteID == "h-"+d.Key.ID)
		require.Equal(t, i != 2, now.Owner == worker, "the lease goes on")
	}
}

func testManyLost(t *testing.T, s store.Store, _ *Clock) {
	all := claimThree(t, s)
	for _, d := range all {
		record(t, s, d)
	}
	for _, err := range append(s.Advance(context.Background(), steps(all, true)), s.Advance(context.Background(), steps(all, false))...) {
		require.ErrorIs(t, err, store.ErrLeaseLost)
	}
}

func testManyOfEitherKind(t *testing.T, s store.Store, _ *Clock) {
	const many = 90 // more than go into one statement
	for i := range many {
		want(t, s, observation(fmt.Sprintf("o%02d", i)), false)
	}
	claimed, err := s.Claim(context.Background(), target, worker, time.Minute, many)
	require.NoError(t, err)
	require.Len(t, claimed, many)
	for _, lost := range []int{-1, 17, 80} {
		var all []store.Step
		for i, d := range claimed {
			if d.Delivered, d.RemoteID = int64(i%2), d.Key.ID+"-there"; i == lost {
				d.Owner = "another"
			}
			all = append(all, store.Step{Delivery: d, Begins: i%2 == 0})
		}
		for i, err := range s.Advance(context.Background(), all) {
			if i == lost || i%2 == 1 && lost >= 0 {
				require.ErrorIs(t, err, store.ErrLeaseLost, i)
			} else {
				require.NoError(t, err, i)
			}
		}
	}
	for i, d := range claimed {
		now := state(t, s, d.Key)
		if i%2 == 1 {
			require.Equal(t, store.Delivered, now.State())
			require.Equal(t, d.Key.ID+"-there", now.RemoteID)
			require.Zero(t, now.Attempts)
			continue
		}
		require.Equal(t, 1, now.Attempts, i)
		require.Equal(t, worker, now.Owner)
		require.Empty(t, now.RemoteID)
	}
}

func testManyLeases(t *testing.T, s store.Store, clock *Clock) {
	for i := range 7 {
		want(t, s, observation(fmt.Sprint("o", i)), false)
	}
	before := claim(t, s, worker)
	require.Len(t, before, 7)
	clock.Add(2 * time.Minute)
	now := claim(t, s, worker)
	require.Len(t, now, 7)
	last := now[6]
	another, elsewhere := last, last
	another.Owner, elsewhere.Target = "another", "elsewhere"
	for i, stale := range []store.Delivery{before[6], another, elsewhere, before[6], another, elsewhere} {
		stale.Delivered, stale.RemoteID = 1, "stale"
		all := []store.Delivery{now[i], stale}
		if i >= 3 {
			all = []store.Delivery{stale, now[i]}
		}
		for _, begins := range []bool{true, false} {
			for k, err := range s.Advance(context.Background(), steps(all, begins)) {
				if all[k].RemoteID == "stale" {
					require.ErrorIs(t, err, store.ErrLeaseLost, "%d, begins: %t", i, begins)
				} else {
					require.NoError(t, err, "%d, begins: %t", i, begins)
				}
			}
		}
		kept := state(t, s, last.Key)
		require.Equal(t, 2, kept.Attempts)
		require.Zero(t, kept.Delivered)
		require.Equal(t, last.LeaseUntil, kept.LeaseUntil)
	}
}

func testOneTwice(t *testing.T, s store.Store, _ *Clock) {
	all := claimThree(t, s)[:1]
	for _, err := range s.Advance(context.Background(), steps(append(all, all...), true)) {
		require.NoError(t, err)
	}
	require.Equal(t, 1, state(t, s, all[0].Key).Attempts)
}
