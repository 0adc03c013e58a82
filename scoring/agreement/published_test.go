package agreement_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"tidemark.example/tidemark/scoring/agreement"
)

// The first readings of the peak flow of 17 people by two meters, in l/min
// (Bland JM, Altman DG. Lancet 1986;327:307-310).
var (
	large = []int64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini  = []int64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
)

// fiftieths of whole units.
func fiftieths(units []int64) []int64 {
	all := make([]int64, len(units))
	for i, u := range units {
		all[i] = 50 * u
	}
	return all
}

func near(t require.TestingT, want float64, got *big.Rat, within float64, what string) {
	require.NotNil(t, got, what)
	value, _ := got.Float64()
	require.InDelta(t, want, value, within, what)
}

func TestLimitsOfBlandAndAltman(t *testing.T) {
	t.Parallel()
	differences := fiftieths(large)
	for i, m := range fiftieths(mini) {
		differences[i] -= m
	}
	l, ok := agreement.LimitsOf(differences)
	require.True(t, ok)
	// As printed in the paper, to its digits.
	near(t, -2.1, l.Bias.Value, 0.05, "mean difference")
	near(t, 38.8, l.Deviation, 0.05, "standard deviation")
	near(t, -22.0, l.Bias.Low, 0.1, "interval of the mean difference")
	near(t, 17.8, l.Bias.High, 0.1, "interval of the mean difference")
	// The paper has limits at two standard deviations, -79.7 and 75.5 from rounded
	// ones; ours are at 1.96, worked out from the same data.
	near(t, -78.09730, l.Lower.Value, 1e-5, "lower limit")
	near(t, 73.86200, l.Upper.Value, 1e-5, "upper limit")
	// Its interval of the lower limit, -114.3 to -45.1, is 34.6 to both sides.
	near(t, 34.6, new(big.Rat).Sub(l.Lower.High, l.Lower.Value), 0.1, "half the interval of a limit")
	near(t, 34.6, new(big.Rat).Sub(l.Upper.Value, l.Upper.Low), 0.1, "half the interval of a limit")
	// gonum, of the same data.
	var x []float64
	for _, d := range differences {
		x = append(x, float64(d)/50)
	}
	near(t, stat.Mean(x, nil), l.Bias.Value, 1e-9, "mean")
	near(t, stat.StdDev(x, nil), l.Deviation, 1e-9, "standard deviation")
}

// judges are six subjects rated by four (Shrout PE, Fleiss JL. Psychol Bull
// 1979;86:420-428, table 2).
var judges = [][]int64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}

func TestIntraclassOfShroutAndFleiss(t *testing.T) {
	t.Parallel()
	icc, ok := agreement.Intraclass(judges)
	require.True(t, ok)
	near(t, 0.29, icc.Value, 0.005, "as printed, ICC(2,1)")
	near(t, 0.28976, icc.Value, 0.000005, "recomputed from the data")
	// The interval is compared with a general library in test/statistics.
	require.Negative(t, icc.Low.Cmp(icc.Value))
	require.Positive(t, icc.High.Cmp(icc.Value))
}

func TestKappaOfCohen(t *testing.T) {
	t.Parallel()
	// Cohen J. Psychol Bull 1968;70:213-220: 200 pairs, and his weights of
	// disagreement; printed .492 and .348.
	table := agreement.Table{{88, 14, 18}, {10, 40, 10}, {2, 6, 12}}
	weights := [][]int64{{0, 1, 3}, {1, 0, 6}, {3, 6, 0}}
	near(t, 0.492, table.Kappa(alike), 0.0005, "unweighted")
	near(t, 0.348, table.Kappa(func(i, j int) int64 { return weights[i][j] }), 0.0005, "by his weights")
	near(t, 0.47368, table.Kappa(agreement.Linear), 0.000005, "linear, recomputed from the counts")
	near(t, 0.45455, table.Kappa(agreement.Quadratic), 0.000005, "quadratic, likewise")
}

func TestKappaOfFleissCohenAndEveritt(t *testing.T) {
	t.Parallel()
	// Fleiss JL, Cohen J, Everitt BS. Psychol Bull 1969;72:323-327: the printed .429
	// and .507 are quoted from memory; weights of agreement 1, 4/9 and 2/3, here as
	// ninths of disagreement.
	table := agreement.Table{{106, 10, 4}, {22, 28, 10}, {2, 12, 6}}
	ninths := [][]int64{{0, 9, 5}, {9, 0, 3}, {5, 3, 0}}
	near(t, 0.429, table.Kappa(alike), 0.0005, "unweighted")
	near(t, 0.507, table.Kappa(func(i, j int) int64 { return ninths[i][j] }), 0.0005, "by their weights")
	near(t, 0.49231, table.Kappa(agreement.Linear), 0.000005, "linear, recomputed from the counts")
	near(t, 0.56667, table.Kappa(agreement.Quadratic), 0.000005, "quadratic, likewise")
}

// alike counts every disagreement as one.
func alike(i, j int) int64 {
	if i == j {
		return 0
	}
	return 1
}

func TestConcordanceOfLin(t *testing.T) {
	t.Parallel()
	// The peak flow data are the worked example of two general packages; the figures
	// are recomputed from them by the formulas of Lin LI. Biometrics 1989;45:255-268.
	c, ok := agreement.ConcordanceOf(fiftieths(large), fiftieths(mini))
	require.True(t, ok)
	near(t, 0.942742, c.Value, 5e-7, "variances divided by n")
	near(t, 0.94, c.Precision, 0.005, "Pearson's r as printed by Bland and Altman")
	near(t, 0.943279, c.Precision, 5e-7, "Pearson's r")
	near(t, 0.999431, c.Accuracy, 5e-7, "bias correction factor")
	near(t, 0.8505, c.Low, 0.00005, "low")
	near(t, 0.9787, c.High, 0.00005, "high")
	var x, y []float64
	for i := range large {
		x, y = append(x, float64(large[i])), append(y, float64(mini[i]))
	}
	near(t, stat.Correlation(x, y, nil), c.Precision, 1e-9, "gonum's correlation")
}
