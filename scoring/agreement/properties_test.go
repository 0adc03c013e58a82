package agreement_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring/agreement"
)

var one = big.NewRat(1, 1)

func same(t require.TestingT, want, got *big.Rat, what string) {
	require.Equal(t, want == nil, got == nil, what)
	if want != nil {
		require.Equal(t, want.RatString(), got.RatString(), what)
	}
}

func values(t *rapid.T, name string, n int) []int64 {
	return rapid.SliceOfN(rapid.Int64Range(0, 5150), n, n).Draw(t, name)
}

func rows(x, y []int64) [][]int64 {
	all := make([][]int64, len(x))
	for i := range x {
		all[i] = []int64{x[i], y[i]}
	}
	return all
}

func mapped(x []int64, by func(int64) int64) []int64 {
	all := make([]int64, len(x))
	for i, v := range x {
		all[i] = by(v)
	}
	return all
}

// TestPerfectAgreementIsOne, whatever the values, if they differ at all.
func TestPerfectAgreementIsOne(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		x := values(t, "x", rapid.IntRange(3, 30).Draw(t, "n"))
		x[0], x[1] = 0, 1
		icc, ok := agreement.Intraclass(rows(x, x))
		require.True(t, ok)
		same(t, one, icc.Value, "ICC")
		require.Nil(t, icc.Low)
		c, ok := agreement.ConcordanceOf(x, x)
		require.True(t, ok)
		same(t, one, c.Value, "concordance")
		require.Nil(t, c.Low)
		table := agreement.NewTable(4)
		for _, v := range x {
			table[v%4][v%4]++
		}
		same(t, one, table.Kappa(agreement.Linear), "linear kappa")
		same(t, one, table.Kappa(agreement.Quadratic), "quadratic kappa")
		l, ok := agreement.LimitsOf(make([]int64, len(x)))
		require.True(t, ok)
		for _, end := range []*big.Rat{l.Bias.Value, l.Bias.Low, l.Bias.High, l.Lower.Value, l.Upper.Value, l.Deviation} {
			require.Zero(t, end.Sign())
		}
	})
}

// TestCoefficientsKeepTheirValue when both are shifted, stretched or exchanged.
func TestCoefficientsKeepTheirValue(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 20).Draw(t, "n")
		x, y := values(t, "x", n), values(t, "y", n)
		shift, factor := rapid.Int64Range(-500, 500).Draw(t, "shift"), rapid.Int64Range(2, 9).Draw(t, "factor")
		icc, defined := agreement.Intraclass(rows(x, y))
		lin, varies := agreement.ConcordanceOf(x, y)
		for name, by := range map[string]func(int64) int64{
			"shifted": func(v int64) int64 { return v + shift }, "stretched": func(v int64) int64 { return v * factor },
		} {
			again, ok := agreement.Intraclass(rows(mapped(x, by), mapped(y, by)))
			require.Equal(t, defined, ok)
			same(t, icc.Value, again.Value, name)
			same(t, icc.Low, again.Low, name)
			c, ok := agreement.ConcordanceOf(mapped(x, by), mapped(y, by))
			require.Equal(t, varies, ok)
			same(t, lin.Value, c.Value, name)
		}
		swapped, _ := agreement.Intraclass(rows(y, x))
		same(t, icc.Value, swapped.Value, "exchanged")
		same(t, icc.High, swapped.High, "exchanged")
		back, _ := agreement.ConcordanceOf(y, x)
		same(t, lin.Value, back.Value, "exchanged")
		if varies {
			require.LessOrEqual(t, new(big.Rat).Abs(lin.Value).Cmp(one), 0)
		}
		if icc.Low != nil {
			require.LessOrEqual(t, icc.Low.Cmp(icc.Value), 0)
			require.GreaterOrEqual(t, icc.High.Cmp(icc.Value), 0)
		}
	})
}

// TestAShiftBetweenRatersCounts, which ICC(3,1) would hide.
func TestAShiftBetweenRatersCounts(t *testing.T) {
	t.Parallel()
	x := []int64{500, 1000, 1500, 2000}
	shifted := mapped(x, func(v int64) int64 { return v + 500 })
	icc, ok := agreement.Intraclass(rows(x, shifted))
	require.True(t, ok)
	// Between subjects 2*1250000/3, between raters 500000, no rest, by hand.
	same(t, big.NewRat(10, 13), icc.Value, "ICC(2,1)")
}

func TestLimitsMoveWithTheDifferences(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SliceOfN(rapid.Int64Range(-5150, 5150), 3, 30).Draw(t, "differences")
		shift := rapid.Int64Range(-500, 500).Draw(t, "shift")
		l, ok := agreement.LimitsOf(d)
		require.True(t, ok)
		moved, _ := agreement.LimitsOf(mapped(d, func(v int64) int64 { return v + shift }))
		by := func(r *big.Rat) *big.Rat { return new(big.Rat).Add(r, big.NewRat(shift, 50)) }
		same(t, by(l.Bias.Value), moved.Bias.Value, "bias")
		same(t, by(l.Bias.Low), moved.Bias.Low, "its interval")
		same(t, by(l.Upper.Value), moved.Upper.Value, "upper limit")
		same(t, l.Deviation, moved.Deviation, "deviation")
		mirrored, _ := agreement.LimitsOf(mapped(d, func(v int64) int64 { return -v }))
		same(t, new(big.Rat).Neg(l.Upper.Value), mirrored.Lower.Value, "mirrored")
		same(t, new(big.Rat).Neg(l.Upper.High), mirrored.Lower.Low, "mirrored")
	})
}

func TestKappaIsSymmetric(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 6).Draw(t, "classes")
		table, turned := agreement.NewTable(n), agreement.NewTable(n)
		for i := range n {
			for j := range n {
				table[i][j] = rapid.Int64Range(0, 50).Draw(t, "count")
				turned[j][i] = table[i][j]
			}
		}
		for _, weight := range []agreement.Weight{agreement.Linear, agreement.Quadratic} {
			kappa := table.Kappa(weight)
			same(t, kappa, turned.Kappa(weight), "exchanged")
			if kappa != nil {
				require.LessOrEqual(t, kappa.Cmp(one), 0)
			}
		}
		lower, alike, higher := table.Balance()
		higher2, alike2, lower2 := turned.Balance()
		require.Equal(t, []int64{lower, alike, higher}, []int64{lower2, alike2, higher2})
	})
}

func TestTooLittleGivesNothing(t *testing.T) {
	t.Parallel()
	_, ok := agreement.LimitsOf([]int64{1, 2})
	require.False(t, ok)
	for _, ratings := range [][][]int64{nil, {{1, 2}}, {{1}, {2}}, {{5, 5}, {5, 5}, {5, 5}}} {
		_, ok := agreement.Intraclass(ratings)
		require.False(t, ok, "%v", ratings)
	}
	_, ok = agreement.ConcordanceOf([]int64{1, 2}, []int64{1, 2})
	require.False(t, ok)
	_, ok = agreement.ConcordanceOf([]int64{1, 2, 3}, []int64{7, 7, 7})
	require.False(t, ok, "one side never differs")
	c, ok := agreement.ConcordanceOf([]int64{0, 1, 2}, []int64{1, 0, 1})
	require.True(t, ok)
	require.Zero(t, c.Value.Sign())
	require.Nil(t, c.Low, "no correlation, no interval")
	require.Nil(t, agreement.Table{{5, 0}, {0, 0}}.Kappa(agreement.Linear), "all of one class")
	require.Nil(t, agreement.NewTable(3).Kappa(agreement.Linear), "nothing at all")
	same(t, new(big.Rat), agreement.Table{{3, 0}, {2, 0}}.Kappa(agreement.Linear), "one side of one class: chance")
}
