//go:build !race

package test_test

// raceDetector says whether the race detector is on, which costs memory and
// empties pools.
const raceDetector = false
