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

// entries are the ids of the entries with a search mode, sorted.
func (a answer) entries(mode string) []string {
	a.t.Helper()
	require.Equal(a.t, http.StatusOK, a.status, "%s", a.body)
	ids := []string{}
	for i := range a.count("entry") {
		if a.text("entry", i, "search", "mode") == mode {
			ids = append(ids, a.text("entry", i, "resource", "id"))
		}
	}
	slices.Sort(ids)
	return ids
}

func TestSearchSorts(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	var ids []string
	// Two on one day, and one of them amended, so that each key has a say.
	for i, c := range []struct{ authored, status string }{
		{"2026-03-04T10:00:00Z", "completed"}, {"2026-03-02T10:00:00Z", "amended"}, {"2026-03-04T10:00:00Z", "amended"}, {"2026-03-01T10:00:00Z", "completed"},
	} {
		body := oona(fmt.Sprint("sorted-", i))
		body.authored, body.status = c.authored, c.status
		ids = append(ids, r.create(body.json()).id())
	}
	for sort, want := range map[string][]int{
		"date": {3, 1, 0, 2}, "-date": {0, 2, 1, 3}, "-date,-_id": {2, 0, 1, 3}, "-date,status": {2, 0, 1, 3}, "-date,-status": {0, 2, 1, 3},
		"status,date": {1, 2, 3, 0}, "status,-date": {2, 1, 0, 3}, "-status,date,_id": {3, 0, 1, 2}, "_id": {0, 1, 2, 3}, "-_id": {3, 2, 1, 0}, "_id,-date": {0, 1, 2, 3},
		"_lastUpdated": {0, 1, 2, 3},
	} {
		r.run(t, "by "+sort, func(t *testing.T, r *rig) {
			expected := []string{}
			for _, i := range want {
				expected = append(expected, ids[i])
			}
			for _, size := range []int{1, 3, 20} {
				require.Equal(t, expected, r.walk(fmt.Sprint("/fhir/Observation?_sort=", sort, "&_count=", size), size, func(int) {}), size)
			}
		})
	}
	for kind, sort := range map[string]string{"Observation": "authored", "QuestionnaireResponse": "date", "Provenance": "date"} {
		r.run(t, kind+" by "+sort+" is refused", func(t *testing.T, r *rig) {
			r.get("/fhir/"+kind+"?_sort="+sort).refused(http.StatusBadRequest, "value")
			r.get("/fhir/"+kind+"?_sort=_id,").refused(http.StatusBadRequest, "value")
		})
	}
}

func TestSearchLinksLeadEverywhere(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	var ids []string
	for i := range 7 {
		body := oona(fmt.Sprint("links-", i))
		body.authored = fmt.Sprintf("2026-03-%02dT10:00:00Z", i+1)
		ids = append(ids, r.create(body.json()).id())
	}
	of := func(a answer) []string {
		var found []string
		for i := range a.count("entry") {
			found = append(found, a.text("entry", i, "resource", "id"))
		}
		return found
	}
	first := r.get("/fhir/Observation?_sort=date&_count=3")
	r.run(t, "from the first page", func(t *testing.T, r *rig) {
		require.Equal(t, ids[:3], of(first))
		require.Empty(t, first.link("previous"))
		require.Equal(t, first.link("self"), first.link("first"))
	})
	r.run(t, "on and back", func(t *testing.T, r *rig) {
		second := r.get(first.link("next"))
		require.Equal(t, ids[3:6], of(second))
		require.Equal(t, ids[:3], of(r.get(second.link("previous"))))
		third := r.get(second.link("next"))
		require.Equal(t, ids[6:], of(third))
		require.Empty(t, third.link("next"))
		require.Equal(t, ids[3:6], of(r.get(third.link("previous"))))
		require.Equal(t, ids[:3], of(r.get(third.link("first"))))
		require.Equal(t, second.link("self"), first.link("next"))
	})
	r.run(t, "to the last and back to the beginning", func(t *testing.T, r *rig) {
		last := r.get(first.link("last"))
		require.Equal(t, ids[4:], of(last))
		require.Empty(t, last.link("next"))
		before := r.get(last.link("previous"))
		require.Equal(t, ids[1:4], of(before))
		require.Equal(t, ids[4:], of(r.get(before.link("next"))))
		start := r.get(before.link("previous"))
		require.Equal(t, ids[:1], of(start))
		require.Empty(t, start.link("previous"))
	})
	r.run(t, "nowhere from a page that is all", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation?_count=7")
		require.Equal(t, 1, a.count("link"))
		require.NotEmpty(t, a.link("self"))
	})
}

func TestSearchTotals(t *testing.T) {
	t.Parallel()
	r, _ := populated(t)
	for query, want := range map[string]any{
		"_total=none": nil, "_total=accurate": "4", "_total=estimate": "4", "": "4", "_count=0": "4", "_summary=count": "4",
		"_summary=count&_total=none": "4", "_count=0&status=amended": "1", "patient=nobody": "0", "patient=nobody&_total=none": nil,
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			a := r.get("/fhir/Observation?" + query)
			if want == nil {
				require.Nil(t, a.at("total"))
				return
			}
			require.Equal(t, want, a.text("total"))
			if strings.Contains(query, "count") {
				require.Nil(t, a.at("entry"))
				require.Equal(t, 1, a.count("link"))
			}
		})
	}
	r.run(t, "of matches alone", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation?_revinclude=Provenance:target&status=amended")
		require.Equal(t, "1", a.text("total"))
		require.Equal(t, 2, a.count("entry"))
	})
}

func TestSearchRefusesControls(t *testing.T) {
	t.Parallel()
	r, _ := populated(t)
	for query, code := range map[string]string{
		"_total=many": "value", "_summary=some": "value", "_summary=TRUE": "value", "_elements=colour": "value", "_elements=status,": "value",
		"_elements=Patient.status": "value", "_elements=_status": "value",
		"_include=Observation": "value", "_include=:": "value", "_include=a:b:c:d": "value", "_revinclude=Provenance:": "value",
		"_include:iterate=Observation:derived-from": "not-supported", "_revinclude:recurse=Provenance:target": "not-supported",
		"_summary=text&_include=Observation:derived-from": "not-supported", "_summary=true&_elements=status": "not-supported",
		"_sort:asc=date": "not-supported", "_count:exact=1": "not-supported", "_sealed=x": "value", "_sealed=" + strings.Repeat("A", 200): "value",
	} {
		r.run(t, query, func(t *testing.T, r *rig) { r.get("/fhir/Observation?"+query).refused(http.StatusBadRequest, code) })
	}
	for _, query := range []string{"_include=Observation:subject", "_revinclude=Encounter:x", "_include=Observation:derived-from:Observation", "_include=*", "_contained=true", "flavour=sour"} {
		r.run(t, query+" is ignored, or refused if handled strictly", func(t *testing.T, r *rig) {
			a := r.get("/fhir/Observation?"+query, "Prefer", "handling=strict")
			a.refused(http.StatusBadRequest, "not-supported")
			a = r.get("/fhir/Observation?" + query)
			require.Len(t, a.entries("match"), 4)
			require.Empty(t, a.entries("outcome"))
			require.Empty(t, a.header.Get("Preference-Applied"))
			require.Equal(t, r.base+"/Observation", a.link("self"))
			a = r.get("/fhir/Observation?"+query, "Prefer", "handling=lenient")
			require.Len(t, a.entries("match"), 4)
			require.Len(t, a.entries("outcome"), 1, "asked for, it is told")
			require.Equal(t, "4", a.text("total"))
			require.Equal(t, "handling=lenient", a.header.Get("Preference-Applied"))
			require.Contains(t, a.text("entry", 4, "resource", "issue", 0, "details", "text"), strings.Split(query, "=")[0])
			require.Equal(t, "warning", a.text("entry", 4, "resource", "issue", 0, "severity"))
		})
	}
	r.run(t, "what is understood says that it was handled strictly", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation?status=final", "Prefer", "handling=strict")
		require.Equal(t, "handling=strict", a.header.Get("Preference-Applied"))
	})
}

func TestSearchIncludes(t *testing.T) {
	t.Parallel()
	r, ids := populated(t)
	oonas := []string{ids["oona-1"], ids["oona-2"]}
	slices.Sort(oonas)
	for query, want := range map[string][]string{
		"Observation?patient=oona-thistledown&_include=Observation:derived-from":                                              oonas,
		"Observation?patient=oona-thistledown&_include=Observation:derived-from:QuestionnaireResponse":                        oonas,
		"Observation?patient=oona-thistledown&_include=Observation:device":                                                    {"tidemark-1.0.0"},
		"Observation?patient=oona-thistledown&_include=Observation:*":                                                         append(slices.Clone(oonas), "tidemark-1.0.0"),
		"Observation?patient=oona-thistledown&_include=Observation:device&_include=Observation:device":                        {"tidemark-1.0.0"},
		"Observation?patient=nobody&_include=Observation:device":                                                              {},
		"QuestionnaireResponse?patient=oona-thistledown&_revinclude=Observation:derived-from":                                 oonas,
		"QuestionnaireResponse?identifier=mirren-2&_revinclude=Observation:derived-from":                                      {},
		"QuestionnaireResponse?patient=oona-thistledown&_count=1&_sort=-authored&_revinclude=Observation:derived-from":        {ids["oona-2"]},
		"QuestionnaireResponse?patient=oona-thistledown&_count=0&_revinclude=Observation:derived-from":                        {},
		"QuestionnaireResponse?patient=oona-thistledown&_revinclude=Observation:derived-from&_summary=true":                   oonas,
		"QuestionnaireResponse?patient=oona-thistledown&_revinclude=Observation:derived-from&_elements=status&_sort=_id":      oonas,
		"QuestionnaireResponse?patient=oona-thistledown&_revinclude=Observation:derived-from:QuestionnaireResponse&_sort=_id": oonas,
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			a := r.get("/fhir/" + query)
			require.Equal(t, want, a.entries("include"))
			if strings.Contains(query, "_elements") {
				require.NotNil(t, a.at("entry", 2, "resource", "component"), "the elements are those of the matches")
			}
		})
	}
	r.run(t, "the provenance of a score, under its own address", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation?_revinclude=Provenance:target&_id=" + ids["casper-1"])
		require.Equal(t, []string{ids["casper-1"]}, a.entries("match"))
		require.Equal(t, "Provenance", a.text("entry", 1, "resource", "resourceType"))
		require.Equal(t, "include", a.text("entry", 1, "search", "mode"))
		require.Equal(t, r.get(a.text("entry", 1, "fullUrl")).at(), a.at("entry", 1, "resource"))
	})
	r.run(t, "the score of a provenance", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Provenance?_include=Provenance:target&target=" + ids["casper-1"])
		require.Equal(t, []string{ids["casper-1"]}, a.entries("include"))
	})
}

func TestSearchGivesParts(t *testing.T) {
	t.Parallel()
	r, ids := populated(t)
	members := func(a answer) []string {
		resource, ok := a.at("entry", 0, "resource").(map[string]any)
		require.True(t, ok, "%s", a.body)
		var names []string
		for name := range resource {
			names = append(names, name)
		}
		slices.Sort(names)
		return names
	}
	always := []string{"code", "id", "meta", "resourceType", "status"}
	for query, want := range map[string][]string{
		"_elements=status":                   always,
		"_elements=value":                    append([]string{"valueQuantity"}, always...),
		"_elements=valueQuantity":            append([]string{"valueQuantity"}, always...),
		"_elements=Observation.value,method": append([]string{"method", "valueQuantity"}, always...),
		"_elements=effective&_elements=note": append([]string{"effectivePeriod", "note"}, always...),
		"_elements=focus":                    always,
		"_summary=text":                      append([]string{"text"}, always...),
		"_summary=true":                      append([]string{"component", "derivedFrom", "effectivePeriod", "identifier", "issued", "performer", "subject", "valueQuantity"}, always...),
		"_summary=data": append([]string{"category", "component", "derivedFrom", "device", "effectivePeriod", "identifier", "interpretation", "issued",
			"language", "method", "note", "performer", "referenceRange", "subject", "valueQuantity"}, always...),
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			a := r.get("/fhir/Observation?_id=" + ids["oona-1"] + "&" + query)
			slices.Sort(want)
			require.Equal(t, want, members(a))
			require.Equal(t, "SUBSETTED", a.text("entry", 0, "resource", "meta", "tag", 0, "code"))
			require.Equal(t, "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", a.text("entry", 0, "resource", "meta", "tag", 0, "system"))
			require.Equal(t, "1", a.text("entry", 0, "resource", "meta", "versionId"))
		})
	}
	r.run(t, "all of it with _summary=false", func(t *testing.T, r *rig) {
		a := r.get("/fhir/Observation?_summary=false&_id=" + ids["oona-1"])
		require.Equal(t, r.score(ids["oona-1"]).at(), a.at("entry", 0, "resource"))
	})
	r.run(t, "beside the tags that are there", func(t *testing.T, r *rig) {
		body := oona("tagged")
		body.members = `,"meta":{"profile":["https://a.example/p"],"tag":[{"system":"https://a.example","code":"b"}]},"_authored":{"id":"z"}`
		id := r.create(body.json()).id()
		a := r.get("/fhir/QuestionnaireResponse?_elements=authored&_id=" + id)
		require.Equal(t, 2, a.count("entry", 0, "resource", "meta", "tag"))
		require.Equal(t, "b", a.text("entry", 0, "resource", "meta", "tag", 0, "code"))
		require.Equal(t, "https://a.example/p", a.text("entry", 0, "resource", "meta", "profile", 0))
		require.Equal(t, "z", a.text("entry", 0, "resource", "_authored", "id"))
		require.Nil(t, a.at("entry", 0, "resource", "item"))
		require.NotNil(t, r.get("/fhir/QuestionnaireResponse/"+id).at("item"), "what is stored stays whole")
	})
	r.run(t, "which cannot be sent back as a whole", func(t *testing.T, r *rig) {
		a := r.get("/fhir/QuestionnaireResponse?_summary=true&_id=" + ids["oona-1"])
		require.Nil(t, a.at("entry", 0, "resource", "item"))
	})
}

func TestSearchByPost(t *testing.T) {
	t.Parallel()
	r, ids := populated(t)
	const form = "application/x-www-form-urlencoded"
	post := func(r *rig, path, body string) answer { return r.do(http.MethodPost, path, body, "Content-Type", form) }
	r.run(t, "finds as by GET, with body and query together", func(t *testing.T, r *rig) {
		for path, body := range map[string]string{
			"/fhir/Observation/_search":                                   "patient=oona-thistledown&status=amended",
			"/fhir/Observation/_search?status=amended":                    "patient=oona-thistledown",
			"/fhir/Observation/_search?status=amended&status=amended":     "status=amended,final&patient=Patient%2Foona-thistledown",
			"/fhir/Observation/_search?patient=oona-thistledown&_count=5": "status=amended&_sort=date",
		} {
			a := post(r, path, body)
			require.Equal(t, []string{ids["oona-2"]}, a.entries("match"), "%s %s", path, a.body)
		}
	})
	r.run(t, "without a body finds by the query", func(t *testing.T, r *rig) {
		require.Equal(t, []string{ids["oona-2"]}, post(r, "/fhir/Observation/_search?status=amended", "").entries("match"))
	})
	r.run(t, "is offered of every type that is searched", func(t *testing.T, r *rig) {
		for _, kind := range []string{"QuestionnaireResponse", "Observation", "Provenance", "Questionnaire", "CodeSystem", "ValueSet", "Device"} {
			a := post(r, "/fhir/"+kind+"/_search", "_count=1")
			require.Equal(t, http.StatusOK, a.status, "%s %s", kind, a.body)
			require.Equal(t, 1, a.count("entry"), kind)
		}
	})
	r.run(t, "names nobody in its links, which lead on nevertheless", func(t *testing.T, r *rig) {
		a := post(r, "/fhir/Observation/_search", "subject=Patient/oona-thistledown&identifier:missing=false&_count=1&_sort=date&status=final,amended")
		for i := range a.count("link") {
			link, err := url.QueryUnescape(a.text("link", i, "url"))
			require.NoError(t, err)
			require.NotContains(t, link, "oona")
			require.NotContains(t, link, "subject")
			require.Contains(t, link, "status=final,amended")
			require.Contains(t, link, "_count=1")
		}
		require.Equal(t, []string{ids["oona-1"]}, a.entries("match"))
		next := r.get(a.link("next"))
		require.Equal(t, []string{ids["oona-2"]}, next.entries("match"))
		require.Equal(t, "2", next.text("total"))
		require.NotContains(t, next.link("previous"), "oona")
		require.Equal(t, []string{ids["oona-1"]}, r.get(next.link("previous")).entries("match"))
		require.Equal(t, []string{ids["oona-1"]}, r.get(a.link("self")).entries("match"))
		require.NotContains(t, r.log.String(), "oona")
	})
	r.run(t, "has the links of the same search twice readable by this server alone", func(t *testing.T, r *rig) {
		link := post(r, "/fhir/Observation/_search", "patient=oona-thistledown").link("self")
		other := newRig(t)
		other.get(strings.Replace(link, r.base, other.base, 1)).refused(http.StatusBadRequest, "value")
		r.get(strings.Replace(link, "_sealed=", "_sealed=A", 1)).refused(http.StatusBadRequest, "value")
	})
	r.run(t, "is refused as any other search", func(t *testing.T, r *rig) {
		post(r, "/fhir/Observation/_search", "status:in=final").refused(http.StatusBadRequest, "not-supported")
		post(r, "/fhir/Observation/_search", "date=yesterday").refused(http.StatusBadRequest, "value")
		post(r, "/fhir/Observation/_search", "patient=%zz").refused(http.StatusBadRequest, "value")
		r.do(http.MethodPost, "/fhir/Observation/_search", "colour=red", "Content-Type", form, "Prefer", "handling=strict").refused(http.StatusBadRequest, "not-supported")
		r.do(http.MethodPost, "/fhir/Observation/_search", `{}`).refused(http.StatusUnsupportedMediaType, "not-supported")
		r.do(http.MethodPost, "/fhir/QuestionnaireResponse", "status=final", "Content-Type", form).refused(http.StatusUnsupportedMediaType, "not-supported")
		r.do(http.MethodPut, "/fhir/Observation/_search", "status=final", "Content-Type", form).refused(http.StatusMethodNotAllowed, "not-supported")
	})
	r.run(t, "counts as no submission", func(t *testing.T, r *rig) {
		before := r.kept()
		post(r, "/fhir/QuestionnaireResponse/_search", "status=completed")
		require.Equal(t, before, r.kept())
	})
}
