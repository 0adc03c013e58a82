package agreement

import (
	"math/big"
	"slices"

	"tidemark.example/tidemark/scoring"
)

// MinimumPairs is how many pairs a statistic needs: Lin's interval divides by
// n-2, and of fewer one learns more by looking at them. Common practice.
const MinimumPairs = 3

// FewPairs is below how many pairs the summary warns: limits of agreement of
// fewer are vague. Common practice.
const FewPairs = 30

// Summary is how well the pairs agree.
type Summary struct {
	// Pairs are all, Totals those in which both have a SCORAD; Patients is how many
	// the pairs are of.
	Pairs, Totals, Patients int
	Items                   [ItemCount]ItemSummary
	// Bands compare the classes of the totals by a set.
	Bands Classes
	// Limits, Intraclass and Concordance are of the totals; nil where there are too
	// few pairs, or where nothing differs.
	Limits      *Limits
	Intraclass  *Estimate
	Concordance *Concordance
	Warnings    []Warning
}

// ItemSummary compares one item over all pairs in which both have it.
type ItemSummary struct {
	Item Item
	// Lower, Alike and Higher count the pairs that the family rated so.
	Lower, Alike, Higher int64
	// Mean is that of the differences, in points or percent; nil of none.
	Mean *big.Rat
	// Linear and Quadratic are the weighted kappas of a grade; nil for other items,
	// too few pairs, or if all have one grade.
	Linear, Quadratic *big.Rat
}

// Count is how many pairs have the item.
func (s ItemSummary) Count() int64 { return s.Lower + s.Alike + s.Higher }

// Classes compare the severity bands of the totals.
type Classes struct {
	// Set names the band set.
	Set                  string
	Lower, Alike, Higher int64
	// Linear and Quadratic are the weighted kappas; nil as in ItemSummary.
	Linear, Quadratic *big.Rat
}

// Summarise compares the pairs, whose totals are put into the bands of a set.
func Summarise(pairs []Pair, bands scoring.BandSet) Summary {
	s := Summary{Pairs: len(pairs), Bands: classesOf(pairs, bands)}
	patients := map[string]bool{}
	for _, p := range pairs {
		patients[p.Clinician.Patient] = true
	}
	s.Patients = len(patients)
	for i := range s.Items {
		s.Items[i] = itemOf(pairs, Item(i))
	}
	self, clinician := valuesOf(pairs, Scorad)
	s.Totals = len(self)
	if s.Totals >= MinimumPairs {
		s.compare(self, clinician)
	}
	s.Warnings = s.warnings(pairs)
	return s
}

func (s *Summary) compare(self, clinician []int64) {
	differences, rows := make([]int64, len(self)), make([][]int64, len(self))
	for i := range self {
		differences[i], rows[i] = self[i]-clinician[i], []int64{self[i], clinician[i]}
	}
	if limits, ok := LimitsOf(differences); ok {
		s.Limits = &limits
	}
	if icc, ok := Intraclass(rows); ok {
		s.Intraclass = &icc
	}
	if c, ok := ConcordanceOf(self, clinician); ok {
		s.Concordance = &c
	}
}

// valuesOf are those of an item in the pairs in which both have it.
func valuesOf(pairs []Pair, item Item) (self, clinician []int64) {
	for _, p := range pairs {
		if p.Difference(item).Answered {
			self, clinician = append(self, p.Self.Values[item].Value), append(clinician, p.Clinician.Values[item].Value)
		}
	}
	return self, clinician
}

func itemOf(pairs []Pair, item Item) ItemSummary {
	s := ItemSummary{Item: item}
	self, clinician := valuesOf(pairs, item)
	var sum int64
	for i := range self {
		switch difference := self[i] - clinician[i]; {
		case difference < 0:
			s.Lower++
		case difference > 0:
			s.Higher++
		default:
			s.Alike++
		}
		sum += self[i] - clinician[i]
	}
	if len(self) > 0 {
		s.Mean = big.NewRat(sum, int64(len(self))*scoring.PointsPerUnit)
	}
	if item.Graded() && len(self) >= MinimumPairs {
		const grades = 4
		table := NewTable(grades)
		for i := range self {
			table[self[i]/scoring.PointsPerUnit][clinician[i]/scoring.PointsPerUnit]++
		}
		s.Linear, s.Quadratic = table.Kappa(Linear), table.Kappa(Quadratic)
	}
	return s
}

func classesOf(pairs []Pair, bands scoring.BandSet) Classes {
	table := NewTable(len(bands.Cuts))
	class := func(fiftieths int64) int {
		band := bands.Band(scoring.Points(fiftieths))
		return slices.IndexFunc(bands.Cuts, func(c scoring.Cut) bool { return c.Band == band })
	}
	self, clinician := valuesOf(pairs, Scorad)
	for i := range self {
		table[class(self[i])][class(clinician[i])]++
	}
	c := Classes{Set: bands.Name}
	c.Lower, c.Alike, c.Higher = table.Balance()
	if len(self) >= MinimumPairs {
		c.Linear, c.Quadratic = table.Kappa(Linear), table.Kappa(Quadratic)
	}
	return c
}
