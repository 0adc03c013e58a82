package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
)

// Any complete assessment, by any method, against the formula in fractions.
func TestAnyAssessmentEqualsTheFormulaInFractions(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := anyAssessment(t)
		got := score(t, a)
		extent := extentOf(t, a)
		require.Equal(t, extent.FloatString(1), got.Extent.Value.String())
		var gradeSum int64
		for _, grade := range a.Grades {
			gradeSum += int64(grade.Value)
		}
		want := formula(extent, gradeSum, big.NewRat(int64(a.Itch.Value+a.SleepLoss.Value), 10))
		equal(t, want.extent, got.ExtentPart, "A/5")
		equal(t, want.intensity, got.IntensityPart, "7B/2")
		equal(t, want.subjective, got.SubjectivePart, "C")
		equal(t, want.objective, got.Objective, "objective")
		equal(t, want.scorad, got.Scorad, "SCORAD")
	})
}

// Total less objective score is C, and the bonus is 10 on top of the objective
// score alone (Oranje AP et al. Br J Dermatol 2007;157:645-648).
func TestScoresDifferByTheirParts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := anyAssessment(t)
		r := score(t, a)
		require.Equal(t, r.SubjectivePart.Value, r.Scorad.Value-r.Objective.Value)
		require.Equal(t, r.Objective.Value, r.ExtentPart.Value+r.IntensityPart.Value)
		flagged := a.Rater == scoring.RatedByClinician && a.FaceOrHands.Answered && a.FaceOrHands.Value
		require.Equal(t, flagged, r.ObjectiveWithBonus.Answered)
		if flagged {
			require.Equal(t, "10.00", (r.ObjectiveWithBonus.Value - r.Objective.Value).String())
		}
	})
}

// The published ranges: 0 to 103, objective 0 to 83 (Oranje 2007).
func TestScoresStayInTheirPublishedRanges(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := score(t, anyAssessment(t))
		within := func(value scoring.Points, high int) {
			require.GreaterOrEqual(t, int(value), 0)
			require.LessOrEqual(t, int(value), high*scoring.PointsPerUnit)
		}
		within(r.Scorad.Value, 103)
		within(r.Objective.Value, 83)
		within(r.ExtentPart.Value, 20)
		within(r.IntensityPart.Value, 63)
		within(r.SubjectivePart.Value, 20)
	})
}

func TestOrderOfGradesIsIrrelevant(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := anyAssessment(t)
		b := a
		copy(b.Grades[:], rapid.Permutation(a.Grades[:]).Draw(t, "permutation"))
		require.Equal(t, score(t, a), score(t, b))
	})
}

// More of anything never lowers a score: for each input raised by itself, the
// rest as drawn.
func TestScoresNeverFallAsAnInputRises(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := anyAssessment(t)
		before := score(t, a)
		for name, raised := range raiseEach(t, a) {
			after := score(t, raised)
			require.GreaterOrEqual(t, after.Extent.Value, before.Extent.Value, name)
			require.GreaterOrEqual(t, after.Objective.Value, before.Objective.Value, name)
			require.GreaterOrEqual(t, after.Scorad.Value, before.Scorad.Value, name)
		}
	})
}

// One more grade is 3.5 points, one more tenth of a symptom 0.1, one more tenth
// of a percent 0.02: nothing saturates, so rising is strict.
func TestOneStepMovesTheScoreByItsWeight(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := anyAssessment(t)
		a.Method = scoring.ByDirect
		before := score(t, a).Scorad.Value
		step := func(name, want string, raised scoring.Assessment) {
			require.Equal(t, want, (score(t, raised).Scorad.Value - before).String(), name)
		}
		for i, grade := range a.Grades {
			if grade.Value < 3 {
				b := a
				b.Grades[i].Value++
				step(scoring.Sign(i).String(), "3.50", b)
			}
		}
		if b := a; a.Itch.Value < 100 {
			b.Itch.Value++
			step("itch", "0.10", b)
		}
		if b := a; a.SleepLoss.Value < 100 {
			b.SleepLoss.Value++
			step("sleep loss", "0.10", b)
		}
		if b := a; a.Direct.Value < 1000 {
			b.Direct.Value++
			step("direct", "0.02", b)
		}
	})
}

// raiseEach gives one assessment for every input of a, in which that input alone
// is drawn again between what it was and its highest.
func raiseEach(t *rapid.T, a scoring.Assessment) map[string]scoring.Assessment {
	all := map[string]scoring.Assessment{}
	for i := range a.Regions {
		b, name := a, scoring.Region(i).String()
		b.Regions[i].Value = rapid.Uint8Range(a.Regions[i].Value, 100).Draw(t, name)
		all[name] = b
	}
	for i := range a.Grades {
		b, name := a, scoring.Sign(i).String()
		b.Grades[i].Value = rapid.Uint8Range(a.Grades[i].Value, 3).Draw(t, name)
		all[name] = b
	}
	raise := func(name string, limit scoring.Tenths, field func(*scoring.Assessment) *scoring.Optional[scoring.Tenths]) {
		b := a
		low := field(&b).Value
		field(&b).Value = scoring.Tenths(rapid.Int32Range(int32(low), int32(limit)).Draw(t, name))
		all[name] = b
	}
	raise("hands", 1000, func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.Hands })
	raise("direct", 1000, func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.Direct })
	raise("itch", 100, func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.Itch })
	raise("sleep loss", 100, func(a *scoring.Assessment) *scoring.Optional[scoring.Tenths] { return &a.SleepLoss })
	return all
}

// As many faults are listed as were made, whichever they are.
func TestAsManyFaultsAreListedAsWereMade(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, faults := anyAssessment(t), 0
		spoil := func(name string, fault func()) {
			if rapid.Bool().Draw(t, "spoil "+name) {
				fault()
				faults++
			}
		}
		for i := range a.Regions {
			spoil(scoring.Region(i).String(), func() { a.Regions[i].Value = rapid.Uint8Range(101, 255).Draw(t, "percent") })
		}
		for i := range a.Grades {
			spoil(scoring.Sign(i).String(), func() { a.Grades[i].Value = rapid.Uint8Range(4, 255).Draw(t, "grade") })
		}
		spoil("itch", func() { a.Itch.Value = scoring.Tenths(rapid.Int32Range(101, 1<<30).Draw(t, "itch")) })
		spoil("sleep loss", func() { a.SleepLoss.Value = scoring.Tenths(rapid.Int32Range(-1<<30, -1).Draw(t, "sleep loss")) })
		_, err := scoring.Score(&a)
		if faults == 0 {
			require.NoError(t, err)
			return
		}
		require.Error(t, err)
		require.Len(t, err.(interface{ Unwrap() []error }).Unwrap(), faults)
	})
}
