package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The scores of measured, worked out by hand: extent/5 + 3.5 * grades + itch +
// sleep loss. 41.68 is not a whole number of tenths.
//
//	forty-two       20/5 + 3.5*8 + 6 + 4 = 42.00, objective 32.00
//	forty-one       18.4/5 + 3.5*8 + 6 + 4 = 41.68, objective 31.68
//	nothing         0, objective 0.00
//	the most        100/5 + 3.5*18 + 10 + 10 = 103, objective 83.00
//	without a total no itch: objective 32.00
func measured(t *testing.T) (*rig, map[string]string) {
	r := newRig(t)
	ids := map[string]string{}
	for name, change := range map[string]func(*response){
		"forty-two":       func(*response) {},
		"forty-one":       func(b *response) { b.extent = "18.4" },
		"nothing":         func(b *response) { b.extent, b.grades, b.itch, b.sleep = "0", "000000", "0", "0" },
		"the most":        func(b *response) { b.extent, b.grades, b.itch, b.sleep = "100", "333333", "10", "10" },
		"without a total": func(b *response) { b.itch = "" },
	} {
		body := oona(name)
		change(&body)
		ids[name] = r.create(body.json()).id()
	}
	require.Equal(t, "41.68", r.score(ids["forty-one"]).text("valueQuantity", "value"))
	require.Equal(t, "103.00", r.score(ids["the most"]).text("valueQuantity", "value"))
	require.Equal(t, "", r.score(ids["without a total"]).text("valueQuantity", "value"))
	return r, ids
}

func TestSearchByQuantity(t *testing.T) {
	t.Parallel()
	r, ids := measured(t)
	const all = "forty-two, forty-one, nothing, the most, without a total"
	const scorad = "https://tidemark.example/fhir/CodeSystem/scorad"
	for query, want := range map[string]string{
		// R4 search.html 3.1.1.4.6: eq has the precision that is written.
		"value-quantity=42":        "forty-two, forty-one", // [41.5, 42.5)
		"value-quantity=42.0":      "forty-two",
		"value-quantity=42.00":     "forty-two",
		"value-quantity=eq41.7":    "forty-one", // [41.65, 41.75)
		"value-quantity=41.68":     "forty-one",
		"value-quantity=41.680000": "forty-one",
		"value-quantity=41.69":     "", // [41.685, 41.695)
		"value-quantity=41.67":     "", // [41.665, 41.675)
		"value-quantity=102.5":     "",
		"value-quantity=102":       "",
		"value-quantity=1e2":       "the most", // [95, 105) as in R4's table
		"value-quantity=1.0e2":     "the most",
		"value-quantity=1.00e2":    "", // [99.5, 100.5)
		"value-quantity=4.2E1":     "forty-two, forty-one",
		"value-quantity=0":         "nothing",
		"value-quantity=-0":        "nothing",
		"value-quantity=ne42":      "nothing, the most",
		"value-quantity=ne42.00":   "forty-one, nothing, the most",
		// The others are exact.
		"value-quantity=gt42":                          "the most",
		"value-quantity=gt41.99":                       "forty-two, the most",
		"value-quantity=gt41.68":                       "forty-two, the most",
		"value-quantity=gt41.67":                       "forty-two, forty-one, the most",
		"value-quantity=ge42":                          "forty-two, the most",
		"value-quantity=ge41.681":                      "forty-two, the most",
		"value-quantity=lt42":                          "forty-one, nothing",
		"value-quantity=lt41.68":                       "nothing",
		"value-quantity=lt41.681":                      "forty-one, nothing",
		"value-quantity=le41.68":                       "forty-one, nothing",
		"value-quantity=le41.679":                      "nothing",
		"value-quantity=sa42":                          "the most",
		"value-quantity=eb42":                          "forty-one, nothing",
		"value-quantity=ge-1":                          "forty-two, forty-one, nothing, the most",
		"value-quantity=lt1e30":                        "forty-two, forty-one, nothing, the most",
		"value-quantity=gt99999999999999999999":        "",
		"value-quantity=ap40":                          "forty-two, forty-one", // 36 to 44
		"value-quantity=ap38":                          "forty-one",            // 34.2 to 41.8
		"value-quantity=ap94":                          "the most",             // to 103.4
		"value-quantity=ap93":                          "",                     // to 102.3
		"value-quantity=ge41.68&value-quantity=lt42.1": "forty-two, forty-one",
		"value-quantity=lt1,gt100":                     "nothing, the most",
		// Units.
		"value-quantity=42.00|http://unitsofmeasure.org|{score}": "forty-two",
		"value-quantity=42.00||{score}":                          "forty-two",
		"value-quantity=42.00||score":                            "forty-two",
		"value-quantity=42.00|http://unitsofmeasure.org|score":   "",
		"value-quantity=42.00|http://unitsofmeasure.org|":        "forty-two",
		"value-quantity=42.00|http://other.example|{score}":      "",
		"value-quantity=42.00||%25":                              "",
		"value-quantity:missing=true":                            "without a total",
		"value-quantity:missing=false":                           "forty-two, forty-one, nothing, the most",
		// Components, each by itself.
		"component-code=symptoms-itch":                       "forty-two, forty-one, nothing, the most",
		"component-code=" + scorad + "|symptoms-itch":        "forty-two, forty-one, nothing, the most",
		"component-code=http://loinc.org|symptoms-itch":      "",
		"component-code=http://snomed.info/sct|418363000":    "forty-two, forty-one, nothing, the most",
		"component-code=418363000":                           "forty-two, forty-one, nothing, the most",
		"component-code=|symptoms-itch":                      "",
		"component-code=extent-hands":                        "",
		"component-code=extent-hands,symptoms-sleep-loss":    all,
		"component-code=scorad":                              "",
		"component-code:not=symptoms-itch":                   "without a total",
		"component-code:missing=true":                        "",
		"component-code:missing=false":                       all,
		"combo-code=scorad":                                  all,
		"combo-code=symptoms-itch":                           "forty-two, forty-one, nothing, the most",
		"combo-code=" + scorad + "|":                         all,
		"combo-code:not=scorad":                              "",
		"combo-code:not=symptoms-itch":                       "without a total",
		"component-value-quantity=18.4":                      "forty-one",
		"component-value-quantity=18.4||%25":                 "forty-one",
		"component-value-quantity=18.4||{score}":             "",
		"component-value-quantity=83.00||{score}":            "the most",
		"component-value-quantity=103.00":                    "",
		"component-value-quantity:missing=true":              "",
		"combo-value-quantity=103.00":                        "the most",
		"combo-value-quantity=83.00":                         "the most",
		"combo-value-quantity=18.4":                          "forty-one",
		"code-value-quantity=scorad$42.00":                   "forty-two",
		"code-value-quantity=" + scorad + "|scorad$gt42":     "the most",
		"code-value-quantity=objective$32.00":                "",
		"component-code-value-quantity=objective$32.00":      "forty-two, without a total",
		"component-code-value-quantity=objective$gt32":       "the most",
		"component-code-value-quantity=extent$18.4||%25":     "forty-one",
		"component-code-value-quantity=symptoms-itch$10.0":   "the most",
		"component-code-value-quantity=symptoms-itch$gt4":    "forty-two, forty-one, the most",
		"component-code-value-quantity=418363000$10.0":       "the most",
		"component-code-value-quantity=scorad$42.00":         "",
		"component-code-value-quantity=extent-part$4.00":     "forty-two, without a total",
		"component-code-value-quantity=extent-part$18.4":     "", // the extent's, not the part's
		"combo-code-value-quantity=scorad$42.00":             "forty-two",
		"combo-code-value-quantity=objective$32.00":          "forty-two, without a total",
		"combo-code-value-quantity=objective$83,scorad$42.0": "forty-two, the most",
		"patient=oona-thistledown&value-quantity=gt42":       "the most",
		"patient=casper-quillfeather&value-quantity=gt42":    "",
	} {
		r.run(t, "by "+query, func(t *testing.T, r *rig) {
			var names []string
			if want != "" {
				names = strings.Split(want, ", ")
			}
			requireFound(t, r, "Observation", strings.NewReplacer("{", "%7B", "}", "%7D").Replace(query), ids, names)
		})
	}
	for _, query := range []string{
		"value-quantity=x", "value-quantity=4,2,x", "value-quantity=gt", "value-quantity=xx42", "value-quantity=+42", "value-quantity=42.",
		"value-quantity=.5", "value-quantity=0x10", "value-quantity=1e100", "value-quantity=042", "value-quantity=1/3", "value-quantity=NaN",
		"value-quantity=42|%7Bscore%7D", "value-quantity=42|a|b|c", "value-quantity=" + strings.Repeat("9", 41), "value-quantity=42 ",
		"component-value-quantity=x", "combo-value-quantity=x", "code-value-quantity=scorad", "code-value-quantity=scorad$x",
		"component-code-value-quantity=objective", "component-code-value-quantity=objective$32$4", "combo-code-value-quantity=42",
		"value-quantity:missing=perhaps", "component-code:missing=1",
	} {
		r.run(t, "by "+query+" is refused", func(t *testing.T, r *rig) {
			name, value, _ := strings.Cut(query, "=")
			r.get("/fhir/Observation?"+name+"="+url.QueryEscape(value)).refused(http.StatusBadRequest, "value")
		})
	}
	for _, query := range []string{"value-quantity:not=42", "code-value-quantity:missing=true", "component-code:text=itch", "component-code:in=x", "date:not=2026"} {
		r.run(t, "by "+query+" is not offered", func(t *testing.T, r *rig) {
			r.get("/fhir/Observation?"+query).refused(http.StatusBadRequest, "not-supported")
		})
	}
}

func TestSearchByRegion(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	palms := oona("palms")
	palms.extent, palms.members = "", `,"item":[]`
	body := strings.Replace(oona("palms").json(), `"code":"direct"`, `"code":"hands"`, 1)
	body = strings.Replace(body, `{"linkId":"extent.direct","answer":[{"valueDecimal":20}]}`, `{"linkId":"extent.hands","answer":[{"valueDecimal":2.5}]}`, 1)
	id := r.create(body).id()
	for query, want := range map[string]int{
		"component-code-value-quantity=extent-hands$2.5||{palm}":                          1,
		"component-code-value-quantity=extent-hands$2.5|http://unitsofmeasure.org|{palm}": 1,
		"component-code-value-quantity=extent-hands$2.5||palms":                           1,
		"component-code-value-quantity=extent-hands$2.5||%":                               0,
		"component-code-value-quantity=extent$2.5||%":                                     1,
		// [1.5, 2.5) does not have its end, [2.5, 3.5) has its beginning.
		"component-value-quantity=2||{palm}": 0, "component-value-quantity=3||{palm}": 1,
		"component-value-quantity=ne2||{palm}": 1, "component-value-quantity=ne3||{palm}": 0,
		"component-value-quantity=2.5||{palm}":  1,
		"component-value-quantity=2.5||{score}": 0,
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			name, value, _ := strings.Cut(query, "=")
			found := r.found(t, "/fhir/Observation?"+name+"="+url.QueryEscape(value))
			require.Len(t, found, want)
			if want > 0 {
				require.Equal(t, []string{id}, found)
			}
		})
	}
}

// TestSearchWithModifiers: those that are offered; TestSearchRefuses has those
// that are not.
func TestSearchWithModifiers(t *testing.T) {
	t.Parallel()
	r, ids := populated(t)
	for query, want := range map[string][]string{
		"Observation?status:not=final":                                    {"oona-2"},
		"Observation?status:not=final,amended":                            {},
		"Observation?status:not=http://hl7.org/fhir/other|final":          {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?status:not=http://hl7.org/fhir/observation-status|":  {},
		"Observation?code:not=scorad":                                     {},
		"Observation?code:not=objective":                                  {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?category:not=exam":                                   {"oona-1", "oona-2", "mirren-1"},
		"Observation?category:not=survey":                                 {},
		"Observation?category:not=laboratory":                             {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?method:not=self-direct":                              {"casper-1"},
		"Observation?method:not=https://other.example|self-direct":        {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?identifier:not=x":                                    {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?patient:Patient=oona-thistledown":                    {"oona-1", "oona-2"},
		"Observation?subject:Patient=Patient/oona-thistledown":            {"oona-1", "oona-2"},
		"Observation?subject:Group=oona-thistledown":                      {},
		"Observation?subject:Group=Patient/oona-thistledown":              {},
		"Observation?patient:missing=true":                                {},
		"Observation?patient:missing=false":                               {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?derived-from:QuestionnaireResponse=" + ids["oona-1"]: {"oona-1"},
		"Observation?device=tidemark-1.0.0":                               {"oona-1", "oona-2", "casper-1", "mirren-1"},
		"Observation?device=Device/other":                                 {},
		"QuestionnaireResponse?status:not=completed":                      {"oona-2", "mirren-2"},
		"QuestionnaireResponse?encounter:missing=true":                    {"oona-1", "oona-2", "mirren-1", "mirren-2"},
		"QuestionnaireResponse?encounter:missing=false":                   {"casper-1"},
		"QuestionnaireResponse?author:missing=false":                      {"casper-1"},
		"QuestionnaireResponse?source:missing=true":                       {"mirren-2"},
		"QuestionnaireResponse?subject:missing=true":                      {},
		"QuestionnaireResponse?authored:missing=false":                    {"oona-1", "oona-2", "casper-1", "mirren-1", "mirren-2"},
		"QuestionnaireResponse?identifier:missing=true":                   {},
		"QuestionnaireResponse?identifier:not=oona-1":                     {"oona-2", "casper-1", "mirren-1", "mirren-2"},
		"QuestionnaireResponse?source:Practitioner=ilse-varnholt":         {"casper-1"},
		"QuestionnaireResponse?source:RelatedPerson=ilse-varnholt":        {},
		"QuestionnaireResponse?encounter=day-unit-7":                      {"casper-1"},
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			kind, query, _ := strings.Cut(query, "?")
			requireFound(t, r, kind, query, ids, want)
		})
	}
}

func TestSearchResponsesByWhatTheyBelongTo(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := oona("belongs")
	body.members = `,"basedOn":[{"reference":"ServiceRequest/a"},{"reference":"CarePlan/b"}],"partOf":[{"reference":"Procedure/c"}]`
	id := r.create(body.json()).id()
	r.create(oona("other").json())
	own := oona("by identifier")
	own.source = ""
	own.members = `,"source":{"identifier":{"system":"https://brindlemoor.example/people","value":"17"}},"encounter":{"reference":"Encounter/e","identifier":{"value":"e17"}}`
	named := r.create(own.json()).id()
	for query, want := range map[string][]string{
		"based-on=ServiceRequest/a":                               {id},
		"based-on:CarePlan=b":                                     {id},
		"based-on=" + r.base + "/CarePlan/b":                      {id},
		"based-on=CarePlan/a":                                     nil,
		"part-of=Procedure/c":                                     {id},
		"part-of:missing=false":                                   {id},
		"based-on:missing=false&part-of=Procedure/x":              nil,
		"source:identifier=https://brindlemoor.example/people|17": {named},
		"source:identifier=17":                                    {named},
		"source:identifier=|17":                                   nil,
		"encounter:identifier=e17":                                {named},
		"encounter:identifier=|e17":                               {named},
		"encounter=e":                                             {named},
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			if want == nil {
				want = []string{}
			}
			require.Equal(t, want, append([]string{}, r.found(t, "/fhir/QuestionnaireResponse?"+query)...))
		})
	}
	r.run(t, "all identifiers of a system cannot be asked for", func(t *testing.T, r *rig) {
		r.get("/fhir/QuestionnaireResponse?source:identifier=https://brindlemoor.example/people|").refused(http.StatusBadRequest, "not-supported")
	})
}

// TestRetractedScoresAreNotListed: only who asks by status finds them.
func TestRetractedScoresAreNotListed(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	gone := r.reach("entered-in-error", "gone").id
	good := r.create(oona("good").json()).id()
	for _, query := range []string{"", "patient=oona-thistledown", "_id=" + gone + "," + good, "status:not=amended", "value-quantity=42", "combo-code=scorad",
		"derived-from=" + gone + "," + good, "status:missing=false", "_sort=-date"} {
		r.run(t, "by "+query, func(t *testing.T, r *rig) {
			a := r.get("/fhir/Observation?" + query)
			require.Equal(t, "1", a.text("total"), "%s", a.body)
			require.Equal(t, good, a.text("entry", 0, "resource", "id"))
		})
	}
	for _, query := range []string{"status=entered-in-error", "status=http://hl7.org/fhir/observation-status|entered-in-error", "status=entered-in-error&patient=oona-thistledown"} {
		r.run(t, "but by "+query, func(t *testing.T, r *rig) {
			require.Equal(t, []string{gone}, r.found(t, "/fhir/Observation?"+query))
		})
	}
	r.run(t, "but by all of the system", func(t *testing.T, r *rig) {
		require.Len(t, r.found(t, "/fhir/Observation?status=http://hl7.org/fhir/observation-status|"), 2)
	})
	r.run(t, "nor along with others", func(t *testing.T, r *rig) {
		for path, want := range map[string]int{
			"QuestionnaireResponse?_revinclude=Observation:derived-from": 1,
			"Provenance?_include=Provenance:target":                      1,
		} {
			a := r.get("/fhir/" + path)
			included := a.entries("include")
			require.Len(t, included, want, path)
			require.Equal(t, good, included[0], fmt.Sprint(path))
		}
	})
}
