package storetest

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testOnce: a name is new once until its time, for all who use the database.
func testOnce(t *testing.T, driver Driver) {
	ctx := context.Background()
	once := func(t *testing.T, s store.Store, name string, until time.Time) bool {
		t.Helper()
		fresh, err := s.Once(ctx, name, until)
		require.NoError(t, err)
		return fresh
	}
	driver.subtest(t, "IsNewOnceUntilItsTime", func(t *testing.T, s store.Store, clock *Clock) {
		until := clock.Now().Add(5 * time.Minute)
		require.True(t, once(t, s, "portal|1", until))
		require.False(t, once(t, s, "portal|1", until))
		require.True(t, once(t, s, "portal|2", until), "another")
		clock.Add(5*time.Minute - time.Millisecond)
		require.False(t, once(t, s, "portal|1", until))
		clock.Add(time.Millisecond)
		require.True(t, once(t, s, "portal|1", clock.Now().Add(time.Minute)), "its time is over")
		require.False(t, once(t, s, "portal|1", clock.Now().Add(time.Minute)))
	})
	t.Run("IsRememberedOverARestartAndByOthers", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		first, err := driver.Open(place, clock.Now)
		require.NoError(t, err)
		until := clock.Now().Add(time.Minute)
		require.True(t, once(t, first, "portal|1", until))
		other := driver.open(t, place, clock.Now)
		require.False(t, once(t, other, "portal|1", until))
		require.NoError(t, first.Close())
		require.False(t, once(t, driver.open(t, place, clock.Now), "portal|1", until))
	})
	driver.subtest(t, "IsNewToOneOfManyAtOnce", func(t *testing.T, s store.Store, clock *Clock) {
		var fresh atomic.Int64
		var all sync.WaitGroup
		for range 20 {
			all.Go(func() {
				if is, err := s.Once(ctx, "portal|1", clock.Now().Add(time.Minute)); err == nil && is {
					fresh.Add(1)
				}
			})
		}
		all.Wait()
		require.EqualValues(t, 1, fresh.Load())
	})
	driver.subtest(t, "IsRefusedByAClosedStore", func(t *testing.T, s store.Store, clock *Clock) {
		require.NoError(t, s.Close())
		fresh, err := s.Once(ctx, "portal|1", clock.Now().Add(time.Minute))
		require.ErrorIs(t, err, store.ErrClosed)
		require.False(t, fresh)
	})
}
