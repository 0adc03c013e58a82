package writeback

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// stepping is a clock that is moved on by whoever waits on it, and keeps how
// long each waited.
type stepping struct {
	now   time.Time
	waits []time.Duration
}

func (c *stepping) Now() time.Time { return c.now }

func (c *stepping) After(d time.Duration) <-chan time.Time {
	c.waits = append(c.waits, d)
	c.now = c.now.Add(d)
	passed := make(chan time.Time, 1)
	passed <- c.now
	return passed
}

func TestPace(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	t.Run("RequestsAreSpacedOutEvenly", func(t *testing.T) {
		t.Parallel()
		clock := &stepping{now: time.Unix(0, 0)}
		p := &pacer{clock: clock, interval: time.Second}
		for range 4 {
			require.NoError(t, p.wait(ctx))
		}
		require.Equal(t, []time.Duration{time.Second, time.Second, time.Second}, clock.waits, "the first goes at once")
	})
	t.Run("TimeUnusedIsNotSavedUp", func(t *testing.T) {
		t.Parallel()
		clock := &stepping{now: time.Unix(0, 0)}
		p := &pacer{clock: clock, interval: time.Second}
		require.NoError(t, p.wait(ctx))
		clock.now = clock.now.Add(time.Hour)
		for range 3 {
			require.NoError(t, p.wait(ctx))
		}
		require.Len(t, clock.waits, 2)
	})
	t.Run("NoIntervalIsNoWait", func(t *testing.T) {
		t.Parallel()
		clock := &stepping{}
		p := &pacer{clock: clock}
		require.NoError(t, p.wait(ctx))
		require.NoError(t, p.wait(ctx))
		require.Empty(t, clock.waits)
	})
	t.Run("StopsWaitingWhenToldToStop", func(t *testing.T) {
		t.Parallel()
		stopped, stop := context.WithCancel(ctx)
		p := &pacer{clock: newClock(), interval: time.Hour}
		require.NoError(t, p.wait(stopped))
		stop()
		require.ErrorIs(t, p.wait(stopped), context.Canceled)
		require.ErrorIs(t, (&pacer{}).wait(stopped), context.Canceled, "without an interval too")
	})
}
