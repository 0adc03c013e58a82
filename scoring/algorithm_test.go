package scoring_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

func TestAlgorithmsAreFoundByTheirVersion(t *testing.T) {
	t.Parallel()
	published := scoring.Published()
	require.Equal(t, []string{"1.0.0"}, published.Versions())
	require.Equal(t, scoring.AlgorithmVersion, published.Newest().Version, "new scores name the version they are computed by")
	_, ok := published.ByVersion("1.0")
	require.False(t, ok, "a version is named whole")

	twice := append(scoring.Published(), scoring.Algorithm{Version: "2.0.0-test", Score: func(a scoring.Assessment) (scoring.Result, error) {
		r, err := scoring.Score(&a)
		r.Scorad.Value *= 2
		return r, err
	}})
	require.Equal(t, []string{"1.0.0", "2.0.0-test"}, twice.Versions())
	require.Equal(t, "2.0.0-test", twice.Newest().Version)
	found, ok := twice.ByVersion("1.0.0")
	require.True(t, ok)
	a := scoring.Assessment{Method: scoring.ByDirect, Direct: scoring.Answer(scoring.Tenths(100)), Itch: scoring.Answer(scoring.Tenths(0)), SleepLoss: scoring.Answer(scoring.Tenths(0))}
	for i := range a.Grades {
		a.Grades[i] = scoring.Answer(uint8(0))
	}
	result, err := found.Score(a)
	require.NoError(t, err)
	require.Equal(t, scoring.Answer(scoring.Points(100)), result.Scorad, "10 %% of the skin are 2 points")
	result, err = twice.Newest().Score(a)
	require.NoError(t, err)
	require.Equal(t, scoring.Answer(scoring.Points(200)), result.Scorad)
}
