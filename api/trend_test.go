package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

const trendPath = "/fhir/Observation/$scorad-trend"

// defined is a parameter as an OperationDefinition has it.
type defined struct {
	Name, Use, Max, Type string
	Min                  int
	Part                 []defined
}

// given is a parameter of an answer: its name, its parts, and the rest.
type given map[string]any

// holdsDefinition holds an answer to the published definition of its operation:
// every parameter is in it, as often and of the type that it says.
func (r *rig) holdsDefinition(a answer, operation string) {
	r.t.Helper()
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	published, ok := questionnaire.Find("OperationDefinition", questionnaire.Base+"/OperationDefinition/"+operation)
	require.True(r.t, ok)
	var definition struct{ Parameter []defined }
	require.NoError(r.t, json.Unmarshal(published.JSON, &definition))
	var parameters struct{ Parameter []given }
	require.NoError(r.t, json.Unmarshal(a.body, &parameters))
	out := slices.DeleteFunc(definition.Parameter, func(d defined) bool { return d.Use != "out" })
	require.NotEmpty(r.t, out)
	holdsParts(r.t, operation, out, parameters.Parameter)
}

func holdsParts(t testing.TB, path string, definitions []defined, parameters []given) {
	t.Helper()
	counts := map[string]int{}
	for _, p := range parameters {
		name := fmt.Sprint(p["name"])
		counts[name]++
		at := slices.IndexFunc(definitions, func(d defined) bool { return d.Name == name })
		require.GreaterOrEqual(t, at, 0, "%s has no %s", path, name)
		d := definitions[at]
		require.Len(t, p, 2, "%s.%s: a name, and one value or parts", path, name)
		if len(d.Part) == 0 {
			require.Contains(t, p, "value"+strings.ToUpper(d.Type[:1])+d.Type[1:], "%s.%s", path, name)
			continue
		}
		require.Contains(t, p, "part", "%s.%s", path, name)
		var parts []given
		for _, part := range p["part"].([]any) {
			parts = append(parts, part.(map[string]any))
		}
		holdsParts(t, path+"."+name, d.Part, parts)
	}
	for _, d := range definitions {
		require.GreaterOrEqual(t, counts[d.Name], d.Min, "%s.%s", path, d.Name)
		if limit, err := strconv.Atoi(d.Max); err == nil {
			require.LessOrEqual(t, counts[d.Name], limit, "%s.%s", path, d.Name)
		}
	}
}

// named steps from parameter to part: names, each with the number of those of the
// same name before it. What it finds is printed as its value.
func (a answer) named(steps ...any) string {
	a.t.Helper()
	var document given
	require.NoError(a.t, json.Unmarshal(a.body, &document), "%s", a.body)
	all, _ := document["parameter"].([]any)
	var found map[string]any
	for i := 0; i < len(steps); i++ {
		skip := 0
		if i+1 < len(steps) {
			if n, ok := steps[i+1].(int); ok {
				skip = n
			}
		}
		found = nil
		for _, one := range all {
			p := one.(map[string]any)
			if p["name"] != steps[i] {
				continue
			}
			if skip--; skip < 0 {
				found = p
				break
			}
		}
		if found == nil {
			return ""
		}
		all, _ = found["part"].([]any)
		if i+1 < len(steps) {
			if _, ok := steps[i+1].(int); ok {
				i++
			}
		}
	}
	for name, value := range found {
		if strings.HasPrefix(name, "value") {
			return printed(value)
		}
	}
	return fmt.Sprint(len(all), " parts")
}

// printed writes a quantity as its value and unit, a range as both ends.
func printed(value any) string {
	object, ok := value.(map[string]any)
	switch {
	case !ok:
		return fmt.Sprint(value)
	case object["low"] != nil:
		return printed(object["low"]) + " to " + printed(object["high"])
	case object["value"] != nil:
		return fmt.Sprint(object["value"], " ", object["code"])
	case object["reference"] != nil:
		return fmt.Sprint(object["reference"])
	case object["text"] != nil:
		return fmt.Sprint(object["text"])
	}
	return fmt.Sprint(object["code"])
}

// warned lists the codes of warnings under a path.
func (a answer) warned(steps ...any) (codes []string) {
	a.t.Helper()
	for i := 0; ; i++ {
		code := a.named(append(slices.Clone(steps), "warning", i, "code")...)
		if code == "" {
			return codes
		}
		require.NotEmpty(a.t, a.named(append(slices.Clone(steps), "warning", i, "text")...))
		codes = append(codes, code)
	}
}

func TestTrend(t *testing.T) {
	t.Parallel()
	r, ids := course(t)
	const path = trendPath + "?patient=oona-thistledown"
	r.run(t, "of a line is its slope", func(t *testing.T, r *rig) {
		a := r.get(path)
		r.holdsDefinition(a, "scorad-trend")
		// 33.6 to 40.6, one more each week, worked out by hand.
		for want, steps := range map[string][]any{
			"Patient/oona-thistledown": {"subject"}, "scorad": {"measure"}, "self": {"series", "rater"}, "self-direct": {"series", "method"},
			"8": {"series", "scores"}, "40.6 {score}": {"series", "latest", "score"}, "2026-04-22T19:30:00Z": {"series", "latest", "date"},
			"Observation/" + ids[7]: {"series", "latest", "source"}, "Moderate (band set usual-25-50)": {"series", "latest", "band"},
			"1 {score}/wk": {"series", "slope", "per-week"}, "1 {score}/wk to 1 {score}/wk": {"series", "slope", "interval-95"}, "rising": {"series", "slope", "direction"},
			"33.6 {score}": {"series", "slope", "at-start"}, "2026-03-04": {"series", "slope", "start"}, "37.1 {score}": {"series", "time-weighted-mean", "mean"},
			"49 d": {"series", "time-weighted-mean", "days"}, "1 {score}": {"series", "since-last", "points"}, "2.5 %": {"series", "since-last", "percent"},
			"7 {score}": {"series", "since-baseline", "points"}, "20.8 %": {"series", "since-baseline", "percent"}, "1": {"left-out"},
			"The score rose by 7.00 points since 2026-03-04.": {"series", "since-baseline", "statement"}, "1.0.0": {"algorithm"},
		} {
			require.Equal(t, want, a.named(steps...), "%v", steps)
		}
		require.Equal(t, "", a.named("series", 1), "another's and what was retracted do not count")
		require.Empty(t, a.warned("series"))
		require.Equal(t, []string{"learning"}, a.warned("series", "since-baseline"))
		require.Empty(t, a.warned("series", "since-last"))
	})
	r.run(t, "is the same by POST and by reference", func(t *testing.T, r *rig) {
		want := r.get(path + "&start=2026-03-11&baseline=2026-03-18")
		require.Equal(t, "7", want.named("series", "days"))
		require.Equal(t, "5 {score}", want.named("series", "since-baseline", "points"))
		for _, patient := range []string{"oona-thistledown", "Patient/oona-thistledown", r.base + "/Patient/oona-thistledown"} {
			a := r.do(http.MethodPost, trendPath, parametersOf(`{"name":"patient","valueString":"`+patient+`"}`, `{"name":"start","valueDate":"2026-03-11"}`, `{"name":"baseline","valueDate":"2026-03-18"}`))
			require.Equal(t, string(want.body), string(a.body))
		}
	})
	r.run(t, "of few days has no slope", func(t *testing.T, r *rig) {
		a := r.get(path + "&end=2026-03-25")
		r.holdsDefinition(a, "scorad-trend")
		require.Equal(t, "4", a.named("series", "days"))
		require.Equal(t, "", a.named("series", "slope"))
		require.Equal(t, []string{"too-few-days"}, a.warned("series"))
	})
	r.run(t, "of the objective score has its own sizes of change", func(t *testing.T, r *rig) {
		a := r.get(path + "&measure=objective")
		r.holdsDefinition(a, "scorad-trend")
		require.Equal(t, "objective", a.named("measure"))
		require.Equal(t, "9", a.named("series", "scores"), "also the one without itch")
		require.Equal(t, "", a.named("left-out"))
		require.Equal(t, "", a.named("series", "latest", "band"), "the server's bands are those of SCORAD")
		require.Equal(t, "important-8.2-points-objective", a.named("series", "since-last", "threshold", "name"))
		require.Equal(t, "", a.named("series", "since-last", "rose-by-more-than-8.7"))
	})
	r.run(t, "of nobody is empty, with its cautions", func(t *testing.T, r *rig) {
		for _, query := range []string{"?patient=nobody", "?patient=oona-thistledown&start=2027-01-01"} {
			a := r.get(trendPath + query)
			r.holdsDefinition(a, "scorad-trend")
			require.Equal(t, "", a.named("series"))
			require.Contains(t, string(a.body), "neither diagnoses nor chooses a treatment")
		}
	})
}

func TestTrendSaysWhatRoseAndNothingElse(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	// 20/5 + 3.5*3 + 10 = 24.5, and 20/5 + 3.5*10 + 10 = 49, by hand.
	for i, grades := range []string{"111000", "222220", "111000"} {
		body := oona(fmt.Sprint("change-", i))
		body.authored, body.grades = fmt.Sprintf("2026-03-%02dT08:00:00+01:00", 1+7*i), grades
		r.create(body.json())
	}
	const path = trendPath + "?patient=oona-thistledown"
	a := r.get(path + "&end=2026-03-10")
	require.Equal(t, "24.5 {score}", a.named("series", "since-last", "points"))
	require.Equal(t, "true", a.named("series", "since-last", "rose-by-more-than-8.7"))
	require.Equal(t, "The score rose by 24.50 points, which is more than 8.7, since 2026-03-01.", a.named("series", "since-last", "statement"))
	require.Equal(t, "important-8.7-points", a.named("series", "since-last", "threshold", 0, "name"))
	require.Equal(t, "true", a.named("series", "since-last", "threshold", 0, "reached"))
	require.Equal(t, "false", a.named("series", "since-last", "threshold", 1, "reached"), "a rise is no fall of 35 per cent")
	a = r.get(path)
	require.Equal(t, "The score fell by 24.50 points since 2026-03-08.", a.named("series", "since-last", "statement"))
	require.Equal(t, "false", a.named("series", "since-last", "rose-by-more-than-8.7"))
	require.Equal(t, "-50 %", a.named("series", "since-last", "percent"), "24.5 of 49")
	for i, name := range []string{"important-8.7-points", "scorad-35", "scorad-50", "scorad-75", "scorad-90"} {
		require.Equal(t, name, a.named("series", "since-last", "threshold", i, "name"))
		require.Equal(t, strconv.FormatBool(i < 3), a.named("series", "since-last", "threshold", i, "reached"), name)
		require.NotEmpty(t, a.named("series", "since-last", "threshold", i, "source"))
		require.NotEmpty(t, a.named("series", "since-last", "threshold", i, "limit"))
	}
	require.Equal(t, "The score is the same as on 2026-03-01.", a.named("series", "since-baseline", "statement"))
	for _, word := range []string{"steroid", "medicine", "treat with", "you are fine"} {
		require.NotContains(t, strings.ToLower(string(a.body)), word)
	}
}

func TestTrendNeverMixesSeries(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for i := range 6 {
		own, team := oona(fmt.Sprint("own-", i)), oona(fmt.Sprint("team-", i))
		own.authored = time.Date(2026, 3, 4+7*i, 9, 0, 0, 0, time.UTC).Format(time.RFC3339)
		own.itch = strconv.Itoa(i)
		if i == 5 {
			own.source = "Patient/oona-thistledown"
		}
		team.form, team.authored, team.source, team.itch = clinicianForm, own.authored, "Practitioner/ilse-varnholt", strconv.Itoa(9-i)
		r.create(own.json())
		r.create(team.json())
	}
	a := r.get(trendPath + "?patient=oona-thistledown")
	r.holdsDefinition(a, "scorad-trend")
	require.Equal(t, "self", a.named("series", 0, "rater"))
	require.Equal(t, "clinician", a.named("series", 1, "rater"))
	require.Equal(t, "", a.named("series", 2))
	require.Equal(t, "-1 {score}/wk", a.named("series", 1, "slope", "per-week"))
	require.Equal(t, "falling", a.named("series", 1, "slope", "direction"))
	require.Equal(t, []string{"too-few-days", "line-begins-with-respondent"}, a.warned("series", 0))
	require.Equal(t, []string{"respondent-differs"}, a.warned("series", 0, "since-last"))
}

func TestTrendTellsDaysByTheirPlace(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	// 23:30 in New York on the 3rd is the 4th in UTC; both of that day are one.
	for i, authored := range []string{"2026-03-03T08:00:00-05:00", "2026-03-03T23:30:00-05:00"} {
		body := oona(fmt.Sprint("late-", i))
		body.authored = authored
		r.create(body.json())
	}
	a := r.get(trendPath + "?patient=oona-thistledown&end=2026-03-03")
	require.Equal(t, "2", a.named("series", "scores"))
	require.Equal(t, "1", a.named("series", "days"))
	require.Equal(t, "2026-03-03T23:30:00-05:00", a.named("series", "latest", "date"))
	require.Contains(t, a.warned("series"), "several-on-one-day")
	require.Equal(t, "", r.get(trendPath+"?patient=oona-thistledown&start=2026-03-04").named("series"))
}

func TestTrendRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for name, c := range map[string]struct{ query, code string }{
		"no patient":        {"", "required"},
		"an empty patient":  {"?patient=", "required"},
		"unknown":           {"?patient=x&rater=self", "not-supported"},
		"twice":             {"?patient=x&patient=y", "value"},
		"measure":           {"?patient=x&measure=itch", "code-invalid"},
		"a start":           {"?patient=x&start=soon", "value"},
		"a moment":          {"?patient=x&end=2026-03-04T10:00:00Z", "value"},
		"an end before":     {"?patient=x&start=2026-03-04&end=2026-03-03", "value"},
		"a baseline":        {"?patient=x&baseline=first", "value"},
		"a baseline before": {"?patient=x&start=2026-03-04&baseline=2026-03-03", "value"},
		"a baseline after":  {"?patient=x&end=2026-03-04&baseline=2026-03-05", "value"},
	} {
		r.run(t, name, func(_ *testing.T, r *rig) {
			r.get(trendPath+c.query).refused(http.StatusBadRequest, c.code)
		})
	}
	r.run(t, "what is no Parameters", func(_ *testing.T, r *rig) {
		r.do(http.MethodPost, trendPath, oona("x").json()).refused(http.StatusBadRequest, "structure")
	})
}

func TestTrendIsOfWhatATokenMaySee(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	clinician := filledFor(oonaID, "by-the-team")
	clinician.form, clinician.source = clinicianForm, "Practitioner/ilse-varnholt"
	r.keep(filledFor(oonaID, "own"))
	r.keep(clinician)
	ask := func(token, patient string) answer {
		return r.as(token, http.MethodGet, trendPath+"?patient="+patient, "")
	}
	oonas := r.token("patient/Observation.rs", oonaID)
	require.Equal(t, "self", ask(oonas, oonaID).named("series", "rater"))
	require.Equal(t, "clinician", ask(oonas, oonaID).named("series", 1, "rater"))
	nobody := ask(r.token("patient/Observation.rs", casperID), "no-such-patient")
	another := ask(r.token("patient/Observation.rs", casperID), oonaID)
	require.Equal(t, strings.ReplaceAll(string(nobody.body), "no-such-patient", oonaID), string(another.body), "as if there were none")
	narrowed := ask(r.token("system/Observation.rs?category=exam", ""), oonaID)
	require.Equal(t, "clinician", narrowed.named("series", "rater"))
	require.Equal(t, "", narrowed.named("series", 1))
	ask(r.token("patient/Observation.r", oonaID), oonaID).refused(http.StatusForbidden, "forbidden")
	ask(r.token("system/QuestionnaireResponse.cruds", ""), oonaID).refused(http.StatusForbidden, "forbidden")
	r.get(trendPath+"?patient="+oonaID).refused(http.StatusUnauthorized, "login")
}
