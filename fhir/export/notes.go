package export

import "fmt"

// Notes are what the client is to be told with the result: what was ignored, and
// of an export for research what it is and what risk remains.
func Notes(plan *Plan, state *State) []string {
	notes := append([]string{}, plan.Notes...)
	if !plan.Research {
		return notes
	}
	if len(state.People) < SmallGroup {
		notes = append(notes, fmt.Sprintf("Small group: this export is about fewer than %d people, who can be recognised by very little. Do not release it beyond those who treat them.", SmallGroup))
	}
	return append(notes,
		"Pseudonyms are of this export alone, and its key is forgotten with it: a person cannot be followed from one export to the next. Dates are moved back by 1 to 365 whole days, the same for all scores of a person; intervals are true.",
		"This is pseudonymous, not anonymous: whoever knows or holds a person's scores can find the person by them, intervals and rare values narrow down who is meant, regions of the body tell the age group, and a known last rating tells how far dates were moved. Release it to named recipients under an agreement that forbids to look for whom a line is of.",
		"Scores are as they were computed then; device names the version of the arithmetic. Bands are left out, since they are conventions that differ by set: make them from the values. The score supports, and never replaces, the judgement of a clinician; it neither diagnoses nor chooses a treatment.")
}
