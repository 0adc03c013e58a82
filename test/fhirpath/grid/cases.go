package main

import (
	"iter"
	"math/rand/v2"

	"tidemark.example/tidemark/scoring"
)

// testCase is one assessment and the shape of the response that carries it.
type testCase struct {
	shape      shape
	assessment scoring.Assessment
}

// yield takes one case and says whether to go on.
type yield func(testCase) bool

const (
	// gradeCombinations is 4 grades to the power of 6 signs.
	gradeCombinations = 1 << (2 * scoring.SignCount)
	// extentSteps is 0.0 to 100.0 in tenths, scaleSteps 0.0 to 10.0.
	extentSteps, scaleSteps = 1001, 101
)

var (
	raters    = []scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician}
	methods   = []scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect}
	ageGroups = []scoring.AgeGroup{scoring.TwoAndOver, scoring.OneToTwo, scoring.UnderOne}
)

// allCases is the same sequence on every run: for each form the missing answers
// and the single regions first, for they are few and find most, then the grid.
func allCases() iter.Seq[testCase] {
	return func(next func(testCase) bool) {
		for _, rater := range raters {
			random := newRandom(rater)
			ok := missing(rater, next) &&
				regionsAlone(rater, next) &&
				roundingEdges(rater, random, next) &&
				wholeGrid(rater, random, next)
			if !ok {
				return
			}
		}
	}
}

// newRandom draws the same numbers on every run.
func newRandom(rater scoring.Rater) *rand.Rand { return rand.New(rand.NewPCG(uint64(rater), 0)) }

// wholeGrid is every combination of grades with every method. Extents and
// scales move along, so that each tenth of palms and of percent and each pair of
// itch and sleep loss occurs too.
func wholeGrid(rater scoring.Rater, random *rand.Rand, next yield) bool {
	for n := range gradeCombinations {
		for m, method := range methods {
			a := scoring.Assessment{Rater: rater, Grades: grades(n)}
			setExtent(&a, method, n, random)
			setScales(&a, n*len(methods)+m)
			setUnscored(&a, random)
			if !next(testCase{shapes[random.IntN(len(shapes))], a}) {
				return false
			}
		}
	}
	return true
}

// grades reads the digits of n to the base 4.
func grades(n int) (all [scoring.SignCount]scoring.Optional[uint8]) {
	for i := range all {
		all[i] = scoring.Answer(uint8(n >> (2 * i) & 3))
	}
	return all
}

// setExtent answers what the method asks for. The factors share no divisor with
// the number of steps, so that n passes through all of them.
func setExtent(a *scoring.Assessment, method scoring.Method, n int, random *rand.Rand) {
	a.Method = method
	switch method {
	case scoring.ByRegions:
		a.AgeGroup = ageGroups[random.IntN(len(ageGroups))]
		a.Regions = answered(randomRegions(random))
	case scoring.ByHands:
		a.Hands = scoring.Answer(scoring.Tenths(n * 5 % extentSteps))
	case scoring.ByDirect:
		a.Direct = scoring.Answer(scoring.Tenths(n * 8 % extentSteps))
	}
}

func setScales(a *scoring.Assessment, n int) {
	a.Itch = scoring.Answer(scoring.Tenths(n % scaleSteps))
	a.SleepLoss = scoring.Answer(scoring.Tenths(n / scaleSteps % scaleSteps))
}

// setUnscored answers, or leaves blank, what no total may depend on, and the
// clinician's flag.
func setUnscored(a *scoring.Assessment, random *rand.Rand) {
	for i := range a.AlsoSeen {
		a.AlsoSeen[i] = randomFlag(random)
	}
	if a.Rater == scoring.RatedByClinician {
		a.FaceOrHands = randomFlag(random)
	}
}

func randomFlag(random *rand.Rand) scoring.Optional[bool] {
	n := random.IntN(3)
	return scoring.Optional[bool]{Value: n == 2, Answered: n > 0}
}

// randomRegions spares about half of the regions in every other case.
func randomRegions(random *rand.Rand) (percents [scoring.RegionCount]uint8) {
	sparse := random.IntN(2) == 0
	for i := range percents {
		if !sparse || random.IntN(2) == 0 {
			percents[i] = uint8(random.IntN(101))
		}
	}
	return percents
}

func answered(percents [scoring.RegionCount]uint8) (all [scoring.RegionCount]scoring.Optional[uint8]) {
	for i, percent := range percents {
		all[i] = scoring.Answer(percent)
	}
	return all
}

// regionsAlone shows each weight by itself, and each set with all and nothing
// affected.
func regionsAlone(rater scoring.Rater, next yield) bool {
	for _, group := range ageGroups {
		for region := -1; region <= scoring.RegionCount; region++ {
			var percents [scoring.RegionCount]uint8
			for i := range percents {
				if i == region || region == scoring.RegionCount {
					percents[i] = 100
				}
			}
			if !next(byRegions(rater, group, percents)) {
				return false
			}
		}
	}
	return true
}

// edgesPerGroup finds every remainder of the rounding that a set of weights has.
const edgesPerGroup = 40

// roundingEdges are pairs of extents that differ by one percent of the smallest
// region, between which the rounded extent moves.
func roundingEdges(rater scoring.Rater, random *rand.Rand, next yield) bool {
	for _, group := range ageGroups {
		for range edgesPerGroup {
			below := randomRegions(random)
			below[scoring.Genitals] = 0
			above := below
			above[scoring.Genitals]++
			for scoring.ExtentByRegions(group, below) == scoring.ExtentByRegions(group, above) {
				below[scoring.Genitals]++
				above[scoring.Genitals]++
			}
			if !next(byRegions(rater, group, below)) || !next(byRegions(rater, group, above)) {
				return false
			}
		}
	}
	return true
}

func byRegions(rater scoring.Rater, group scoring.AgeGroup, percents [scoring.RegionCount]uint8) testCase {
	a := scoring.Assessment{Rater: rater, Method: scoring.ByRegions, AgeGroup: group, Grades: grades(0)}
	a.Regions = answered(percents)
	setScales(&a, 0)
	return testCase{nested, a}
}
