package api_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// extra are the members that only the invented editions have.
const extra = `"identifier":[{"system":"https://brindlemoor.example/forms","value":"eczema-form"}],
"useContext":[{"code":{"system":"http://terminology.hl7.org/CodeSystem/usage-context-type","code":"focus"},"valueCodeableConcept":{"coding":[{"system":"https://brindlemoor.example/topics","code":"eczema"}]}}],
"jurisdiction":[{"coding":[{"system":"urn:iso:std:iso:3166","code":"NL"}]}],`

// newEdition makes another version of something published.
func newEdition(p questionnaire.Published, version, status string) questionnaire.Published {
	members := extra
	if p.Type == "OperationDefinition" { // R4 gives it no identifier
		_, members, _ = strings.Cut(extra, "\n")
	}
	if p.Type == "Questionnaire" {
		members += `"effectivePeriod":{"start":"2026-01-15","end":"2026-12-30"},`
	}
	data := bytes.Replace(p.JSON, []byte("{"), []byte("{"+members), 1)
	data = bytes.Replace(data, []byte(`"version": "`+p.Version+`"`), []byte(`"version": "`+version+`"`), 1)
	data = bytes.Replace(data, []byte(`"status": "active"`), []byte(`"status": "`+status+`"`), 1)
	p.Version, p.Status, p.JSON = version, status, data
	return p
}

// withEditions publishes beside each version 1.0.0 an active 1.10.0, an active
// 1.9.0 and a draft 2.0.0, in no order.
func withEditions(o *api.Options) {
	for _, p := range questionnaire.All() {
		o.Published = append(o.Published, newEdition(p, "1.10.0", "active"), p, newEdition(p, "2.0.0", "draft"), newEdition(p, "1.9.0", "active"))
	}
}

func TestEditionsStayReadable(t *testing.T) {
	t.Parallel()
	r := newRig(t, withEditions)
	for _, p := range questionnaire.All() {
		path := "/fhir/" + p.Type + "/" + p.ID
		r.run(t, path+" is the newest active version", func(t *testing.T, r *rig) {
			a := r.get(path)
			require.Equal(t, "1.10.0", a.text("version"), "by number, not by letter; and no draft")
			require.Equal(t, `W/"1.10.0"`, a.header.Get("ETag"))
			require.Equal(t, "public, max-age=300", a.header.Get("Cache-Control"))
			require.Equal(t, http.StatusNotModified, r.get(path, "If-None-Match", `W/"1.10.0"`).status)
			require.Equal(t, http.StatusOK, r.get(path, "If-None-Match", `W/"1.0.0"`).status)
		})
		for version, status := range map[string]string{"1.0.0": "active", "1.9.0": "active", "1.10.0": "active", "2.0.0": "draft"} {
			r.run(t, path+" version "+version, func(t *testing.T, r *rig) {
				a := r.get(path + "/_history/" + version)
				require.Equal(t, http.StatusOK, a.status)
				require.Equal(t, version, a.text("version"))
				require.Equal(t, status, a.text("status"))
				require.Equal(t, "public, max-age=31536000, immutable", a.header.Get("Cache-Control"))
				require.Equal(t, `W/"`+version+`"`, a.header.Get("ETag"))
				if version == "1.0.0" {
					require.Equal(t, string(p.JSON), string(a.body), "byte for byte")
				}
				found := r.get("/fhir/" + p.Type + "?url=" + p.URL + "|" + version)
				require.Equal(t, "1", found.text("total"))
				require.Equal(t, version, found.text("entry", 0, "resource", "version"))
			})
		}
		r.run(t, path+" has no other version", func(t *testing.T, r *rig) {
			for _, version := range []string{"1.1.0", "1", "3.0.0", "v1.0.0"} {
				r.get(path+"/_history/"+version).refused(http.StatusNotFound, "not-found")
			}
		})
		r.run(t, path+" is found in all versions, newest first, told apart", func(t *testing.T, r *rig) {
			a := r.get("/fhir/" + p.Type + "?url=" + p.URL)
			var versions, keys []string
			for i := range a.count("entry") {
				versions = append(versions, a.text("entry", i, "resource", "version"))
				keys = append(keys, a.text("entry", i, "fullUrl")+"|"+a.text("entry", i, "resource", "meta", "versionId"))
			}
			require.Equal(t, []string{"2.0.0", "1.10.0", "1.9.0", "1.0.0"}, versions)
			slices.Sort(keys)
			require.Len(t, slices.Compact(keys), 4, "bdl-7")
			document, err := fhir.Decode(a.body)
			require.NoError(t, err)
			document.Release()
		})
	}
	r.run(t, "a version alone finds those of that version", func(t *testing.T, r *rig) {
		require.Equal(t, "2", r.get("/fhir/Questionnaire?version=1.9.0").text("total"))
		require.Equal(t, "2", r.get("/fhir/Questionnaire?status=draft").text("total"))
		require.Equal(t, "6", r.get("/fhir/Questionnaire?status=active").text("total"))
	})
	r.run(t, "where nothing is active the newest is read", func(t *testing.T, _ *rig) {
		only := newRig(t, func(o *api.Options) {
			for _, p := range questionnaire.All() {
				o.Published = append(o.Published, newEdition(p, "1.0.0", "retired"), newEdition(p, "1.1.0", "retired"))
			}
		})
		require.Equal(t, "1.1.0", only.get("/fhir/Questionnaire/scorad-self-assessment").text("version"))
	})
}

func TestSearchPublishedByItsElements(t *testing.T) {
	t.Parallel()
	r := newRig(t, withEditions)
	all := "8"
	for query, want := range map[string]string{
		"experimental=false": all, "experimental=true": "0",
		"description=scorad%20index": all, "description=index": "0", "description:contains=INDEX": all, "description:exact=SCORAD": "0",
		"publisher=tide": all, "publisher:exact=Tidemark": all, "publisher:exact=tidemark": "0",
		"name:contains=self": "4", "title:exact=" + "SCORAD,%20rated": "0", `title:contains=patient`: "4",
		"date=2026-11-25": all, "date=2026": all, "date=2025": "0", "date=ge2026-11-25": all, "date=gt2026-11-25": "0", "date=lt2026-11-26": all, "date=le2026-11-24": "0",
		"date=sa2026-11-24": all, "date=eb2026-11-25": "0", "date=ne2026-11-25": "0", "date=ap2026-11": all,
		"identifier=eczema-form": "6", "identifier=https://brindlemoor.example/forms|eczema-form": "6", "identifier=https://brindlemoor.example/forms|": "6", "identifier=|eczema-form": "0", "identifier=https://other.example|eczema-form": "0",
		"jurisdiction=NL": "6", "jurisdiction=DE,NL": "6", "jurisdiction=DE": "0",
		"context=eczema": "6", "context-type=focus": "6", "context-type=venue": "0",
		"context-type-value=focus$eczema": "6", "context-type-value=focus$https://brindlemoor.example/topics|eczema": "6", "context-type-value=venue$eczema": "0", "context-type-value=focus$psoriasis": "0",
		"subject-type=Patient": all, "subject-type=Group": "0", "subject-type=http://hl7.org/fhir/resource-types|Patient": all,
		"questionnaire-code=scorad": all, "questionnaire-code=extent-method": "0", "questionnaire-code=https://tidemark.example/fhir/CodeSystem/scorad|scorad": all,
		"code=extent-method": all, "code=extent": all, "code=nothing": "0", "combo-code=scorad": all, "combo-code=extent-method": all,
		"effective=2026": "6", "effective=ge2026": "6", "effective=2027-01-01": "0", "effective=gt2026-12-30": "0", "effective=lt2026-01-16": "6", "effective=ap2026-05-01": "6", "effective=sa2026-01-14": "6", "effective=eb2026-12-31": "6",
		"url:below=https://tidemark.example/fhir/Questionnaire/": all, "url:below=https://tidemark.example/fhir/CodeSystem": "0",
		"_id=scorad-self-assessment": "4", "version=1.0.0&status=active&code=extent": "2",
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			a := r.get("/fhir/Questionnaire?"+query, "Prefer", "handling=strict")
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, want, a.text("total"))
		})
	}
	for query, want := range map[string]string{
		"/fhir/CodeSystem?code=itch": "0", "/fhir/CodeSystem?code=symptoms-itch": "4", "/fhir/CodeSystem?code=severe": "8",
		"/fhir/CodeSystem?system=https://tidemark.example/fhir/CodeSystem/scorad-grade":  "4",
		"/fhir/ValueSet?reference=https://tidemark.example/fhir/CodeSystem/scorad-grade": "4", "/fhir/ValueSet?reference=x": "0",
	} {
		r.run(t, query, func(t *testing.T, r *rig) {
			require.Equal(t, want, r.get(query, "Prefer", "handling=strict").text("total"))
		})
	}
	for query, code := range map[string]string{
		"date=yesterday": "value", "date=xx2026": "value", "effective=20261125": "value", "context-type-value=focus": "value",
		"title:missing=true": "not-supported", "status:not=active": "not-supported", "version:exact=1.0.0": "not-supported", "url:above=x": "not-supported", "title:": "",
	} {
		r.run(t, query+" is refused", func(t *testing.T, r *rig) {
			if code == "" {
				require.Equal(t, http.StatusOK, r.get("/fhir/Questionnaire?"+query).status)
				return
			}
			r.get("/fhir/Questionnaire?"+query).refused(http.StatusBadRequest, code)
		})
	}
}

// TestDefinitionsOfSearchParameters: what a parameter means is told by R4's or
// SDC's own SearchParameter.
func TestDefinitionsOfSearchParameters(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.get("/fhir/metadata")
	checked := 0
	for i := range a.count("rest", 0, "resource") {
		kind := a.text("rest", 0, "resource", i, "type")
		if !slices.Contains([]string{"Questionnaire", "CodeSystem", "ValueSet", "Device"}, kind) {
			continue
		}
		for j := range a.count("rest", 0, "resource", i, "searchParam") {
			name := a.text("rest", 0, "resource", i, "searchParam", j, "name")
			definition := a.text("rest", 0, "resource", i, "searchParam", j, "definition")
			require.True(t, strings.HasPrefix(definition, "http://hl7.org/fhir/SearchParameter/") || strings.HasPrefix(definition, "http://hl7.org/fhir/uv/sdc/SearchParameter/"), "%s %s", kind, name)
			require.True(t, strings.HasSuffix(definition, "-"+strings.TrimPrefix(name, "_")), "%s %s", kind, name)
			checked++
		}
	}
	require.Greater(t, checked, 50)
	require.True(t, json.Valid(a.body))
}
