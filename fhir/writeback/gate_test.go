package writeback

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestGate(t *testing.T) {
	t.Parallel()
	now := time.Unix(0, 0)
	pause := func(failures int) time.Duration { return time.Duration(failures) * time.Minute }
	t.Run("IsOpenAtFirst", func(t *testing.T) {
		t.Parallel()
		g := newGate()
		closed, probing, probed := g.state(now)
		require.Zero(t, closed)
		require.False(t, probing)
		require.False(t, probed)
		for range 3 {
			require.True(t, g.enter(now), "as many as there are")
		}
		require.False(t, g.pass(), "it was open before")
	})
	t.Run("ClosesForAFaultAndThenLetsOneProbePass", func(t *testing.T) {
		t.Parallel()
		g := newGate()
		failures, until, closed := g.fail(now, pause)
		require.Equal(t, 1, failures)
		require.Equal(t, now.Add(time.Minute), until)
		require.True(t, closed)
		wait, probing, _ := g.state(now.Add(20 * time.Second))
		require.Equal(t, 40*time.Second, wait)
		require.True(t, probing)
		require.False(t, g.enter(until.Add(-time.Nanosecond)), "nobody while it is closed")
		wait, probing, probed := g.state(until)
		require.Zero(t, wait)
		require.True(t, probing)
		require.False(t, probed)
		require.True(t, g.enter(until))
		require.False(t, g.enter(until), "a second sender must wait for the first")
		_, _, probed = g.state(until)
		require.True(t, probed)
		require.Empty(t, g.answered)
		require.True(t, g.pass(), "an answer opens it")
		require.Len(t, g.answered, 1, "and whoever waits for it is told")
		require.True(t, g.enter(until))
		require.True(t, g.enter(until))
	})
	t.Run("AProbeThatProvesNothingLetsTheNextPass", func(t *testing.T) {
		t.Parallel()
		g := newGate()
		_, until, _ := g.fail(now, pause)
		require.True(t, g.enter(until))
		g.leave()
		require.Len(t, g.answered, 1)
		require.True(t, g.enter(until))
		require.False(t, g.enter(until))
	})
	t.Run("DoesNotCountWhatWasUnderWayWhenItClosed", func(t *testing.T) {
		t.Parallel()
		g := newGate()
		_, until, _ := g.fail(now, pause)
		failures, again, closed := g.fail(now.Add(time.Second), pause)
		require.Equal(t, 1, failures)
		require.Equal(t, until, again)
		require.False(t, closed)
	})
	t.Run("WaitsLongerAfterEachProbeThatFails", func(t *testing.T) {
		t.Parallel()
		g := newGate()
		at := now
		for probe := 1; probe <= 3; probe++ {
			require.True(t, g.enter(at))
			failures, until, closed := g.fail(at, pause)
			require.True(t, closed)
			require.Equal(t, probe, failures)
			require.Equal(t, pause(probe), until.Sub(at))
			at = until
		}
		require.True(t, g.enter(at), "the failed probe is over")
		require.True(t, g.pass())
		wait, probing, _ := g.state(at)
		require.Zero(t, wait)
		require.False(t, probing)
	})
	t.Run("ManyDoubtsInARowAreTakenForTheTarget", func(t *testing.T) {
		t.Parallel()
		g := newGate()
		for range maxStreak - 1 {
			require.False(t, g.doubt())
		}
		g.pass()
		for range maxStreak - 1 {
			require.False(t, g.doubt(), "a success in between begins anew")
		}
		require.True(t, g.doubt())
		require.True(t, g.doubt(), "and so is the next")
	})
}
