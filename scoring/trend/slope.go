package trend

import (
	"cmp"
	"math/big"
	"slices"

	"tidemark.example/tidemark/scoring"
)

// MinimumDays is how many days with a score a slope needs. It is the least
// number that an interval of 95 % exists for: of four, even the least and the
// greatest slope hold the true one in 92 % only. To ask for about that many
// before naming a direction is common practice too.
const MinimumDays = 5

// MaximumDays is how many a slope is worked out of; there are n(n-1)/2 slopes.
const MaximumDays = 1000

// daysPerWeek turns a slope per day into one per week.
const daysPerWeek = 7

// Slope is how fast scores change, after Theil and Sen: the median of the slopes
// between every two days, which single outlying scores hardly move (Sen PK. J Am
// Stat Assoc 1968;63:1379-1389).
type Slope struct {
	// PerWeek is in points per week; negative is better.
	PerWeek *big.Rat
	// Low and High hold the true slope with 95 % confidence at least, if the scores
	// scatter about a line independently of each other. Scores of neighbouring days
	// do not quite, so that the interval is rather too narrow.
	Low, High *big.Rat
	// AtStart is the height of the line on its first day, in points: the median of
	// what is left of the scores when the slope is taken off.
	AtStart *big.Rat
}

// Direction is what a slope's interval lets one say.
type Direction string

// The directions. Undetermined is an interval with 0 in it: the scores may be
// steady, or too few or too uneven to tell.
const (
	Falling      Direction = "falling"
	Rising       Direction = "rising"
	Undetermined Direction = "undetermined"
)

// Direction names the direction that the whole interval has.
func (s Slope) Direction() Direction {
	switch {
	case s.High.Sign() < 0:
		return Falling
	case s.Low.Sign() > 0:
		return Rising
	}
	return Undetermined
}

// Slope of the line; ok is false for fewer days than MinimumDays, or more than
// MaximumDays.
func (s Series) Slope() (slope Slope, ok bool) {
	line := s.Line()
	if len(line) < MinimumDays || len(line) > MaximumDays {
		return Slope{}, false
	}
	steps := stepsOf(line)
	rank := intervalRank(len(line))
	slope = Slope{
		PerWeek: middle(len(steps), func(i int) *big.Rat { return steps[i].perWeek() }),
		Low:     steps[rank-1].perWeek(),
		High:    steps[len(steps)-rank].perWeek(),
	}
	slope.AtStart = atStart(line, slope.PerWeek)
	return slope, true
}

// step is the way from one day to a later one.
type step struct {
	points, days int64
}

func (s step) perWeek() *big.Rat {
	return big.NewRat(s.points*daysPerWeek, s.days*scoring.PointsPerUnit)
}

// stepsOf are the steps between every two scores, the steepest fall first.
func stepsOf(line []Score) []step {
	steps := make([]step, 0, len(line)*(len(line)-1)/2)
	for i, from := range line {
		for _, to := range line[i+1:] {
			steps = append(steps, step{int64(to.Points - from.Points), to.Day - from.Day})
		}
	}
	slices.SortFunc(steps, func(a, b step) int { return cmp.Compare(a.points*b.days, b.points*a.days) })
	return steps
}

// middle is the median of n values in order.
func middle(n int, at func(int) *big.Rat) *big.Rat {
	if n%2 == 1 {
		return at(n / 2)
	}
	sum := new(big.Rat).Add(at(n/2-1), at(n/2))
	return sum.Quo(sum, big.NewRat(2, 1))
}

func atStart(line []Score, perWeek *big.Rat) *big.Rat {
	rests := make([]*big.Rat, len(line))
	for i, score := range line {
		along := big.NewRat(score.Day-line[0].Day, daysPerWeek)
		rests[i] = big.NewRat(int64(score.Points), scoring.PointsPerUnit)
		rests[i].Sub(rests[i], along.Mul(along, perWeek))
	}
	slices.SortFunc(rests, (*big.Rat).Cmp)
	return middle(len(rests), func(i int) *big.Rat { return rests[i] })
}
