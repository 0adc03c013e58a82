package main

import (
	"tidemark.example/tidemark/scoring"
)

// missing leaves out each answer in turn, in each shape, from assessments that
// are otherwise complete: with zeros, which are answers, with the highest
// answers, and with some in between. An answer that the method does not ask for
// is missing anyway, and its cases are the complete ones.
func missing(rater scoring.Rater, next yield) bool {
	for _, complete := range completeAssessments(rater) {
		for _, blank := range blanks() {
			for _, s := range shapes {
				a := complete
				blank(&a)
				if !next(testCase{s, a}) {
					return false
				}
			}
		}
	}
	return true
}

// completeAssessments lists lowest, highest and middling answers for each way to
// give the extent.
func completeAssessments(rater scoring.Rater) []scoring.Assessment {
	var all []scoring.Assessment
	for _, level := range []level{
		{grade: 0, percent: 0, extent: 0, scale: 0},
		{grade: 3, percent: 100, extent: 1000, scale: 100},
		{grade: 2, percent: 37, extent: 183, scale: 67},
	} {
		base := level.assessment(rater)
		for _, group := range ageGroups {
			a := base
			a.Method, a.AgeGroup = scoring.ByRegions, group
			for i := range a.Regions {
				a.Regions[i] = scoring.Answer(level.percent)
			}
			all = append(all, a)
		}
		hands, direct := base, base
		hands.Method, hands.Hands = scoring.ByHands, scoring.Answer(level.extent)
		direct.Method, direct.Direct = scoring.ByDirect, scoring.Answer(level.extent)
		all = append(all, hands, direct)
	}
	return all
}

// level is how much of everything a complete assessment has.
type level struct {
	grade, percent uint8
	extent, scale  scoring.Tenths
}

// assessment answers all but the extent.
func (l level) assessment(rater scoring.Rater) scoring.Assessment {
	a := scoring.Assessment{Rater: rater, Itch: scoring.Answer(l.scale), SleepLoss: scoring.Answer(l.scale)}
	for i := range a.Grades {
		a.Grades[i] = scoring.Answer(l.grade)
	}
	if rater == scoring.RatedByClinician {
		a.FaceOrHands = scoring.Answer(true)
	}
	return a
}

// blanks lists a way to leave out each answer; the first leaves out none, the
// last but one denies the clinician's flag, the last leaves out all.
func blanks() []func(*scoring.Assessment) {
	all := []func(*scoring.Assessment){
		func(*scoring.Assessment) {},
		func(a *scoring.Assessment) { a.Method = scoring.MethodUnknown },
		func(a *scoring.Assessment) { a.AgeGroup = scoring.AgeGroupUnknown },
		func(a *scoring.Assessment) { a.Hands.Answered = false },
		func(a *scoring.Assessment) { a.Direct.Answered = false },
		func(a *scoring.Assessment) { a.Itch.Answered = false },
		func(a *scoring.Assessment) { a.SleepLoss.Answered = false },
		func(a *scoring.Assessment) { a.FaceOrHands.Answered = false },
	}
	for i := range scoring.RegionCount {
		all = append(all, func(a *scoring.Assessment) { a.Regions[i].Answered = false })
	}
	for i := range scoring.SignCount {
		all = append(all, func(a *scoring.Assessment) { a.Grades[i].Answered = false })
	}
	return append(all,
		func(a *scoring.Assessment) { a.FaceOrHands.Value = false },
		func(a *scoring.Assessment) { *a = scoring.Assessment{Rater: a.Rater} },
	)
}
