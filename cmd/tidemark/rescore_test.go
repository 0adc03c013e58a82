package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

func TestOnlyTheNumberConfirms(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		answer string
		want   bool
	}{{"37\n", true}, {" 37 \r\n", true}, {"y\n", false}, {"36\n", false}, {"37", false}, {"\n", false}, {"", false}} {
		var asked bytes.Buffer
		require.Equal(t, c.want, confirmed(strings.NewReader(c.answer), &asked, 37), "%q", c.answer)
		require.Equal(t, "Type 37 to write them, anything else to leave them: ", asked.String())
	}
}

// TestWritingTakesWhatNewScoresAreComputedBy: what is older is reported only.
func TestWritingTakesWhatNewScoresAreComputedBy(t *testing.T) {
	t.Parallel()
	p := &program{in: strings.NewReader(""), out: &bytes.Buffer{}, err: &bytes.Buffer{}, getenv: func(string) string { return "" },
		algorithms: append(scoring.Published(), scoring.Algorithm{Version: "2.0.0-test"})}
	_, err := readVerifyFlags(p, []string{"--algorithm", "1.0.0", "--write", "--yes"})
	require.ErrorContains(t, err, "--write takes --algorithm 2.0.0-test")
	_, err = readVerifyFlags(p, []string{"--algorithm", "2.0.0-test", "--write", "--yes"})
	require.NoError(t, err)
	_, err = readVerifyFlags(p, []string{"--algorithm", "2.0.0-test", "--write"})
	require.ErrorContains(t, err, "give --yes")
	_, err = readVerifyFlags(p, []string{"--algorithm", "3.0.0"})
	require.ErrorContains(t, err, `no version "3.0.0"; it is one of 1.0.0, 2.0.0-test`)
}
