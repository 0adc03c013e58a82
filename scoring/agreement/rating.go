package agreement

import "tidemark.example/tidemark/scoring"

// Item is a value that both forms ask for or come to.
type Item uint8

// The items: the total and its parts, then what was answered.
const (
	Scorad Item = iota
	Objective
	ExtentPart
	IntensityPart
	SubjectivePart
	Extent
	Erythema
	Oedema
	Oozing
	Excoriation
	Lichenification
	Dryness
	Itch
	SleepLoss
	ItemCount = 14
)

var itemCodes = [ItemCount]string{
	"scorad", "objective", "extent-part", "intensity-part", "subjective-part", "extent",
	"intensity-erythema", "intensity-oedema", "intensity-oozing", "intensity-excoriation", "intensity-lichenification", "intensity-dryness",
	"symptoms-itch", "symptoms-sleep-loss",
}

// String gives the code of the item, "" for none.
func (i Item) String() string {
	if i < ItemCount {
		return itemCodes[i]
	}
	return ""
}

// Graded says whether the item is one of the six grades 0 to 3.
func (i Item) Graded() bool { return i >= Erythema && i <= Dryness }

// Rating is one score with what it was made of.
type Rating struct {
	// Key names the rating, and Patient whom it is about, to the caller.
	Key, Patient string
	// Day is the calendar day of the rating where it was made, in days since
	// 1970-01-01; At is the moment, in milliseconds since then.
	Day, At int64
	Rater   scoring.Rater
	Method  scoring.Method
	// Values are in fiftieths of a point, of a percent for Extent.
	Values [ItemCount]scoring.Optional[int64]
}
