package agreement_test

import (
	"fmt"
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
)

// pairOf has totals in whole points, and a grade of erythema each.
func pairOf(patient string, n int, self, clinician, gradeSelf, gradeClinician int64) agreement.Pair {
	p := agreement.Pair{Self: rating(fmt.Sprint("s", n), family, int64(n)*10, 8), Clinician: rating(fmt.Sprint("c", n), team, int64(n)*10, 9)}
	p.Self.Patient, p.Clinician.Patient = patient, patient
	p.Self.Values[agreement.Scorad], p.Clinician.Values[agreement.Scorad] = scoring.Answer(self*50), scoring.Answer(clinician*50)
	p.Self.Values[agreement.Erythema], p.Clinician.Values[agreement.Erythema] = scoring.Answer(gradeSelf*50), scoring.Answer(gradeClinician*50)
	return p
}

func TestSummary(t *testing.T) {
	t.Parallel()
	pairs := []agreement.Pair{pairOf("oona", 1, 20, 24, 1, 1), pairOf("oona", 2, 24, 25, 1, 2), pairOf("casper", 3, 51, 50, 3, 2), pairOf("mirren", 4, 60, 56, 2, 2)}
	s := agreement.Summarise(pairs, scoring.UsualBands)
	require.Equal(t, []int{4, 4, 3}, []int{s.Pairs, s.Totals, s.Patients})
	total, erythema, itch := s.Items[agreement.Scorad], s.Items[agreement.Erythema], s.Items[agreement.Itch]
	require.Equal(t, []int64{2, 0, 2}, []int64{total.Lower, total.Alike, total.Higher})
	same(t, new(big.Rat), total.Mean, "-4 -1 +1 +4")
	require.Nil(t, total.Linear, "the total is no grade")
	require.Equal(t, []int64{1, 2, 1}, []int64{erythema.Lower, erythema.Alike, erythema.Higher})
	require.Equal(t, int64(4), erythema.Count())
	// Grades 1|1, 1|2, 3|2, 2|2, by hand: seen 2*4; expected of rows {1:2 2:1 3:1}
	// and columns {1:1 2:3} 6+1+2+3 by distance, 6+1+4+3 by its square.
	same(t, big.NewRat(1, 3), erythema.Linear, "1 - 8/12")
	same(t, big.NewRat(3, 7), erythema.Quadratic, "1 - 8/14")
	require.Zero(t, itch.Count())
	require.Nil(t, itch.Mean)
	require.Equal(t, "usual-25-50", s.Bands.Set)
	require.Equal(t, []int64{1, 2, 1}, []int64{s.Bands.Lower, s.Bands.Alike, s.Bands.Higher}, "24 and 25, 51 and 50 lie on two sides of an edge")
	require.NotNil(t, s.Bands.Linear)
	same(t, new(big.Rat), s.Limits.Bias.Value, "bias")
	near(t, 3.366502, s.Limits.Deviation, 1e-6, "sqrt(34/3)")
	require.NotNil(t, s.Intraclass)
	require.NotNil(t, s.Concordance)
	require.Equal(t, []agreement.Warning{agreement.FewerThanUsual, agreement.RepeatedMeasures}, s.Warnings)
}

func TestSummaryOfOnePatient(t *testing.T) {
	t.Parallel()
	pairs := []agreement.Pair{pairOf("oona", 1, 20, 24, 1, 1), pairOf("oona", 2, 24, 25, 1, 2)}
	pairs[1].Self.Method = scoring.ByRegions
	s := agreement.Summarise(pairs, scoring.UsualBands)
	require.Nil(t, s.Limits)
	require.Nil(t, s.Intraclass)
	require.Nil(t, s.Concordance)
	require.Nil(t, s.Bands.Linear)
	require.Nil(t, s.Items[agreement.Erythema].Linear)
	same(t, big.NewRat(-5, 2), s.Items[agreement.Scorad].Mean, "differences are given")
	require.Equal(t, []agreement.Warning{agreement.TooFewPairs, agreement.RepeatedMeasures, agreement.OnePatient, agreement.MethodsDiffer}, s.Warnings)
}

func TestSummaryWithoutTotals(t *testing.T) {
	t.Parallel()
	pairs := []agreement.Pair{pairOf("oona", 1, 20, 24, 1, 1), pairOf("casper", 2, 24, 25, 1, 2), pairOf("mirren", 3, 30, 31, 0, 0), pairOf("other", 4, 40, 42, 2, 2)}
	pairs[0].Self.Values[agreement.Scorad] = scoring.Optional[int64]{}
	s := agreement.Summarise(pairs, scoring.UsualBands)
	require.Equal(t, []int{4, 3}, []int{s.Pairs, s.Totals})
	require.Equal(t, int64(4), s.Items[agreement.Erythema].Count())
	same(t, big.NewRat(-4, 3), s.Limits.Bias.Value, "of the three")
	require.Equal(t, []agreement.Warning{agreement.FewerThanUsual, agreement.TotalMissing}, s.Warnings)
}

func TestSummaryOfNothing(t *testing.T) {
	t.Parallel()
	s := agreement.Summarise(nil, scoring.UsualBands)
	require.Zero(t, s.Pairs)
	require.Equal(t, []agreement.Warning{agreement.NoPairs}, s.Warnings)
}

func TestSummaryWhereNothingDiffers(t *testing.T) {
	t.Parallel()
	pairs := make([]agreement.Pair, 30)
	for i := range pairs {
		pairs[i] = pairOf(fmt.Sprint("patient-", i), i, 30, 30, 1, 1)
	}
	s := agreement.Summarise(pairs, scoring.UsualBands)
	require.Nil(t, s.Intraclass)
	require.Nil(t, s.Concordance)
	require.NotNil(t, s.Limits)
	require.Equal(t, []agreement.Warning{agreement.NothingDiffers}, s.Warnings, "thirty are not few")
}

func TestItemsHaveTheCodesOfComponents(t *testing.T) {
	t.Parallel()
	graded := 0
	for i := range agreement.Item(agreement.ItemCount) {
		require.NotEmpty(t, i.String())
		if i.Graded() {
			graded++
			require.Equal(t, "intensity-"+scoring.Sign(i-agreement.Erythema).String(), i.String())
		}
	}
	require.Equal(t, scoring.SignCount, graded)
	require.Empty(t, agreement.Item(agreement.ItemCount).String())
}

func TestEveryWarningHasItsSentence(t *testing.T) {
	t.Parallel()
	for _, w := range []agreement.Warning{agreement.NoPairs, agreement.TooFewPairs, agreement.FewerThanUsual, agreement.RepeatedMeasures,
		agreement.OnePatient, agreement.MethodsDiffer, agreement.TotalMissing, agreement.NothingDiffers} {
		require.NotEmpty(t, w.Text(), w)
	}
	require.Empty(t, agreement.Warning("unheard-of").Text())
}
