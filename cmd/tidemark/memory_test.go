package main

import (
	"math"
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestUseMemory does not run beside others, since all share the collector.
func TestUseMemory(t *testing.T) {
	percent, limit := debug.SetGCPercent(100), debug.SetMemoryLimit(-1)
	t.Cleanup(func() {
		debug.SetGCPercent(percent)
		debug.SetMemoryLimit(limit)
	})
	for _, c := range []struct {
		environment map[string]string
		percent     int
		limit       int64
	}{
		{nil, garbagePercent, memoryLimit},
		{map[string]string{"GOGC": "50"}, 100, memoryLimit},
		{map[string]string{"GOMEMLIMIT": "2GiB"}, garbagePercent, math.MaxInt64},
		{map[string]string{"GOGC": "50", "GOMEMLIMIT": "2GiB"}, 100, math.MaxInt64},
	} {
		debug.SetGCPercent(100)
		debug.SetMemoryLimit(math.MaxInt64)
		useMemory(func(name string) string { return c.environment[name] })
		require.Equal(t, c.percent, debug.SetGCPercent(100), "%v", c.environment)
		require.Equal(t, c.limit, debug.SetMemoryLimit(-1), "%v", c.environment)
	}
}
