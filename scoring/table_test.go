package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// row is one worked example. No publication prints A, B, C and the total of one
// patient, so these are arithmetic on the formula of Oranje AP et al. Br J
// Dermatol 2007;157:645-648, done by hand. Bands: below 25, 25 to 50, above 50.
type row struct {
	extent          scoring.Tenths
	grades          [scoring.SignCount]uint8
	itch, sleepLoss scoring.Tenths

	extentPart, intensityPart, subjectivePart, objective, scorad string
	band                                                         scoring.Band
}

// checkTable has its grades in the order erythema, oedema or papulation, oozing
// or crusts, excoriation, lichenification, dryness.
var checkTable = []row{
	{0, [6]uint8{0, 0, 0, 0, 0, 0}, 0, 0, "0.00", "0.00", "0.00", "0.00", "0.00", scoring.Clear},
	{1000, [6]uint8{3, 3, 3, 3, 3, 3}, 100, 100, "20.00", "63.00", "20.00", "83.00", "103.00", scoring.Severe},
	{1000, [6]uint8{0, 0, 0, 0, 0, 0}, 0, 0, "20.00", "0.00", "0.00", "20.00", "20.00", scoring.Mild},
	{0, [6]uint8{3, 3, 3, 3, 3, 3}, 0, 0, "0.00", "63.00", "0.00", "63.00", "63.00", scoring.Severe},
	{0, [6]uint8{0, 0, 0, 0, 0, 0}, 100, 100, "0.00", "0.00", "20.00", "0.00", "20.00", scoring.Mild},
	{10, [6]uint8{0, 0, 0, 0, 0, 0}, 0, 0, "0.20", "0.00", "0.00", "0.20", "0.20", scoring.Mild},
	{0, [6]uint8{1, 0, 0, 0, 0, 0}, 0, 0, "0.00", "3.50", "0.00", "3.50", "3.50", scoring.Mild},
	{0, [6]uint8{0, 0, 0, 0, 0, 1}, 20, 0, "0.00", "3.50", "2.00", "3.50", "5.50", scoring.Mild},
	{100, [6]uint8{1, 1, 0, 1, 0, 0}, 30, 20, "2.00", "10.50", "5.00", "12.50", "17.50", scoring.Mild},
	{200, [6]uint8{2, 1, 1, 1, 1, 2}, 60, 40, "4.00", "28.00", "10.00", "32.00", "42.00", scoring.Moderate},
	{185, [6]uint8{2, 1, 1, 2, 1, 1}, 57, 24, "3.70", "28.00", "8.10", "31.70", "39.80", scoring.Moderate},
	{360, [6]uint8{2, 1, 0, 2, 1, 1}, 42, 31, "7.20", "24.50", "7.30", "31.70", "39.00", scoring.Moderate},
	{450, [6]uint8{2, 2, 1, 2, 2, 2}, 75, 55, "9.00", "38.50", "13.00", "47.50", "60.50", scoring.Severe},
	{600, [6]uint8{3, 2, 2, 3, 2, 2}, 83, 69, "12.00", "49.00", "15.20", "61.00", "76.20", scoring.Severe},
	{920, [6]uint8{3, 3, 2, 3, 3, 3}, 95, 90, "18.40", "59.50", "18.50", "77.90", "96.40", scoring.Severe},
	{95, [6]uint8{1, 1, 1, 1, 1, 1}, 10, 10, "1.90", "21.00", "2.00", "22.90", "24.90", scoring.Mild},
	{100, [6]uint8{1, 1, 1, 1, 1, 1}, 10, 10, "2.00", "21.00", "2.00", "23.00", "25.00", scoring.Moderate},
	{105, [6]uint8{1, 1, 1, 1, 1, 1}, 10, 10, "2.10", "21.00", "2.00", "23.10", "25.10", scoring.Moderate},
	{295, [6]uint8{2, 2, 1, 2, 1, 2}, 50, 40, "5.90", "35.00", "9.00", "40.90", "49.90", scoring.Moderate},
	{300, [6]uint8{2, 2, 1, 2, 1, 2}, 50, 40, "6.00", "35.00", "9.00", "41.00", "50.00", scoring.Moderate},
	{305, [6]uint8{2, 2, 1, 2, 1, 2}, 50, 40, "6.10", "35.00", "9.00", "41.10", "50.10", scoring.Severe},
	{50, [6]uint8{1, 1, 0, 1, 0, 1}, 0, 0, "1.00", "14.00", "0.00", "15.00", "15.00", scoring.Mild},
	{50, [6]uint8{1, 1, 0, 1, 0, 1}, 100, 100, "1.00", "14.00", "20.00", "15.00", "35.00", scoring.Moderate},
	{23, [6]uint8{1, 0, 0, 0, 0, 0}, 7, 0, "0.46", "3.50", "0.70", "3.96", "4.66", scoring.Mild},
}

func TestWorkedExamplesComeOut(t *testing.T) {
	t.Parallel()
	require.Len(t, checkTable, 24)
	for _, row := range checkTable {
		t.Run(row.scorad, func(t *testing.T) {
			t.Parallel()
			result := score(t, complete(row.extent, row.grades, row.itch, row.sleepLoss))
			require.Equal(t, row.extentPart, result.ExtentPart.Value.String())
			require.Equal(t, row.intensityPart, result.IntensityPart.Value.String())
			require.Equal(t, row.subjectivePart, result.SubjectivePart.Value.String())
			require.Equal(t, row.objective, result.Objective.Value.String())
			require.Equal(t, row.scorad, result.Scorad.Value.String())
			require.Equal(t, row.band, scoring.UsualBands.Band(result.Scorad.Value))
		})
	}
}

// Every one of the 4^6 = 4096 ways to grade six signs, at extents and symptoms
// that reach both ends and the odd tenths between, against the formula in
// fractions.
func TestEveryGradingEqualsTheFormulaInFractions(t *testing.T) {
	t.Parallel()
	inputs := []struct{ extent, itch, sleepLoss scoring.Tenths }{
		{0, 0, 0}, {1, 1, 0}, {113, 57, 24}, {999, 99, 100}, {1000, 100, 100},
	}
	seen := map[[scoring.SignCount]uint8]bool{}
	for n := range 4096 {
		grades, gradeSum := grading(n)
		seen[grades] = true
		for _, in := range inputs {
			want := formula(big.NewRat(int64(in.extent), 10), gradeSum, big.NewRat(int64(in.itch+in.sleepLoss), 10))
			got := score(t, complete(in.extent, grades, in.itch, in.sleepLoss))
			equal(t, want.extent, got.ExtentPart, "A/5")
			equal(t, want.intensity, got.IntensityPart, "7B/2")
			equal(t, want.subjective, got.SubjectivePart, "C")
			equal(t, want.objective, got.Objective, "objective")
			equal(t, want.scorad, got.Scorad, "SCORAD")
		}
	}
	require.Len(t, seen, 4096)
}

// grading reads n in base 4, one digit a sign.
func grading(n int) (grades [scoring.SignCount]uint8, gradeSum int64) {
	for i := range grades {
		grades[i] = uint8(n % 4)
		gradeSum += int64(n % 4)
		n /= 4
	}
	return grades, gradeSum
}
