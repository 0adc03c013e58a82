package api_test

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/questionnaire"
)

// publishedIDs are the ids of what is published of a type, in order.
func publishedIDs(kind string) []string {
	var ids []string
	for _, p := range questionnaire.All() {
		if p.Type == kind {
			ids = append(ids, p.ID)
		}
	}
	slices.Sort(ids)
	return ids
}

func TestPublishedIsServedAsAuthored(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	require.NotEmpty(t, questionnaire.All())
	for _, p := range questionnaire.All() {
		r.run(t, p.Type+"/"+p.ID, func(t *testing.T, r *rig) {
			a := r.get("/fhir/" + p.Type + "/" + p.ID)
			require.Equal(t, http.StatusOK, a.status)
			require.Equal(t, string(p.JSON), string(a.body), "byte for byte")
			require.Equal(t, `W/"`+p.Version+`"`, a.header.Get("ETag"))
			found := r.get("/fhir/" + p.Type + "?url=" + url.QueryEscape(p.URL))
			require.Equal(t, "1", found.text("total"))
			require.Equal(t, r.base+"/"+p.Type+"/"+p.ID, found.text("entry", 0, "fullUrl"))
			require.Contains(t, string(found.body), strings.TrimSpace(string(p.JSON)))
		})
	}
	for path, other := range map[string]string{"Questionnaire": "scorad", "CodeSystem": "scorad-self-assessment", "ValueSet": "scorad-self-assessment"} {
		r.run(t, path+" does not have what another type has", func(t *testing.T, r *rig) {
			r.get("/fhir/"+path+"/"+other).refused(http.StatusNotFound, "not-found")
		})
	}
}

func TestSearchPublished(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const form = "https://tidemark.example/fhir/Questionnaire/scorad-self-assessment"
	title := url.QueryEscape(`scorad\, rated by p`)
	self, both := []string{"scorad-self-assessment"}, publishedIDs("Questionnaire")
	require.Len(t, both, 2)
	for query, want := range map[string][]string{
		"":                             both,
		"url=" + form:                  self,
		"url=" + form + "|1.0.0":       self,
		"url=" + form + "|9.0.0":       {},
		"url=" + strings.ToUpper(form): {},
		"url=" + form[:40]:             {},
		"url=" + form + "," + strings.Replace(form, "self", "clinician", 1): both,
		"version=1.0.0":       both,
		"version=1.0":         {},
		"status=active":       both,
		"status=draft":        {},
		"status=draft,active": both,
		"status=http://hl7.org/fhir/publication-status|active": both,
		"status=http://hl7.org/fhir/publication-status|":       both,
		"status=http://other.example|active":                   {},
		"title=" + title:                                       {"scorad-self-assessment"},
		"title=rated":                                          {},
		"title=" + url.QueryEscape("x, SCORAD"):                {}, "title=" + url.QueryEscape("x,SCORAD"): both,
		"_id=scorad-self-assessment":    self,
		"_id=SCORAD-self-assessment":    {},
		"url=" + form + "&status=draft": {},
		"url=&status=active":            both,
		"_count=200":                    both,
	} {
		r.run(t, "forms by "+query, func(t *testing.T, r *rig) {
			require.ElementsMatch(t, want, r.found(t, "/fhir/Questionnaire?"+query))
		})
	}
	for _, kind := range []string{"Questionnaire", "CodeSystem", "ValueSet", "Device"} {
		r.run(t, kind+" page by page", func(t *testing.T, r *rig) {
			all := publishedIDs(kind)
			if kind == "Device" {
				all = []string{"tidemark-1.0.0"}
			}
			require.ElementsMatch(t, all, r.walk("/fhir/"+kind+"?_count=1", 1, func(int) {}))
			require.ElementsMatch(t, all, r.walk("/fhir/"+kind, len(all), func(int) {}))
			none := r.get("/fhir/" + kind + "?_count=0")
			require.Nil(t, none.at("entry"))
			require.Empty(t, none.link("next"))
			require.NotEqual(t, "0", none.text("total"))
			require.Equal(t, r.base+"/"+kind+"?_count=0", none.link("self"))
			require.Zero(t, r.get("/fhir/"+kind+"?_cursor=99").count("entry"))
			r.get("/fhir/"+kind+"?_cursor=-1").refused(http.StatusBadRequest, "value")
			r.get("/fhir/"+kind+"?_cursor=x").refused(http.StatusBadRequest, "value")
		})
	}
}

func TestSearchDevice(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	device := r.get("/fhir/Device/tidemark-1.0.0")
	identifier := device.text("identifier", 0, "system") + "|" + device.text("identifier", 0, "value")
	for query, n := range map[string]int{
		"": 1, "_id=tidemark-1.0.0": 1, "_id=other": 0,
		"identifier=" + device.text("identifier", 0, "value"): 1, "identifier=" + identifier: 1,
		"identifier=https://other.example|" + device.text("identifier", 0, "value"): 0, "identifier=other": 0,
	} {
		r.run(t, query, func(t *testing.T, r *rig) { require.Len(t, r.found(t, "/fhir/Device?"+query), n) })
	}
}
