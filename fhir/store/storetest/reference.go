package storetest

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// reference is a store's search in a few lines of memory, written from the
// definitions and not from any database, to hold the databases against.
type reference struct {
	entries map[store.Key]entry
}

// entry is a current resource with its index.
type entry struct {
	resource store.Resource
	index    store.Index
}

// find gives everything a query matches, in its order, without paging.
func (r reference) find(query store.Query, now time.Time) []store.Resource {
	var found []entry
	for key, e := range r.entries {
		if key.Type == query.Type && !e.resource.Deleted && e.matches(query, now) {
			found = append(found, e)
		}
	}
	slices.SortFunc(found, func(a, b entry) int {
		for _, sort := range append([]store.Sort{query.Sort}, query.Then...) {
			if by := order(sort, a, b); by != 0 {
				return by
			}
		}
		return cmp.Compare(a.resource.ID, b.resource.ID)
	})
	resources := []store.Resource{}
	for _, e := range found {
		resources = append(resources, e.resource)
	}
	return resources
}

// order compares two resources as an order of results does.
func order(sort store.Sort, a, b entry) int {
	switch sort {
	case store.ByLastUpdatedDesc:
		return b.resource.LastUpdated.Compare(a.resource.LastUpdated)
	case store.ByLastUpdated:
		return a.resource.LastUpdated.Compare(b.resource.LastUpdated)
	case store.ByTimeDesc:
		return b.index.Start.Compare(a.index.Start)
	case store.ByTime:
		return a.index.Start.Compare(b.index.Start)
	case store.ByStatusDesc:
		return cmp.Compare(b.index.Status, a.index.Status)
	case store.ByStatus:
		return cmp.Compare(a.index.Status, b.index.Status)
	case store.ByIDDesc:
		return cmp.Compare(b.resource.ID, a.resource.ID)
	case store.ByID:
		return cmp.Compare(a.resource.ID, b.resource.ID)
	default:
		return 0
	}
}

// matches says whether every condition of a query holds.
func (e entry) matches(query store.Query, now time.Time) bool {
	if !among(query.IDs, e.resource.ID) || !among(query.Patients, e.index.Patient) || !among(query.Statuses, e.index.Status) {
		return false
	}
	if slices.Contains(query.NotStatuses, e.index.Status) || !e.within(query.Limits) {
		return false
	}
	for _, times := range query.Times {
		if e.index.Start.IsZero() && e.index.End.IsZero() || !prefixHolds(times, e.index.Start, e.index.End, now) {
			return false
		}
	}
	for _, times := range query.LastUpdated {
		if !prefixHolds(times, e.resource.LastUpdated, e.resource.LastUpdated, now) {
			return false
		}
	}
	for _, token := range query.Tokens {
		if token.Not == e.hasToken(token) {
			return false
		}
	}
	for _, number := range query.Numbers {
		if slices.ContainsFunc(number.Any, e.hasNumber) == number.Not {
			return false
		}
	}
	return true
}

// within says whether a resource is within one of the limits; nil are none.
func (e entry) within(limits []store.Limit) bool {
	return limits == nil || slices.ContainsFunc(limits, func(limit store.Limit) bool {
		return (limit.Patient == "" || limit.Patient == e.index.Patient) &&
			!slices.ContainsFunc(limit.Tokens, func(token store.TokenQuery) bool { return token.Not == e.hasToken(token) })
	})
}

// among says whether a list is empty or has the value.
func among(list []string, value string) bool {
	return len(list) == 0 || slices.Contains(list, value)
}

// hasToken says whether one of the values is there.
func (e entry) hasToken(query store.TokenQuery) bool {
	return slices.ContainsFunc(e.index.Tokens, func(token store.Token) bool {
		return token.Param == query.Param && slices.Contains(query.Values, token.Value)
	})
}

// hasNumber says whether there is a value within the bounds, or outside.
func (e entry) hasNumber(query store.NumberRange) bool {
	return slices.ContainsFunc(e.index.Numbers, func(number store.Number) bool {
		within := query.Low <= number.Value && number.Value <= query.High
		param := number.Param == query.Param
		if strings.HasSuffix(query.Param, "|") {
			param = strings.HasPrefix(number.Param, query.Param)
		}
		return param && within != query.Not
	})
}

// prefixHolds compares the range of a resource with the range of a search, in
// the words of R4 search.html 3.1.1.4.5, but for ge and le, which find what
// reaches into the date as well. A zero bound of the resource is open.
func prefixHolds(search store.TimeRange, start, end, now time.Time) bool {
	const forever = 1 << 62
	low, high := int64(-forever), int64(forever)
	if !start.IsZero() {
		low = start.UnixMilli()
	}
	if !end.IsZero() {
		high = end.UnixMilli()
	}
	from, to := search.Low.UnixMilli(), search.High.UnixMilli()
	contained := from <= low && high <= to
	reachesAbove, reachesBelow := high > to, low < from
	overlaps := func(slack int64) bool { return low <= to+slack && from-slack <= high }
	switch search.Prefix {
	case store.NotEqual:
		return !contained
	case store.GreaterThan:
		return reachesAbove
	case store.LessThan:
		return reachesBelow
	case store.GreaterOrEqual:
		return high >= from
	case store.LessOrEqual:
		return low <= to
	case store.StartsAfter:
		return reachesAbove && !overlaps(0)
	case store.EndsBefore:
		return reachesBelow && !overlaps(0)
	case store.Approximately:
		gap := max(now.UnixMilli()-to, from-now.UnixMilli(), 0)
		return overlaps(gap / 10)
	default:
		return contained
	}
}
