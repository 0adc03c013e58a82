package test_test

import (
	"sync/atomic"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
)

// clock is that of a machine whose date is put forward or back. As there, the
// date jumps and what is measured between two of its times does not: Go measures
// by another clock than it tells the date by (package time, Monotonic Clocks).
type clock struct{ seconds atomic.Int64 }

// ahead sets how far the date is ahead of the machine's own, in whole seconds.
func (c *clock) ahead(d time.Duration) { c.seconds.Store(int64(d / time.Second)) }

// Now implements writeback.Clock. A Time that carries both clocks can be had from
// the machine only; its first word holds the seconds of the date above 30 bits of
// nanoseconds.
func (c *clock) Now() time.Time {
	now := time.Now()
	*(*uint64)(unsafe.Pointer(&now)) += uint64(c.seconds.Load()) << 30 //nolint:gosec // it wraps around, as meant; TestClockJumps holds the layout
	return now
}

// After implements writeback.Clock.
func (*clock) After(d time.Duration) <-chan time.Time { return time.After(d) }

func TestClockJumps(t *testing.T) {
	t.Parallel()
	for _, jump := range []time.Duration{-40 * 365 * 24 * time.Hour, -time.Hour, 0, time.Second, 24 * time.Hour, 10 * 365 * 24 * time.Hour} {
		var c clock
		before := c.Now()
		c.ahead(jump)
		after := c.Now()
		require.Less(t, after.Sub(before).Abs(), patience, "what is measured does not jump")
		require.Less(t, (after.Round(0).Sub(before.Round(0)) - jump).Abs(), patience, "the date does")
		require.Less(t, (after.Round(0).Sub(time.Now().Round(0)) - jump).Abs(), patience)
	}
}
