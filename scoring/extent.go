package scoring

// Region is one of the 13 parts of the body that the extent is added up from.
// Left and right are the patient's.
type Region uint8

// The regions in the order of the form.
const (
	HeadFront Region = iota
	HeadBack
	TrunkFront
	TrunkBack
	ArmRightFront
	ArmRightBack
	ArmLeftFront
	ArmLeftBack
	LegRightFront
	LegRightBack
	LegLeftFront
	LegLeftBack
	Genitals
	RegionCount = 13
)

// String gives the code of the region.
func (r Region) String() string { return codeAt(regionCodes[:], int(r)) }

var regionCodes = [RegionCount]string{
	"head-front", "head-back", "trunk-front", "trunk-back",
	"arm-right-front", "arm-right-back", "arm-left-front", "arm-left-back",
	"leg-right-front", "leg-right-back", "leg-left-front", "leg-left-back",
	"genitals",
}

// regionWeights are quarter percents of the body surface, 400 in all, so that
// the 4.75 % of an arm's front is a whole number.
//
// From two years on they are the rule of nines (Wallace AB. Lancet
// 1951;1:501-504). Below, they are the columns for 1 and 0 years of the chart of
// Lund and Browder (Surg Gynecol Obstet 1944;79:352-358; the original was not
// read, its values agree across public sources), neck counted to the head,
// buttocks to the back of the trunk, hands and feet to their limbs. The same
// drawing gives another extent by another chart, so the age group is kept.
var regionWeights = [...][RegionCount]int32{
	TwoAndOver: {18, 18, 72, 72, 18, 18, 18, 18, 36, 36, 36, 36, 4},
	OneToTwo:   {38, 38, 52, 72, 19, 19, 19, 19, 30, 30, 30, 30, 4},
	UnderOne:   {42, 42, 52, 72, 19, 19, 19, 19, 28, 28, 28, 28, 4},
}

// ExtentByRegions adds up the percents of each region, 0 to 100, to the percent
// of the body surface, rounded once, half up, to a tenth. A group that is
// unknown has no weights and gives 0.
func ExtentByRegions(group AgeGroup, percents [RegionCount]uint8) Tenths {
	if group > UnderOne {
		return 0
	}
	var sum int32
	for region, weight := range regionWeights[group] {
		sum += weight * int32(percents[region])
	}
	return Tenths((sum + 20) / 40)
}

// extent finds A by the assessment's method; it is unanswered while anything
// that the method needs is.
func extent(a *Assessment) Optional[Tenths] {
	switch a.Method {
	case ByHands:
		return a.Hands
	case ByDirect:
		return a.Direct
	case ByRegions:
		return extentByRegions(a)
	}
	return Optional[Tenths]{}
}

func extentByRegions(a *Assessment) Optional[Tenths] {
	var percents [RegionCount]uint8
	for i, region := range a.Regions {
		if !region.Answered {
			return Optional[Tenths]{}
		}
		percents[i] = region.Value
	}
	if a.AgeGroup == AgeGroupUnknown {
		return Optional[Tenths]{}
	}
	return Answer(ExtentByRegions(a.AgeGroup, percents))
}
