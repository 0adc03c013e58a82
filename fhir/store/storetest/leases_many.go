package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testLeasesOfMany: many deliveries begun or recorded at once are answered each for
// itself, and what one is refused changes nothing for the others.
func testLeasesOfMany(t *testing.T, driver Driver) {
	ctx := context.Background()
	three := func(t *testing.T, s store.Store) []store.Delivery {
		for _, id := range []string{"o1", "o2", "o3"} {
			want(t, s, observation(id), false)
		}
		claimed := claim(t, s, worker)
		require.Len(t, claimed, 3)
		return claimed
	}
	driver.subtest(t, "ManyBegunAtOnceAreAnsweredEach", func(t *testing.T, s store.Store, clock *Clock) {
		all := three(t, s)
		record(t, s, all[1])
		answers := s.BeginAll(ctx, all)
		require.Len(t, answers, 3)
		require.NoError(t, answers[0])
		require.ErrorIs(t, answers[1], store.ErrLeaseLost)
		require.NoError(t, answers[2])
		require.Empty(t, s.BeginAll(ctx, nil))
		clock.Add(2 * time.Minute)
		for _, d := range claim(t, s, "heir") {
			began := d.Key != all[1].Key
			require.Equal(t, began, d.InDoubt, d.Key.ID)
			require.Equal(t, began, d.Attempts == 1, d.Key.ID)
		}
	})
	driver.subtest(t, "ManyRecordedAtOnceAreAnsweredEach", func(t *testing.T, s store.Store, _ *Clock) {
		all := three(t, s)
		for i := range all {
			all[i].Delivered = 1
			all[i].RemoteID = "h-" + all[i].Key.ID
		}
		all[0].Delivered = 2 // more than was wanted
		all[1].Owner = "another"
		answers := s.RecordAll(ctx, all)
		require.Len(t, answers, 3)
		require.ErrorContains(t, answers[0], "only 1 wanted")
		require.ErrorIs(t, answers[1], store.ErrLeaseLost)
		require.NoError(t, answers[2])
		require.Empty(t, s.RecordAll(ctx, nil))
		for i, d := range all {
			now, err := s.Delivery(ctx, target, d.Key, store.Whole)
			require.NoError(t, err)
			require.Equal(t, i == 2, now.State() == store.Delivered, d.Key.ID)
			require.Equal(t, i == 2, now.RemoteID == "h-"+d.Key.ID)
			require.Equal(t, i != 2, now.Owner == worker, "the lease goes on")
		}
	})
	driver.subtest(t, "ManyThatHaveAllLostTheirLease", func(t *testing.T, s store.Store, _ *Clock) {
		all := three(t, s)
		for _, d := range all {
			record(t, s, d)
		}
		for _, err := range append(s.BeginAll(ctx, all), s.RecordAll(ctx, all)...) {
			require.ErrorIs(t, err, store.ErrLeaseLost)
		}
	})
}
