package agreement

import (
	"cmp"
	"slices"

	"tidemark.example/tidemark/scoring"
)

// RecallDays is how many days a rating looks back on; two ratings no further
// apart speak of some of the same days.
const RecallDays = 3

// Pair is a rating by the family and one by the team, of the same patient.
type Pair struct {
	Self, Clinician Rating
}

// Difference of an item is the family's value minus the team's, in fiftieths;
// unanswered where one of them has none.
func (p Pair) Difference(item Item) scoring.Optional[int64] {
	self, clinician := p.Self.Values[item], p.Clinician.Values[item]
	if !self.Answered || !clinician.Answered {
		return scoring.Optional[int64]{}
	}
	return scoring.Answer(self.Value - clinician.Value)
}

// Days is how many days the family's rating is after the team's; negative before.
func (p Pair) Days() int64 { return p.Self.Day - p.Clinician.Day }

// Match pairs the ratings, in order of the team's. Every two of one patient that
// are at most RecallDays apart could be a pair; of those the nearest in days come
// together first, then in moments, then the earlier ones, and each rating is used
// once. The order in which ratings are given does not matter. That only scores
// within the recall window are compared is clinical judgement; no rule for it was
// found published.
func Match(ratings []Rating) []Pair {
	patients := map[string][]Rating{}
	for _, r := range ratings {
		patients[r.Patient] = append(patients[r.Patient], r)
	}
	var pairs []Pair
	for _, own := range patients {
		pairs = append(pairs, matchOne(own)...)
	}
	slices.SortFunc(pairs, func(a, b Pair) int {
		return cmp.Or(cmp.Compare(a.Clinician.At, b.Clinician.At), cmp.Compare(a.Clinician.Key, b.Clinician.Key))
	})
	return pairs
}

func matchOne(ratings []Rating) []Pair {
	slices.SortFunc(ratings, func(a, b Rating) int { return cmp.Compare(a.Day, b.Day) })
	used := map[string]bool{}
	var pairs []Pair
	for _, c := range candidatesOf(ratings) {
		if !used[c.self.Key] && !used[c.clinician.Key] {
			used[c.self.Key], used[c.clinician.Key] = true, true
			pairs = append(pairs, Pair{*c.self, *c.clinician})
		}
	}
	return pairs
}

// candidate is what could be a pair.
type candidate struct {
	self, clinician *Rating
}

// candidatesOf are those of one patient's ratings in order of day, in the order
// in which they come together.
func candidatesOf(ratings []Rating) []candidate {
	var all []candidate
	for i := range ratings {
		a := &ratings[i]
		for j := i + 1; j < len(ratings) && ratings[j].Day-a.Day <= RecallDays; j++ {
			switch b := &ratings[j]; {
			case a.Rater == b.Rater:
			case a.Rater == scoring.RatedBySelf:
				all = append(all, candidate{a, b})
			default:
				all = append(all, candidate{b, a})
			}
		}
	}
	slices.SortFunc(all, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.days(), b.days()), cmp.Compare(a.moments(), b.moments()),
			cmp.Compare(a.clinician.At, b.clinician.At), cmp.Compare(a.self.At, b.self.At),
			cmp.Compare(a.clinician.Key, b.clinician.Key), cmp.Compare(a.self.Key, b.self.Key))
	})
	return all
}

func (c candidate) days() int64    { return apart(c.self.Day, c.clinician.Day) }
func (c candidate) moments() int64 { return apart(c.self.At, c.clinician.At) }

func apart(a, b int64) int64 { return max(a-b, b-a) }

// LatestOfEach keeps the last pair of each patient, so that the pairs are
// independent of each other.
func LatestOfEach(pairs []Pair) []Pair {
	last := map[string]int{}
	for i, p := range pairs {
		last[p.Clinician.Patient] = i
	}
	var kept []Pair
	for i, p := range pairs {
		if last[p.Clinician.Patient] == i {
			kept = append(kept, p)
		}
	}
	return kept
}
