package scoring_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// middling is a complete assessment of 39.80 points, objective 31.70.
func middling() scoring.Assessment {
	return complete(185, [scoring.SignCount]uint8{2, 1, 1, 2, 1, 1}, 57, 24)
}

// byRegions is a complete assessment by regions with the front of the trunk
// drawn, 18 %.
func byRegions() scoring.Assessment {
	a := middling()
	a.Method, a.AgeGroup = scoring.ByRegions, scoring.TwoAndOver
	for i, percent := range drawn(scoring.TrunkFront) {
		a.Regions[i] = scoring.Answer(percent)
	}
	return a
}

// All items should be filled in (Oranje AP et al. Br J Dermatol
// 2007;157:645-648), and no rule for estimating a missing one was found: what
// needs it has no value, what does not need it has.
func TestMissingAnswerTakesAwayOnlyWhatNeedsIt(t *testing.T) {
	t.Parallel()
	present := func(r scoring.Result) (has [6]bool) {
		return [6]bool{
			r.Extent.Answered, r.ExtentPart.Answered, r.IntensityPart.Answered,
			r.SubjectivePart.Answered, r.Objective.Answered, r.Scorad.Answered,
		}
	}
	var (
		everything = [6]bool{true, true, true, true, true, true}
		noExtent   = [6]bool{false, false, true, true, false, false}
		noGrade    = [6]bool{true, true, false, true, false, false}
		noSymptom  = [6]bool{true, true, true, false, true, false}
	)
	check := func(name string, want [6]bool, a scoring.Assessment) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, want, present(score(t, a)))
		})
	}
	check("NothingMissing", everything, middling())
	check("NothingMissingByRegions", everything, byRegions())

	a := middling()
	a.Direct = scoring.Optional[scoring.Tenths]{}
	check("NoDirectExtent", noExtent, a)
	a.Method, a.Direct = scoring.ByHands, scoring.Answer[scoring.Tenths](185)
	check("NoHands", noExtent, a)
	a.Method = scoring.MethodUnknown
	check("NoMethod", noExtent, a)
	for i := range scoring.RegionCount {
		a = byRegions()
		a.Regions[i] = scoring.Optional[uint8]{}
		check("NoRegion/"+scoring.Region(i).String(), noExtent, a)
	}
	a = byRegions()
	a.AgeGroup = scoring.AgeGroupUnknown
	check("NoAgeGroup", noExtent, a)
	for i := range scoring.SignCount {
		a = middling()
		a.Grades[i] = scoring.Optional[uint8]{}
		check("NoGrade/"+scoring.Sign(i).String(), noGrade, a)
	}
	a = middling()
	a.Itch = scoring.Optional[scoring.Tenths]{}
	check("NoItch", noSymptom, a)
	a = middling()
	a.SleepLoss = scoring.Optional[scoring.Tenths]{}
	check("NoSleepLoss", noSymptom, a)
	check("NothingAnswered", [6]bool{}, scoring.Assessment{})
}

// Zero is an answer and blank is not.
func TestZeroIsAnAnswer(t *testing.T) {
	t.Parallel()
	result := score(t, complete(0, [scoring.SignCount]uint8{}, 0, 0))
	require.Equal(t, scoring.Answer[scoring.Points](0), result.Scorad)
	require.Equal(t, scoring.Optional[scoring.Points]{}, score(t, scoring.Assessment{Method: scoring.ByDirect}).Scorad)
}

// 10 points may be added to the objective score, of at most 83, for severe
// disfiguring eczema of face and hands (Oranje 2007; Oranje AP. Curr Probl
// Dermatol 2011;41:149-155), making 93. Nothing read adds them to SCORAD.
func TestBonusNeedsAClinicianWhoFlagged(t *testing.T) {
	t.Parallel()
	type flag = scoring.Optional[bool]
	cases := map[string]struct {
		rater scoring.Rater
		flag  flag
		want  scoring.Optional[scoring.Points]
	}{
		"ClinicianFlagged":      {scoring.RatedByClinician, scoring.Answer(true), scoring.Answer(scoring.MaxObjectiveWithBonus)},
		"ClinicianDidNotFlag":   {scoring.RatedByClinician, scoring.Answer(false), scoring.Optional[scoring.Points]{}},
		"ClinicianLeftBlank":    {scoring.RatedByClinician, flag{}, scoring.Optional[scoring.Points]{}},
		"BlankHoldingALeftover": {scoring.RatedByClinician, flag{Value: true}, scoring.Optional[scoring.Points]{}},
		"FamilyCannotFlag":      {scoring.RatedBySelf, scoring.Answer(true), scoring.Optional[scoring.Points]{}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := complete(1000, [scoring.SignCount]uint8{3, 3, 3, 3, 3, 3}, 100, 100)
			a.Rater, a.FaceOrHands = c.rater, c.flag
			result := score(t, a)
			require.Equal(t, c.want, result.ObjectiveWithBonus)
			require.Equal(t, scoring.Answer(scoring.MaxObjective), result.Objective)
			require.Equal(t, scoring.Answer(scoring.MaxScorad), result.Scorad)
		})
	}
}

func TestBonusNeedsAnObjectiveScore(t *testing.T) {
	t.Parallel()
	a := middling()
	a.Rater, a.FaceOrHands, a.Grades[scoring.Dryness] = scoring.RatedByClinician, scoring.Answer(true), scoring.Optional[uint8]{}
	require.False(t, score(t, a).ObjectiveWithBonus.Answered)
}

// What was also seen, and answers to other methods, add nothing.
func TestUnscoredAnswersAddNothing(t *testing.T) {
	t.Parallel()
	want := score(t, middling())
	a := middling()
	for i := range a.AlsoSeen {
		a.AlsoSeen[i] = scoring.Answer(true)
	}
	for i := range a.Regions {
		a.Regions[i] = scoring.Answer[uint8](100)
	}
	a.Hands, a.AgeGroup = scoring.Answer[scoring.Tenths](1000), scoring.UnderOne
	require.Equal(t, want, score(t, a))
}

// The refusals of the check table: an extent of 100.1 % or -1 %, a grade of 4, a
// symptom of 10.1; the rest by symmetry. Grades are whole and of 0 to 3, above 0
// mild, moderate and severe; scales run from 0 to 10 (Oranje 2007). Half grades
// belong to another index, and no value of the type can hold one.
func TestAnswerOutOfRangeIsRefusedByName(t *testing.T) {
	t.Parallel()
	refuse := func(name, message string, spoil func(*scoring.Assessment)) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := byRegions()
			spoil(&a)
			result, err := scoring.Score(&a)
			require.EqualError(t, err, "scoring: "+message)
			require.Zero(t, result)
		})
	}
	for i := range scoring.RegionCount {
		code := scoring.Region(i).String()
		refuse(code, code+" must be 0 to 100", func(a *scoring.Assessment) { a.Regions[i] = scoring.Answer[uint8](101) })
	}
	for i := range scoring.SignCount {
		code := scoring.Sign(i).String()
		refuse(code, code+" must be 0 to 3", func(a *scoring.Assessment) { a.Grades[i] = scoring.Answer[uint8](4) })
	}
	fields := map[string]func(*scoring.Assessment) *scoring.Optional[scoring.Tenths]{
		"hands must be 0.0 to 100.0":     func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.Hands },
		"direct must be 0.0 to 100.0":    func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.Direct },
		"itch must be 0.0 to 10.0":       func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.Itch },
		"sleep-loss must be 0.0 to 10.0": func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.SleepLoss },
	}
	limits := map[string]scoring.Tenths{
		"hands must be 0.0 to 100.0": 1000, "direct must be 0.0 to 100.0": 1000,
		"itch must be 0.0 to 10.0": 100, "sleep-loss must be 0.0 to 10.0": 100,
	}
	for message, field := range fields {
		refuse(message+"/TooMuch", message, func(a *scoring.Assessment) { *field(a) = scoring.Answer(limits[message] + 1) })
		refuse(message+"/Negative", message, func(a *scoring.Assessment) { *field(a) = scoring.Answer[scoring.Tenths](-1) })
	}
	refuse("rater", "rater must be self or clinician", func(a *scoring.Assessment) { a.Rater = 2 })
	refuse("method", "method must be regions, hands or direct", func(a *scoring.Assessment) { a.Method = 4 })
	refuse("age group", "age-group must be 2-and-over, 1-to-2 or under-1", func(a *scoring.Assessment) { a.AgeGroup = 4 })
}

// The ends of every range are answers like any other.
func TestEndsOfEveryRangeAreAccepted(t *testing.T) {
	t.Parallel()
	low, high := byRegions(), byRegions()
	for i := range scoring.RegionCount {
		low.Regions[i], high.Regions[i] = scoring.Answer[uint8](0), scoring.Answer[uint8](100)
	}
	for i := range scoring.SignCount {
		low.Grades[i], high.Grades[i] = scoring.Answer[uint8](0), scoring.Answer[uint8](3)
	}
	low.Hands, low.Direct = scoring.Answer[scoring.Tenths](0), scoring.Answer[scoring.Tenths](0)
	high.Hands, high.Direct = scoring.Answer[scoring.Tenths](1000), scoring.Answer[scoring.Tenths](1000)
	low.Itch, low.SleepLoss = scoring.Answer[scoring.Tenths](0), scoring.Answer[scoring.Tenths](0)
	high.Itch, high.SleepLoss = scoring.Answer[scoring.Tenths](100), scoring.Answer[scoring.Tenths](100)
	require.Equal(t, "0.00", score(t, low).Scorad.Value.String())
	require.Equal(t, "103.00", score(t, high).Scorad.Value.String())
}

// Every fault is named in one answer, in the order of the form, each as a
// RangeError; none tells what was answered, so that it can be logged.
func TestEveryFaultIsListedAtOnce(t *testing.T) {
	t.Parallel()
	a := byRegions()
	a.Itch, a.SleepLoss = scoring.Answer[scoring.Tenths](777), scoring.Answer[scoring.Tenths](-777)
	a.Grades[scoring.Oozing] = scoring.Answer[uint8](77)
	a.Regions[scoring.Genitals] = scoring.Answer[uint8](177)
	a.Method = 77
	_, err := scoring.Score(&a)
	joined, ok := err.(interface{ Unwrap() []error })
	require.True(t, ok)
	var items []string
	for _, fault := range joined.Unwrap() {
		var rangeError *scoring.RangeError
		require.True(t, errors.As(fault, &rangeError))
		items = append(items, rangeError.Item)
	}
	require.Equal(t, []string{"method", "genitals", "oozing", "itch", "sleep-loss"}, items)
	require.NotContains(t, err.Error(), "77")
}

// What is left in an unanswered field is not an answer: neither refused nor
// counted.
func TestLeftoverInABlankIsNeitherRefusedNorCounted(t *testing.T) {
	t.Parallel()
	a := middling()
	a.Itch = scoring.Optional[scoring.Tenths]{Value: 9999}
	a.Hands = scoring.Optional[scoring.Tenths]{Value: -1}
	a.Regions[0] = scoring.Optional[uint8]{Value: 255}
	result := score(t, a)
	require.Equal(t, "31.70", result.Objective.Value.String())
	require.False(t, result.Scorad.Answered)
	a.Grades[0] = scoring.Optional[uint8]{Value: 255}
	require.False(t, score(t, a).IntensityPart.Answered)
}

func TestScoringLeavesTheAssessmentAlone(t *testing.T) {
	t.Parallel()
	a := byRegions()
	_, err := scoring.Score(&a)
	require.NoError(t, err)
	require.Equal(t, byRegions(), a)
}

// Scoring is done once a response, thousands of times a second in an import; it
// asks nothing of the garbage collector. Not parallel, as counting demands.
func TestScoringDoesNotAllocate(t *testing.T) {
	a, b := byRegions(), middling()
	require.Zero(t, testing.AllocsPerRun(100, func() {
		for _, assessment := range []*scoring.Assessment{&a, &b} {
			if _, err := scoring.Score(assessment); err != nil {
				panic(err)
			}
		}
	}))
}

func TestAlgorithmVersionIsThePublishedOne(t *testing.T) {
	t.Parallel()
	require.Equal(t, "1.0.0", scoring.AlgorithmVersion, "published scores name their version: change it only with the arithmetic")
}

// The longest way: 13 regions weighed and added.
func BenchmarkScoreByRegions(b *testing.B) {
	a := byRegions()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := scoring.Score(&a); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkScoreDirect(b *testing.B) {
	a := middling()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := scoring.Score(&a); err != nil {
			b.Fatal(err)
		}
	}
}
