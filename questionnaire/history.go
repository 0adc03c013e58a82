package questionnaire

import (
	"cmp"
	"slices"

	"tidemark.example/tidemark/scoring"
)

// The warnings that need the patient, the time of entry or earlier scores. Each
// asks to look again; none says that somebody did wrong. Sources: Stalder JF et al.
// Allergy 2011;66:1114-1121 and Vourc'h-Jourdain M et al. Dermatology
// 2009;218:246-251 (agreement with the team grows with practice: W14); the recall of
// three days and nights of the ETFAD training pages (scores closer than that share
// days: W07); Lund CC, Browder NC. Surg Gynecol Obstet 1944;79:352-358 (a child's
// proportions: W08); Sprikkelman AB et al. Allergy 1997;52:944-949 and Kunz B et al.
// Dermatology 1997;195:10-19 (raters have profiles of their own: W09). The numbers 20
// points and 3 days, and the other conditions, are the service's own choice.
const (
	LargeOrEarlyChange  Quality = 7
	AgeAndChartDiffer   Quality = 8
	CircumstancesDiffer Quality = 9
	CoarseExtent        Quality = 10
	TwoOnOneDay         Quality = 11
	DateImplausible     Quality = 12
	LearningScore       Quality = 14
)

// HistoryWarnings are these, in the order in which they are told.
var HistoryWarnings = []Quality{
	LargeOrEarlyChange, AgeAndChartDiffer, CircumstancesDiffer, CoarseExtent, TwoOnOneDay, DateImplausible, LearningScore,
}

// RecallDays is how many days before its own a rating speaks of; scores less than
// that apart share some.
const RecallDays = 3

// The rules' own bounds.
const (
	// largeChange is what a change within the recall must be more than.
	largeChange = scoring.Points(20 * scoring.PointsPerUnit)
	// lateDays is how many days after the assessed one answers may be entered.
	lateDays = 3
	// learningScores is how many self-assessments count as learning.
	learningScores = 2
	// clockSlack is how far ahead a sender's clock may be, in milliseconds (common
	// practice).
	clockSlack = 5 * 60 * 1000
)

// Rated is a score of the patient as these rules see it.
type Rated struct {
	// Key names it, and orders those of one moment.
	Key string
	// Day is the calendar day of the rating where it was made, in days since
	// 1970-01-01; At is the moment, in milliseconds since then.
	Day, At int64
	// Respondent names who rated; "" if that is not known, which is one respondent.
	Respondent string
	Rater      scoring.Rater
	Method     scoring.Method
	Total      scoring.Optional[scoring.Points]
	// Coarse says that its drawing has nothing but whole parts of the body.
	Coarse bool
}

// Born is what is known of a patient's birth.
type Born struct {
	// Asked says that the patient was seen, Known that there is a date of birth; it
	// is one of the days from First to Last, since 1970-01-01, and AgeGroup is that on
	// the day of the rating, unknown where the date does not tell.
	Asked, Known bool
	First, Last  int64
	AgeGroup     scoring.AgeGroup
}

// Entry is a score as it is entered.
type Entry struct {
	Rated
	// Chart is the one that its regions were drawn on.
	Chart scoring.AgeGroup
	Born  Born
	// Earliest is the earliest moment that At may have been, since a date without a
	// time is of no one time zone; Now is the present one. Both are in milliseconds.
	Earliest, Now int64
	// EnteredDay is the day of Now where the rating was made. It counts only if Fresh:
	// what is corrected was entered before.
	EnteredDay int64
	Fresh      bool
}

// CoarseDrawing says whether a drawing has whole parts of the body only. That of
// all the skin is not coarse: nothing finer can be said of it.
func CoarseDrawing(regions *[scoring.RegionCount]scoring.Optional[uint8]) bool {
	whole := 0
	for _, percent := range regions {
		switch {
		case percent.Answered && percent.Value == 100:
			whole++
		case !percent.Answered || percent.Value != 0:
			return false
		}
	}
	return whole > 0 && whole < scoring.RegionCount
}

// Judge gives the warnings about an entry. Others are the patient's other scores by
// the same kind of rater, in any order: all whose days are within the recall of its
// own, the last before it, the last of all before it that has a drawing, and of
// those before it as many as count as learning, if there are so many.
func Judge(e *Entry, others []Rated) []Quality {
	others = slices.Clone(others)
	others = slices.DeleteFunc(others, func(r Rated) bool { return r.Rater != e.Rater })
	before := slices.DeleteFunc(slices.Clone(others), func(r Rated) bool { return r.At > e.At })
	found := map[Quality]bool{
		LargeOrEarlyChange:  slices.ContainsFunc(others, e.tooNear),
		AgeAndChartDiffer:   e.Method == scoring.ByRegions && e.Born.unlike(e.Chart),
		CircumstancesDiffer: differs(e, before),
		CoarseExtent:        coarseAgain(e, before),
		TwoOnOneDay:         slices.ContainsFunc(others, func(r Rated) bool { return r.Day == e.Day && r.Respondent == e.Respondent }),
		DateImplausible:     e.misdated(),
		LearningScore:       e.Rater == scoring.RatedBySelf && len(before) < learningScores,
	}
	return slices.DeleteFunc(slices.Clone(HistoryWarnings), func(q Quality) bool { return !found[q] })
}

// tooNear says whether another score of the series shares days of recall, or is just
// beyond them and far from this one.
func (e *Entry) tooNear(r Rated) bool {
	apart := max(e.Day-r.Day, r.Day-e.Day)
	if r.Method != e.Method || apart > RecallDays {
		return false
	}
	return apart < RecallDays || e.Total.Answered && r.Total.Answered &&
		max(e.Total.Value-r.Total.Value, r.Total.Value-e.Total.Value) > largeChange
}

// unlike says whether the chart is another than that of the age, which is none where
// the age of a patient who was seen is not known.
func (b Born) unlike(chart scoring.AgeGroup) bool { return b.Asked && b.AgeGroup != chart }

// differs says whether method or respondent are not those of the last score.
func differs(e *Entry, before []Rated) bool {
	last, ok := latest(before, func(Rated) bool { return true })
	return ok && (last.Method != e.Method || last.Respondent != e.Respondent)
}

// coarseAgain says whether the drawing is as coarse as the last one.
func coarseAgain(e *Entry, before []Rated) bool {
	last, ok := latest(before, func(r Rated) bool { return r.Method == scoring.ByRegions })
	return e.Coarse && ok && last.Coarse
}

// latest is the last of the scores that count.
func latest(scores []Rated, counts func(Rated) bool) (last Rated, ok bool) {
	for _, r := range scores {
		if counts(r) && (!ok || cmp.Or(cmp.Compare(r.At, last.At), cmp.Compare(r.Key, last.Key)) > 0) {
			last, ok = r, true
		}
	}
	return last, ok
}

// misdated says whether the day lies in the future, before birth, or too long
// before it was entered.
func (e *Entry) misdated() bool {
	return e.Earliest > e.Now+clockSlack || e.Born.Known && e.Day < e.Born.First || e.Fresh && e.EnteredDay-e.Day > lateDays
}
