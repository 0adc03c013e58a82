package report

import (
	"cmp"
	"errors"
	"slices"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/agreement"
	"tidemark.example/tidemark/scoring/trend"
)

// Days is how far a report looks back from its newest score: a year.
const Days = 365

// MaxSeries is how many series the page has room for: family and team by each of
// three methods.
const MaxSeries = 6

// ErrNoScore says that there is nothing to report.
var ErrNoScore = errors.New("report: there is no score to report")

// Rating is a stored score as the report sees it.
type Rating struct {
	// Key is Observation/[id].
	Key string
	// Day is the calendar day of the rating where it was made, in days since
	// 1970-01-01; At is the moment, in milliseconds since then.
	Day, At int64
	// Respondent names who rated; "" if that is not known.
	Respondent string
	Rater      scoring.Rater
	Method     scoring.Method
	// Amended says that the score was corrected after it was first given.
	Amended bool
	// Measures are its values, as observation.MeasuresOf reads them.
	Measures []observation.Measure
	// Warnings are the notes about the data that the score carries.
	Warnings []string
}

// value of a code of questionnaire.ScoradSystem, in fiftieths.
func (r *Rating) value(code string) scoring.Optional[int64] {
	for _, m := range r.Measures {
		if m.Code == code {
			return scoring.Answer(m.Fiftieths)
		}
	}
	return scoring.Optional[int64]{}
}

// Input is what a report is made of.
type Input struct {
	// Subject is the patient as the caller refers to her. A name is not on the
	// page, since patients are not kept here.
	Subject string
	// Ratings are those of the patient up to the moment of the report, in any
	// order; none that was entered in error.
	Ratings []Rating
	// Bands is the set that the total is interpreted by.
	Bands scoring.BandSet
}

// Report is what the page says. Make one with New.
type Report struct {
	// Newest is the score that the report is about.
	Newest Rating

	subject string
	bands   scoring.BandSet
	// shown are the ratings of the last Days, the newest last.
	shown []Rating
	// series are those of their totals; that of the newest is the first.
	series []trend.Series
	// pair are the newest ratings of family and team that may be compared.
	pair *agreement.Pair
}

// New makes the report on the newest of the ratings; ErrNoScore if there are
// none.
func New(in Input) (*Report, error) {
	if len(in.Ratings) == 0 {
		return nil, ErrNoScore
	}
	all := slices.Clone(in.Ratings)
	slices.SortFunc(all, func(a, b Rating) int { return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Key, b.Key)) })
	newest := all[len(all)-1]
	r := &Report{Newest: newest, subject: in.Subject, bands: in.Bands}
	first := newest.Day - Days + 1
	for _, one := range all {
		if one.Day >= first {
			r.shown = append(r.shown, one)
		}
	}
	r.series = trend.Group(totals(all), first, max(newest.Day, lastDay(all)))
	// That of the newest score comes first.
	slices.SortStableFunc(r.series, func(a, b trend.Series) int { return cmp.Compare(r.rank(a), r.rank(b)) })
	r.pair = r.newestPair()
	return r, nil
}

// rank puts the series of the newest score before the others.
func (r *Report) rank(s trend.Series) int {
	if s.Rater == r.Newest.Rater && s.Method == r.Newest.Method {
		return 0
	}
	return 1
}

func lastDay(all []Rating) int64 {
	last := all[0].Day
	for _, one := range all {
		last = max(last, one.Day)
	}
	return last
}

// totals are the ratings that have a SCORAD, as trend wants them. All are given,
// since which self-assessments were the first two is told by all.
func totals(all []Rating) (scores []trend.Score) {
	for i := range all {
		r := &all[i]
		if total := r.value(observation.Total); total.Answered {
			scores = append(scores, trend.Score{Key: r.Key, Day: r.Day, At: r.At, Respondent: r.Respondent,
				Rater: r.Rater, Method: r.Method, Points: scoring.Points(total.Value)})
		}
	}
	return scores
}

// newestPair finds the newest pair of what is shown, nil if there is none.
func (r *Report) newestPair() *agreement.Pair {
	ratings := make([]agreement.Rating, len(r.shown))
	for i := range r.shown {
		one := &r.shown[i]
		ratings[i] = agreement.Rating{Key: one.Key, Day: one.Day, At: one.At, Rater: one.Rater, Method: one.Method}
		for item := range agreement.Item(agreement.ItemCount) {
			ratings[i].Values[item] = one.value(item.String())
		}
	}
	var found *agreement.Pair
	for _, pair := range agreement.Match(ratings) {
		if found == nil || later(pair) > later(*found) {
			found = &pair
		}
	}
	return found
}

// later is the moment at which both of a pair were there.
func later(p agreement.Pair) int64 { return max(p.Self.At, p.Clinician.At) }

// Results are the scores that are on the page, the newest first.
func (r *Report) Results() []string {
	keys := make([]string, 0, len(r.shown))
	for i := range r.shown {
		keys = append(keys, r.shown[len(r.shown)-1-i].Key)
	}
	return keys
}

// Amended says whether a score on the page was corrected after it was given.
func (r *Report) Amended() bool {
	return slices.ContainsFunc(r.shown, func(one Rating) bool { return one.Amended })
}

// Complete says whether the newest score has a SCORAD.
func (r *Report) Complete() bool { return r.Newest.value(observation.Total).Answered }

// sinceLast is the change of the newest score since the one before in its series,
// and sinceBaseline that since the first shown; nil where there is none.
func (r *Report) changes() (sinceLast, sinceBaseline *trend.Comparison) {
	if !r.Complete() || len(r.series) == 0 || r.rank(r.series[0]) != 0 {
		return nil, nil
	}
	s := r.series[0]
	if c, ok := s.SinceLast(); ok {
		sinceLast = &c
	}
	if c, ok := s.SinceBaseline(s.Scores[0].Day); ok && (sinceLast == nil || c.From.Key != sinceLast.From.Key) {
		sinceBaseline = &c
	}
	return sinceLast, sinceBaseline
}
