package scoring

import "slices"

// Band is a class of severity. Band edges are conventions of groups of
// experts, not thresholds of treatment.
type Band uint8

// The bands that any set uses, in order of severity. Clear is a score of exactly
// 0: no signs or symptoms recorded, which is less than mild.
const (
	Clear Band = iota
	ClearOrAlmostClear
	Mild
	Moderate
	ModerateOrSevere
	Severe
	BandCount = 6
)

// String gives the code of the band.
func (b Band) String() string {
	return codeAt([]string{"clear", "clear-or-almost-clear", "mild", "moderate", "moderate-or-severe", "severe"}, int(b))
}

// Measure says which of the two scores a convention is about, since one number
// means different things as the one or the other.
type Measure uint8

// The two measures: SCORAD of 0 to 103, and its objective part of 0 to 83.
const (
	OfScorad Measure = iota
	OfObjective
)

// String gives the code of the result that the measure is.
func (m Measure) String() string { return codeAt([]string{"scorad", "objective"}, int(m)) }

// Max is the highest score of the measure, 103 or 83.
func (m Measure) Max() Points {
	if m == OfObjective {
		return MaxObjective
	}
	return MaxScorad
}

// BandSet is one published way to cut the range of a score into bands.
type BandSet struct {
	// Name goes with every band, since sets differ.
	Name string
	// Measure is the score that the set is for, never the one with bonus.
	Measure Measure
	// Source says who published the set, and its limits.
	Source Source
	// Cuts are where each band begins, the first at 0, rising.
	Cuts []Cut
	// Ranges are what the cuts come to: they follow one another without gap, in
	// steps of a fiftieth, from 0 to the measure's highest score.
	Ranges []BandRange
}

// Cut is the lowest score of a band.
type Cut struct {
	Band Band
	Low  Points
}

// BandRange is one band of a set, both ends included.
type BandRange struct {
	Band      Band
	Low, High Points
}

// Band gives the band of an exact score, never of a rounded one: 24.96 prints as
// 25.0 with one decimal and is mild all the same.
func (s BandSet) Band(score Points) Band {
	band := s.Cuts[0].Band
	for _, cut := range s.Cuts[1:] {
		if score < cut.Low {
			break
		}
		band = cut.Band
	}
	return band
}

// Range finds the range of a band; ok is false if the set does not use it.
func (s BandSet) Range(band Band) (r BandRange, ok bool) {
	for _, r := range s.Ranges {
		if r.Band == band {
			return r, true
		}
	}
	return BandRange{}, false
}

// clone keeps callers from changing the sets of the program.
func (s BandSet) clone() BandSet {
	s.Source.Limits = slices.Clone(s.Source.Limits)
	s.Cuts, s.Ranges = slices.Clone(s.Cuts), slices.Clone(s.Ranges)
	return s
}

// BandSets lists all sets for SCORAD, the usual one first.
func BandSets() []BandSet { return cloneAll(scoradBands) }

// ObjectiveBandSets lists all sets for the objective score.
func ObjectiveBandSets() []BandSet { return cloneAll(objectiveBands) }

func cloneAll(sets []BandSet) []BandSet {
	clones := make([]BandSet, len(sets))
	for i, set := range sets {
		clones[i] = set.clone()
	}
	return clones
}

// BandSetByName finds a set for SCORAD; ok is false if there is none of that
// name. Sets for the objective score are not found, since they would read a
// total wrongly.
func BandSetByName(name string) (set BandSet, ok bool) {
	for _, set := range scoradBands {
		if set.Name == name {
			return set.clone(), true
		}
	}
	return BandSet{}, false
}
