package trend

import "tidemark.example/tidemark/scoring"

// Comparison sets a score against an earlier one of its series.
type Comparison struct {
	From, To Score
	scoring.Change
	// Warnings are what makes the comparison less sure than it looks.
	Warnings []Warning
}

// SinceLast compares the last score with that of the day before it in the
// series; ok is false if there is none.
func (s Series) SinceLast() (c Comparison, ok bool) {
	if len(s.Scores) < 2 {
		return Comparison{}, false
	}
	return compare(s.Scores[len(s.Scores)-2], s.Latest()), true
}

// SinceBaseline compares the last score with the baseline: the first score from
// the day given on. There is none if that is the last score itself.
func (s Series) SinceBaseline(day int64) (c Comparison, ok bool) {
	for _, score := range s.Scores[:len(s.Scores)-1] {
		if score.Day >= day {
			return compare(score, s.Latest()), true
		}
	}
	return Comparison{}, false
}

// recallDays are those that a rating speaks of besides its own day.
const recallDays = 3

func compare(from, to Score) Comparison {
	c := Comparison{From: from, To: to, Change: scoring.Change{From: from.Points, To: to.Points}}
	if from.Respondent != to.Respondent {
		c.Warnings = append(c.Warnings, RespondentDiffers)
	}
	if to.Day-from.Day < recallDays {
		c.Warnings = append(c.Warnings, RecallOverlaps)
	}
	if from.Learning || to.Learning {
		c.Warnings = append(c.Warnings, Learning)
	}
	if from.Points == 0 {
		c.Warnings = append(c.Warnings, NoPercent)
	}
	return c
}
