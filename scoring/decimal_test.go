package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// Every score there is, and every difference of two, against the fractions; two
// decimals hold any fiftieth, so nothing is rounded.
func TestPointsAreWrittenExactly(t *testing.T) {
	t.Parallel()
	for p := -scoring.MaxScorad; p <= scoring.MaxScorad; p++ {
		exact := big.NewRat(int64(p), 50)
		require.Equal(t, exact.FloatString(2), p.String())
		require.Equal(t, exact.RatString(), rat(t, p.String()).RatString())
	}
}

func TestTenthsAreWrittenExactly(t *testing.T) {
	t.Parallel()
	for v := scoring.Tenths(-1100); v <= 1100; v++ {
		exact := big.NewRat(int64(v), 10)
		require.Equal(t, exact.FloatString(1), v.String())
		require.Equal(t, exact.RatString(), rat(t, v.String()).RatString())
	}
}

func TestAppendKeepsWhatWasThere(t *testing.T) {
	t.Parallel()
	require.Equal(t, `{"value":41.60`, string(scoring.Points(2080).Append([]byte(`{"value":`))))
	require.Equal(t, `{"value":-18.5`, string(scoring.Tenths(-185).Append([]byte(`{"value":`))))
}

// Hostile sizes, which no assessment holds, still print as the number they are.
func TestExtremesOfTheTypesAreWritten(t *testing.T) {
	t.Parallel()
	require.Equal(t, "-42949672.96", scoring.Points(-1<<31).String())
	require.Equal(t, "42949672.94", scoring.Points(1<<31-1).String())
	require.Equal(t, "-214748364.8", scoring.Tenths(-1<<31).String())
	require.Equal(t, "214748364.7", scoring.Tenths(1<<31-1).String())
}
