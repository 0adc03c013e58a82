package agreement

import "slices"

// Warning is one reason to be careful with a summary. It is a stable code, fit
// for a filter; Text is its sentence.
type Warning string

// The warnings.
const (
	NoPairs          Warning = "no-pairs"
	TooFewPairs      Warning = "too-few-pairs"
	FewerThanUsual   Warning = "few-pairs"
	RepeatedMeasures Warning = "repeated-measures"
	OnePatient       Warning = "one-patient"
	MethodsDiffer    Warning = "methods-differ"
	TotalMissing     Warning = "total-missing"
	NothingDiffers   Warning = "nothing-differs"
)

// Text is the warning as a sentence in English, or "" for a code not known here.
func (w Warning) Text() string { return warningTexts[w] }

var warningTexts = map[Warning]string{
	NoPairs:          "No score of the family is within three days of one of the team.",
	TooFewPairs:      "Fewer than three pairs have both totals, so that only their differences are given.",
	FewerThanUsual:   "Fewer than 30 pairs have both totals: limits, coefficients and their intervals are vague.",
	RepeatedMeasures: "Several pairs are of the same patient and not independent of each other, so that the intervals are too narrow.",
	OnePatient:       "All pairs are of one patient: the coefficients are about this patient's ups and downs, and cannot be compared with those of studies.",
	MethodsDiffer:    "In some pairs the extent was found by different methods; part of the difference is that of the methods.",
	TotalMissing:     "In some pairs a total is missing, since itch or sleep loss was not answered; they count for the other items only.",
	NothingDiffers:   "All ratings of one side, or of both, are alike or in one band, so that a coefficient is not defined.",
}

func (s *Summary) warnings(pairs []Pair) []Warning {
	undefined := s.Totals >= MinimumPairs && (s.Intraclass == nil || s.Concordance == nil || s.Bands.Linear == nil)
	var all []Warning
	for _, w := range []struct {
		applies bool
		warning Warning
	}{
		{s.Pairs == 0, NoPairs},
		{s.Pairs > 0 && s.Totals < MinimumPairs, TooFewPairs},
		{s.Totals >= MinimumPairs && s.Totals < FewPairs, FewerThanUsual},
		{s.Pairs > s.Patients, RepeatedMeasures},
		{s.Pairs > 1 && s.Patients == 1, OnePatient},
		{slices.ContainsFunc(pairs, func(p Pair) bool { return p.Self.Method != p.Clinician.Method }), MethodsDiffer},
		{s.Totals < s.Pairs, TotalMissing},
		{undefined, NothingDiffers},
	} {
		if w.applies {
			all = append(all, w.warning)
		}
	}
	return all
}
