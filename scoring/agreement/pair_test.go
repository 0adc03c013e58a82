package agreement_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
)

const (
	family, team = scoring.RatedBySelf, scoring.RatedByClinician
	hour, day    = int64(3_600_000), int64(86_400_000)
)

// rating of Oona on a day, some hours after midnight.
func rating(key string, rater scoring.Rater, on, hours int64) agreement.Rating {
	return agreement.Rating{Key: key, Patient: "oona", Rater: rater, Method: scoring.ByHands, Day: on, At: on*day + hours*hour}
}

func names(pairs []agreement.Pair) []string {
	var all []string
	for _, p := range pairs {
		all = append(all, p.Self.Key+"-"+p.Clinician.Key)
	}
	return all
}

func TestMatch(t *testing.T) {
	t.Parallel()
	visit := rating("visit", team, 10, 9)
	other := rating("other", family, 10, 9)
	other.Patient = "casper"
	for name, c := range map[string]struct {
		ratings []agreement.Rating
		want    []string
	}{
		"Nothing":                       {nil, nil},
		"ThreeDaysBefore":               {[]agreement.Rating{visit, rating("a", family, 7, 0)}, []string{"a-visit"}},
		"ThreeDaysAfter":                {[]agreement.Rating{visit, rating("a", family, 13, 23)}, []string{"a-visit"}},
		"FourDaysBefore":                {[]agreement.Rating{visit, rating("a", family, 6, 23)}, nil},
		"FourDaysAfter":                 {[]agreement.Rating{visit, rating("a", family, 14, 0)}, nil},
		"TheNearestDay":                 {[]agreement.Rating{rating("a", family, 8, 9), visit, rating("b", family, 11, 9)}, []string{"b-visit"}},
		"TheNearestMoment":              {[]agreement.Rating{rating("a", family, 10, 7), visit, rating("b", family, 10, 10)}, []string{"b-visit"}},
		"TheEarlierOfTwo":               {[]agreement.Rating{rating("b", family, 10, 10), visit, rating("a", family, 10, 8)}, []string{"a-visit"}},
		"TheDayBeforeTheMoment":         {[]agreement.Rating{rating("a", family, 9, 23), visit, rating("b", family, 10, 23)}, []string{"b-visit"}},
		"EachOnce":                      {[]agreement.Rating{rating("a", family, 10, 8), visit, rating("second", team, 11, 8)}, []string{"a-visit"}},
		"EachWithAnother":               {[]agreement.Rating{rating("a", family, 10, 8), visit, rating("second", team, 12, 8), rating("b", family, 13, 8)}, []string{"a-visit", "b-second"}},
		"NearestFirstNotEarliestFirst":  {[]agreement.Rating{rating("first", team, 8, 8), rating("a", family, 10, 8), visit, rating("b", family, 6, 8)}, []string{"b-first", "a-visit"}},
		"NobodyElses":                   {[]agreement.Rating{visit, other}, nil},
		"TwoOfTheFamilyAreNoPair":       {[]agreement.Rating{rating("a", family, 10, 8), rating("b", family, 10, 9)}, nil},
		"TwoOfTheTeamAreNoPair":         {[]agreement.Rating{visit, rating("second", team, 10, 10)}, nil},
		"AMomentOfTwoTakesTheLesserKey": {[]agreement.Rating{rating("b", family, 10, 9), rating("a", family, 10, 9), visit}, []string{"a-visit"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, names(agreement.Match(c.ratings)))
			slices.Reverse(c.ratings)
			require.Equal(t, c.want, names(agreement.Match(c.ratings)), "whatever the order")
		})
	}
}

// TestMatchKeepsItsRule holds any pairs to the rule: within the window, each
// once, nobody left who could be paired, and no better partner let go.
func TestMatchKeepsItsRule(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var all []agreement.Rating
		for i := range rapid.IntRange(0, 25).Draw(t, "n") {
			r := rating(fmt.Sprint(i), rapid.SampledFrom([]scoring.Rater{family, team}).Draw(t, "rater"), rapid.Int64Range(0, 20).Draw(t, "day"), rapid.Int64Range(0, 23).Draw(t, "hour"))
			r.Patient = rapid.SampledFrom([]string{"oona", "casper"}).Draw(t, "patient")
			all = append(all, r)
		}
		pairs := agreement.Match(all)
		nearness := map[string]int64{}
		distance := func(a, b agreement.Rating) int64 { return max(a.Day-b.Day, b.Day-a.Day) }
		for _, p := range pairs {
			require.Equal(t, family, p.Self.Rater)
			require.Equal(t, team, p.Clinician.Rater)
			require.Equal(t, p.Self.Patient, p.Clinician.Patient)
			require.LessOrEqual(t, distance(p.Self, p.Clinician), int64(3))
			for _, key := range []string{p.Self.Key, p.Clinician.Key} {
				require.NotContains(t, nearness, key, "used twice")
				nearness[key] = distance(p.Self, p.Clinician)
			}
		}
		for _, a := range all {
			for _, b := range all {
				if a.Patient != b.Patient || a.Rater != family || b.Rater != team || distance(a, b) > 3 {
					continue
				}
				nearA, okA := nearness[a.Key]
				nearB, okB := nearness[b.Key]
				require.True(t, okA || okB, "both were left over")
				better := (!okA || nearA > distance(a, b)) && (!okB || nearB > distance(a, b))
				require.False(t, better, "both would be nearer to each other")
			}
		}
	})
}

func TestLatestOfEach(t *testing.T) {
	t.Parallel()
	pair := func(patient, key string) agreement.Pair {
		p := agreement.Pair{Self: rating("self-"+key, family, 1, 1), Clinician: rating(key, team, 1, 1)}
		p.Self.Patient, p.Clinician.Patient = patient, patient
		return p
	}
	kept := agreement.LatestOfEach([]agreement.Pair{pair("oona", "1"), pair("casper", "2"), pair("oona", "3"), pair("mirren", "4"), pair("casper", "5")})
	require.Equal(t, []string{"self-3-3", "self-4-4", "self-5-5"}, names(kept))
	require.Empty(t, agreement.LatestOfEach(nil))
}
