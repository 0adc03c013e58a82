//go:build !race

package writeback

// raceDetector says whether the race detector is on, under which fewer rounds of
// chaos are played: each is many times slower, and what it can find is in the
// first of them.
const raceDetector = false
