//go:build !race

package fhir_test

// raceDetector says whether the race detector is on, which costs memory and
// empties pools.
const raceDetector = false
