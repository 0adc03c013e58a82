package trend_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

const (
	family, team   = scoring.RatedBySelf, scoring.RatedByClinician
	palms, regions = scoring.ByHands, scoring.ByRegions
)

// score of a day at noon.
func score(key string, day int64, by string, rater scoring.Rater, method scoring.Method, points scoring.Points) trend.Score {
	return trend.Score{Key: key, Day: day, At: day*86_400_000 + 43_200_000, Respondent: by, Rater: rater, Method: method, Points: points}
}

func keys(scores []trend.Score) []string {
	var all []string
	for _, s := range scores {
		all = append(all, s.Key)
	}
	return all
}

func TestSeriesAreNeverMixed(t *testing.T) {
	t.Parallel()
	all := []trend.Score{
		score("a", 1, "mother", family, palms, 2000), score("b", 2, "doctor", team, regions, 1900), score("c", 3, "mother", family, regions, 1800),
		score("d", 4, "mother", family, palms, 1700), score("e", 5, "doctor", team, palms, 1600), score("f", 6, "doctor", team, regions, 1500),
	}
	series := trend.Group(all, -everything, everything)
	var got [][]string
	for _, s := range series {
		got = append(got, append([]string{s.Rater.String() + "-" + s.Method.String()}, keys(s.Scores)...))
	}
	require.Equal(t, [][]string{{"self-regions", "c"}, {"self-hands", "a", "d"}, {"clinician-regions", "b", "f"}, {"clinician-hands", "e"}}, got)
	require.Empty(t, trend.Group(nil, -everything, everything))
}

func TestGroupTakesAnyOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var all []trend.Score
		for i, day := range rapid.SliceOfN(rapid.Int64Range(0, 30), 1, 25).Draw(t, "days") {
			s := score(string(rune('a'+i)), day, rapid.SampledFrom([]string{"mother", "father"}).Draw(t, "by"), rapid.SampledFrom([]scoring.Rater{family, team}).Draw(t, "rater"),
				rapid.SampledFrom([]scoring.Method{palms, regions}).Draw(t, "method"), scoring.Points(rapid.IntRange(0, 5150).Draw(t, "points")))
			all = append(all, s)
		}
		want := trend.Group(all, -everything, everything)
		shuffled := slices.Clone(all)
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		random.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		require.Equal(t, want, trend.Group(shuffled, -everything, everything))
		count := 0
		for _, s := range want {
			count += s.Count
			require.True(t, slices.IsSortedFunc(s.Scores, func(a, b trend.Score) int { return int(a.Day - b.Day) }))
			for _, one := range s.Scores {
				require.Equal(t, s.Rater, one.Rater)
				require.Equal(t, s.Method, one.Method)
			}
			for _, one := range s.Line() {
				require.True(t, s.Rater == team || one.Respondent == s.Latest().Respondent)
			}
		}
		require.Equal(t, len(all), count)
	})
}

func TestTheLastOfADayCounts(t *testing.T) {
	t.Parallel()
	morning, evening := score("morning", 3, "mother", family, palms, 2000), score("evening", 3, "mother", family, palms, 2500)
	evening.At += 3_600_000
	s := trend.Group([]trend.Score{evening, morning, score("before", 1, "mother", family, palms, 1000)}, -everything, everything)[0]
	require.Equal(t, []string{"before", "evening"}, keys(s.Scores))
	require.Equal(t, 3, s.Count)
	require.Contains(t, s.Warnings(), trend.SeveralOnOneDay)
}

func TestADaysOrderIsThatOfItsPlace(t *testing.T) {
	t.Parallel()
	// A score of the later day may be given earlier, far to the east.
	east, west := score("east", 2, "mother", family, palms, 1000), score("west", 1, "mother", family, palms, 2000)
	east.At, west.At = 100, 200
	s := trend.Group([]trend.Score{east, west}, -everything, everything)[0]
	require.Equal(t, []string{"west", "east"}, keys(s.Scores))
}

func TestPeriod(t *testing.T) {
	t.Parallel()
	var all []trend.Score
	for day := range int64(6) {
		all = append(all, score(string(rune('a'+day)), day, "mother", family, palms, 1000))
	}
	s := trend.Group(all, 1, 4)[0]
	require.Equal(t, []string{"b", "c", "d", "e"}, keys(s.Scores))
	require.True(t, s.Scores[0].Learning, "the second self-assessment, though the first is before the period")
	require.False(t, s.Scores[1].Learning)
	require.Empty(t, trend.Group(all, 7, 9))
}

func TestAFamilysLineBeginsWithItsRespondent(t *testing.T) {
	t.Parallel()
	// Clinical judgement, marked so in the product's notes: a change of respondent
	// breaks the trend line.
	by := []string{"mother", "father", "father", "mother", "mother", "mother"}
	var own, clinic []trend.Score
	for day, name := range by {
		own = append(own, score(string(rune('a'+day)), int64(7*day), name, family, palms, 1000))
		clinic = append(clinic, score(string(rune('a'+day)), int64(7*day), name, team, palms, 1000))
	}
	s := trend.Group(own, -everything, everything)[0]
	require.Equal(t, []string{"d", "e", "f"}, keys(s.Line()))
	require.Equal(t, []trend.Warning{trend.TooFewDays, trend.LineBegins}, s.Warnings())
	s = trend.Group(clinic, -everything, everything)[0]
	require.Len(t, s.Line(), len(by), "the team's line has all")
	require.Equal(t, []trend.Warning{trend.ScorersDiffer}, s.Warnings())
	s = trend.Group(clinic[3:], -everything, everything)[0]
	require.Equal(t, []trend.Warning{trend.TooFewDays}, s.Warnings())
}

func TestScoresThatShareDaysAreMarked(t *testing.T) {
	t.Parallel()
	apart := func(days int64) []trend.Warning {
		var all []trend.Score
		for i := range int64(5) {
			all = append(all, score(string(rune('a'+i)), i*days, "mother", family, palms, 1000))
		}
		return trend.Group(all, -everything, everything)[0].Warnings()
	}
	require.Equal(t, []trend.Warning{trend.RecallOverlaps}, apart(2))
	require.Empty(t, apart(3))
}

func TestEveryWarningHasItsSentence(t *testing.T) {
	t.Parallel()
	for _, w := range []trend.Warning{trend.TooFewDays, trend.TooManyDays, trend.LineBegins, trend.ScorersDiffer, trend.SeveralOnOneDay,
		trend.RecallOverlaps, trend.GapLeftOut, trend.RespondentDiffers, trend.Learning, trend.NoPercent} {
		require.NotEmpty(t, w.Text(), w)
		require.NotContains(t, w.Text(), "flare")
	}
	require.Empty(t, trend.Warning("unheard-of").Text())
}
