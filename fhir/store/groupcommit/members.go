package groupcommit

import (
	"cmp"
	"slices"

	"tidemark.example/tidemark/fhir/store"
)

// Members are those that a Want names, each once; store.Whole if it names none.
func Members(named []string) []string {
	if len(named) == 0 {
		return []string{store.Whole}
	}
	members := slices.Clone(named)
	slices.Sort(members)
	return slices.Compact(members)
}

// ClaimOrder is the order of what was claimed: due longest first.
func ClaimOrder(a, b store.Delivery) int {
	return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Key.ID, b.Key.ID), cmp.Compare(a.Member, b.Member))
}

// CheckOrder is the order in which copies are looked at.
func CheckOrder(a, b store.Delivery) int {
	return cmp.Or(a.Looked.Compare(b.Looked), cmp.Compare(a.Key.ID, b.Key.ID), cmp.Compare(a.Member, b.Member))
}
