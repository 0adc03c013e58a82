package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testTime: times are those of the transaction and never run backwards.
func testTime(t *testing.T, driver Driver) {
	driver.subtest(t, "IsTheSameForAllOfAJobToTheMillisecondInUTC", func(t *testing.T, s store.Store, clock *Clock) {
		clock.Add(123456789 * time.Nanosecond)
		want := time.Date(2024, 5, 10, 12, 0, 0, 123000000, time.UTC)
		write(t, s, func(tx store.Tx) error {
			require.Equal(t, want, tx.Now())
			for _, id := range []string{"o1", "o2"} {
				stored, err := tx.Put(observation(id), "POST", store.Index{}, body)
				require.NoError(t, err)
				require.Equal(t, want, stored.LastUpdated)
			}
			return nil
		})
		require.Equal(t, want, get(t, s, observation("o2")).LastUpdated)
	})
	driver.subtest(t, "StandsStillWhenTheClockJumpsBack", func(t *testing.T, s store.Store, clock *Clock) {
		first := put(t, s, observation("o1"), store.Index{})
		clock.Add(-time.Hour)
		require.Equal(t, first.LastUpdated, put(t, s, observation("o1"), store.Index{}).LastUpdated)
		require.Equal(t, first.LastUpdated, put(t, s, observation("o2"), store.Index{}).LastUpdated)
		require.Equal(t, first.LastUpdated, remove(t, s, observation("o1")).LastUpdated)
		clock.Add(time.Hour + time.Millisecond)
		require.Equal(t, first.LastUpdated.Add(time.Millisecond), put(t, s, observation("o1"), store.Index{}).LastUpdated)
	})
	t.Run("StandsStillWhenTheClockJumpsBackWhileClosed", func(t *testing.T) {
		t.Parallel()
		for name, last := range map[string]func(t *testing.T, s store.Store) store.Resource{
			"AfterPut":    func(t *testing.T, s store.Store) store.Resource { return put(t, s, observation("o1"), store.Index{}) },
			"AfterDelete": func(t *testing.T, s store.Store) store.Resource { return remove(t, s, observation("o1")) },
		} {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				clock, place := NewClock(), driver.Create(t)
				s, err := driver.Open(place, clock.Now)
				require.NoError(t, err)
				put(t, s, observation("o1"), store.Index{})
				clock.Add(time.Minute)
				before := last(t, s)
				require.NoError(t, s.Close())
				clock.Add(-time.Hour)
				s = driver.open(t, place, clock.Now)
				require.Equal(t, before.LastUpdated, put(t, s, observation("o2"), store.Index{}).LastUpdated)
			})
		}
	})
	t.Run("StandsStillBehindAnotherReplicaWhoseClockIsAhead", func(t *testing.T) {
		t.Parallel()
		ahead, behind, place := NewClock(), NewClock(), driver.Create(t)
		ahead.Add(time.Hour)
		one, other := driver.open(t, place, ahead.Now), driver.open(t, place, behind.Now)
		put(t, other, observation("o1"), store.Index{})
		first := put(t, one, observation("o1"), store.Index{})
		second := put(t, other, observation("o1"), store.Index{})
		require.EqualValues(t, 3, second.Version)
		require.Equal(t, first.LastUpdated, second.LastUpdated)
	})
}
