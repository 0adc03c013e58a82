package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
)

// The reference below is the published formula in exact fractions, written
// without looking at how the package stores anything. It is slow and plain on
// purpose: two ways to one number.

// rat reads a decimal, or a fraction, exactly.
func rat(t require.TestingT, text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	require.True(t, ok, "not a number: %q", text)
	return r
}

// sum adds up.
func sum(terms ...*big.Rat) *big.Rat {
	total := new(big.Rat)
	for _, term := range terms {
		total.Add(total, term)
	}
	return total
}

// halfUp rounds a number of 0 or more to so many decimals, half up, and writes
// it out: floor(x * 10^n + 1/2) / 10^n.
func halfUp(x *big.Rat, decimals int) string {
	scale := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil))
	scaled := sum(new(big.Rat).Mul(x, scale), big.NewRat(1, 2))
	floor := new(big.Int).Quo(scaled.Num(), scaled.Denom())
	return new(big.Rat).Quo(new(big.Rat).SetInt(floor), scale).FloatString(decimals)
}

// published is A/5, 7B/2, C and the two scores of an assessment, in fractions.
type published struct{ extent, intensity, subjective, objective, scorad *big.Rat }

// formula is Oranje AP et al. Br J Dermatol 2007;157:645-648, as printed.
func formula(a *big.Rat, gradeSum int64, c *big.Rat) published {
	p := published{
		extent:     new(big.Rat).Quo(a, big.NewRat(5, 1)),
		intensity:  big.NewRat(7*gradeSum, 2),
		subjective: c,
	}
	p.objective = sum(p.extent, p.intensity)
	p.scorad = sum(p.objective, c)
	return p
}

// equal compares a result with fractions without rounding either: a score is a
// number of fiftieths.
func equal(t require.TestingT, want *big.Rat, got scoring.Optional[scoring.Points], what string) {
	require.True(t, got.Answered, what)
	require.Equal(t, want.RatString(), big.NewRat(int64(got.Value), 50).RatString(), what)
}

// complete is an assessment with every answer, the extent given directly.
func complete(extent scoring.Tenths, grades [scoring.SignCount]uint8, itch, sleepLoss scoring.Tenths) scoring.Assessment {
	a := scoring.Assessment{
		Method: scoring.ByDirect, Direct: scoring.Answer(extent),
		Itch: scoring.Answer(itch), SleepLoss: scoring.Answer(sleepLoss),
	}
	for i, grade := range grades {
		a.Grades[i] = scoring.Answer(grade)
	}
	return a
}

// score is Score of an assessment that has to be right.
func score(t require.TestingT, a scoring.Assessment) scoring.Result {
	result, err := scoring.Score(&a)
	require.NoError(t, err)
	return result
}

// anyAssessment draws a complete assessment by any rater and any method.
func anyAssessment(t *rapid.T) scoring.Assessment {
	a := scoring.Assessment{
		Rater:     rapid.SampledFrom([]scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician}).Draw(t, "rater"),
		Method:    rapid.SampledFrom([]scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect}).Draw(t, "method"),
		AgeGroup:  anyGroup(t),
		Hands:     scoring.Answer(anyTenths(t, "hands", 1000)),
		Direct:    scoring.Answer(anyTenths(t, "direct", 1000)),
		Itch:      scoring.Answer(anyTenths(t, "itch", 100)),
		SleepLoss: scoring.Answer(anyTenths(t, "sleep loss", 100)),
	}
	for i, percent := range anyPercents(t) {
		a.Regions[i] = scoring.Answer(percent)
	}
	for i := range a.Grades {
		a.Grades[i] = scoring.Answer(rapid.Uint8Range(0, 3).Draw(t, scoring.Sign(i).String()))
	}
	if rapid.Bool().Draw(t, "flag answered") {
		a.FaceOrHands = scoring.Answer(rapid.Bool().Draw(t, "flag"))
	}
	return a
}

func anyGroup(t *rapid.T) scoring.AgeGroup {
	return rapid.SampledFrom([]scoring.AgeGroup{scoring.TwoAndOver, scoring.OneToTwo, scoring.UnderOne}).Draw(t, "age group")
}

func anyTenths(t *rapid.T, label string, limit int32) scoring.Tenths {
	return scoring.Tenths(rapid.Int32Range(0, limit).Draw(t, label))
}

func anyPercents(t *rapid.T) (percents [scoring.RegionCount]uint8) {
	for i := range percents {
		percents[i] = rapid.Uint8Range(0, 100).Draw(t, scoring.Region(i).String())
	}
	return percents
}

// extentOf is A of a complete assessment, from its answers.
func extentOf(t require.TestingT, a scoring.Assessment) *big.Rat {
	switch a.Method {
	case scoring.ByHands:
		return big.NewRat(int64(a.Hands.Value), 10)
	case scoring.ByDirect:
		return big.NewRat(int64(a.Direct.Value), 10)
	}
	var percents [scoring.RegionCount]uint8
	for i, region := range a.Regions {
		percents[i] = region.Value
	}
	return rat(t, halfUp(extentInFull(t, a.AgeGroup, percents), 1))
}

// The reference is itself tested, on halves and either side of them.
func TestReferenceRoundsHalfUp(t *testing.T) {
	t.Parallel()
	for exact, want := range map[string]string{
		"11.25": "11.3", "11.2499": "11.2", "11.35": "11.4", "0.05": "0.1", "0": "0.0", "99.95": "100.0", "1/3": "0.3",
	} {
		require.Equal(t, want, halfUp(rat(t, exact), 1), exact)
	}
	require.Equal(t, "12.35", halfUp(rat(t, "12.345"), 2))
}
