package scoring_test

import (
	"math/big"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
)

// requireNear compares an exact value with a reference library's float.
func requireNear(t require.TestingT, want float64, got *big.Rat, what string) {
	require.NotNil(t, got, what)
	value, _ := got.Float64()
	require.InDelta(t, want, value, 1e-7*max(1, want, -want), what)
}

// TestStatisticsAgainstReference holds every statistic against gonum's, whatever
// the values.
func TestStatisticsAgainstReference(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		fiftieths := rapid.SliceOfN(rapid.Int64Range(0, 5150), 1, 40).Draw(t, "fiftieths")
		s := scoring.NewSample(fiftieths)
		x := make([]float64, len(fiftieths))
		for i, value := range fiftieths {
			x[i] = float64(value) / 50
		}
		sorted := slices.Sorted(slices.Values(x))
		n := len(x)
		requireNear(t, float64(n), s.Count(), "count")
		requireNear(t, stat.Mean(x, nil), s.Average(), "average")
		requireNear(t, sorted[0], s.Minimum(), "minimum")
		requireNear(t, sorted[n-1], s.Maximum(), "maximum")
		requireNear(t, stat.Mean(x, nil)*float64(n), s.Sum(), "sum")
		if n >= 2 {
			requireNear(t, stat.Variance(x, nil), s.Variance(), "variance")
			requireNear(t, stat.StdDev(x, nil), s.StandardDeviation(), "std-dev")
		}
		differ := sorted[0] != sorted[n-1]
		if n >= 3 && differ {
			requireNear(t, stat.Skew(x, nil), s.Skewness(), "skew")
		}
		if n >= 4 && differ {
			requireNear(t, stat.ExKurtosis(x, nil), s.Kurtosis(), "kurtosis")
		}
		// gonum interpolates at rank np; left out the least value, its rank there is
		// (n-1)p+1 here, from the second value on.
		for _, p := range [][2]int64{{1, 5}, {2, 5}, {3, 5}, {4, 5}, {1, 4}, {3, 4}, {1, 2}} {
			if int64(n-1)*p[0] >= p[1] {
				requireNear(t, stat.Quantile(float64(p[0])/float64(p[1]), stat.LinInterp, sorted[1:], nil), s.Quantile(p[0], p[1]), "quantile")
			}
		}
	})
}

func TestRegressionAgainstReference(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 30).Draw(t, "n")
		times := rapid.SliceOfNDistinct(rapid.Int64Range(0, 400), n, n, rapid.ID).Draw(t, "times")
		values := rapid.SliceOfN(rapid.Int64Range(0, 5150), n, n).Draw(t, "fiftieths")
		var x, y []float64
		for i := range times {
			x, y = append(x, float64(times[i])), append(y, float64(values[i])/50)
		}
		alpha, beta := stat.LinearRegression(x, y, nil, false)
		intercept, gradient := scoring.Regression(times, values)
		requireNear(t, alpha, intercept, "intercept")
		requireNear(t, beta, gradient, "gradient")
	})
}

// TestStatisticsByHand: 2, 4, 4, 4, 5, 5, 7, 9 are the usual example of a
// standard deviation (2 of the population, so 32/7 is the sample's variance).
func TestStatisticsByHand(t *testing.T) {
	t.Parallel()
	s := scoring.NewSample([]int64{450, 100, 200, 250, 200, 200, 350, 250})
	for name, c := range map[string]struct {
		got  *big.Rat
		want string
	}{
		"Count": {s.Count(), "8"}, "Sum": {s.Sum(), "40"}, "Average": {s.Average(), "5"}, "Minimum": {s.Minimum(), "2"}, "Maximum": {s.Maximum(), "9"},
		"Median": {s.Median(), "9/2"}, "Variance": {s.Variance(), "32/7"}, "LowerQuartile": {s.Quantile(1, 4), "4"}, "UpperQuartile": {s.Quantile(3, 4), "11/2"},
		"QuartileDeviation": {s.QuartileDeviation(), "3/4"}, "FirstQuintile": {s.Quantile(1, 5), "4"}, "EightiethPercentile": {s.Quantile(4, 5), "31/5"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, c.got.RatString())
		})
	}
	t.Run("RootsAreRoundedDownAtEighteenPlaces", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, "2.138089935299395077", s.StandardDeviation().FloatString(18)) // sqrt(32/7)
	})
	t.Run("FiftiethsStayExact", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, "41.68", scoring.NewSample([]int64{2084, 2084}).Average().FloatString(2))
		require.Equal(t, "1042/25", scoring.NewSample([]int64{2084, 2084}).Average().RatString())
	})
	t.Run("ALineIsFound", func(t *testing.T) {
		t.Parallel()
		intercept, gradient := scoring.Regression([]int64{0, 7, 14}, []int64{2000, 1650, 1300})
		require.Equal(t, "40", intercept.RatString())
		require.Equal(t, "-1", gradient.RatString())
	})
}

func TestStatisticsOfTooFewValues(t *testing.T) {
	t.Parallel()
	none, one, alike := scoring.NewSample(nil), scoring.NewSample([]int64{50}), scoring.NewSample([]int64{50, 50, 50, 50})
	for _, s := range []scoring.Sample{none, one} {
		require.Nil(t, s.Variance())
		require.Nil(t, s.StandardDeviation())
		require.Nil(t, s.Skewness())
		require.Nil(t, s.Kurtosis())
	}
	require.Nil(t, none.Average())
	require.Nil(t, none.Median())
	require.Nil(t, none.Minimum())
	require.Nil(t, none.QuartileDeviation())
	require.Equal(t, "0", none.Sum().RatString())
	require.Equal(t, "0", none.Count().RatString())
	require.Equal(t, "1", one.Median().RatString())
	require.Nil(t, alike.Skewness(), "nothing differs")
	require.Nil(t, alike.Kurtosis())
	require.Equal(t, "0", alike.StandardDeviation().RatString())
	require.Nil(t, scoring.NewSample([]int64{1, 2}).Skewness())
	require.Nil(t, scoring.NewSample([]int64{1, 2, 3}).Kurtosis())
	intercept, gradient := scoring.Regression([]int64{3, 3}, []int64{1, 2})
	require.Nil(t, intercept)
	require.Nil(t, gradient)
	intercept, _ = scoring.Regression(nil, nil)
	require.Nil(t, intercept)
}
