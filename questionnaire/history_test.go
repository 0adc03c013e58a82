package questionnaire_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// The day that the entries of these tests are of, at noon, and what is a day in
// milliseconds.
const (
	today = int64(20_000)
	noon  = today*aDay + aDay/2
	aDay  = int64(86_400_000)
)

// entered is a self-assessment by the mother, of 40 points, entered as it was made by
// someone who has rated before.
func entered(change func(*questionnaire.Entry)) *questionnaire.Entry {
	e := &questionnaire.Entry{Rated: ratedAgo(0, nil), Earliest: noon, Now: noon, EnteredDay: today, Fresh: true}
	e.Key = "entry"
	if change != nil {
		change(e)
	}
	return e
}

// ratedAgo is such a score some days before.
func ratedAgo(daysAgo int64, change func(*questionnaire.Rated)) questionnaire.Rated {
	r := questionnaire.Rated{Day: today - daysAgo, At: noon - daysAgo*aDay, Respondent: "RelatedPerson/mother",
		Rater: scoring.RatedBySelf, Method: scoring.ByDirect, Total: scoring.Answer(scoring.Points(40 * scoring.PointsPerUnit))}
	if change != nil {
		change(&r)
	}
	return r
}

// practised are scores that leave nothing to remark on.
func practised(more ...questionnaire.Rated) []questionnaire.Rated {
	return append([]questionnaire.Rated{ratedAgo(20, nil), ratedAgo(10, nil)}, more...)
}

func whole(points int) scoring.Optional[scoring.Points] {
	return scoring.Answer(scoring.Points(points * scoring.PointsPerUnit))
}

// judged gives the codes of the warnings.
func judged(e *questionnaire.Entry, others ...questionnaire.Rated) []string {
	var codes []string
	for _, q := range questionnaire.Judge(e, others) {
		codes = append(codes, q.Warning().Code)
	}
	return codes
}

// W07: scores less than three days apart share days of the recall (ETFAD training
// pages: three days and nights); that 20 points are a large change is our own choice.
func TestLargeOrEarlyChangeIsMarked(t *testing.T) {
	t.Parallel()
	with := func(daysAgo int64, total scoring.Optional[scoring.Points]) questionnaire.Rated {
		return ratedAgo(daysAgo, func(r *questionnaire.Rated) { r.Total = total })
	}
	twentyAndMore := scoring.Answer(scoring.Points(20*scoring.PointsPerUnit - 1)) // 20.02 less than 40
	for name, c := range map[string]struct {
		other questionnaire.Rated
		want  bool
	}{
		"TwoDaysBeforeSharesDays":            {with(2, whole(40)), true},
		"TwoDaysAfterSharesDaysToo":          {with(-2, whole(40)), true},
		"ThreeDaysBeforeSharesNone":          {with(3, whole(40)), false},
		"ThreeDaysAndTwentyPoints":           {with(3, whole(20)), false},
		"ThreeDaysAndMoreThanTwenty":         {with(3, twentyAndMore), true},
		"ThreeDaysAfterAndMoreThanTwenty":    {with(-3, twentyAndMore), true},
		"MoreThanTwentyTheOtherWay":          {with(3, whole(61)), true},
		"FourDaysWhateverThePoints":          {with(4, whole(0)), false},
		"WithoutATotalOnlyTheDaysCount":      {with(3, scoring.Optional[scoring.Points]{}), false},
		"WithoutATotalTheDaysDoCount":        {with(1, scoring.Optional[scoring.Points]{}), true},
		"AnotherMethodIsAnotherSeries":       {ratedAgo(1, func(r *questionnaire.Rated) { r.Method = scoring.ByHands }), false},
		"AnotherKindOfRaterIsAnotherSeries":  {ratedAgo(1, func(r *questionnaire.Rated) { r.Rater = scoring.RatedByClinician }), false},
		"AnotherRespondentIsTheSameSeriesOf": {ratedAgo(1, func(r *questionnaire.Rated) { r.Respondent = "RelatedPerson/father" }), true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, slices.Contains(judged(entered(nil), practised(c.other)...), "large-or-early-change"))
		})
	}
}

// W08: the proportions of a child are others (Lund CC, Browder NC. Surg Gynecol Obstet
// 1944;79:352-358), so that a chart of another age gives another extent.
func TestChartThatDoesNotFitTheAgeIsMarked(t *testing.T) {
	t.Parallel()
	drawn := func(chart scoring.AgeGroup, born questionnaire.Born) *questionnaire.Entry {
		return entered(func(e *questionnaire.Entry) { e.Method, e.Chart, e.Born = scoring.ByRegions, chart, born })
	}
	aged := func(group scoring.AgeGroup) questionnaire.Born {
		return questionnaire.Born{Asked: true, Known: true, AgeGroup: group}
	}
	groups := []scoring.AgeGroup{scoring.TwoAndOver, scoring.OneToTwo, scoring.UnderOne}
	for _, chart := range groups {
		for _, group := range groups {
			require.Equal(t, chart != group, slices.Contains(judged(drawn(chart, aged(group))), "age-and-chart-differ"), "%s drawn on %s", group, chart)
		}
		require.Contains(t, judged(drawn(chart, questionnaire.Born{Asked: true})), "age-and-chart-differ", "a patient whose age is missing")
		require.NotContains(t, judged(drawn(chart, questionnaire.Born{})), "age-and-chart-differ", "a patient nobody asked about")
	}
	infant := entered(func(e *questionnaire.Entry) { e.Born = aged(scoring.UnderOne) })
	require.NotContains(t, judged(infant), "age-and-chart-differ", "without a chart")
}

// W09: raters have profiles of their own (Kunz B et al. Dermatology 1997;195:10-19),
// and methods give different extents.
func TestOtherCircumstancesAreMarked(t *testing.T) {
	t.Parallel()
	const code = "circumstances-differ"
	father := func(r *questionnaire.Rated) { r.Respondent = "RelatedPerson/father" }
	require.NotContains(t, judged(entered(nil), practised()...), code)
	require.NotContains(t, judged(entered(nil)), code, "there is no last score")
	require.Contains(t, judged(entered(nil), practised(ratedAgo(5, father))...), code)
	require.Contains(t, judged(entered(nil), practised(ratedAgo(5, func(r *questionnaire.Rated) { r.Respondent = "" }))...), code)
	require.Contains(t, judged(entered(nil), practised(ratedAgo(5, func(r *questionnaire.Rated) { r.Method = scoring.ByHands }))...), code)
	require.NotContains(t, judged(entered(nil), practised(ratedAgo(15, father))...), code, "it is not the last")
	require.NotContains(t, judged(entered(nil), practised(ratedAgo(-2, father))...), code, "it is after this one")
	require.NotContains(t, judged(entered(nil), practised(ratedAgo(5, func(r *questionnaire.Rated) { r.Rater = scoring.RatedByClinician }))...), code)
	one, two := ratedAgo(5, func(r *questionnaire.Rated) { r.Key = "a" }), ratedAgo(5, func(r *questionnaire.Rated) { father(r); r.Key = "b" })
	for _, others := range [][]questionnaire.Rated{practised(one, two), practised(two, one)} {
		require.Contains(t, judged(entered(nil), others...), code, "of those of one moment the last is always the same")
	}
	clinician := func(r *questionnaire.Rated) { r.Rater, r.Respondent = scoring.RatedByClinician, "Practitioner/a" }
	another := func(r *questionnaire.Rated) { r.Rater, r.Respondent = scoring.RatedByClinician, "Practitioner/b" }
	require.Contains(t, judged(entered(func(e *questionnaire.Entry) { clinician(&e.Rated) }), ratedAgo(5, another)), code)
}

// W10: a drawing of whole parts only, twice.
func TestCoarseDrawingIsMarked(t *testing.T) {
	t.Parallel()
	const code = "coarse-extent"
	coarse := func(r *questionnaire.Rated) { r.Method, r.Coarse = scoring.ByRegions, true }
	fine := func(r *questionnaire.Rated) { r.Method = scoring.ByRegions }
	now := entered(func(e *questionnaire.Entry) { coarse(&e.Rated) })
	require.Contains(t, judged(now, ratedAgo(30, coarse), ratedAgo(5, nil)), code, "the last that was drawn")
	require.NotContains(t, judged(now, ratedAgo(30, coarse), ratedAgo(5, fine)), code)
	require.NotContains(t, judged(now, ratedAgo(5, nil)), code, "once may be so")
	require.NotContains(t, judged(entered(func(e *questionnaire.Entry) { fine(&e.Rated) }), ratedAgo(5, coarse)), code)

	var drawing [scoring.RegionCount]scoring.Optional[uint8]
	require.False(t, questionnaire.CoarseDrawing(&drawing), "nothing answered")
	for i := range drawing {
		drawing[i] = scoring.Answer(uint8(0))
	}
	require.False(t, questionnaire.CoarseDrawing(&drawing), "clear skin")
	drawing[scoring.ArmLeftFront], drawing[scoring.ArmRightFront] = scoring.Answer(uint8(100)), scoring.Answer(uint8(100))
	require.True(t, questionnaire.CoarseDrawing(&drawing))
	drawing[scoring.HeadBack] = scoring.Answer(uint8(99))
	require.False(t, questionnaire.CoarseDrawing(&drawing))
	for i := range drawing {
		drawing[i] = scoring.Answer(uint8(100))
	}
	require.False(t, questionnaire.CoarseDrawing(&drawing), "all the skin; there is nothing finer to say")
}

// W11: both are kept, and the last of a day counts in a trend.
func TestTwoOfOneDayAreMarked(t *testing.T) {
	t.Parallel()
	const code = "two-on-one-day"
	hour := func(r *questionnaire.Rated) { r.At += aDay / 24 }
	require.Contains(t, judged(entered(nil), practised(ratedAgo(0, nil))...), code)
	require.Contains(t, judged(entered(nil), practised(ratedAgo(0, hour))...), code, "later on the day")
	require.NotContains(t, judged(entered(nil), practised(ratedAgo(1, nil))...), code)
	require.NotContains(t, judged(entered(nil), practised(ratedAgo(0, func(r *questionnaire.Rated) { r.Respondent = "RelatedPerson/father" }))...), code)
	require.NotContains(t, judged(entered(nil), practised(ratedAgo(0, func(r *questionnaire.Rated) { r.Rater = scoring.RatedByClinician }))...), code)
}

// W12: what no date of a rating can be.
func TestImplausibleDatesAreMarked(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*questionnaire.Entry)
		want   bool
	}{
		"Now":                    {nil, false},
		"FiveMinutesAhead":       {func(e *questionnaire.Entry) { e.Earliest = e.Now + 5*60*1000 }, false},
		"MoreThanAClockIsWrong":  {func(e *questionnaire.Entry) { e.Earliest = e.Now + 5*60*1000 + 1 }, true},
		"ThreeDaysLate":          {func(e *questionnaire.Entry) { e.EnteredDay += 3 }, false},
		"FourDaysLate":           {func(e *questionnaire.Entry) { e.EnteredDay += 4 }, true},
		"CorrectedFourDaysLater": {func(e *questionnaire.Entry) { e.EnteredDay, e.Fresh = e.EnteredDay+4, false }, false},
		"OnTheDayOfBirth":        {func(e *questionnaire.Entry) { e.Born = questionnaire.Born{Known: true, First: today, Last: today} }, false},
		"TheDayBeforeBirth": {func(e *questionnaire.Entry) {
			e.Born = questionnaire.Born{Known: true, First: today + 1, Last: today + 1}
		}, true},
		"InTheYearOfBirth": {func(e *questionnaire.Entry) {
			e.Born = questionnaire.Born{Known: true, First: today - 100, Last: today + 264}
		}, false},
		"OfWhomNoBirthDateIsKnown": {func(e *questionnaire.Entry) { e.Born = questionnaire.Born{Asked: true, First: today + 1} }, false},
		"AheadAndCorrected":        {func(e *questionnaire.Entry) { e.Earliest, e.Fresh = e.Now+aDay, false }, true},
		"BeforeBirthAndCorrectedTo": {func(e *questionnaire.Entry) {
			e.Born, e.Fresh = questionnaire.Born{Known: true, First: today + 1}, false
		}, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, slices.Contains(judged(entered(c.change), practised()...), "date-implausible"))
		})
	}
}

// W14: agreement with the team is weak at first and better with practice (Stalder JF
// et al. Allergy 2011;66:1114-1121: r 0.67, then 0.79; Vourc'h-Jourdain M et al.
// Dermatology 2009;218:246-251: 0.26, then 0.61).
func TestFirstTwoSelfAssessmentsAreMarked(t *testing.T) {
	t.Parallel()
	const code = "learning"
	clinician := func(r *questionnaire.Rated) { r.Rater = scoring.RatedByClinician }
	require.Equal(t, []string{code}, judged(entered(nil)))
	require.Equal(t, []string{code}, judged(entered(nil), ratedAgo(7, nil)))
	require.Empty(t, judged(entered(nil), ratedAgo(14, nil), ratedAgo(7, nil)))
	require.Contains(t, judged(entered(nil), ratedAgo(7, nil), ratedAgo(-7, nil)), code, "what is later is no practice")
	require.Contains(t, judged(entered(nil), ratedAgo(14, clinician), ratedAgo(7, clinician)), code)
	require.Empty(t, judged(entered(func(e *questionnaire.Entry) { clinician(&e.Rated) })), "the team has practised")
}

// Every warning asks to look again, and those that ask for nothing to be corrected
// are information. None names a treatment or blames anybody.
func TestHistoryWarningsAreTold(t *testing.T) {
	t.Parallel()
	told := map[string]string{}
	for _, q := range questionnaire.HistoryWarnings {
		issue := q.Issue("QuestionnaireResponse")
		require.Contains(t, issue.Text, "lease ", "it says please, and what to look at")
		require.NotRegexp(t, `(?i)wrong|mistake|fault|treat|medicine|cream|flare`, issue.Text)
		require.Equal(t, questionnaire.DataQualitySystem, issue.DetailSystem)
		told[issue.Detail] = string(issue.Severity)
	}
	require.Equal(t, map[string]string{
		"large-or-early-change": "warning", "age-and-chart-differ": "warning", "date-implausible": "warning",
		"circumstances-differ": "information", "coarse-extent": "information", "two-on-one-day": "information", "learning": "information",
	}, told)
}

// Whatever scores there are: their order does not matter, those of the other kind of
// rater do not, and none is further from the entry than the rules look.
func TestJudgeProperties(t *testing.T) {
	t.Parallel()
	one := rapid.Custom(func(t *rapid.T) questionnaire.Rated {
		day := rapid.Int64Range(-4, 4).Draw(t, "day")
		return questionnaire.Rated{Key: rapid.StringMatching(`[a-z]{6}`).Draw(t, "key"), Day: today + day, At: noon + day*aDay + rapid.Int64Range(0, 1).Draw(t, "hour"),
			Respondent: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "by"), Rater: rapid.SampledFrom([]scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician}).Draw(t, "rater"),
			Method: rapid.SampledFrom([]scoring.Method{scoring.ByRegions, scoring.ByDirect}).Draw(t, "method"), Coarse: rapid.Bool().Draw(t, "coarse"),
			Total: scoring.Answer(scoring.Points(rapid.IntRange(0, 5150).Draw(t, "total")))}
	})
	rapid.Check(t, func(t *rapid.T) {
		e := &questionnaire.Entry{Rated: one.Draw(t, "entry"), Earliest: noon, Now: noon, EnteredDay: today}
		others := rapid.SliceOfNDistinct(one, 0, 8, func(r questionnaire.Rated) string { return r.Key }).Draw(t, "others")
		want := judged(e, others...)
		require.Equal(t, want, judged(e, rapid.Permutation(others).Draw(t, "order")...))
		require.Equal(t, want, judged(e, slices.DeleteFunc(slices.Clone(others), func(r questionnaire.Rated) bool { return r.Rater != e.Rater })...))
		for _, other := range others {
			swapped := &questionnaire.Entry{Rated: other, Earliest: noon, Now: noon, EnteredDay: today}
			for _, code := range []string{"large-or-early-change", "two-on-one-day"} {
				require.Equal(t, slices.Contains(judged(e, other), code), slices.Contains(judged(swapped, e.Rated), code), "%s is of two", code)
			}
		}
	})
}
