package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
)

// Worked changes (arithmetic). The first is over 8.7 points and under 35 %, the
// reason why a change is shown against both.
func TestWorkedChangesComeOut(t *testing.T) {
	t.Parallel()
	cases := []struct {
		from, to, points, percent string
		reached                   []string
	}{
		{"60.5", "42", "-18.50", "-30.6", []string{"important-8.7-points"}},
		{"42", "17.5", "-24.50", "-58.3", []string{"important-8.7-points", "scorad-35", "scorad-50"}},
		{"17.5", "8.5", "-9.00", "-51.4", []string{"important-8.7-points", "scorad-35", "scorad-50"}},
		{"96.4", "76.2", "-20.20", "-21.0", []string{"important-8.7-points"}},
		{"10", "1", "-9.00", "-90.0", []string{"important-8.7-points", "scorad-35", "scorad-50", "scorad-75", "scorad-90"}},
		{"8", "4", "-4.00", "-50.0", []string{"scorad-35", "scorad-50"}},
		{"17.5", "42", "24.50", "140.0", []string{"important-8.7-points"}},
		{"42", "42", "0.00", "0.0", nil},
	}
	for _, c := range cases {
		t.Run(c.from+" to "+c.to, func(t *testing.T) {
			t.Parallel()
			change := scoring.Change{From: points(t, c.from), To: points(t, c.to)}
			require.Equal(t, c.points, change.Points().String())
			require.Equal(t, c.percent, change.Percent().Value.String())
			require.Equal(t, c.reached, reached(scoring.OfScorad, change))
		})
	}
}

// reached names the thresholds of a measure that a change reaches.
func reached(measure scoring.Measure, change scoring.Change) (names []string) {
	for _, threshold := range scoring.Thresholds() {
		if threshold.Measure == measure && threshold.Reached(change) {
			names = append(names, threshold.Name)
		}
	}
	return names
}

// Minimal important difference: 8.7 points of SCORAD, 8.2 of the objective score
// (Schram ME et al. Allergy 2012;67:99-106, as quoted by a review, Dermatol Ther
// 2021;11:1521-1540). Reaching it counts; that it holds for worsening is common
// practice.
func TestImportantDifferenceCountsFromItsExactSizeEitherWay(t *testing.T) {
	t.Parallel()
	require.Equal(t, "8.70", scoring.ImportantChange.String())
	require.Equal(t, "8.20", scoring.ImportantObjectiveChange.String())
	for name, size := range map[string]string{"important-8.7-points": "8.7", "important-8.2-points-objective": "8.2"} {
		threshold, ok := scoring.ThresholdByName(name)
		require.True(t, ok, name)
		size := points(t, size)
		for _, c := range []struct {
			by   scoring.Points
			want bool
		}{{size, true}, {size - 1, false}, {size + 1, true}, {-size, true}, {1 - size, false}, {-size - 1, true}, {0, false}} {
			change := scoring.Change{From: points(t, "40"), To: points(t, "40") + c.by}
			require.Equal(t, c.want, threshold.Reached(change), "%s %s", name, c.by)
		}
	}
	require.True(t, scoring.Change{From: points(t, "30"), To: points(t, "38.7")}.Important())
	require.True(t, scoring.Change{From: points(t, "38.7"), To: points(t, "30")}.Important())
	require.False(t, scoring.Change{From: points(t, "30"), To: points(t, "38.68")}.Important())
	require.False(t, scoring.Change{From: points(t, "38.68"), To: points(t, "30")}.Important())
}

// A fall of 35 % goes with one grade of improvement (Silverberg JI et al. Br J
// Dermatol 2021;184:888-895); 75 % or more from baseline (Harari M et al. J Eur
// Acad Dermatol Venereol 2012); 50 and 90 by the same form (common practice).
// From 100 points a percent is a point, so that the edges are exact.
func TestFallCountsFromItsExactPercent(t *testing.T) {
	t.Parallel()
	for name, percent := range map[string]scoring.Points{
		"scorad-35": 35, "scorad-50": 50, "scorad-75": 75, "scorad-90": 90, "objective-35": 35,
	} {
		threshold, ok := scoring.ThresholdByName(name)
		require.True(t, ok, name)
		fall := func(by scoring.Points) bool {
			return threshold.Reached(scoring.Change{From: 100 * 50, To: 100*50 - by})
		}
		require.True(t, fall(percent*50), name)
		require.True(t, fall(percent*50+1), name)
		require.False(t, fall(percent*50-1), name)
		require.False(t, fall(-percent*50), "%s: a rise is no fall", name)
	}
}

// 34.96 % prints as 35.0 and is not 35 %: the threshold sees the exact numbers
// (arithmetic: 102.98 to 66.98 is 34.958 %).
func TestThresholdIsJudgedByTheExactFall(t *testing.T) {
	t.Parallel()
	change := scoring.Change{From: points(t, "102.98"), To: points(t, "66.98")}
	require.Equal(t, "-35.0", change.Percent().Value.String())
	require.False(t, change.FellBy(scoring.OneGradePercent))
}

// No percent can be taken of a baseline of 0, and nothing falls from it.
func TestZeroBaselineHasNoPercent(t *testing.T) {
	t.Parallel()
	for _, to := range []scoring.Points{0, 1, scoring.MaxScorad} {
		change := scoring.Change{From: 0, To: to}
		require.Equal(t, scoring.Optional[scoring.Tenths]{}, change.Percent())
		require.False(t, change.FellBy(scoring.OneGradePercent))
		require.False(t, change.FellBy(0))
	}
	require.True(t, scoring.Change{From: 0, To: points(t, "8.7")}.Important(), "points need no baseline above 0")
}

// Falling to 0 is a fall of 100 %, from any score.
func TestFallToZeroIsAHundredPercent(t *testing.T) {
	t.Parallel()
	change := scoring.Change{From: 1, To: 0}
	require.Equal(t, "-100.0", change.Percent().Value.String())
	require.True(t, change.FellBy(100))
}

func TestAnyChangeEqualsTheFractions(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.Int32Range(1, int32(scoring.MaxScorad)).Draw(t, "from")
		to := rapid.Int32Range(0, int32(scoring.MaxScorad)).Draw(t, "to")
		percent := rapid.IntRange(1, 100).Draw(t, "percent")
		change := scoring.Change{From: scoring.Points(from), To: scoring.Points(to)}

		exact := big.NewRat(100*int64(to-from), int64(from))
		require.Equal(t, halfAway(exact), change.Percent().Value.String())
		require.Equal(t, exact.Cmp(big.NewRat(-int64(percent), 1)) <= 0, change.FellBy(percent))
		moved := new(big.Rat).Abs(big.NewRat(int64(to-from), 50))
		require.Equal(t, moved.Cmp(rat(t, "8.7")) >= 0, change.Important())
	})
}

// halfAway rounds to a tenth, half away from zero.
func halfAway(exact *big.Rat) string {
	magnitude := halfUp(new(big.Rat).Abs(exact), 1)
	if exact.Sign() < 0 && magnitude != "0.0" {
		return "-" + magnitude
	}
	return magnitude
}

// Percents on a half tenth, which a random search seldom meets: 1 of 80 is
// 1.25 %, 1 of 16 is 6.25 %.
func TestHalfATenthOfAPercentRoundsAwayFromZero(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		from, to scoring.Points
		want     string
	}{{80, 79, "-1.3"}, {80, 81, "1.3"}, {16, 15, "-6.3"}, {16, 17, "6.3"}} {
		require.Equal(t, c.want, scoring.Change{From: c.from, To: c.to}.Percent().Value.String())
	}
}

func TestObjectiveThresholdsAreOfTheObjectiveScore(t *testing.T) {
	t.Parallel()
	change := scoring.Change{From: points(t, "20"), To: points(t, "11.7")}
	require.Equal(t, []string{"important-8.2-points-objective", "objective-35"}, reached(scoring.OfObjective, change))
	require.Equal(t, []string{"scorad-35"}, reached(scoring.OfScorad, change))
}

// A threshold is in points or in percent, has a name of its own, and says where
// it comes from; both main ones come from clinicians' scores.
func TestEveryThresholdNamesItsSourceAndLimits(t *testing.T) {
	t.Parallel()
	names := map[string]bool{}
	for _, threshold := range scoring.Thresholds() {
		require.NotEqual(t, threshold.Points > 0, threshold.Percent > 0, threshold.Name)
		requireSource(t, threshold.Name, threshold.Source)
		require.Contains(t, threshold.Source.Limits, scoring.NotFoundForSelf, threshold.Name)
		names[threshold.Name] = true
	}
	require.Len(t, names, 7)
	important, _ := scoring.ThresholdByName("important-8.7-points")
	require.Contains(t, important.Source.Limits, scoring.NotFoundForRise)
	require.Contains(t, important.Source.Limits, scoring.SizeOfObserverNoise)
	fifty, _ := scoring.ThresholdByName("scorad-50")
	require.Contains(t, fifty.Source.Limits, scoring.CommonPractice)
	_, ok := scoring.ThresholdByName("no-such-threshold")
	require.False(t, ok)
}

func TestChangingACopyLeavesTheThresholdsAlone(t *testing.T) {
	t.Parallel()
	spoilt := scoring.Thresholds()
	spoilt[0].Points, spoilt[0].Source.Limits[0] = 0, "spoilt"
	again := scoring.Thresholds()
	require.Equal(t, scoring.ImportantChange, again[0].Points)
	require.NotEqual(t, scoring.Limit("spoilt"), again[0].Source.Limits[0])
}

// TestRoseByMoreIsMoreThan: 8.7 points exactly are not more than 8.7.
func TestRoseByMoreIsMoreThan(t *testing.T) {
	t.Parallel()
	for to, want := range map[scoring.Points]bool{1000: false, 1434: false, 1435: false, 1436: true, 2000: true, 0: false} {
		require.Equal(t, want, scoring.Change{From: 1000, To: to}.RoseByMore(), "20.00 to %s", to)
	}
}
