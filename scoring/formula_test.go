package scoring_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/scoring"
)

// The extremes of each part follow from the published ranges: A/5 at most 20,
// 7B/2 at most 63, C at most 20, the total at most 103 (Oranje AP et al.
// Br J Dermatol 2007;157:645-648).
func TestPartsReachTheirPublishedLimits(t *testing.T) {
	t.Parallel()
	require.Equal(t, "20.00", scoring.ExtentPart(1000).String())
	require.Equal(t, "63.00", scoring.IntensityPart(18).String())
	require.Equal(t, "20.00", scoring.SubjectivePart(100, 100).String())
	require.Equal(t, "103.00", scoring.MaxScorad.String())
	require.Equal(t, "83.00", scoring.MaxObjective.String())
	sum := scoring.ExtentPart(1000) + scoring.IntensityPart(18) + scoring.SubjectivePart(100, 100)
	require.Equal(t, scoring.MaxScorad, sum)
}

// One step of each input moves the total by 0.02, 3.5 and 0.1 points: the
// weights of the formula, written out.
func TestOneStepOfEachInput(t *testing.T) {
	t.Parallel()
	require.Equal(t, "0.02", scoring.ExtentPart(1).String())
	require.Equal(t, "3.50", scoring.IntensityPart(1).String())
	require.Equal(t, "0.10", scoring.SubjectivePart(1, 0).String())
	require.Equal(t, "-8.70", (-scoring.SubjectivePart(87, 0)).String())
	require.Equal(t, "-0.5", scoring.Tenths(-5).String())
}
