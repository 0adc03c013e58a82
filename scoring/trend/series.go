package trend

import (
	"cmp"
	"slices"

	"tidemark.example/tidemark/scoring"
)

// Score is one rating as a series sees it.
type Score struct {
	// Key names the score to the caller.
	Key string
	// Day is the calendar day of the rating where it was made, in days since
	// 1970-01-01; At is the moment, in milliseconds since then.
	Day, At int64
	// Respondent names who rated; "" if that is not known, which is one respondent.
	Respondent string
	Rater      scoring.Rater
	Method     scoring.Method
	Points     scoring.Points
	// Learning says that it is one of the patient's first two self-assessments,
	// which agree less with the team's than later ones (Vourc'h-Jourdain M et al.
	// Dermatology 2009;218:246-251: r 0.26 at first, 0.61 on day 18). Group sets it.
	Learning bool
}

// learners is how many self-assessments count as learning.
const learners = 2

// Series are the scores of one kind of rater by one method, at least one, in
// order of their days.
type Series struct {
	Rater  scoring.Rater
	Method scoring.Method
	// Scores has one score of each day, the last.
	Scores []Score
	// Count is how many there were, those before the last of a day included.
	Count int
	// Begin is where the trend line begins: the first score after the respondent
	// last changed, if the family rated. Two of a family rate differently. The
	// team's line has all scores, whoever of the team rated.
	Begin int
}

// Line are the scores of the trend line.
func (s Series) Line() []Score { return s.Scores[s.Begin:] }

// Latest is the last score.
func (s Series) Latest() Score { return s.Scores[len(s.Scores)-1] }

// Group sorts the scores of one patient into series, the family's first and then
// by method. Only days within from and to, both included, are in a series; which
// scores are a learner's is judged by all of them.
func Group(scores []Score, from, to int64) []Series {
	all := slices.Clone(scores)
	slices.SortFunc(all, func(a, b Score) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Key, b.Key))
	})
	own := 0
	for i := range all {
		if all[i].Rater == scoring.RatedBySelf {
			own++
			all[i].Learning = own <= learners
		}
	}
	all = slices.DeleteFunc(all, func(s Score) bool { return s.Day < from || s.Day > to })
	slices.SortStableFunc(all, func(a, b Score) int {
		return cmp.Or(cmp.Compare(a.Rater, b.Rater), cmp.Compare(a.Method, b.Method), cmp.Compare(a.Day, b.Day))
	})
	var series []Series
	for i, score := range all {
		if i == 0 || all[i-1].Rater != score.Rater || all[i-1].Method != score.Method {
			series = append(series, Series{Rater: score.Rater, Method: score.Method})
		}
		series[len(series)-1].add(score)
	}
	for i := range series {
		series[i].Begin = series[i].begin()
	}
	return series
}

// add takes the next score.
func (s *Series) add(score Score) {
	s.Count++
	if last := len(s.Scores) - 1; last >= 0 && s.Scores[last].Day == score.Day {
		s.Scores = s.Scores[:last]
	}
	s.Scores = append(s.Scores, score)
}

func (s *Series) begin() int {
	if s.Rater == scoring.RatedByClinician {
		return 0
	}
	at := len(s.Scores) - 1
	for at > 0 && s.Scores[at-1].Respondent == s.Scores[at].Respondent {
		at--
	}
	return at
}
