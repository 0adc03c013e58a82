package api

import (
	"net/http"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// dateParam compares the period that a resource is about.
func dateParam(_ *Server, p *parsed, c criterion) error {
	r, err := timeRanges(c.param.name, c.value)
	p.query.Times = append(p.query.Times, r)
	return err
}

// lastUpdatedParam compares when the version was stored.
func lastUpdatedParam(_ *Server, p *parsed, c criterion) error {
	r, err := timeRanges("_lastUpdated", c.value)
	p.query.LastUpdated = append(p.query.LastUpdated, r)
	return err
}

// timeRanges reads a date parameter, which takes one value: the store has no
// alternatives of ranges.
func timeRanges(name, value string) (store.TimeRange, error) {
	values := alternatives(value)
	if len(values) > 1 {
		return store.TimeRange{}, fail(http.StatusBadRequest, fhir.IssueNotSupported, "The search parameter "+name+" takes one date; for a range repeat it, with the prefixes ge and le.")
	}
	return timeRange(name, values[0])
}

// timeRange reads a prefix and a date (R4 search.html 3.1.1.4.7).
func timeRange(name, value string) (store.TimeRange, error) {
	prefix := store.Equal
	if len(value) > 2 && value[0] >= 'a' && value[0] <= 'z' {
		prefix, value = store.Prefix(value[:2]), value[2:]
	}
	switch prefix {
	case store.Equal, store.NotEqual, store.GreaterThan, store.LessThan, store.GreaterOrEqual, store.LessOrEqual, store.StartsAfter, store.EndsBefore, store.Approximately:
	default:
		return store.TimeRange{}, badParam(name, "a date with one of the prefixes eq, ne, gt, lt, ge, le, sa, eb, ap")
	}
	low, high, err := searchDate(value)
	if err != nil {
		return store.TimeRange{}, badParam(name, "a date such as 2026-03-04, with a prefix such as ge before it if wanted")
	}
	return store.TimeRange{Prefix: prefix, Low: low, High: high}, nil
}

// searchDate gives the first and last instant of a date as searches may write
// it: beside FHIR's own forms without seconds, and without a zone, which is then
// UTC (R4 search.html 3.1.1.4.7).
func searchDate(text string) (low, high time.Time, err error) {
	// A plus in a query that was not encoded arrives as a space.
	text = strings.ReplaceAll(text, " ", "+")
	toMinute := false
	if day, clock, timed := strings.Cut(text, "T"); timed {
		zone := "Z"
		if at := strings.IndexAny(clock, "Z+-"); at >= 0 {
			clock, zone = clock[:at], clock[at:]
		}
		if toMinute = len(clock) == len("15:04"); toMinute {
			clock += ":00"
		}
		text = day + "T" + clock + zone
	}
	date, err := fhir.ParseDateTime([]byte(text))
	if err != nil {
		return low, high, err
	}
	if low, high = date.Range(); toMinute {
		high = low.Add(time.Minute - time.Millisecond)
	}
	return low, high, nil
}
