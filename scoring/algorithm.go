package scoring

import "slices"

// AlgorithmVersion names the arithmetic that new scores are computed by; it
// changes when any score would.
const AlgorithmVersion = "1.0.0"

// Algorithm is one version of the arithmetic. Once published it never changes, so
// that a score can be computed again by the version it names.
type Algorithm struct {
	// Version names it wherever a score says what it was computed by.
	Version string
	// Score computes the index from an assessment, which it takes by value so that
	// calling it costs no allocation.
	Score func(Assessment) (Result, error)
}

// Algorithms are versions of the arithmetic, oldest first; new scores are computed
// by the last.
type Algorithms []Algorithm

// Published lists every version that scores may have been computed by.
func Published() Algorithms {
	return Algorithms{{AlgorithmVersion, func(a Assessment) (Result, error) { return Score(&a) }}}
}

// ByVersion finds a version; ok is false if there is none of that name.
func (a Algorithms) ByVersion(version string) (algorithm Algorithm, ok bool) {
	at := slices.IndexFunc(a, func(each Algorithm) bool { return each.Version == version })
	if at < 0 {
		return Algorithm{}, false
	}
	return a[at], true
}

// Versions are the names, oldest first.
func (a Algorithms) Versions() []string {
	names := make([]string, len(a))
	for i, each := range a {
		names[i] = each.Version
	}
	return names
}

// Newest is the one that new scores are computed by.
func (a Algorithms) Newest() Algorithm { return a[len(a)-1] }
