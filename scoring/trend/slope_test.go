package trend_test

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

// everything is a period without ends.
const everything = int64(math.MaxInt64)

// seriesOf makes a series of the family's scores, one by respondent "carer" on
// each of the days.
func seriesOf(t require.TestingT, days []int64, points []scoring.Points) trend.Series {
	scores := make([]trend.Score, len(days))
	for i, day := range days {
		scores[i] = trend.Score{Day: day, At: day * 86_400_000, Respondent: "carer", Method: scoring.ByHands, Points: points[i]}
	}
	series := trend.Group(scores, -everything, everything)
	require.Len(t, series, 1)
	return series[0]
}

// whole turns whole points into fiftieths.
func whole(points ...int) []scoring.Points {
	all := make([]scoring.Points, len(points))
	for i, p := range points {
		all[i] = scoring.Points(p) * scoring.PointsPerUnit
	}
	return all
}

func rat(text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		panic(text)
	}
	return r
}

func requireRat(t require.TestingT, want, got *big.Rat, what string) {
	require.NotNil(t, got, what)
	require.Equal(t, want.RatString(), got.RatString(), what)
}

func TestSlopeOfSen(t *testing.T) {
	t.Parallel()
	// Sen PK. J Am Stat Assoc 1968;63:1379-1389, section 5: the slope is 4, its
	// interval 26/7 to 35/8, which he gives 93 %. By the distribution of Kendall's S
	// for seven days (76 of 5040 orders have at most three pairs out of order) it has
	// 97 %, and is the narrowest that has 95 %.
	s := seriesOf(t, []int64{1, 2, 3, 4, 10, 12, 18}, whole(9, 15, 19, 20, 45, 55, 78))
	slope, ok := s.Slope()
	require.True(t, ok)
	requireRat(t, rat("28"), slope.PerWeek, "4 a day")
	requireRat(t, rat("26"), slope.Low, "26/7 a day")
	requireRat(t, rat("245/8"), slope.High, "35/8 a day")
	requireRat(t, rat("10"), slope.AtStart, "median of y-4t is 6 at t = 0, on day 1 four more")
	require.Equal(t, trend.Rising, slope.Direction())
}

func TestSlopeNeedsFiveDays(t *testing.T) {
	t.Parallel()
	days, points := []int64{0, 7, 14, 21}, whole(40, 39, 30, 20)
	s := seriesOf(t, days, points)
	_, ok := s.Slope()
	require.False(t, ok)
	require.Contains(t, s.Warnings(), trend.TooFewDays)
	s = seriesOf(t, append(days, 28), append(points, whole(18)...))
	slope, ok := s.Slope()
	require.True(t, ok)
	require.NotContains(t, s.Warnings(), trend.TooFewDays)
	// The slopes between every two days, worked out by hand, by the distance in weeks.
	all := []*big.Rat{rat("-1"), rat("-9"), rat("-10"), rat("-2"), rat("-5"), rat("-19/2"), rat("-6"), rat("-20/3"), rat("-7"), rat("-22/4")}
	slices.SortFunc(all, (*big.Rat).Cmp)
	requireRat(t, all[0], slope.Low, "of five days the interval is all of the slopes")
	requireRat(t, all[9], slope.High, "likewise")
	requireRat(t, new(big.Rat).Quo(new(big.Rat).Add(all[4], all[5]), rat("2")), slope.PerWeek, "between the two in the middle")
	require.Equal(t, trend.Falling, slope.Direction())
}

func TestSlopeOfTooManyDays(t *testing.T) {
	t.Parallel()
	days, points := make([]int64, trend.MaximumDays+1), make([]scoring.Points, trend.MaximumDays+1)
	for i := range days {
		days[i], points[i] = int64(i), scoring.Points(i)
	}
	s := seriesOf(t, days, points)
	_, ok := s.Slope()
	require.False(t, ok)
	require.Contains(t, s.Warnings(), trend.TooManyDays)
	s = seriesOf(t, days[1:], points[1:])
	slope, ok := s.Slope()
	require.True(t, ok)
	requireRat(t, rat("7/50"), slope.PerWeek, "a fiftieth a day")
}

func TestDirection(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		low, high string
		want      trend.Direction
	}{
		"BothBelow": {"-2", "-1/50", trend.Falling}, "EndsAtZero": {"-2", "0", trend.Undetermined}, "Across": {"-1", "1", trend.Undetermined},
		"BeginsAtZero": {"0", "1", trend.Undetermined}, "BothAbove": {"1/50", "1", trend.Rising},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, trend.Slope{Low: rat(c.low), High: rat(c.high)}.Direction())
		})
	}
}

// drawn are days that differ and scores for them.
func drawn(t *rapid.T) (days []int64, points []scoring.Points) {
	n := rapid.IntRange(trend.MinimumDays, 40).Draw(t, "n")
	days = rapid.SliceOfNDistinct(rapid.Int64Range(-400, 400), n, n, rapid.ID).Draw(t, "days")
	for _, p := range rapid.SliceOfN(rapid.IntRange(0, 2000), n, n).Draw(t, "points") {
		points = append(points, scoring.Points(p))
	}
	return days, points
}

// TestSlopeIsTheMedianOfAll compares with a computation of another kind: every
// slope as a fraction.
func TestSlopeIsTheMedianOfAll(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		days, points := drawn(t)
		var all []*big.Rat
		for i := range days {
			for j := range days {
				if days[i] < days[j] {
					all = append(all, big.NewRat(7*int64(points[j]-points[i]), 50*(days[j]-days[i])))
				}
			}
		}
		slices.SortFunc(all, (*big.Rat).Cmp)
		slope, ok := seriesOf(t, days, points).Slope()
		require.True(t, ok)
		median := new(big.Rat).Add(all[(len(all)-1)/2], all[len(all)/2])
		requireRat(t, median.Quo(median, rat("2")), slope.PerWeek, "median")
		at := slices.IndexFunc(all, func(r *big.Rat) bool { return r.Cmp(slope.Low) == 0 })
		require.GreaterOrEqual(t, at, 0, "the interval ends at a slope")
		require.LessOrEqual(t, slope.Low.Cmp(slope.PerWeek), 0)
		require.GreaterOrEqual(t, slope.High.Cmp(slope.PerWeek), 0)
	})
}

func TestSlopeMovesWithItsScores(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		days, points := drawn(t)
		slope, _ := seriesOf(t, days, points).Slope()
		shift, later := rapid.IntRange(0, 2000).Draw(t, "shift"), rapid.Int64Range(-100, 100).Draw(t, "later")
		moved, doubled, mirrored, postponed := slices.Clone(points), slices.Clone(points), slices.Clone(points), slices.Clone(days)
		for i := range points {
			moved[i] += scoring.Points(shift)
			doubled[i] *= 2
			mirrored[i] = -points[i]
			postponed[i] += later
		}
		same := func(want, got trend.Slope) {
			requireRat(t, want.PerWeek, got.PerWeek, "slope")
			requireRat(t, want.Low, got.Low, "low")
			requireRat(t, want.High, got.High, "high")
		}
		of := func(days []int64, points []scoring.Points) trend.Slope {
			slope, ok := seriesOf(t, days, points).Slope()
			require.True(t, ok)
			return slope
		}
		same(slope, of(days, moved))
		same(slope, of(postponed, points))
		two := rat("2")
		times := func(a *big.Rat, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }
		same(trend.Slope{PerWeek: times(slope.PerWeek, two), Low: times(slope.Low, two), High: times(slope.High, two)}, of(days, doubled))
		minus := rat("-1")
		same(trend.Slope{PerWeek: times(slope.PerWeek, minus), Low: times(slope.High, minus), High: times(slope.Low, minus)}, of(days, mirrored))
	})
}

func TestSlopeOfALineIsItsSlope(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		days, points := drawn(t)
		perDay, start := rapid.IntRange(-50, 50).Draw(t, "per day"), rapid.IntRange(0, 5000).Draw(t, "start")
		first := slices.Min(days)
		for i, day := range days {
			points[i] = scoring.Points(start + perDay*int(day-first))
		}
		slope, ok := seriesOf(t, days, points).Slope()
		require.True(t, ok)
		want := big.NewRat(int64(perDay)*7, 50)
		requireRat(t, want, slope.PerWeek, "slope")
		requireRat(t, want, slope.Low, "low")
		requireRat(t, want, slope.High, "high")
		requireRat(t, big.NewRat(int64(start), 50), slope.AtStart, "height at the first day")
	})
}
