package trend

import "tidemark.example/tidemark/scoring"

// Warning is one reason to be careful with a trend. It is a stable code, fit for
// a filter; Text is its sentence.
type Warning string

// The warnings.
const (
	TooFewDays        Warning = "too-few-days"
	TooManyDays       Warning = "too-many-days"
	LineBegins        Warning = "line-begins-with-respondent"
	ScorersDiffer     Warning = "scorers-differ"
	SeveralOnOneDay   Warning = "several-on-one-day"
	RecallOverlaps    Warning = "recall-overlaps"
	GapLeftOut        Warning = "gap-left-out"
	RespondentDiffers Warning = "respondent-differs"
	Learning          Warning = "learning"
	NoPercent         Warning = "no-percent"
)

// Text is the warning as a sentence in English, or "" for a code not known here.
func (w Warning) Text() string { return warningTexts[w] }

var warningTexts = map[Warning]string{
	TooFewDays:        "Fewer than five days have a score, so that no slope is given; no interval of 95 % exists for fewer.",
	TooManyDays:       "More than a thousand days have a score; ask for a shorter period to be given a slope.",
	LineBegins:        "The respondent changed; slope and mean begin with the scores of the last one.",
	ScorersDiffer:     "Several of the team rated; two clinicians rating one patient differ by up to 7.49 points (limits of agreement; Sprikkelman AB et al. Allergy 1997;52:944-949).",
	SeveralOnOneDay:   "There are several scores of one day; the last of each day counts.",
	RecallOverlaps:    "Scores less than three days apart share days that they speak of.",
	GapLeftOut:        "More than 92 days between two scores are not part of the mean.",
	RespondentDiffers: "The two scores were given by different people.",
	Learning:          "One of the scores is among the first two self-assessments, which agree less with the team's than later ones.",
	NoPercent:         "The earlier score is 0, which no percent can be taken of.",
}

// Warnings are those of the series as a whole.
func (s Series) Warnings() []Warning {
	line := s.Line()
	mean, _ := s.Mean()
	var all []Warning
	for _, w := range []struct {
		applies bool
		warning Warning
	}{
		{len(line) < MinimumDays, TooFewDays},
		{len(line) > MaximumDays, TooManyDays},
		{s.Begin > 0, LineBegins},
		{s.Rater == scoring.RatedByClinician && differ(line), ScorersDiffer},
		{s.Count > len(s.Scores), SeveralOnOneDay},
		{overlap(line), RecallOverlaps},
		{mean.Gaps > 0, GapLeftOut},
	} {
		if w.applies {
			all = append(all, w.warning)
		}
	}
	return all
}

func differ(line []Score) bool {
	for _, score := range line {
		if score.Respondent != line[0].Respondent {
			return true
		}
	}
	return false
}

// overlap says whether two scores on end share days.
func overlap(line []Score) bool {
	for i := 1; i < len(line); i++ {
		if line[i].Day-line[i-1].Day < recallDays {
			return true
		}
	}
	return false
}
