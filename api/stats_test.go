package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
)

// course is a server with weekly scores of one patient, 33.6 + i points in week
// i, and what must not count: a retracted one, one without a total, and another
// patient's.
func course(t *testing.T) (*rig, []string) {
	r := newRig(t)
	var ids []string
	for i := range 8 {
		body := oona(fmt.Sprint("week-", i))
		body.authored = time.Date(2026, 3, 4+7*i, 19, 30, 0, 0, time.UTC).Format(time.RFC3339)
		body.itch, body.sleep, body.extent = strconv.Itoa(i), "1.6", "20"
		ids = append(ids, r.create(body.json()).id())
	}
	gone := r.reach("entered-in-error", "week-gone")
	require.Equal(t, "entered-in-error", r.score(gone.id).text("status"))
	partial, casper := oona("partial"), oona("casper")
	partial.authored, partial.itch = "2026-03-10T19:30:00Z", ""
	casper.patient = "Patient/casper-quillfeather"
	r.create(partial.json())
	r.create(casper.json())
	return r, ids
}

// statistic is the value of one component, and the unit's code.
func (a answer) statistic(i int, code string) (value, unit string) {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.status, "%s", a.body)
	for j := range a.count("parameter", i, "resource", "component") {
		component := []any{"parameter", i, "resource", "component", j}
		if a.text(append(component, "code", "coding", 0, "code")...) == code {
			require.Equal(a.t, "http://terminology.hl7.org/CodeSystem/observation-statistics", a.text(append(component, "code", "coding", 0, "system")...))
			return a.text(append(component, "valueQuantity", "value")...), a.text(append(component, "valueQuantity", "code")...)
		}
	}
	require.Fail(a.t, "no such statistic", code)
	return "", ""
}

func TestStats(t *testing.T) {
	t.Parallel()
	r, ids := course(t)
	const path = "/fhir/Observation/$stats?subject=Patient/oona-thistledown&code=scorad"
	every := []string{"average", "maximum", "minimum", "count", "total-count", "median", "std-dev", "sum", "variance", "20-percent", "80-percent",
		"4-lower", "4-upper", "4-dev", "5-1", "5-2", "5-3", "5-4", "skew", "kurtosis", "regression"}
	r.run(t, "are those of the scores that count", func(t *testing.T, r *rig) {
		a := r.get(path + "&statistic=" + strings.Join(every, "&statistic="))
		// 33.6 to 40.6, each one more than the one before, worked out by hand.
		for code, want := range map[string]string{
			"average": "37.1 {score}", "maximum": "40.6 {score}", "minimum": "33.6 {score}", "count": "8 1", "total-count": "9 1", "median": "37.1 {score}",
			"std-dev": "2.44949 {score}", "sum": "296.8 {score}", "variance": "6 1", "20-percent": "35 {score}", "80-percent": "39.2 {score}",
			"4-lower": "35.35 {score}", "4-upper": "38.85 {score}", "4-dev": "1.75 {score}", "5-1": "35 {score}", "5-2": "36.4 {score}",
			"5-3": "37.8 {score}", "5-4": "39.2 {score}", "skew": "0 1", "kurtosis": "-1.2 1", "regression": "0.142857 {score}/d",
		} {
			value, unit := a.statistic(0, code)
			require.Equal(t, want, value+" "+unit, code)
		}
		require.Equal(t, len(every)+1, a.count("parameter", 0, "resource", "component"), "regression has a gradient and an intercept")
	})
	r.run(t, "agree with a reference library", func(t *testing.T, r *rig) {
		x := []float64{33.6, 34.6, 35.6, 36.6, 37.6, 38.6, 39.6, 40.6}
		days := []float64{0, 7, 14, 21, 28, 35, 42, 49}
		intercept, gradient := stat.LinearRegression(days, x, nil, false)
		a := r.get(path + "&statistic=regression&statistic=std-dev&statistic=kurtosis")
		for code, want := range map[string]float64{"regression": gradient, "std-dev": stat.StdDev(x, nil), "kurtosis": stat.ExKurtosis(x, nil)} {
			text, _ := a.statistic(0, code)
			value, err := strconv.ParseFloat(text, 64)
			require.NoError(t, err)
			require.InDelta(t, want, value, 1e-6, code)
		}
		require.InDelta(t, 33.6, intercept, 1e-9)
		require.Equal(t, "33.6", a.text("parameter", 0, "resource", "component", 2, "valueQuantity", "value"))
	})
	r.run(t, "say what they are of", func(t *testing.T, r *rig) {
		a := r.get(path + "&statistic=count")
		o := func(path ...any) string { return a.text(append([]any{"parameter", 0, "resource"}, path...)...) }
		require.Equal(t, "Parameters", a.text("resourceType"))
		require.Equal(t, "statistics", a.text("parameter", 0, "name"))
		require.Equal(t, "Observation", o("resourceType"))
		require.Equal(t, "final", o("status"))
		require.Equal(t, "scorad", o("code", "coding", 0, "code"))
		require.Equal(t, "https://tidemark.example/fhir/CodeSystem/scorad", o("code", "coding", 0, "system"))
		require.Equal(t, "Patient/oona-thistledown", o("subject", "reference"))
		require.Equal(t, "2026-03-04T19:30:00.000Z", o("effectivePeriod", "start"))
		require.Equal(t, "2026-04-22T19:30:00.000Z", o("effectivePeriod", "end"))
		require.Equal(t, 1, a.count("parameter"))
	})
	r.run(t, "of parts, each in its unit, one Observation for each code", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation/$stats?subject=oona-thistledown&code=symptoms-itch&code=extent&system=https://tidemark.example/fhir/CodeSystem/scorad&statistic=average&statistic=count&statistic=variance")
		value, unit := a.statistic(0, "average")
		require.Equal(t, "3.5 {score}", value+" "+unit)
		value, unit = a.statistic(1, "average")
		require.Equal(t, "20 %", value+" "+unit)
		value, _ = a.statistic(1, "count")
		require.Equal(t, "9", value, "the one without a total has an extent")
		value, unit = a.statistic(1, "variance")
		require.Equal(t, "0 %2", value+" "+unit)
		require.Equal(t, 2, a.count("parameter"))
	})
	r.run(t, "of a second coding", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation/$stats?subject=oona-thistledown&code=418363000&system=http://snomed.info/sct&statistic=maximum")
		value, _ := a.statistic(0, "maximum")
		require.Equal(t, "7", value)
		require.Equal(t, "http://snomed.info/sct", a.text("parameter", 0, "resource", "code", "coding", 0, "system"))
	})
	r.run(t, "of nothing say so", func(t *testing.T, r *rig) {
		for _, query := range []string{"subject=nobody&code=scorad", "subject=oona-thistledown&code=unheard-of", "subject=oona-thistledown&code=scorad&system=http://loinc.org"} {
			a := r.get("/fhir/Observation/$stats?" + query + "&statistic=average&statistic=count&statistic=regression&statistic=sum")
			value, _ := a.statistic(0, "count")
			require.Equal(t, "0", value)
			value, _ = a.statistic(0, "average")
			require.Equal(t, "", value)
			require.Equal(t, "not-applicable", a.text("parameter", 0, "resource", "component", 0, "dataAbsentReason", "coding", 0, "code"))
		}
	})
	r.run(t, "with their sources, the latest of them", func(t *testing.T, r *rig) {
		a := r.get(path + "&statistic=count&include=true&limit=2")
		require.Equal(t, 3, a.count("parameter"))
		require.Equal(t, "source", a.text("parameter", 1, "name"))
		require.Equal(t, ids[6], a.text("parameter", 1, "resource", "id"))
		require.Equal(t, ids[7], a.text("parameter", 2, "resource", "id"))
		require.Equal(t, 10, r.get(path+"&statistic=count&include=true").count("parameter"))
		require.Equal(t, 1, r.get(path+"&statistic=count&limit=x").count("parameter"), "a limit without include is ignored")
	})
	r.run(t, "within a duration", func(t *testing.T, r *rig) {
		hours := int(time.Since(time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)).Hours())
		a := r.get(path + "&statistic=count&statistic=minimum&duration=" + strconv.Itoa(hours))
		value, _ := a.statistic(0, "count")
		require.Equal(t, "4", value) // 1, 8, 15 and 22 April
		value, _ = a.statistic(0, "minimum")
		require.Equal(t, "37.6", value)
		value, _ = r.get(path+"&statistic=count&duration=0.5").statistic(0, "count")
		require.Equal(t, "0", value)
	})
}

func parametersOf(entries ...string) string {
	return `{"resourceType":"Parameters","parameter":[` + strings.Join(entries, ",") + `]}`
}

func TestStatsByPost(t *testing.T) {
	t.Parallel()
	r, _ := course(t)
	subject := `{"name":"subject","valueUri":"Patient/oona-thistledown"}`
	coding := `{"name":"coding","valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"scorad"}}`
	count := `{"name":"statistic","valueCode":"count"}`
	post := func(r *rig, entries ...string) answer {
		return r.do(http.MethodPost, "/fhir/Observation/$stats", parametersOf(entries...))
	}
	for name, c := range map[string]struct {
		period string
		want   string
	}{
		"without a period":      {"", "8"},
		"within days":           {`{"start":"2026-03-11","end":"2026-03-25"}`, "3"},
		"within instants":       {`{"start":"2026-03-11T19:30:00Z","end":"2026-03-25T19:29:59Z"}`, "2"},
		"from a day on":         {`{"start":"2026-04-22"}`, "1"},
		"to a month":            {`{"end":"2026-03"}`, "4"},
		"within nothing at all": {`{"start":"2027"}`, "0"},
	} {
		r.run(t, name, func(t *testing.T, r *rig) {
			entries := []string{subject, coding, count}
			if c.period != "" {
				entries = append(entries, `{"name":"period","valuePeriod":`+c.period+`}`)
			}
			value, _ := post(r, entries...).statistic(0, "count")
			require.Equal(t, c.want, value)
		})
	}
	for name, c := range map[string]struct {
		entries []string
		code    string
	}{
		"without a subject":      {[]string{coding, count}, "required"},
		"without a code":         {[]string{subject, count}, "required"},
		"without a statistic":    {[]string{subject, coding}, "required"},
		"with a resource":        {[]string{subject, coding, count, `{"name":"x","resource":{"resourceType":"Basic","code":{"text":"x"}}}`}, "not-supported"},
		"with another parameter": {[]string{subject, coding, count, `{"name":"flavour","valueString":"sour"}`}, "not-supported"},
		"with a period of none":  {[]string{subject, coding, count, `{"name":"period","valuePeriod":{"start":"2026-04","end":"2026-03"}}`}, "value"},
	} {
		r.run(t, name+" are refused", func(t *testing.T, r *rig) { post(r, c.entries...).refused(http.StatusBadRequest, c.code) })
	}
	r.run(t, "of no Parameters are refused", func(t *testing.T, r *rig) {
		for _, operation := range []string{"$stats", "$lastn"} {
			r.do(http.MethodPost, "/fhir/Observation/"+operation, oona("x").json()).refused(http.StatusBadRequest, "structure")
		}
	})
}

func TestStatsRefuse(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const good = "subject=Patient/a&code=scorad&statistic=count"
	for query, code := range map[string]string{
		"code=scorad&statistic=count": "required", "subject=Patient/a&statistic=count": "required", "subject=Patient/a&code=scorad": "required",
		good + "&statistic=mode": "code-invalid", good + "&code=": "value", good + "&duration=x": "value", good + "&duration=0": "value", good + "&duration=-3": "value",
		good + "&duration=1e30": "value", good + "&include=yes": "value", good + "&include=true&limit=0": "value", good + "&flavour=sour": "not-supported",
		good + "&coding=a%7Cb": "not-supported", good + "&period.start=2026": "not-supported", good + strings.Repeat("&code=scorad", 60): "too-costly",
	} {
		r.run(t, query[:min(len(query), 90)], func(t *testing.T, r *rig) {
			r.get("/fhir/Observation/$stats?"+query).refused(http.StatusBadRequest, code)
		})
	}
}

func TestLastN(t *testing.T) {
	t.Parallel()
	r, ids := course(t)
	const path = "/fhir/Observation/$lastn?patient=oona-thistledown&category=survey"
	inOrder := func(a answer) []string {
		a.t.Helper()
		require.Equal(a.t, http.StatusOK, a.status, "%s", a.body)
		found := []string{}
		for i := range a.count("entry") {
			found = append(found, a.text("entry", i, "resource", "id"))
		}
		return found
	}
	r.run(t, "is the most recent score", func(t *testing.T, r *rig) {
		a := r.get(path)
		require.Equal(t, []string{ids[7]}, inOrder(a))
		require.Equal(t, "searchset", a.text("type"))
		require.Equal(t, "1", a.text("total"))
		require.Equal(t, "match", a.text("entry", 0, "search", "mode"))
		require.Equal(t, inOrder(a), inOrder(r.get(a.link("self"))))
	})
	r.run(t, "is as many as asked for, the newest first", func(t *testing.T, r *rig) {
		require.Equal(t, []string{ids[7], ids[6], ids[5]}, inOrder(r.get(path+"&max=3")))
		require.Len(t, inOrder(r.get(path+"&max=500")), 9, "all that were not entered in error")
	})
	r.run(t, "is filtered as any search", func(t *testing.T, r *rig) {
		require.Equal(t, []string{ids[3]}, inOrder(r.get(path+"&date=lt2026-03-26")))
		require.Equal(t, []string{ids[2]}, inOrder(r.get(path+"&value-quantity=lt36")))
		require.Empty(t, inOrder(r.get(path+"&patient=casper-quillfeather")))
		require.Len(t, inOrder(r.get(path+"&status=entered-in-error&max=5")), 1)
	})
	r.run(t, "is of nothing without an error", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation/$lastn?patient=nobody&code=scorad")
		require.Empty(t, inOrder(a))
		require.Equal(t, "0", a.text("total"))
		require.Empty(t, inOrder(r.get("/fhir/Observation/$lastn?subject=Patient/oona-thistledown&code=other")))
	})
	r.run(t, "is by POST as well, and names nobody in its link", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, "/fhir/Observation/$lastn", parametersOf(`{"name":"patient","valueString":"oona-thistledown"}`, `{"name":"code","valueString":"scorad"}`, `{"name":"max","valuePositiveInt":2}`))
		require.Equal(t, []string{ids[7], ids[6]}, inOrder(a))
		require.NotContains(t, a.link("self"), "oona")
		require.Equal(t, inOrder(a), inOrder(r.get(a.link("self"))))
	})
	for query, code := range map[string]string{
		"category=survey": "required", "patient=oona-thistledown": "required", "patient=oona-thistledown&code=scorad&max=0": "value",
		"patient=oona-thistledown&code=scorad&max=x": "value", "patient=oona-thistledown&code=scorad&date=x": "value", "patient=oona-thistledown&code:text=x": "not-supported",
	} {
		r.run(t, "by "+query+" is refused", func(t *testing.T, r *rig) {
			r.get("/fhir/Observation/$lastn?"+query).refused(http.StatusBadRequest, code)
		})
	}
	r.run(t, "gives all that are rated at the time of the last of them", func(t *testing.T, r *rig) {
		own := newRig(t)
		var tied []string
		for i := range 3 {
			body := oona(fmt.Sprint("tied-", i))
			tied = append(tied, own.create(body.json()).id())
		}
		later := oona("later the same day")
		later.authored = "2026-03-04T22:00:00+01:00"
		last := own.create(later.json()).id()
		a := own.get("/fhir/Observation/$lastn?" + url.PathEscape("patient=oona-thistledown&code=scorad"))
		require.Equal(t, []string{last}, inOrder(a))
		a = own.get("/fhir/Observation/$lastn?patient=oona-thistledown&code=scorad&max=2")
		require.Equal(t, append([]string{last}, tied...), inOrder(a), "the second of them has two of the same time")
	})
}
