package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// origin is an invented Provenance as a portal states it: without a target.
const origin = `{"resourceType":"Provenance","recorded":"2026-03-04T19:31:00+01:00",` +
	`"agent":[{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/provenance-participant-type","code":"enterer"}]},"who":{"display":"Fernway Portal"}}]}`

// statements are the Provenances about a response.
func (r *rig) statements(id string) answer {
	r.t.Helper()
	return r.get("/fhir/Provenance?_sort=_lastUpdated&target=QuestionnaireResponse/" + id)
}

func TestProvenanceOfAScore(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("amended", "provenance-1")
	p := r.provenances(body.id)
	require.Equal(t, "2", p.text("total"))
	for i, activity := range []string{"CREATE", "UPDATE"} {
		get := func(path ...any) string { return p.text(append([]any{"entry", i, "resource"}, path...)...) }
		version := []string{"1", "2"}[i]
		require.Equal(t, activity, get("activity", "coding", 0, "code"))
		require.Equal(t, "Observation/"+body.id+"/_history/"+version, get("target", 0, "reference"))
		require.Equal(t, "source", get("entity", 0, "role"))
		require.Equal(t, "QuestionnaireResponse/"+body.id+"/_history/"+version, get("entity", 0, "what", "reference"))
		require.Equal(t, "assembler", get("agent", 0, "type", "coding", 0, "code"))
		require.Equal(t, "Device/tidemark-1.0.0", get("agent", 0, "who", "reference"))
		require.Equal(t, "author", get("agent", 1, "type", "coding", 0, "code"))
		require.Equal(t, "RelatedPerson/bram-thistledown", get("agent", 1, "who", "reference"))
		for _, reference := range []string{get("target", 0, "reference"), get("entity", 0, "what", "reference"), get("agent", 0, "who", "reference")} {
			require.Equal(t, http.StatusOK, r.get("/fhir/"+reference).status, reference)
		}
		id := get("id")
		require.Equal(t, http.StatusOK, r.get("/fhir/Provenance/"+id).status)
		require.Equal(t, id, r.get("/fhir/Provenance/"+id+"/_history/1").id())
		r.get("/fhir/Provenance/"+id+"/_history/2").refused(http.StatusNotFound, "not-found")
	}
	require.Equal(t, []string{"tidemark-1.0.0"}, r.found(t, "/fhir/Device?identifier=tidemark-1.0.0"))
}

func TestXProvenance(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	requireKept := func(t *testing.T, r *rig, id string, versions ...string) {
		t.Helper()
		p := r.statements(id)
		require.Equal(t, len(versions), p.count("entry"), "%s", p.body)
		for i, version := range versions {
			require.Equal(t, 1, p.count("entry", i, "resource", "target"))
			require.Equal(t, "QuestionnaireResponse/"+id+"/_history/"+version, p.text("entry", i, "resource", "target", 0, "reference"))
			require.Equal(t, "2026-03-04T19:31:00+01:00", p.text("entry", i, "resource", "recorded"))
			require.Equal(t, "Fernway Portal", p.text("entry", i, "resource", "agent", 0, "who", "display"))
			require.Equal(t, "1", p.text("entry", i, "resource", "meta", "versionId"))
			require.Equal(t, http.StatusOK, r.get("/fhir/Provenance/"+p.text("entry", i, "resource", "id")).status)
		}
	}
	r.run(t, "of a create is kept about its version, beside our own about the score", func(t *testing.T, r *rig) {
		id := r.create(oona("x-1").json(), "X-Provenance", origin).id()
		requireKept(t, r, id, "1")
		require.Equal(t, "1", r.provenances(id).text("total"))
	})
	r.run(t, "of updates and of a deletion are about theirs", func(t *testing.T, r *rig) {
		body := oona("x-2")
		body.id = r.create(body.json()).id()
		body.status, body.itch = "amended", "1"
		require.Equal(t, http.StatusOK, r.put(body, "X-Provenance", origin).status)
		body.itch = "2"
		require.Equal(t, http.StatusOK, r.putWhere(byIdentifier("x-2"), body, "X-Provenance", "  "+origin+" ").status)
		require.Equal(t, http.StatusNoContent, r.remove(body.id, "X-Provenance", origin).status)
		requireKept(t, r, body.id, "2", "3", "4")
	})
	r.run(t, "of a repetition is not kept twice", func(t *testing.T, r *rig) {
		id := r.create(oona("x-3").json(), "X-Provenance", origin).id()
		r.create(oona("x-3").json(), "X-Provenance", origin)
		requireKept(t, r, id, "1")
		require.Equal(t, http.StatusNoContent, r.remove(id).status)
		require.Equal(t, http.StatusNoContent, r.remove(id, "X-Provenance", origin).status)
		requireKept(t, r, id, "1")
	})
	r.run(t, "keeps ids and extensions of its own, but no id of its sender", func(t *testing.T, r *rig) {
		header := strings.Replace(origin, `"recorded"`, `"id":"mine","meta":{"versionId":"7","source":"https://fernway-portal.example"},"policy":["urn:ietf:params:oauth:jti:7"],"recorded"`, 1)
		p := r.statements(r.create(oona("x-4").json(), "X-Provenance", header).id())
		require.NotEqual(t, "mine", p.text("entry", 0, "resource", "id"))
		require.Equal(t, "1", p.text("entry", 0, "resource", "meta", "versionId"))
		require.Equal(t, "https://fernway-portal.example", p.text("entry", 0, "resource", "meta", "source"))
		require.Equal(t, "urn:ietf:params:oauth:jti:7", p.text("entry", 0, "resource", "policy", 0))
	})
	agent := `"agent":[{"who":{"display":"x"}}]`
	for name, c := range map[string]struct{ header, code string }{
		"no JSON":                  {`recorded`, "structure"},
		"an array":                 {`[` + origin + `]`, "structure"},
		"an empty object":          {`{}`, "structure"},
		"another resource":         {`{"resourceType":"Device"}`, "structure"},
		"no resource":              {`{"recorded":"2026-03-04T19:31:00Z",` + agent + `}`, "structure"},
		"a target":                 {strings.Replace(origin, `{`, `{"target":[{"reference":"Observation/1"}],`, 1), "invalid"},
		"no agent":                 {`{"resourceType":"Provenance","recorded":"2026-03-04T19:31:00Z"}`, "required"},
		"no time":                  {`{"resourceType":"Provenance",` + agent + `}`, "required"},
		"a time that is none":      {`{"resourceType":"Provenance","recorded":"2026-03-04",` + agent + `}`, "value"},
		"an unknown member":        {strings.Replace(origin, `"recorded"`, `"colour":"red","recorded"`, 1), "structure"},
		"a name twice":             {strings.Replace(origin, `"recorded"`, `"recorded":"2026-03-04T19:31:00Z","recorded"`, 1), "structure"},
		"an agent that is nobody":  {`{"resourceType":"Provenance","recorded":"2026-03-04T19:31:00Z","agent":[{"who":{"type":"Device"}}]}`, "required"},
		"rules that are not known": {strings.Replace(origin, `"recorded"`, `"implicitRules":"https://x.example/rules","recorded"`, 1), "not-supported"},
		"a reference to an entry":  {`{"resourceType":"Provenance","recorded":"2026-03-04T19:31:00Z","agent":[{"who":{"reference":"` + urnA + `"}}]}`, "not-found"},
		"data after its end":       {origin + `{}`, "structure"},
	} {
		r.run(t, "that is or has "+name+" refuses the request", func(t *testing.T, r *rig) {
			before := oona("x-refused-" + name)
			r.do(http.MethodPost, responses, before.json(), "X-Provenance", c.header).refused(http.StatusBadRequest, c.code)
			require.Equal(t, "0", r.get(responses+"?identifier=x-refused-"+strings.ReplaceAll(name, " ", "%20")).text("total"))
		})
	}
	r.run(t, "that is bad refuses a deletion too", func(t *testing.T, r *rig) {
		body := r.reach("completed", "x-5")
		r.remove(body.id, "X-Provenance", "{}").refused(http.StatusBadRequest, "structure")
		require.Equal(t, http.StatusOK, r.get(responses+"/"+body.id).status)
	})
	r.run(t, "of a Bundle is refused, since it speaks of one resource", func(t *testing.T, r *rig) {
		r.do(http.MethodPost, "/fhir", bundleOf("transaction", postOf(oona("x-6"))), "X-Provenance", origin).refused(http.StatusBadRequest, "not-supported")
	})
	r.run(t, "does not repeat in its refusal what was sent", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, responses, oona("x-7").json(), "X-Provenance", strings.Replace(origin, "2026-03-04T19:31:00+01:00", "Zebulon", 1))
		a.refused(http.StatusBadRequest, "value")
		require.NotContains(t, string(a.body), "Zebulon")
	})
}

// about is the origin as an entry of a transaction, with targets.
func about(targets ...string) string {
	var all []string
	for _, target := range targets {
		all = append(all, `{"reference":"`+target+`"}`)
	}
	return entryOf(http.MethodPost, "Provenance", strings.Replace(origin, `"recorded"`, `"target":[`+strings.Join(all, ",")+`],"recorded"`, 1))
}

func TestProvenanceInTransactions(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(t, "is about the versions the transaction writes, whatever the order", func(t *testing.T, r *rig) {
		a := r.bundle("transaction", about(urnA, urnB), named(urnA, postOf(oona("about-1"))), named(urnB, postOf(oona("about-2"))))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, "201 Created", a.text("entry", 0, "response", "status"))
		require.Equal(t, a.text("entry", 0, "response", "location"), r.base+"/Provenance/"+a.text("entry", 0, "resource", "id")+"/_history/1")
		for i := range 2 {
			id := a.text("entry", i+1, "resource", "id")
			require.Equal(t, "QuestionnaireResponse/"+id+"/_history/1", a.text("entry", 0, "resource", "target", i, "reference"))
			require.Equal(t, "1", r.statements(id).text("total"))
		}
	})
	r.run(t, "repeated is kept once, under whatever names", func(t *testing.T, r *rig) {
		send := func(urn string) answer {
			return r.bundle("transaction", named(urn, postOf(oona("about-3"))), about(urn))
		}
		first, again := send(urnA), send(urnC)
		require.Equal(t, first.at("entry"), again.at("entry"), "%s", again.body)
		require.Equal(t, "1", r.statements(first.text("entry", 0, "resource", "id")).text("total"))
	})
	r.run(t, "may be about what is here already, in its current or a given version", func(t *testing.T, r *rig) {
		body := r.reach("amended", "about-4")
		a := r.bundle("transaction", about("QuestionnaireResponse/"+body.id, r.base+"/Observation/"+body.id+"/_history/1"))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, "QuestionnaireResponse/"+body.id+"/_history/2", a.text("entry", 0, "resource", "target", 0, "reference"))
		require.Equal(t, "Observation/"+body.id+"/_history/1", a.text("entry", 0, "resource", "target", 1, "reference"))
	})
	r.run(t, "names who sent it by an entry beside it", func(t *testing.T, r *rig) {
		entry := strings.Replace(about(urnA), `{"display":"Fernway Portal"}`, `{"reference":"`+urnB+`"}`, 1)
		a := r.bundle("transaction", entry, named(urnA, postOf(oona("about-5"))),
			named(urnB, entryOf("POST", "Organization", `{"resourceType":"Organization","identifier":[{"system":"`+chart+`","value":"fernway"}]}`)))
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, "fernway", a.text("entry", 0, "resource", "agent", 0, "who", "identifier", "value"))
	})
	body := r.reach("completed", "about-6")
	for name, c := range map[string]struct {
		entry  string
		status int
		code   string
	}{
		"about what is not here":          {about("QuestionnaireResponse/none"), 422, "not-found"},
		"about a version that is not":     {about("QuestionnaireResponse/" + body.id + "/_history/2"), 422, "not-found"},
		"about what is not kept":          {about("Patient/oona-thistledown"), 422, "not-supported"},
		"about another server's":          {about("https://x.example/fhir/QuestionnaireResponse/" + body.id), 422, "not-supported"},
		"about no entry":                  {about(urnC), 422, "not-found"},
		"about nothing that can be found": {strings.Replace(about("x"), `{"reference":"x"}`, `{"display":"x"}`, 1), 422, "not-supported"},
		"without a target":                {entryOf("POST", "Provenance", origin), 400, "required"},
		"without a resource":              {entryOf("POST", "Provenance", ""), 400, "required"},
		"that is another resource":        {entryOf("POST", "Provenance", patient()), 400, "structure"},
		"by nobody":                       {strings.Replace(about("Observation/"+body.id), `{"display":"Fernway Portal"}`, `{"type":"Device"}`, 1), 422, "required"},
		"that updates one":                {strings.Replace(about("Observation/"+body.id), `"method":"POST","url":"Provenance"`, `"method":"PUT","url":"Provenance/x"`, 1), 422, "not-supported"},
	} {
		r.run(t, name+" is refused with all the rest", func(t *testing.T, r *rig) {
			identifier := "about-refused-" + strings.ReplaceAll(name, " ", "-")
			r.bundle("transaction", postOf(oona(identifier)), c.entry).refused(c.status, c.code)
			require.Empty(t, r.found(t, responses+"?identifier="+identifier))
		})
	}
	r.run(t, "in a batch is not offered, as it is not alone", func(t *testing.T, r *rig) {
		a := r.bundle("batch", about("Observation/"+body.id))
		require.Equal(t, "405 Method Not Allowed", a.text("entry", 0, "response", "status"), "%s", a.body)
		r.do(http.MethodPost, "/fhir/Provenance", origin).refused(http.StatusMethodNotAllowed, "not-supported")
	})
}
