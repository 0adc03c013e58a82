package trend

import (
	"math/big"

	"tidemark.example/tidemark/scoring"
)

// MaximumGap is the longest time between two scores, in days, that a mean takes
// the score to have gone straight over: a quarter, the longest usual distance of
// visits on systemic treatment (Vermeulen FM et al. Br J Dermatol 2019). That a
// gap has a limit is common practice; no number was found published.
const MaximumGap = 92

// Mean is the time-weighted mean: the area under the straight lines from score to
// score (trapezoids), divided by the days that they span.
type Mean struct {
	Value *big.Rat
	// Days are those that count, Gaps how many stretches longer than MaximumGap do
	// not.
	Days int64
	Gaps int
}

// Mean of the line; ok is false if no two scores are near enough in time.
func (s Series) Mean() (mean Mean, ok bool) {
	area, line := new(big.Int), s.Line()
	for i := 1; i < len(line); i++ {
		days := line[i].Day - line[i-1].Day
		if days > MaximumGap {
			mean.Gaps++
			continue
		}
		mean.Days += days
		// Twice the trapezoid, in fiftieths of a point and day.
		area.Add(area, big.NewInt(int64(line[i].Points+line[i-1].Points)*days))
	}
	if mean.Days == 0 {
		return mean, false
	}
	mean.Value = new(big.Rat).SetFrac(area, big.NewInt(2*scoring.PointsPerUnit*mean.Days))
	return mean, true
}
