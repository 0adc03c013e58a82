package sandbox

import (
	"errors"
	"slices"
	"strings"
	"time"
)

// span is a time range, end exclusive. A zero time is an open side.
type span struct {
	start, end time.Time
}

// dateQuery is a date search value: prefix and range (R4 search.html 3.1.1.4.3).
type dateQuery struct {
	prefix string
	span   span
}

var datePrefixes = []string{"eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"}

func parseDateQuery(s string) (dateQuery, error) {
	prefix := "eq"
	if len(s) > 2 && slices.Contains(datePrefixes, s[:2]) {
		prefix, s = s[:2], s[2:]
	}
	r, err := parseSpan(s)
	return dateQuery{prefix, r}, err
}

// parseSpan reads a FHIR date, dateTime or instant as the range it covers; without a zone it is UTC.
func parseSpan(s string) (span, error) {
	layouts := []struct {
		layout string
		end    func(time.Time) time.Time
	}{
		{"2006", func(t time.Time) time.Time { return t.AddDate(1, 0, 0) }},
		{"2006-01", func(t time.Time) time.Time { return t.AddDate(0, 1, 0) }},
		{"2006-01-02", func(t time.Time) time.Time { return t.AddDate(0, 0, 1) }},
		{"2006-01-02T15:04:05Z07:00", func(t time.Time) time.Time { return t.Add(precision(s)) }},
	}
	for _, l := range layouts {
		if t, err := time.Parse(l.layout, s); err == nil {
			return span{t, l.end(t)}, nil
		}
	}
	return span{}, errors.New("not a FHIR date or dateTime")
}

// precision is a second, or a thousandth when the seconds have a fraction.
func precision(s string) time.Duration {
	if strings.Contains(s, ".") {
		return time.Millisecond
	}
	return time.Second
}

func (p parameter) matchesDate(tree *object, want string) bool {
	query, err := parseDateQuery(want)
	if err != nil {
		return false
	}
	for _, element := range p.elements {
		for _, item := range tree.list(element) {
			if have, ok := dateOf(item); ok && query.matches(have) {
				return true
			}
		}
	}
	return false
}

// dateOf reads a date, a Period or (for _lastUpdated) a Meta.
func dateOf(item any) (span, bool) {
	switch v := item.(type) {
	case string:
		r, err := parseSpan(v)
		return r, err == nil
	case *object:
		if updated := v.text("lastUpdated"); updated != "" {
			return dateOf(updated)
		}
		start, _ := parseSpan(v.text("start"))
		end, _ := parseSpan(v.text("end"))
		return span{start.start, end.end}, !start.start.IsZero() || !end.end.IsZero()
	}
	return span{}, false
}

func (q dateQuery) matches(have span) bool {
	within := !have.start.IsZero() && !have.end.IsZero() && !have.start.Before(q.span.start) && !have.end.After(q.span.end)
	later := have.end.IsZero() || have.end.After(q.span.end)
	earlier := have.start.IsZero() || have.start.Before(q.span.start)
	switch q.prefix {
	case "eq":
		return within
	case "ne":
		return !within
	case "gt":
		return later
	case "ge":
		return later || within
	case "lt":
		return earlier
	case "le":
		return earlier || within
	case "sa":
		return !have.start.IsZero() && !have.start.Before(q.span.end)
	default: // eb
		return !have.end.IsZero() && !have.end.After(q.span.start)
	}
}
