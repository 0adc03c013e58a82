package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// span is a range of time whose end is the first millisecond behind it.
type span struct{ from, to time.Time }

// spanOf reads a date as R4 search.html 3.1.1.4.7 takes it, by Go's own parser:
// everything from its first to its last instant. What has no offset is in UTC.
func spanOf(t require.TestingT, text string) span {
	for _, layout := range []struct {
		text string
		next func(time.Time) time.Time
	}{
		{"2006", func(at time.Time) time.Time { return at.AddDate(1, 0, 0) }},
		{"2006-01", func(at time.Time) time.Time { return at.AddDate(0, 1, 0) }},
		{"2006-01-02", func(at time.Time) time.Time { return at.AddDate(0, 0, 1) }},
		{"2006-01-02T15:04", func(at time.Time) time.Time { return at.Add(time.Minute) }},
		{"2006-01-02T15:04Z07:00", func(at time.Time) time.Time { return at.Add(time.Minute) }},
		{"2006-01-02T15:04:05Z07:00", func(at time.Time) time.Time { return at.Add(time.Second) }},
	} {
		at, err := time.Parse(layout.text, text)
		if err != nil {
			continue
		}
		if strings.Contains(text, ".") {
			return span{at, at.Add(time.Millisecond)}
		}
		return span{at, layout.next(at)}
	}
	require.Fail(t, "not a date", text)
	return span{}
}

// matches is the table of R4 search.html 3.1.1.4.5, word for word, but for ge and
// le, which find what reaches into the date (DEVELOPERS.md, deviations). Now is what
// an approximate date is near to: it reaches a tenth of its distance from now.
func (has span) matches(prefix string, asked span, now time.Time) bool {
	contained := !has.from.Before(asked.from) && !has.to.After(asked.to)
	overlapsAbove, overlapsBelow := has.to.After(asked.to), has.from.Before(asked.from)
	switch prefix {
	case "", "eq":
		return contained
	case "ne":
		return !contained
	case "gt":
		return overlapsAbove
	case "lt":
		return overlapsBelow
	case "ge":
		return has.to.After(asked.from)
	case "le":
		return has.from.Before(asked.to)
	case "sa":
		return !has.from.Before(asked.to)
	case "eb":
		return !has.to.After(asked.from)
	case "ap":
		slack := max(now.Sub(asked.to), asked.from.Sub(now), 0) / 10
		return has.from.Before(asked.to.Add(slack)) && has.to.After(asked.from.Add(-slack))
	}
	panic("no such prefix: " + prefix)
}

// dated is a stored response with the time of its answers and the period of its
// score, both as the server wrote them.
type dated struct {
	id               string
	authored, rated  span
	authoredAsServed string
}

// authoredTimes are several dozen, close together and at every edge: midnights
// of far offsets, ends of years, a leap day, days without a time.
func authoredTimes() []string {
	var all []string
	for _, day := range []string{"2019-12-31", "2020-01-01", "2020-02-28", "2020-02-29", "2020-03-01", "2020-03-03", "2020-03-04"} {
		all = append(all, day)
		for _, clock := range []string{"00:00:00", "12:34:56.789", "23:59:59"} {
			for _, zone := range []string{"Z", "+14:00", "-12:00"} {
				all = append(all, day+"T"+clock+zone)
			}
		}
	}
	return all
}

// newDatedRig is a server with a response at each of the times.
func newDatedRig(t *testing.T) (*rig, []dated) {
	r := newRig(t)
	var all []dated
	for i, authored := range authoredTimes() {
		body := oona(fmt.Sprint("dated-", i))
		body.authored = authored
		d := dated{id: r.create(body.json()).id()}
		score := r.score(d.id)
		start, end := spanOf(t, score.text("effectivePeriod", "start")), spanOf(t, score.text("effectivePeriod", "end"))
		d.rated = span{start.from, end.to}
		d.authoredAsServed = r.get("/fhir/QuestionnaireResponse/" + d.id).text("authored")
		d.authored = spanOf(t, d.authoredAsServed)
		all = append(all, d)
	}
	return r, all
}

// found are the ids of a whole search that fits on one page.
func (r *rig) found(t require.TestingT, path string) []string {
	a, err := send(r.origin, http.MethodGet, path, "")
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, a.status, "%s: %s", path, a.body)
	total := bundleTotal.FindSubmatch(a.body)
	require.Len(t, total, 2, "%s", a.body)
	ids := []string{}
	for _, url := range fullURL.FindAllSubmatch(a.body, -1) {
		ids = append(ids, string(url[1]))
	}
	require.Equal(t, string(total[1]), strconv.Itoa(len(ids)), path)
	slices.Sort(ids)
	return ids
}

// What found reads of a searchset; decoding the whole of hundreds of large ones
// takes minutes under the race detector.
var (
	bundleTotal = regexp.MustCompile(`^{"resourceType":"Bundle","type":"searchset","timestamp":"[^"]+","total":(\d+),`)
	fullURL     = regexp.MustCompile(`{"fullUrl":"[^"]+/([^"/]+)","resource":{`)
)

// drawDate is any of the ways to write a date near those of the resources.
func drawDate(t *rapid.T) string {
	base := time.Date(2019, 12, 20, 0, 0, 0, 0, time.UTC)
	at := base.Add(time.Duration(rapid.IntRange(0, 90*24*60*60-1).Draw(t, "second")) * time.Second)
	if rapid.Bool().Draw(t, "as a resource has it") {
		at = spanOf(t, rapid.SampledFrom(authoredTimes()).Draw(t, "authored")).from
	}
	at = at.In(time.FixedZone("", 1800*rapid.IntRange(-24, 28).Draw(t, "half hours of offset")))
	layout := rapid.SampledFrom([]string{"2006", "2006-01", "2006-01-02", "2006-01-02T15:04", "2006-01-02T15:04Z07:00",
		"2006-01-02T15:04:05Z07:00", "2006-01-02T15:04:05.001Z07:00"}).Draw(t, "layout")
	return at.Format(layout)
}

func TestSearchByDateAgreesWithTheStandard(t *testing.T) {
	t.Parallel()
	r, all := newDatedRig(t)
	rapid.Check(t, func(t *rapid.T) {
		prefix := rapid.SampledFrom([]string{"", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"}).Draw(t, "prefix")
		date := drawDate(t)
		asked := spanOf(t, date)
		query := url.QueryEscape(prefix + date)
		before := time.Now()
		authored := r.found(t, "/fhir/QuestionnaireResponse?_count=200&authored="+query)
		rated := r.found(t, "/fhir/Observation?_count=200&date="+query)
		after := time.Now().Add(time.Second)
		for _, d := range all {
			for kind, c := range map[string]struct {
				has   span
				found []string
			}{"response": {d.authored, authored}, "score": {d.rated, rated}} {
				want := c.has.matches(prefix, asked, before)
				if want != c.has.matches(prefix, asked, after) {
					continue // so near the edge that the clock decides
				}
				require.Equal(t, want, slices.Contains(c.found, d.id), "%s of %s: %s%s", kind, d.authoredAsServed, prefix, date)
			}
		}
	})
}

// TestSearchByDate: worked out by hand. The answers are of 2026-03-04T18:30Z; the
// score speaks of 1 March, midnight, until then.
func TestSearchByDate(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.create(oona("by-date").json())
	for query, want := range map[string]struct{ response, score bool }{
		"2026":                                {true, true},
		"2026-03":                             {true, true},
		"2026-03-04":                          {true, false},
		"2026-03-01":                          {false, false},
		"ne2026-03-04":                        {false, true},
		"ge2026-03-02":                        {true, true},
		"ge2026-03-04":                        {true, true},
		"gt2026-03-03":                        {true, true},
		"gt2026-03-04":                        {false, false},
		"le2026-03-04":                        {true, true},
		"le2026-03-01":                        {false, true},
		"le2026-02-28":                        {false, false},
		"lt2026-03-02":                        {false, true},
		"lt2026-03-05":                        {true, true},
		"sa2026-02-28":                        {true, true},
		"sa2026-03-01":                        {true, false},
		"eb2026-03-05":                        {true, true},
		"eb2026-03-04T18:30:00Z":              {false, false},
		"eb2026-03-04T18:30:01Z":              {true, true},
		"2026-03-04T19:30:00%2B01:00":         {true, false},
		"2026-03-04T19:30:00+01:00":           {true, false},
		"2026-03-04T19:30%2B01:00":            {true, false},
		"2026-03-04T18%3A30":                  {true, false},
		"2026-03-04T18:29":                    {false, false},
		"sa2026-03-04T18:29":                  {true, false},
		"2026-03-04T18:31":                    {false, false},
		"2026-03-04T18:30:00":                 {true, false},
		"ap2026-03-04":                        {true, true},
		"ge2026-03-01&{}=le2026-03-04":        {true, true},
		"ge2026-03-01T00:00:00Z&{}=lt2026-04": {true, true},
		"ge2026-03-05&{}=le2026-03-06":        {false, false},
		"&{}=2026-03-04":                      {true, false},
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			path := func(kind, param string) string {
				return "/fhir/" + kind + "?" + param + "=" + strings.ReplaceAll(query, "{}", param)
			}
			require.Equal(t, want.response, len(r.found(t, path("QuestionnaireResponse", "authored"))) == 1, "response")
			require.Equal(t, want.score, len(r.found(t, path("Observation", "date"))) == 1, "score")
		})
	}
	for _, value := range []string{
		"yesterday", "2026-13", "2026-02-30", "26-03-04", "xx2026", "GE2026", "ge", "2026-03-04T", "2026-03-04T18", "2026-03-04T18:30:00.",
		"2026-03-04T25:00", "2026-03-04T18:60", "2026-03-04%2018:30", "2026-03-04,2026-03-05", "ge%202026", "2026-03-04T18:30:00%2B15:00", "2026-03-04T18:30Zz",
	} {
		r.run(t, value+" is no date", func(t *testing.T, r *rig) {
			for _, path := range []string{"QuestionnaireResponse?authored=", "Observation?date=", "Observation?_lastUpdated="} {
				a := r.get("/fhir/" + path + value)
				require.Equal(t, http.StatusBadRequest, a.status, "%s", a.body)
				require.Equal(t, "OperationOutcome", a.text("resourceType"))
			}
		})
	}
}

func TestSearchByLastUpdated(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.create(oona("last-updated").json())
	stored := a.text("meta", "lastUpdated")
	at := spanOf(t, stored).from
	for query, want := range map[string]bool{
		stored: true, "ge" + stored: true, "gt" + stored: false, "lt" + stored: false, "le" + stored: true,
		at.Format("2006-01-02"): true, "ge" + at.Add(time.Hour).Format(time.RFC3339): false,
		"lt" + at.Add(time.Hour).Format(time.RFC3339): true, "2001": false,
	} {
		for _, kind := range []string{"QuestionnaireResponse", "Observation", "Provenance"} {
			require.Equal(t, want, len(r.found(t, "/fhir/"+kind+"?_lastUpdated="+url.QueryEscape(query))) == 1, "%s %s", kind, query)
		}
	}
}
