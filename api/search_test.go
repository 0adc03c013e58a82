package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// populated is a server with responses of three patients; ids are by their
// sender's identifier.
func populated(t *testing.T) (*rig, map[string]string) {
	r := newRig(t)
	casper, mirren, begun := oona("casper-1"), oona("mirren-1"), oona("mirren-2")
	casper.patient, casper.form, casper.source = "Patient/casper-quillfeather", clinicianForm, "Practitioner/ilse-varnholt"
	casper.members = `,"author":{"reference":"Practitioner/ilse-varnholt"},"encounter":{"reference":"Encounter/day-unit-7"}`
	mirren.patient, mirren.source = r.base+"/Patient/mirren-ashby-vale", r.base+"/Patient/mirren-ashby-vale"
	begun.patient, begun.source, begun.status, begun.grades = "Patient/mirren-ashby-vale", "", "in-progress", "21"
	amended := oona("oona-2")
	amended.status, amended.authored = "amended", "2026-03-18T19:30:00+01:00"
	ids := map[string]string{}
	for _, body := range []response{oona("oona-1"), amended, casper, mirren, begun} {
		ids[body.identifier] = r.create(body.json()).id()
	}
	return r, ids
}

// elsewhere is a base that is not the server's.
const elsewhere = "https://brindlemoor.example/fhir"

func TestSearchResponses(t *testing.T) {
	t.Parallel()
	r, ids := populated(t)
	base := url.QueryEscape(r.base)
	all := []string{"oona-1", "oona-2", "casper-1", "mirren-1", "mirren-2"}
	for query, want := range map[string][]string{
		"":                                 all,
		"patient=oona-thistledown":         {"oona-1", "oona-2"},
		"patient=Patient/oona-thistledown": {"oona-1", "oona-2"},
		"patient=" + base + "/Patient/mirren-ashby-vale":                  {"mirren-1", "mirren-2"},
		"subject=Patient/mirren-ashby-vale":                               {"mirren-1", "mirren-2"},
		"subject=mirren-ashby-vale,casper-quillfeather":                   {"mirren-1", "mirren-2", "casper-1"},
		"subject=mirren-ashby-vale&patient=casper-quillfeather":           {},
		"patient=" + elsewhere + "/Patient/oona-thistledown":              {},
		"patient=Oona-Thistledown":                                        {},
		"patient=nobody":                                                  {},
		"questionnaire=" + strings.TrimSuffix(selfForm, "|1.0.0"):         {"oona-1", "oona-2", "mirren-1", "mirren-2"},
		"questionnaire=" + clinicianForm:                                  {"casper-1"},
		"questionnaire=" + strings.Replace(selfForm, "1.0", "9.0", 1):     {},
		"status=completed":                                                {"oona-1", "casper-1", "mirren-1"},
		"status=completed,in-progress":                                    {"oona-1", "casper-1", "mirren-1", "mirren-2"},
		"status=http://hl7.org/fhir/questionnaire-answers-status|amended": {"oona-2"},
		"status=http://hl7.org/fhir/questionnaire-answers-status|":        all,
		"status=https://tidemark.example/other|amended":                   {},
		"status=final":                                     {},
		"identifier=oona-2":                                {"oona-2"},
		"identifier=" + portalSystem + "|oona-2":           {"oona-2"},
		"identifier=oona-2,casper-1":                       {"oona-2", "casper-1"},
		"identifier=https://other.example|oona-2":          {},
		"identifier=|oona-2":                               {},
		"identifier=oona-2&identifier=casper-1":            {},
		"identifier=oona":                                  {},
		"source=Practitioner/ilse-varnholt":                {"casper-1"},
		"source=" + base + "/Patient/mirren-ashby-vale":    {"mirren-1"},
		"author=Practitioner/ilse-varnholt":                {"casper-1"},
		"encounter=Encounter/day-unit-7":                   {"casper-1"},
		"_id=" + ids["oona-1"]:                             {"oona-1"},
		"_id=" + ids["oona-1"] + "," + ids["mirren-2"]:     {"oona-1", "mirren-2"},
		"_id=" + ids["oona-1"] + "&_id=" + ids["mirren-2"]: {},
		"_id=none":            {},
		"authored=2026-03-18": {"oona-2"},
		"patient=oona-thistledown&status=amended&authored=ge2026-03-10&identifier=oona-2": {"oona-2"},
		"patient=&status=amended":    {"oona-2"},
		"patient=%6Fona-thistledown": {"oona-1", "oona-2"},
	} {
		r.run(t, "by "+strings.ReplaceAll(query, ids["oona-1"], "an id"), func(t *testing.T, r *rig) {
			requireFound(t, r, "QuestionnaireResponse", query, ids, want)
		})
	}
}

func requireFound(t *testing.T, r *rig, kind, query string, ids map[string]string, want []string) {
	t.Helper()
	expected := []string{}
	for _, name := range want {
		expected = append(expected, ids[name])
	}
	slices.Sort(expected)
	require.Equal(t, expected, r.found(t, "/fhir/"+kind+"?"+query))
}

func TestSearchScores(t *testing.T) {
	t.Parallel()
	r, ids := populated(t)
	base := url.QueryEscape(r.base)
	scored := []string{"oona-1", "oona-2", "casper-1", "mirren-1"}
	identifier := r.score(ids["casper-1"]).text("identifier", 0, "value")
	for query, want := range map[string][]string{
		"":                          scored,
		"patient=oona-thistledown":  {"oona-1", "oona-2"},
		"patient=mirren-ashby-vale": {"mirren-1"},
		"subject=" + base + "/Patient/casper-quillfeather": {"casper-1"},
		"code=scorad": scored,
		"code=https://tidemark.example/fhir/CodeSystem/scorad|scorad": scored,
		"code=https://tidemark.example/fhir/CodeSystem/scorad|":       scored,
		"code=http://loinc.org|scorad":                                {},
		"code=objective":                                              {},
		"code=objective,scorad":                                       scored,
		"code=objective&code=scorad":                                  {},
		"category=survey":                                             scored,
		"category=exam":                                               {"casper-1"},
		"category=survey&category=exam":                               {"casper-1"},
		"category=http://terminology.hl7.org/CodeSystem/observation-category|exam": {"casper-1"},
		"category=laboratory": {},
		"status=final":        {"oona-1", "casper-1", "mirren-1"},
		"status=amended":      {"oona-2"},
		"status=http://hl7.org/fhir/observation-status|final,amended":             scored,
		"status=entered-in-error":                                                 {},
		"method=self-direct":                                                      {"oona-1", "oona-2", "mirren-1"},
		"method=https://tidemark.example/fhir/CodeSystem/scorad|clinician-direct": {"casper-1"},
		"method=http://other.example|clinician-direct":                            {},
		"identifier=" + identifier:                                                {"casper-1"},
		"identifier=https://tidemark.example/fhir/sid/score|" + identifier:        {"casper-1"},
		"identifier=https://tidemark.example/fhir/sid/response|" + identifier:     {},
		"derived-from=" + ids["oona-1"]:                                           {"oona-1"},
		"derived-from=QuestionnaireResponse/" + ids["oona-1"]:                     {"oona-1"},
		"derived-from=" + base + "/QuestionnaireResponse/" + ids["oona-1"]:        {"oona-1"},
		"derived-from=Observation/" + ids["oona-1"]:                               {},
		"derived-from=QuestionnaireResponse/" + ids["mirren-2"]:                   {},
		"_id=" + ids["mirren-1"]:                                                  {"mirren-1"},
		"patient=oona-thistledown&code=scorad&date=ge2026-03-10&category=survey":  {"oona-2"},
	} {
		r.run(t, "by "+query, func(t *testing.T, r *rig) { requireFound(t, r, "Observation", query, ids, want) })
	}
	r.run(t, "a score that was taken back is found by its new status alone", func(t *testing.T, r *rig) {
		own := newRig(t)
		id := own.reach("entered-in-error", "taken-back").id
		require.Equal(t, []string{id}, own.found(t, "/fhir/Observation?status=entered-in-error"))
		require.Empty(t, own.found(t, "/fhir/Observation?status=final"))
	})
	r.run(t, "provenance by the score it is about", func(t *testing.T, r *rig) {
		for _, target := range []string{ids["oona-1"], "Observation/" + ids["oona-1"], r.base + "/Observation/" + ids["oona-1"]} {
			require.Len(t, r.found(t, "/fhir/Provenance?target="+url.QueryEscape(target)), 1, target)
		}
		require.Empty(t, r.found(t, "/fhir/Provenance?target=QuestionnaireResponse/"+ids["oona-1"]))
	})
}

// selfLink is the query of a searchset's self link.
func (a answer) link(relation string) string {
	a.t.Helper()
	for i := range a.count("link") {
		if a.text("link", i, "relation") == relation {
			return a.text("link", i, "url")
		}
	}
	return ""
}

func TestSearchSaysWhatItUsed(t *testing.T) {
	t.Parallel()
	r, _ := populated(t)
	for query, used := range map[string]string{
		"":                                   "",
		"patient=oona-thistledown":           "patient=oona-thistledown",
		"patient=oona-thistledown&name=Oona": "patient=oona-thistledown",
		"flavour=sour":                       "",
		"patient=":                           "",
		"patient=&status=final":              "status=final",
		"_count=5000":                        "_count=200",
		"_count=3&_sort=-date":               "_count=3&_sort=-date",
		"_summary=true&status=final":         "_summary=true&status=final",
		"_include=Observation:subject":       "",
		"status=final&status=amended":        "status=final&status=amended",
		"_format=json":                       "_format=json",
		"identifier=a%26b%3Dc":               "identifier=a%26b%3Dc",
		"identifier=%22%3Cscript%3E%22":      "identifier=%22%3Cscript%3E%22",
	} {
		r.run(t, "lenient, "+query, func(t *testing.T, r *rig) {
			for _, headers := range [][]string{nil, {"Prefer", "handling=lenient"}} {
				a := r.get("/fhir/Observation?"+query, headers...)
				require.Equal(t, http.StatusOK, a.status, "%s", a.body)
				require.Equal(t, strings.TrimSuffix(r.base+"/Observation?"+used, "?"), a.link("self"))
			}
		})
	}
	r.run(t, "and the self link finds the same again", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation?patient=oona-thistledown&name=x&date=ge2026-03-04T10:00:00%2B01:00&_sort=date")
		again := r.get(a.link("self"))
		require.Equal(t, a.link("self"), again.link("self"))
		require.Equal(t, a.at("entry"), again.at("entry"))
		require.Equal(t, 2, a.count("entry"))
	})
	r.run(t, "every entry is a match under its own address", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation")
		for i := range a.count("entry") {
			require.Equal(t, r.base+"/Observation/"+a.text("entry", i, "resource", "id"), a.text("entry", i, "fullUrl"))
			require.Equal(t, "match", a.text("entry", i, "search", "mode"))
			require.Equal(t, r.get(a.text("entry", i, "fullUrl")).at(), a.at("entry", i, "resource"))
		}
		require.Equal(t, 4, a.count("entry"))
	})
}

func TestSearchRefuses(t *testing.T) {
	t.Parallel()
	r, _ := populated(t)
	for _, kind := range []string{"QuestionnaireResponse", "Observation", "Provenance", "Questionnaire", "CodeSystem", "ValueSet", "Device"} {
		r.run(t, kind+" by an unknown parameter, handled strictly", func(t *testing.T, r *rig) {
			path := "/fhir/" + kind + "?flavour=sour"
			for _, prefer := range []string{"handling=strict", "return=minimal, handling=strict", "respond-async; handling=strict"} {
				r.get(path, "Prefer", prefer).refused(http.StatusBadRequest, "not-supported")
			}
			require.Equal(t, http.StatusOK, r.get(path).status)
			require.Equal(t, http.StatusOK, r.get("/fhir/"+kind+"?flavour=", "Prefer", "handling=strict").status, "empty is as not there")
		})
		// R4 search.html 3.1.1.4.5: a modifier that is not supported SHALL be refused.
		for _, query := range []string{"_id:not=x", "_id:missing=true", "status:in=final", "patient:exact=x", "patient:Colour=x", "patient.name=x", "_has:Observation:subject:code=x", "flavour:exact=x", ":=x"} {
			r.run(t, kind+" by "+query, func(t *testing.T, r *rig) {
				r.get("/fhir/"+kind+"?"+query).refused(http.StatusBadRequest, "not-supported")
				r.get("/fhir/"+kind+"?"+query, "Prefer", "handling=lenient").refused(http.StatusBadRequest, "not-supported")
			})
		}
		// To drop a condition that cannot be read would find everybody's.
		for _, query := range []string{"patient=%zz", "patient=oona;thistledown", "%=1", "_count=x", "_count=-1", "_count=1.5"} {
			r.run(t, kind+" by "+query+" that cannot be read", func(t *testing.T, r *rig) {
				r.get("/fhir/"+kind+"?"+query).refused(http.StatusBadRequest, "value")
			})
		}
	}
	for query, code := range map[string]string{
		"_sort=name": "value", "_sort=date,name": "value", "_sort=--date": "value",
		"identifier=" + portalSystem + "|": "not-supported", "date=2026,2027": "not-supported",
	} {
		r.run(t, "by "+query, func(t *testing.T, r *rig) {
			r.get("/fhir/Observation?"+query).refused(http.StatusBadRequest, code)
		})
	}
	for name, query := range map[string]string{
		"conditions":                strings.Repeat("&status=final", 51),
		"alternatives":              "_id=" + strings.Repeat("x,", 1000),
		"alternatives in all":       "_id=" + strings.Repeat("x,", 600) + "&status=" + strings.Repeat("y,", 600),
		"conditions on identifiers": strings.Repeat("&identifier=a", 2000),
		"conditions on the date":    strings.Repeat("&date=2026", 2000),
	} {
		r.run(t, "more "+name+" than a database takes", func(t *testing.T, r *rig) {
			r.get("/fhir/Observation?"+query).refused(http.StatusUnprocessableEntity, "too-costly")
		})
	}
	r.run(t, "no more than that is answered", func(t *testing.T, r *rig) {
		require.Len(t, r.found(t, "/fhir/Observation?status=final"+strings.Repeat("&identifier!=a", 60)+strings.Repeat("&status=final", 49)), 3)
		require.Empty(t, r.found(t, "/fhir/Observation?_id="+strings.Repeat("x,", 999)))
		require.Empty(t, r.found(t, "/fhir/Observation?"+strings.Repeat("identifier=a&date=2026&", 25)))
	})
}

// TestSearchIdentifierText: a value with the characters that separate values is
// found by its escaped form (R4 search.html 3.1.1.4.0).
func TestSearchIdentifierText(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for i, value := range []string{"a,b", "a|b", `a\b`, "a$b", "a b", "a+b", "a%b", "a&b=c", "ä-名", "'; DROP TABLE resource; --", "a"} {
		id := r.create(oona(value).json()).id()
		escaped := strings.NewReplacer(`\`, `\\`, ",", `\,`, "|", `\|`, "$", `\$`).Replace(value)
		r.run(t, fmt.Sprint(i, " ", value), func(t *testing.T, r *rig) {
			for _, query := range []string{escaped, portalSystem + "|" + escaped} {
				require.Equal(t, []string{id}, r.found(t, "/fhir/QuestionnaireResponse?identifier="+url.QueryEscape(query)))
			}
		})
	}
}
