package trend

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
)

// TestInversionsAgainstEveryOrder counts the pairs out of order of every order.
func TestInversionsAgainstEveryOrder(t *testing.T) {
	t.Parallel()
	for n := 1; n <= 8; n++ {
		want := make([]int64, n*(n-1)/2+1)
		for _, order := range combin.Permutations(n, n) {
			count := 0
			for i := range order {
				for j := range i {
					if order[j] > order[i] {
						count++
					}
				}
			}
			want[count]++
		}
		got := inversions(n)
		require.Len(t, got, len(want))
		for i := range want {
			require.Equal(t, want[i], got[i].Int64(), "%d things, %d out of order", n, i)
		}
	}
}

// TestIntervalRankKeepsItsName: the chance to miss on one side is 2.5 % at most,
// and the next rank would be too high.
func TestIntervalRankKeepsItsName(t *testing.T) {
	t.Parallel()
	require.Zero(t, intervalRank(MinimumDays-1), "of four days there is no interval of 95 per cent")
	for days := MinimumDays; days <= exactDays; days++ {
		var total, below float64
		counts := inversions(days)
		for _, count := range counts {
			f, _ := count.Float64()
			total += f
		}
		rank := intervalRank(days)
		require.Positive(t, rank)
		for i := range rank {
			f, _ := counts[i].Float64()
			below += f
		}
		next, _ := counts[rank].Float64()
		require.LessOrEqual(t, below/total, 0.025, days)
		require.Greater(t, (below+next)/total, 0.025, days)
	}
}

// TestIntervalRankOfManyDays compares with gonum's normal distribution; at the
// end of the exact ones the two are within one rank.
func TestIntervalRankOfManyDays(t *testing.T) {
	t.Parallel()
	normal := func(days int) float64 {
		n := float64(days)
		return (n*(n-1)/2 - distuv.UnitNormal.Quantile(0.975)*math.Sqrt(n*(n-1)*(2*n+5)/18)) / 2
	}
	for _, days := range []int{31, 32, 47, 100, 365, 999, MaximumDays} {
		require.InDelta(t, normal(days), float64(intervalRank(days)), 0.5001, "%d days", days)
	}
	require.InDelta(t, normal(exactDays), float64(intervalRank(exactDays)), 1)
}
