package trend_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

func TestSinceLastAndBaseline(t *testing.T) {
	t.Parallel()
	s := seriesOf(t, []int64{0, 10, 20, 30}, []scoring.Points{3025, 2100, 875, 425}) // 60.5, 42, 17.5, 8.5
	last, ok := s.SinceLast()
	require.True(t, ok)
	require.Equal(t, scoring.Points(-450), last.Points())
	require.Equal(t, int64(20), last.From.Day)
	require.Empty(t, last.Warnings)
	for name, c := range map[string]struct {
		from int64
		want int64
	}{"TheFirst": {-everything, 0}, "TheDayItself": {10, 10}, "TheNextAfterIt": {11, 20}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			baseline, ok := s.SinceBaseline(c.from)
			require.True(t, ok)
			require.Equal(t, c.want, baseline.From.Day)
			require.Equal(t, int64(30), baseline.To.Day)
		})
	}
	_, ok = s.SinceBaseline(30)
	require.False(t, ok, "the last score is no baseline of itself")
	_, ok = seriesOf(t, []int64{3}, whole(40)).SinceLast()
	require.False(t, ok)
	_, ok = seriesOf(t, []int64{3}, whole(40)).SinceBaseline(-everything)
	require.False(t, ok)
}

func TestComparisonWarns(t *testing.T) {
	t.Parallel()
	compare := func(a, b trend.Score) []trend.Warning {
		c, ok := trend.Group([]trend.Score{a, b}, -everything, everything)[0].SinceLast()
		require.True(t, ok)
		return c.Warnings
	}
	require.Empty(t, compare(score("a", 1, "doctor", team, palms, 100), score("b", 4, "doctor", team, palms, 100)))
	require.Equal(t, []trend.Warning{trend.RespondentDiffers}, compare(score("a", 1, "doctor", team, palms, 100), score("b", 4, "nurse", team, palms, 100)))
	require.Equal(t, []trend.Warning{trend.RecallOverlaps, trend.Learning}, compare(score("a", 1, "m", family, palms, 100), score("b", 3, "m", family, palms, 100)))
	require.Equal(t, []trend.Warning{trend.NoPercent}, compare(score("a", 1, "doctor", team, palms, 0), score("b", 4, "doctor", team, palms, 100)))
}

func TestMean(t *testing.T) {
	t.Parallel()
	// 40 on day 0, 20 on day 10, 20 on day 30: (300 + 400) / 30.
	mean, ok := seriesOf(t, []int64{0, 10, 30}, whole(40, 20, 20)).Mean()
	require.True(t, ok)
	requireRat(t, rat("70/3"), mean.Value, "mean")
	require.Equal(t, int64(30), mean.Days)
	require.Zero(t, mean.Gaps)
	_, ok = seriesOf(t, []int64{0}, whole(40)).Mean()
	require.False(t, ok)
}

func TestMeanLeavesLongGapsOut(t *testing.T) {
	t.Parallel()
	s := seriesOf(t, []int64{0, 10, 10 + trend.MaximumGap + 1, 120}, whole(40, 20, 60, 80))
	mean, ok := s.Mean()
	require.True(t, ok)
	requireRat(t, rat("1490/27"), mean.Value, "300 over 10 days and 1190 over 17")
	require.Equal(t, int64(27), mean.Days)
	require.Equal(t, 1, mean.Gaps)
	require.Contains(t, s.Warnings(), trend.GapLeftOut)
	mean, ok = seriesOf(t, []int64{0, trend.MaximumGap}, whole(40, 20)).Mean()
	require.True(t, ok)
	requireRat(t, rat("30"), mean.Value, "as long as may be")
	mean, ok = seriesOf(t, []int64{0, trend.MaximumGap + 1}, whole(40, 20)).Mean()
	require.False(t, ok)
	require.Equal(t, 1, mean.Gaps)
}

// TestMeanIsThatOfEveryDay compares with a computation of another kind: the
// height of the line at the middle of each day, averaged.
func TestMeanIsThatOfEveryDay(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		day, days, points := int64(0), []int64{0}, []scoring.Points{scoring.Points(rapid.IntRange(0, 5150).Draw(t, "first"))}
		for range rapid.IntRange(1, 12).Draw(t, "n") {
			day += rapid.Int64Range(1, trend.MaximumGap).Draw(t, "days")
			days, points = append(days, day), append(points, scoring.Points(rapid.IntRange(0, 5150).Draw(t, "points")))
		}
		sum := rat("0")
		for i := 1; i < len(days); i++ {
			for d := days[i-1]; d < days[i]; d++ {
				along := rat("1/2")
				along.Add(along, rat("0").SetInt64(d-days[i-1]))
				along.Quo(along, rat("0").SetInt64(days[i]-days[i-1]))
				height := rat("0").SetInt64(int64(points[i] - points[i-1]))
				height.Mul(height, along)
				sum.Add(sum, height.Add(height, rat("0").SetInt64(int64(points[i-1]))))
			}
		}
		mean, ok := seriesOf(t, days, points).Mean()
		require.True(t, ok)
		requireRat(t, sum.Quo(sum, rat("0").SetInt64(50*day)), mean.Value, "mean")
	})
}
