//go:build race

package api_test

import "flag"

// Properties are checked with fewer cases under the race detector, which makes
// each many times slower: what it can find is in the first of them, and all
// hundred are checked without it.
func init() {
	if err := flag.Set("rapid.checks", "20"); err != nil {
		panic(err)
	}
}
