package api_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const (
	urnA = "urn:uuid:0190a1b2-0000-7000-8000-00000000000a"
	urnB = "urn:uuid:0190a1b2-0000-7000-8000-00000000000b"
	urnC = "urn:uuid:0190a1b2-0000-7000-8000-00000000000c"
)

// named gives an entry a fullUrl.
func named(url, entry string) string {
	return `{"fullUrl":"` + url + `",` + entry[1:]
}

// patient is an invented patient with identifiers, each as system|value|use.
func patient(identifiers ...string) string {
	var all []string
	for _, each := range identifiers {
		parts := strings.Split(each, "|")
		one := fmt.Sprintf(`"system":%q,"value":%q`, parts[0], parts[1])
		if len(parts) == 3 {
			one += fmt.Sprintf(`,"use":%q`, parts[2])
		}
		all = append(all, "{"+one+"}")
	}
	text := `{"resourceType":"Patient","name":[{"family":"Thistledown"}]`
	if len(all) > 0 {
		text += `,"identifier":[` + strings.Join(all, ",") + `]`
	}
	return text + `}`
}

const chart = "https://brindlemoor.example/chart"

// of is a response about a patient referred to in some way.
func of(identifier, subject string) response {
	body := oona(identifier)
	body.patient = subject
	return body
}

func TestTransactionWithThePatientBeside(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for name, c := range map[string]struct {
		entry, subject string
		reference      string // what the subject becomes: a literal reference, or
		value          string // the value of an identifier
		patient        string // what a search finds it by
	}{
		"created, by its identifier":                  {named(urnA, entryOf("POST", "Patient", patient(chart+"|1"))), urnA, "", "1", ""},
		"created, by its official identifier":         {named(urnA, entryOf("POST", "Patient", patient(chart+"|2|usual", chart+"|3|official"))), urnA, "", "3", ""},
		"created, not by its old identifier":          {named(urnA, entryOf("POST", "Patient", patient(chart+"|4|old", chart+"|5"))), urnA, "", "5", ""},
		"created unless it exists, by that condition": {named(urnA, entryOf("POST", "Patient", patient(chart+"|6"), `,"ifNoneExist":"identifier=`+chart+`|7"`)), urnA, "", "7", ""},
		"updated by a condition, by that":             {named(urnA, entryOf("PUT", "Patient?identifier="+chart+"|8", patient(chart+"|9"))), urnA, "", "8", ""},
		"updated under an id, by that":                {named(urnA, entryOf("PUT", "Patient/oona-10", `{"resourceType":"Patient","id":"oona-10"}`)), urnA, "Patient/oona-10", "", "Patient/oona-10"},
		"under a URL, by that":                        {named("https://brindlemoor.example/fhir/Patient/11", entryOf("POST", "Patient", patient())), "https://brindlemoor.example/fhir/Patient/11", "https://brindlemoor.example/fhir/Patient/11", "", "https://brindlemoor.example/fhir/Patient/11"},
		"under an id both name":                       {named("https://brindlemoor.example/fhir/Patient/12", entryOf("PUT", "Patient/12", `{"resourceType":"Patient","id":"12"}`)), "Patient/12", "Patient/12", "", "Patient/12"},
	} {
		r.run(t, name, func(t *testing.T, r *rig) {
			a := r.bundle("transaction", c.entry, postOf(of("beside "+name, c.subject)))
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, "200 OK", a.text("entry", 0, "response", "status"))
			require.Equal(t, "information", a.text("entry", 0, "response", "outcome", "issue", 0, "severity"))
			require.Nil(t, a.at("entry", 0, "response", "location"), "it is nowhere here")
			id := a.text("entry", 1, "resource", "id")
			for _, subject := range []any{a.at("entry", 1, "resource", "subject"), r.score(id).at("subject")} {
				object := subject.(map[string]any)
				if c.value == "" {
					require.Equal(t, map[string]any{"reference": c.reference}, object)
					continue
				}
				require.Equal(t, map[string]any{"type": "Patient", "identifier": map[string]any{"system": chart, "value": c.value}}, object)
			}
			if c.patient != "" {
				require.Equal(t, []string{id}, r.found(t, "/fhir/Observation?patient="+c.patient))
			}
			require.Equal(t, http.StatusNotFound, r.get("/fhir/Patient/oona-10").status, "patients are never kept")
		})
	}
	r.run(t, "and who answered too", func(t *testing.T, r *rig) {
		body := of("beside-both", urnA)
		body.source = urnB
		a := r.bundle("transaction", postOf(body),
			named(urnA, entryOf("POST", "Patient", patient(chart+"|20"))),
			named(urnB, entryOf("POST", "RelatedPerson", `{"resourceType":"RelatedPerson","identifier":[{"system":"`+chart+`","value":"21"}],"patient":{"reference":"`+urnA+`"}}`)))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		o := r.score(a.text("entry", 0, "resource", "id"))
		require.Equal(t, "RelatedPerson", o.text("performer", 0, "type"))
		require.Equal(t, "21", o.text("performer", 0, "identifier", "value"))
	})
	r.run(t, "repeated, even under other names, is the same transaction", func(t *testing.T, r *rig) {
		send := func(urn string) answer {
			return r.bundle("transaction", named(urn, entryOf("POST", "Patient", patient(chart+"|22"))), postOf(of("beside-again", urn)))
		}
		first, again := send(urnA), send(urnB)
		require.Equal(t, "201 Created", again.text("entry", 1, "response", "status"), "%s", again.body)
		require.Equal(t, first.at("entry", 1), again.at("entry", 1))
	})
	r.run(t, "relative to the base of the response's own URL", func(t *testing.T, r *rig) {
		a := r.bundle("transaction",
			named("https://brindlemoor.example/fhir/Patient/23", entryOf("POST", "Patient", patient())),
			named("https://brindlemoor.example/fhir/QuestionnaireResponse/1", postOf(of("beside-relative", "Patient/23"))))
		require.Equal(t, "https://brindlemoor.example/fhir/Patient/23", a.text("entry", 1, "resource", "subject", "reference"), "%s", a.body)
	})
}

func TestTransactionLinksRefused(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		entries []string
		status  int
		code    string
		at      string
	}{
		"to a Patient that nothing names": {[]string{named(urnA, entryOf("POST", "Patient", patient())), postOf(of("", urnA))}, 422, "business-rule", "Bundle.entry[1].resource.subject.reference"},
		"to no entry":                     {[]string{postOf(of("", urnA))}, 422, "not-found", "Bundle.entry[0].resource.subject.reference"},
		"to an entry that is no resource": {[]string{named(urnA, entryOf("GET", "Observation", "")), postOf(of("", urnA))}, 422, "value", "Bundle.entry[1].resource.subject.reference"},
		"to a patient by name":            {[]string{postOf(of("", "Patient?name=oona"))}, 422, "not-supported", "Bundle.entry[0].resource.subject.reference"},
		"to a patient by two identifiers": {[]string{postOf(of("", "Patient?identifier=a|1,a|2"))}, 422, "not-supported", "Bundle.entry[0].resource.subject.reference"},
		"to a patient without a system":   {[]string{postOf(of("", "Patient?identifier=1"))}, 422, "not-supported", "Bundle.entry[0].resource.subject.reference"},
		"to a patient of another server":  {[]string{postOf(of("", "https://x.example/fhir/Patient?identifier=a|1"))}, 422, "not-supported", "Bundle.entry[0].resource.subject.reference"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			a := r.bundle("transaction", append(c.entries, postOf(oona("links-good")))...)
			a.refused(c.status, c.code)
			require.Equal(t, c.at, a.text("issue", 0, "expression", 0))
			require.Equal(t, kept{}, r.kept())
		})
	}
}

func TestConditionalReferences(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "to what is not kept here become logical", func(t *testing.T, r *rig) {
		a := r.bundle("transaction", postOf(of("condition-1", "Patient?identifier="+chart+"|30")))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, map[string]any{"type": "Patient", "identifier": map[string]any{"system": chart, "value": "30"}}, a.at("entry", 0, "resource", "subject"))
		require.Equal(t, "30", r.score(a.text("entry", 0, "resource", "id")).text("subject", "identifier", "value"))
	})
	r.run(t, "that are escaped mean the same", func(t *testing.T, r *rig) {
		a := r.bundle("transaction", postOf(of("condition-2", r.base+"/Patient?identifier="+strings.ReplaceAll(chart, ":", "%3A")+"%7C3%201")))
		require.Equal(t, "3 1", a.text("entry", 0, "resource", "subject", "identifier", "value"), "%s", a.body)
	})
	about := func(identifier, condition string) response {
		body := oona(identifier)
		body.members = `,"partOf":[{"reference":"` + condition + `"}]`
		return body
	}
	score := func(r *rig, identifier string) string {
		return r.score(r.create(oona(identifier).json()).id()).text("identifier", 0, "value")
	}
	r.run(t, "to what is kept here are resolved", func(t *testing.T, r *rig) {
		identifier := score(r, "condition-3")
		a := r.bundle("transaction", postOf(about("condition-4", "Observation?identifier="+identifier)))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Regexp(t, `^Observation/[0-9a-f-]{36}$`, a.text("entry", 0, "resource", "partOf", 0, "reference"))
		again := r.bundle("transaction", postOf(about("condition-4", "Observation?identifier="+identifier)))
		require.Equal(t, a.at("entry", 0), again.at("entry", 0))
	})
	r.run(t, "find what the same transaction writes", func(t *testing.T, r *rig) {
		// The identifier of a score is a digest of its response's own, and so known.
		other := newRig(t)
		identifier := score(other, "condition-5")
		a := r.bundle("transaction", postOf(about("condition-6", "Observation?identifier="+identifier)), postOf(oona("condition-5")))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, "Observation/"+a.text("entry", 1, "resource", "id"), a.text("entry", 0, "resource", "partOf", 0, "reference"))
	})
	for name, c := range map[string]struct {
		condition string
		status    int
		code      string
	}{
		"that match nothing":  {"Observation?identifier=none", 422, "not-found"},
		"that match several":  {"Observation?patient=mirren-ashby-vale", 412, "multiple-matches"},
		"that are no search":  {"Observation?colour=red", 422, "value"},
		"without a condition": {"Observation?_count=1", 422, "value"},
	} {
		r.run(t, name+" refuse it all", func(t *testing.T, r *rig) {
			if c.code == "multiple-matches" {
				r.create(of("condition-7", "Patient/mirren-ashby-vale").json())
				r.create(of("condition-8", "Patient/mirren-ashby-vale").json())
			}
			a := r.bundle("transaction", postOf(about("condition-9", c.condition)))
			a.refused(c.status, c.code)
			require.Equal(t, "Bundle.entry[0].resource.partOf[0].reference", a.text("issue", 0, "expression", 0))
			require.Empty(t, r.found(t, responses+"?identifier=condition-9"))
		})
	}
}

func TestTransactionLinksToResponses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	linked := func(identifier, urn string) response {
		body := oona(identifier)
		body.members = `,"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\"><a href=\"` + urn + `\">before</a></div>"}` +
			`,"extension":[{"url":"https://fernway-portal.example/previous","valueReference":{"reference":"` + urn + `"}},` +
			`{"url":"https://fernway-portal.example/form","valueCanonical":"` + urn + `"},{"url":"https://fernway-portal.example/link","valueUri":"` + urn + `"}]`
		return body
	}
	requireLinks := func(t *testing.T, r *rig, linking answer, entry any, id string) {
		t.Helper()
		get := func(path ...any) string { return linking.text(append([]any{"entry", entry, "resource"}, path...)...) }
		require.Equal(t, "QuestionnaireResponse/"+id, get("extension", 0, "valueReference", "reference"), "%s", linking.body)
		require.Equal(t, urnA, get("extension", 1, "valueCanonical"), "a canonical stays")
		require.Equal(t, r.base+"/QuestionnaireResponse/"+id, get("extension", 2, "valueUri"))
		require.Contains(t, get("text", "div"), `href="`+r.base+"/QuestionnaireResponse/"+id+`"`)
	}
	r.run(t, "that are created get their ids, whatever the order", func(t *testing.T, r *rig) {
		a := r.bundle("transaction", postOf(linked("to-1", urnA)), named(urnA, postOf(oona("to-2"))))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		requireLinks(t, r, a, 0, a.text("entry", 1, "resource", "id"))
	})
	r.run(t, "that are there already get theirs", func(t *testing.T, r *rig) {
		existing := r.create(oona("to-3").json()).id()
		a := r.bundle("transaction", postOf(linked("to-4", urnA)), named(urnA, postOf(oona("to-3"))))
		requireLinks(t, r, a, 0, existing)
		existing = r.create(oona("to-5").json()).id()
		a = r.bundle("transaction", postOf(linked("to-6", urnA)), named(urnA, postOf(oona("to-7"), `,"ifNoneExist":"`+byIdentifier("to-5")+`"`)))
		requireLinks(t, r, a, 0, existing)
		body := oona("to-5")
		body.status, body.itch = "amended", "1"
		a = r.bundle("transaction", postOf(linked("to-8", urnA)), named(urnA, entryOf("PUT", "QuestionnaireResponse?"+byIdentifier("to-5"), body.json())))
		requireLinks(t, r, a, 0, existing)
		require.Equal(t, `W/"2"`, a.text("entry", 1, "response", "etag"))
	})
	r.run(t, "that are created by a condition get their ids", func(t *testing.T, r *rig) {
		a := r.bundle("transaction", postOf(linked("to-9", urnA)), named(urnA, entryOf("PUT", "QuestionnaireResponse?"+byIdentifier("to-10"), oona("to-10").json())))
		requireLinks(t, r, a, 0, a.text("entry", 1, "resource", "id"))
		require.Equal(t, "201 Created", a.text("entry", 1, "response", "status"))
	})
	r.run(t, "repeated lead to the same responses", func(t *testing.T, r *rig) {
		entries := []string{postOf(linked("to-11", urnA)), named(urnA, postOf(oona("to-12")))}
		first := r.bundle("transaction", entries...)
		again := r.bundle("transaction", entries...)
		require.Equal(t, first.at("entry"), again.at("entry"), "%s", again.body)
	})
}

func TestBatchEntriesStandAlone(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.bundle("batch",
		named(urnA, entryOf("POST", "Patient", patient(chart+"|1"))),
		postOf(of("alone-1", urnA)),
		postOf(of("alone-2", "Patient?identifier="+chart+"|1")),
		postOf(oona("alone-3")),
		named("https://brindlemoor.example/fhir/Patient/2", entryOf("POST", "Patient", patient())),
		named("https://brindlemoor.example/fhir/QuestionnaireResponse/2", postOf(of("alone-4", "Patient/2"))),
		named("https://brindlemoor.example/fhir/QuestionnaireResponse/3", postOf(of("alone-5", "Patient/3"))))
	require.Equal(t, http.StatusOK, a.status)
	for i, want := range []struct{ status, code string }{
		{"404 Not Found", "not-supported"}, {"422 Unprocessable Entity", "business-rule"}, {"422 Unprocessable Entity", "business-rule"},
		{"201 Created", ""}, {"404 Not Found", "not-supported"}, {"422 Unprocessable Entity", "business-rule"}, {"201 Created", ""},
	} {
		require.Equal(t, want.status, a.text("entry", i, "response", "status"), "entry %d", i)
		require.Equal(t, want.code, a.faultAt(i))
	}
	require.Equal(t, "Bundle.entry[1].resource.subject.reference", a.text("entry", 1, "response", "outcome", "issue", 0, "expression", 0))
	require.Equal(t, 2, r.kept().responses)
}

// official reads one of R4's own example Bundles.
func official(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "shared", "fhir-examples", name))
	if err != nil {
		t.Skip("the official examples lie beside the repository and are not here: ", err)
	}
	return string(data)
}

func TestOfficialBundles(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "the transaction of patients is refused for what is not taken, and only for that", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, "/fhir", official(t, "r4-bundle-transaction.json"))
		a.refused(http.StatusUnprocessableEntity, "not-supported")
		// Two deletions of patients and an operation; those beside a response are taken.
		require.Equal(t, 3, a.count("issue"), "%s", a.body)
		for i, entry := range []int{5, 6, 7} {
			require.Equal(t, fmt.Sprintf("Bundle.entry[%d].request", entry), a.text("issue", i, "expression", 0))
			require.Equal(t, "not-supported", a.text("issue", i, "code"))
		}
	})
	r.run(t, "as a batch it is refused entry by entry", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, "/fhir", strings.Replace(official(t, "r4-bundle-transaction.json"), `"type": "transaction"`, `"type": "batch"`, 1))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, 10, a.count("entry"))
		for i := range 10 {
			require.Equal(t, "404 Not Found", a.text("entry", i, "response", "status"))
			require.Equal(t, "not-supported", a.text("entry", i, "response", "outcome", "issue", 0, "code"))
		}
	})
	r.run(t, "the summary gets the search it can and is told about the rest", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, "/fhir", official(t, "r4-bundle-request-simplesummary.json"))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		for i, status := range []string{"404 Not Found", "404 Not Found", "404 Not Found", "200 OK"} {
			require.Equal(t, status, a.text("entry", i, "response", "status"))
		}
		require.Equal(t, "searchset", a.text("entry", 3, "resource", "type"))
		require.Equal(t, "0", a.text("entry", 3, "resource", "total"))
	})
	for _, name := range []string{"r4-bundle-references.json", "r4-bundle-example.json", "r4-bundle-response.json"} {
		r.run(t, name+", which asks for nothing, is refused", func(t *testing.T, r *rig) {
			r.do(http.MethodPost, "/fhir", official(t, name)).refused(http.StatusUnprocessableEntity, "not-supported")
		})
	}
}
