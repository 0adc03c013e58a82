package main

import "runtime/debug"

const (
	// garbagePercent lets the heap of a server grow to five times what is in use before
	// garbage is collected, where Go's own 100 lets it double. Little is in use, and
	// most of what a submission allocates is garbage once it is answered: collecting it
	// a quarter as often spares a tenth of the processor (DEVELOPERS.md, "Speed").
	garbagePercent = 400
	// memoryLimit is what a server holds itself below by collecting more often, in
	// bytes, so that the room given above fits into the 1 GB that deploy/sizing.md asks
	// for. It refuses no work.
	memoryLimit = 700 << 20
)

// useMemory gives the collector of garbage its room, unless Go's own GOGC and
// GOMEMLIMIT say otherwise.
func useMemory(getenv func(string) string) {
	if getenv("GOGC") == "" {
		debug.SetGCPercent(garbagePercent)
	}
	if getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryLimit)
	}
}
