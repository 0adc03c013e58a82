package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
)

// edges are the scores on either side of every edge of every set, and both ends.
// Sources, set by set:
//
//   - usual-25-50: below 25 mild, 25 to 50 moderate with both ends, above 50
//     severe. Read in secondary texts only; widely attributed to a consensus of
//     the European Task Force on Atopic Dermatitis (from memory).
//   - variant-25-49: a report citing Faye O et al. J Eur Acad Dermatol Venereol
//     2020;34:795-799, which leaves 49 to 50 to nobody.
//   - chopra-2017 and its objective set: Chopra R et al. Br J Dermatol 2017;177,
//     doi 10.1111/bjd.15641: 0-9.9, 10-28.9, 29-48.9, 49-103 and 0-7.9, 8-23.9,
//     24-37.9, 38-83.
//   - barbarot-2024: Barbarot S et al. J Eur Acad Dermatol Venereol
//     2024;38:175-181: below 12, 12 to below 25, 25 and over.
//   - teaching-20-40: French and Spanish teaching texts: below 20, 20-40, above 40.
//   - patient-text-25-60: a German text for patients: below 25, 25-60, above 60.
//
// That 0 is clear and not mild is ours, where a set has no band for it.
var edges = map[string][]struct{ score, band string }{
	"usual-25-50": {
		{"0", "clear"}, {"0.02", "mild"}, {"24.98", "mild"}, {"25", "moderate"},
		{"50", "moderate"}, {"50.02", "severe"}, {"103", "severe"},
	},
	"variant-25-49": {
		{"0", "clear"}, {"0.02", "mild"}, {"24.98", "mild"}, {"25", "moderate"}, {"49", "moderate"},
		{"49.98", "moderate"}, {"50", "severe"}, {"103", "severe"},
	},
	"chopra-2017": {
		{"0", "clear-or-almost-clear"}, {"9.9", "clear-or-almost-clear"}, {"9.98", "clear-or-almost-clear"}, {"10", "mild"},
		{"28.9", "mild"}, {"28.98", "mild"}, {"29", "moderate"},
		{"48.9", "moderate"}, {"48.98", "moderate"}, {"49", "severe"}, {"103", "severe"},
	},
	"barbarot-2024": {
		{"0", "clear-or-almost-clear"}, {"11.98", "clear-or-almost-clear"}, {"12", "mild"}, {"24.98", "mild"},
		{"25", "moderate-or-severe"}, {"103", "moderate-or-severe"},
	},
	"teaching-20-40": {
		{"0", "clear"}, {"0.02", "mild"}, {"19.98", "mild"}, {"20", "moderate"},
		{"40", "moderate"}, {"40.02", "severe"}, {"103", "severe"},
	},
	"patient-text-25-60": {
		{"0", "clear"}, {"0.02", "mild"}, {"24.98", "mild"}, {"25", "moderate"},
		{"60", "moderate"}, {"60.02", "severe"}, {"103", "severe"},
	},
	"chopra-2017-objective": {
		{"0", "clear-or-almost-clear"}, {"7.9", "clear-or-almost-clear"}, {"7.98", "clear-or-almost-clear"}, {"8", "mild"},
		{"23.9", "mild"}, {"23.98", "mild"}, {"24", "moderate"},
		{"37.9", "moderate"}, {"37.98", "moderate"}, {"38", "severe"}, {"83", "severe"},
	},
}

// points reads a score; one that is no number of fiftieths fails the test.
func points(t require.TestingT, text string) scoring.Points {
	fiftieths := new(big.Rat).Mul(rat(t, text), big.NewRat(50, 1))
	require.True(t, fiftieths.IsInt(), "%s is not a number of fiftieths", text)
	return scoring.Points(fiftieths.Num().Int64())
}

func everySet() []scoring.BandSet {
	return append(scoring.BandSets(), scoring.ObjectiveBandSets()...)
}

func TestBandOnEitherSideOfEveryEdge(t *testing.T) {
	t.Parallel()
	require.Len(t, everySet(), len(edges))
	for _, set := range everySet() {
		t.Run(set.Name, func(t *testing.T) {
			t.Parallel()
			require.NotEmpty(t, edges[set.Name])
			for _, edge := range edges[set.Name] {
				require.Equal(t, edge.band, set.Band(points(t, edge.score)).String(), edge.score)
			}
		})
	}
}

// Ranges begin at 0, end at the highest score, leave no fiftieth out and give
// none to two bands; each score has the band of the one range it lies in.
func TestRangesCoverEveryScoreOnce(t *testing.T) {
	t.Parallel()
	for _, set := range everySet() {
		for score := scoring.Points(0); score <= set.Measure.Max(); score++ {
			var in []scoring.Band
			for _, r := range set.Ranges {
				if r.Low <= score && score <= r.High {
					in = append(in, r.Band)
				}
			}
			require.Equal(t, []scoring.Band{set.Band(score)}, in, "%s %s", set.Name, score)
		}
		require.Equal(t, scoring.Points(0), set.Ranges[0].Low, set.Name)
		require.Equal(t, set.Measure.Max(), set.Ranges[len(set.Ranges)-1].High, set.Name)
	}
}

// The published ends of the two scales (Oranje AP et al. Br J Dermatol
// 2007;157:645-648); no band reaches into the bonus.
func TestHighestBandEndsWithItsScale(t *testing.T) {
	t.Parallel()
	for measure, want := range map[scoring.Measure]string{scoring.OfScorad: "103.00", scoring.OfObjective: "83.00"} {
		require.Equal(t, want, measure.Max().String())
	}
	for _, set := range scoring.ObjectiveBandSets() {
		require.Equal(t, "83.00", set.Ranges[len(set.Ranges)-1].High.String(), set.Name)
	}
}

func TestRangesBeginAtTheCuts(t *testing.T) {
	t.Parallel()
	for _, set := range everySet() {
		require.Len(t, set.Ranges, len(set.Cuts))
		for i, cut := range set.Cuts {
			require.Equal(t, cut.Low, set.Ranges[i].Low, set.Name)
			r, ok := set.Range(cut.Band)
			require.True(t, ok)
			require.Equal(t, set.Ranges[i], r)
		}
	}
	_, ok := scoring.UsualBands.Range(scoring.ModerateOrSevere)
	require.False(t, ok)
}

func TestBandNeverFallsAsTheScoreRises(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		set := rapid.SampledFrom(everySet()).Draw(t, "set")
		low := rapid.Int32Range(0, int32(set.Measure.Max())).Draw(t, "low")
		high := rapid.Int32Range(low, int32(set.Measure.Max())).Draw(t, "high")
		require.LessOrEqual(t, set.Band(scoring.Points(low)), set.Band(scoring.Points(high)))
	})
}

// 24.96 prints as 25.0 with one decimal and is mild; the bands see the exact
// value (arithmetic: A 9.8 %, B 6, C 2).
func TestBandIsOfTheExactScore(t *testing.T) {
	t.Parallel()
	total := score(t, complete(98, [scoring.SignCount]uint8{1, 1, 1, 1, 1, 1}, 10, 10)).Scorad.Value
	require.Equal(t, "24.96", total.String())
	require.Equal(t, "25.0", halfUp(big.NewRat(int64(total), 50), 1))
	require.Equal(t, scoring.Mild, scoring.UsualBands.Band(total))
}

func TestScoresOutsideTheRangeTakeTheNearestBand(t *testing.T) {
	t.Parallel()
	require.Equal(t, scoring.Clear, scoring.UsualBands.Band(-1))
	require.Equal(t, scoring.Severe, scoring.UsualBands.Band(scoring.MaxScorad+1))
}

func TestSetIsFoundByItsName(t *testing.T) {
	t.Parallel()
	names := map[string]bool{}
	for _, set := range scoring.BandSets() {
		found, ok := scoring.BandSetByName(set.Name)
		require.True(t, ok, set.Name)
		require.Equal(t, set, found)
		require.Equal(t, scoring.OfScorad, set.Measure)
		names[set.Name] = true
	}
	require.Len(t, names, 6, "names differ")
	_, ok := scoring.BandSetByName("no-such-set")
	require.False(t, ok)
}

// A set for the objective score, asked for by name to band totals, would call
// nearly everybody severe.
func TestObjectiveSetIsNotFoundForTotals(t *testing.T) {
	t.Parallel()
	require.Len(t, scoring.ObjectiveBandSets(), 1)
	for _, set := range scoring.ObjectiveBandSets() {
		require.Equal(t, scoring.OfObjective, set.Measure)
		_, ok := scoring.BandSetByName(set.Name)
		require.False(t, ok, set.Name)
	}
}

func TestUsualSetIsTheFirstAndTheDefault(t *testing.T) {
	t.Parallel()
	require.Equal(t, "usual-25-50", scoring.DefaultBandSet)
	require.Equal(t, scoring.UsualBands, scoring.BandSets()[0])
	require.Equal(t, scoring.DefaultBandSet, scoring.UsualBands.Name)
}

// A caller that changes its copy changes nobody else's bands.
func TestChangingACopyLeavesTheSetsAlone(t *testing.T) {
	t.Parallel()
	spoil := func(set scoring.BandSet) {
		set.Cuts[0].Band, set.Ranges[0].High, set.Source.Limits[0] = scoring.Severe, 0, "spoilt"
	}
	for _, set := range everySet() {
		spoil(set)
	}
	byName, _ := scoring.BandSetByName("teaching-20-40")
	spoil(byName)
	for _, set := range everySet() {
		require.NotEqual(t, scoring.Severe, set.Cuts[0].Band, set.Name)
		require.NotZero(t, set.Source.Limits[0].Text(), set.Name)
		require.Equal(t, set.Band(0), set.Cuts[0].Band, set.Name)
	}
	again, _ := scoring.BandSetByName("teaching-20-40")
	require.NotEqual(t, byName, again)
}

// Sets that rest on little say so where a program can see it.
func TestEverySetNamesItsSourceAndLimits(t *testing.T) {
	t.Parallel()
	for _, set := range everySet() {
		requireSource(t, set.Name, set.Source)
	}
	require.Contains(t, scoring.UsualBands.Source.Limits, scoring.ExpertConvention)
	require.Contains(t, scoring.UsualBands.Source.Limits, scoring.QuotedOnly)
	for name, want := range map[string][]scoring.Limit{
		"chopra-2017":   {scoring.RatedByClinicians, scoring.Age13AndOver},
		"barbarot-2024": {scoring.RatedByFamilies, scoring.Age2To6},
		"variant-25-49": {scoring.GapClosed},
	} {
		set, ok := scoring.BandSetByName(name)
		require.True(t, ok)
		require.Subset(t, set.Source.Limits, want, name)
	}
}

// requireSource wants a citation, and limits that each have a sentence.
func requireSource(t *testing.T, name string, source scoring.Source) {
	t.Helper()
	require.NotEmpty(t, source.Citation, name)
	require.NotEmpty(t, source.Limits, name)
	for _, limit := range source.Limits {
		require.NotEmpty(t, limit.Text(), "%s %s", name, limit)
	}
}

func TestUnknownLimitHasNoSentence(t *testing.T) {
	t.Parallel()
	require.Empty(t, scoring.Limit("no-such-limit").Text())
}
