package scoring

// The formula of the SCORAD index (Oranje 2007):
//
//	SCORAD           = A/5 + 7B/2 + C    0 to 103
//	objective SCORAD = A/5 + 7B/2        0 to  83
//
// A is the extent in percent of the body surface, B the sum of six grades 0-3,
// C the sum of itch and sleep loss, each 0-10. With A and C held in tenths
// every value is a whole number of fiftieths of a point:
//
//	SCORAD * 50 = A*10 + 175*B + 5*(C*10)

// Tenths is a quantity in tenths of its unit: 185 is 18.5 % of the body
// surface, or 18.5 palms; 57 is 5.7 on a scale from 0 to 10.
type Tenths int32

// Points is a number of points of the index in fiftieths: 2080 is 41.60.
type Points int32

// PointsPerUnit is how many Points make one whole point of the index.
const PointsPerUnit = 50

// The published limits of the index and its parts, in Points (Oranje 2007).
const (
	MaxScorad             Points = 103 * PointsPerUnit
	MaxObjective          Points = 83 * PointsPerUnit
	MaxObjectiveWithBonus Points = 93 * PointsPerUnit
)

// bonus is the 10 points that severe disfiguring eczema of face and hands may
// add to the objective score, and to nothing else (Oranje 2007, 2011).
const bonus Points = 10 * PointsPerUnit

// ExtentPart is A/5, 0 to 20 points, of an extent of 0 to 100 percent.
func ExtentPart(extent Tenths) Points { return Points(extent) }

// IntensityPart is 7B/2, 0 to 63 points, of the sum of six grades, 0 to 18.
func IntensityPart(gradeSum int) Points { return Points(175 * gradeSum) }

// SubjectivePart is C, 0 to 20 points, of itch and sleep loss, each 0 to 10.
func SubjectivePart(itch, sleepLoss Tenths) Points { return Points(5 * (itch + sleepLoss)) }
