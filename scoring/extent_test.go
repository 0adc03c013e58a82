package scoring_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/scoring"
)

// publishedShares are the percents of the body surface of each region.
//
// 2-and-over: rule of nines (Wallace AB. Lancet 1951;1:501-504): head and neck 9,
// each arm 9, trunk 36, each leg 18, genitals 1; front and back are halves.
//
// 1-to-2 and under-1: the columns for 1 and 0 years of Lund CC, Browder NC. Surg
// Gynecol Obstet 1944;79:352-358 (values as reprinted; the original was not
// read), grouped: see TestChartOfLundAndBrowderGroupsIntoTheRegions.
var publishedShares = map[scoring.AgeGroup][scoring.RegionCount]string{
	scoring.TwoAndOver: {"4.5", "4.5", "18", "18", "4.5", "4.5", "4.5", "4.5", "9", "9", "9", "9", "1"},
	scoring.OneToTwo:   {"9.5", "9.5", "13", "18", "4.75", "4.75", "4.75", "4.75", "7.5", "7.5", "7.5", "7.5", "1"},
	scoring.UnderOne:   {"10.5", "10.5", "13", "18", "4.75", "4.75", "4.75", "4.75", "7", "7", "7", "7", "1"},
}

// extentInFull is the extent in fractions, before it is rounded.
func extentInFull(t require.TestingT, group scoring.AgeGroup, percents [scoring.RegionCount]uint8) *big.Rat {
	total := new(big.Rat)
	for i, share := range publishedShares[group] {
		total.Add(total, new(big.Rat).Mul(rat(t, share), big.NewRat(int64(percents[i]), 100)))
	}
	return total
}

// drawn is a drawing with the named regions fully involved.
func drawn(regions ...scoring.Region) (percents [scoring.RegionCount]uint8) {
	for _, region := range regions {
		percents[region] = 100
	}
	return percents
}

func wholeBody() (percents [scoring.RegionCount]uint8) {
	for i := range percents {
		percents[i] = 100
	}
	return percents
}

// Each published share, region by region, and their sum of 100.
func TestRegionCountsItsPublishedShare(t *testing.T) {
	t.Parallel()
	for group, shares := range publishedShares {
		t.Run(group.String(), func(t *testing.T) {
			t.Parallel()
			total := new(big.Rat)
			for i, share := range shares {
				total.Add(total, rat(t, share))
				got := scoring.ExtentByRegions(group, drawn(scoring.Region(i))).String()
				require.Equal(t, halfUp(rat(t, share), 1), got, scoring.Region(i))
			}
			require.Equal(t, "100", total.RatString())
			require.Equal(t, "100.0", scoring.ExtentByRegions(group, wholeBody()).String())
		})
	}
}

// A quarter percent is lost when one region is rounded alone (4.75 becomes 4.8),
// so that the shares are also checked in pairs of left and right, where they are
// whole tenths.
func TestPairOfLimbsCountsItsExactShare(t *testing.T) {
	t.Parallel()
	pairs := [][2]scoring.Region{
		{scoring.ArmRightFront, scoring.ArmRightBack}, {scoring.ArmLeftFront, scoring.ArmLeftBack},
		{scoring.ArmRightFront, scoring.ArmLeftFront}, {scoring.ArmRightBack, scoring.ArmLeftBack},
		{scoring.LegRightFront, scoring.LegRightBack}, {scoring.LegLeftFront, scoring.LegLeftBack},
		{scoring.HeadFront, scoring.HeadBack},
	}
	for group, shares := range publishedShares {
		for _, pair := range pairs {
			want := sum(rat(t, shares[pair[0]]), rat(t, shares[pair[1]])).FloatString(1)
			require.Equal(t, want, scoring.ExtentByRegions(group, drawn(pair[0], pair[1])).String(), "%s %v", group, pair)
		}
	}
}

// column is one age of the chart of Lund and Browder, whole regions in percent,
// paired ones each (values agree across public sources that cite Lund and Browder
// 1944, among them the burn worksheets of the US Joint Trauma System).
type column struct {
	head, neck, trunkFront, trunkBack, buttock, genitals   string
	upperArm, lowerArm, hand, thigh, lowerLeg, foot, total string
}

var lundBrowder = map[scoring.AgeGroup]column{
	scoring.UnderOne: {"19", "2", "13", "13", "2.5", "1", "4", "3", "2.5", "5.5", "5", "3.5", "100"},
	scoring.OneToTwo: {"17", "2", "13", "13", "2.5", "1", "4", "3", "2.5", "6.5", "5", "3.5", "100"},
}

// Neck goes to the head, buttocks to the back of the trunk, hands and feet to
// their limbs; front and back of head and limbs are halves.
func TestChartOfLundAndBrowderGroupsIntoTheRegions(t *testing.T) {
	t.Parallel()
	half := func(r *big.Rat) *big.Rat { return new(big.Rat).Quo(r, big.NewRat(2, 1)) }
	for group, c := range lundBrowder {
		head := sum(rat(t, c.head), rat(t, c.neck))
		back := sum(rat(t, c.trunkBack), rat(t, c.buttock), rat(t, c.buttock))
		arm := sum(rat(t, c.upperArm), rat(t, c.lowerArm), rat(t, c.hand))
		leg := sum(rat(t, c.thigh), rat(t, c.lowerLeg), rat(t, c.foot))
		require.Equal(t, c.total, sum(head, rat(t, c.trunkFront), back, arm, arm, leg, leg, rat(t, c.genitals)).RatString())
		grouped := [scoring.RegionCount]*big.Rat{
			half(head), half(head), rat(t, c.trunkFront), back, half(arm), half(arm), half(arm), half(arm),
			half(leg), half(leg), half(leg), half(leg), rat(t, c.genitals),
		}
		for i, share := range grouped {
			require.Equal(t, share.RatString(), rat(t, publishedShares[group][i]).RatString(), "%s %s", group, scoring.Region(i))
		}
	}
}

// Half of the front of head and neck with the fronts of both arms is 2.25 + 9 =
// 11.25 % by the rule of nines: 11.3 rounded once, half up (arithmetic).
func TestHalfATenthRoundsUp(t *testing.T) {
	t.Parallel()
	percents := drawn(scoring.ArmRightFront, scoring.ArmLeftFront)
	percents[scoring.HeadFront] = 50
	extent := scoring.ExtentByRegions(scoring.TwoAndOver, percents)
	require.Equal(t, "11.3", extent.String())
	require.Equal(t, "2.26", scoring.ExtentPart(extent).String())
}

// 1 % of each of four parts of 4.5 % is 0.18 %. Rounded once it is 0.2; rounding
// each part first would give 0.0.
func TestSumIsRoundedAndNotItsParts(t *testing.T) {
	t.Parallel()
	var percents [scoring.RegionCount]uint8
	for _, region := range []scoring.Region{scoring.HeadFront, scoring.HeadBack, scoring.ArmLeftFront, scoring.ArmRightBack} {
		percents[region] = 1
	}
	require.Equal(t, "0.2", scoring.ExtentByRegions(scoring.TwoAndOver, percents).String())
}

// One drawing by two charts (arithmetic on the tables above): the front of the
// trunk is 18 % by the rule of nines and 13 % by Lund and Browder, 1.0 point of
// SCORAD; an infant's head and neck 9 % or 21 %, 2.4 points.
func TestSameDrawingScoresDifferentlyByAnotherChart(t *testing.T) {
	t.Parallel()
	difference := func(regions ...scoring.Region) string {
		adult := scoring.ExtentByRegions(scoring.TwoAndOver, drawn(regions...))
		infant := scoring.ExtentByRegions(scoring.UnderOne, drawn(regions...))
		return (scoring.ExtentPart(infant) - scoring.ExtentPart(adult)).String()
	}
	require.Equal(t, "-1.00", difference(scoring.TrunkFront))
	require.Equal(t, "2.40", difference(scoring.HeadFront, scoring.HeadBack))
}

func TestRegionsEqualTheSumInFractionsRoundedHalfUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		group, percents := anyGroup(t), anyPercents(t)
		want := halfUp(extentInFull(t, group, percents), 1)
		require.Equal(t, want, scoring.ExtentByRegions(group, percents).String())
	})
}

func TestGroupWithoutWeightsHasNoExtent(t *testing.T) {
	t.Parallel()
	for _, group := range []scoring.AgeGroup{scoring.AgeGroupUnknown, scoring.UnderOne + 1, 255} {
		require.Zero(t, scoring.ExtentByRegions(group, wholeBody()), group)
	}
}

// One of the patient's own palms with fingers is 1 % (common practice; it
// overstates: about 0.87 % in adults, Rhodes J et al. Br J Dermatol
// 2013;169:76-84).
func TestPalmIsOnePercent(t *testing.T) {
	t.Parallel()
	result := score(t, scoring.Assessment{Method: scoring.ByHands, Hands: scoring.Answer[scoring.Tenths](10)})
	require.Equal(t, "1.0", result.Extent.Value.String())
	result = score(t, scoring.Assessment{Method: scoring.ByHands, Hands: scoring.Answer[scoring.Tenths](100)})
	require.Equal(t, "2.00", result.ExtentPart.Value.String())
}

// The extent comes from the answers of the assessment's method and from no
// other, whatever else was answered.
func TestExtentComesFromTheMethodAlone(t *testing.T) {
	t.Parallel()
	a := scoring.Assessment{
		AgeGroup: scoring.TwoAndOver,
		Hands:    scoring.Answer[scoring.Tenths](25), Direct: scoring.Answer[scoring.Tenths](185),
	}
	for i, percent := range drawn(scoring.TrunkFront) {
		a.Regions[i] = scoring.Answer(percent)
	}
	for method, want := range map[scoring.Method]string{
		scoring.ByRegions: "18.0", scoring.ByHands: "2.5", scoring.ByDirect: "18.5",
	} {
		a.Method = method
		require.Equal(t, want, score(t, a).Extent.Value.String(), method)
	}
	a.Method = scoring.MethodUnknown
	require.False(t, score(t, a).Extent.Answered)
}
