package auth

import (
	"slices"
	"strings"
)

// Within gives of the scopes asked for what the others allow too: what it
// permits, both permit. A scope that is allowed as a whole stays as it was
// written, so that a client finds what it asked for.
func Within(asked, allowed []Scope) []Scope {
	var granted []Scope
	for _, scope := range asked {
		if slices.ContainsFunc(allowed, func(other Scope) bool { return other.includes(scope) }) {
			granted = add(granted, scope)
			continue
		}
		for _, other := range allowed {
			if both, some := scope.meet(other); some {
				granted = add(granted, both)
			}
		}
	}
	return granted
}

// includes says whether all that another scope permits is permitted by this.
func (s Scope) includes(other Scope) bool {
	return s.Context == other.Context && typesMeet(s.Type, other.Type) && (s.Type == "*" || s.Type == other.Type) &&
		other.Allows&^s.Allows == 0 && (len(s.Filters) == 0 || slices.EqualFunc(s.Filters, other.Filters, equalFilters))
}

// typesMeet says whether two types have resources in common; see audit.
func typesMeet(a, b string) bool {
	return a == b || a == "*" && b != audit || b == "*" && a != audit
}

// meet gives the scope that permits what both permit.
func (s Scope) meet(other Scope) (Scope, bool) {
	both := Scope{Context: s.Context, Type: s.Type, Allows: s.Allows & other.Allows}
	if s.Context != other.Context || both.Allows == 0 || !typesMeet(s.Type, other.Type) {
		return Scope{}, false
	}
	if both.Type == "*" {
		both.Type = other.Type
	}
	both.Filters = slices.Clone(s.Filters)
	for _, filter := range other.Filters {
		if !slices.ContainsFunc(both.Filters, func(have Filter) bool { return equalFilters(have, filter) }) {
			both.Filters = append(both.Filters, filter)
		}
	}
	return both, true
}

func equalFilters(a, b Filter) bool { return a.Param == b.Param && slices.Equal(a.Tokens, b.Tokens) }

// add appends a scope unless one says the same.
func add(scopes []Scope, scope Scope) []Scope {
	text := scope.String()
	if slices.ContainsFunc(scopes, func(have Scope) bool { return have.String() == text }) {
		return scopes
	}
	return append(scopes, scope)
}

// FormatScopes writes scopes as one string (RFC 6749 section 3.3).
func FormatScopes(scopes []Scope) string {
	texts := make([]string, len(scopes))
	for i, scope := range scopes {
		texts[i] = scope.String()
	}
	return strings.Join(texts, " ")
}
