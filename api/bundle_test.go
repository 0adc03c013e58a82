package api_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// bundleOf makes a Bundle of entries, each as JSON.
func bundleOf(kind string, entries ...string) string {
	text := `{"resourceType":"Bundle","type":"` + kind + `"`
	if len(entries) > 0 {
		text += `,"entry":[` + strings.Join(entries, ",") + `]`
	}
	return text + `}`
}

// entryOf makes an entry; members are further ones of its request, verbatim.
func entryOf(method, url, resource string, members ...string) string {
	text := `{`
	if resource != "" {
		text += `"resource":` + resource + `,`
	}
	return text + fmt.Sprintf(`"request":{"method":%q,"url":%q%s}}`, method, url, strings.Join(members, ""))
}

func postOf(body response, members ...string) string {
	return entryOf(http.MethodPost, "QuestionnaireResponse", body.json(), members...)
}

func putOf(body response, members ...string) string {
	return entryOf(http.MethodPut, "QuestionnaireResponse/"+body.id, body.json(), members...)
}

// send posts a Bundle to the base.
func (r *rig) bundle(kind string, entries ...string) answer {
	r.t.Helper()
	return r.do(http.MethodPost, "/fhir", bundleOf(kind, entries...))
}

// wrong is a response with two faults against the form.
func wrong(identifier string) response {
	body := oona(identifier)
	body.itch, body.sleep = "11", "-1"
	return body
}

func TestTransaction(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	existing := r.reach("completed", "transaction-existing")
	amended := existing
	amended.status, amended.itch = "amended", "8"
	a := r.bundle("transaction",
		entryOf(http.MethodGet, "QuestionnaireResponse/"+existing.id, ""),
		postOf(oona("transaction-1")), putOf(amended, `,"ifMatch":"W/\"1\""`),
		entryOf(http.MethodPost, r.base+"/QuestionnaireResponse", oona("transaction-2").json()))
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)

	r.run(t, "answers each entry in its order", func(t *testing.T, r *rig) {
		require.Equal(t, "Bundle", a.text("resourceType"))
		require.Equal(t, "transaction-response", a.text("type"))
		require.Equal(t, 4, a.count("entry"))
		for i, want := range []struct{ status, version string }{{"200 OK", "2"}, {"201 Created", "1"}, {"200 OK", "2"}, {"201 Created", "1"}} {
			id := a.text("entry", i, "resource", "id")
			require.Equal(t, want.status, a.text("entry", i, "response", "status"))
			require.Equal(t, `W/"`+want.version+`"`, a.text("entry", i, "response", "etag"))
			require.Equal(t, r.base+"/QuestionnaireResponse/"+id+"/_history/"+want.version, a.text("entry", i, "response", "location"))
			require.Equal(t, a.text("entry", i, "resource", "meta", "lastUpdated"), a.text("entry", i, "response", "lastModified"))
		}
	})
	r.run(t, "reads after it has written, whatever the order", func(t *testing.T, _ *rig) {
		require.Equal(t, "amended", a.text("entry", 0, "resource", "status"))
	})
	r.run(t, "scores what it has stored", func(t *testing.T, r *rig) {
		require.Equal(t, "42.00", r.score(a.text("entry", 1, "resource", "id")).text("valueQuantity", "value"))
		require.Equal(t, "44.00", r.score(existing.id).text("valueQuantity", "value"))
		require.Equal(t, kept{3, 3, 4, 3}, r.kept())
	})
	r.run(t, "repeated is answered as the first time", func(t *testing.T, r *rig) {
		entries := []string{postOf(oona("transaction-1")), postOf(oona("transaction-2"))}
		again := r.bundle("transaction", entries...)
		require.Equal(t, "201 Created", again.text("entry", 0, "response", "status"))
		require.Equal(t, a.wherever("entry", 1), again.wherever("entry", 0))
		require.Equal(t, a.wherever("entry", 3), again.wherever("entry", 1))
		require.Equal(t, 3, r.kept().responses)
	})
	r.run(t, "without entries is no error", func(t *testing.T, r *rig) {
		empty := r.bundle("transaction")
		require.Equal(t, http.StatusOK, empty.status)
		require.Equal(t, "transaction-response", empty.text("type"))
		require.Nil(t, empty.at("entry"), "FHIR forbids an empty array")
	})
}

func TestTransactionIsAllOrNothing(t *testing.T) {
	t.Parallel()
	good := postOf(oona("all-good"))
	for name, c := range map[string]struct {
		bad    func(r *rig) string
		status int
		code   string
		under  string
	}{
		"a response with faults":         {func(*rig) string { return postOf(wrong("all-1")) }, 422, "value", "Bundle.entry[1].resource.item[2].item[0]"},
		"a response that is no FHIR":     {func(*rig) string { return postOf(response{members: `,"colour":"red"`}) }, 400, "structure", "Bundle.entry[1].resource"},
		"an update of what is not there": {func(*rig) string { b := oona("all-2"); b.id = "none"; return putOf(b) }, 405, "not-supported", "Bundle.entry[1]"},
		"an update without an id":        {func(*rig) string { return entryOf("PUT", "QuestionnaireResponse/x", oona("all-3").json()) }, 400, "invalid", "Bundle.entry[1].resource.id"},
		"a stale version": {func(r *rig) string {
			b := r.reach("amended", "all-4")
			b.itch = "1"
			return putOf(b, `,"ifMatch":"W/\"1\""`)
		}, 412, "conflict", "Bundle.entry[1]"},
		"a status that does not follow":     {func(r *rig) string { b := r.reach("completed", "all-5"); b.status = "in-progress"; return putOf(b) }, 422, "business-rule", "Bundle.entry[1].resource.status"},
		"an identifier of another response": {func(r *rig) string { b := r.reach("completed", "all-6"); b.itch = "1"; return postOf(b) }, 409, "duplicate", "Bundle.entry[1].resource.identifier"},
		"a read of what is not there":       {func(*rig) string { return entryOf("GET", "Observation/none", "") }, 404, "not-found", "Bundle.entry[1]"},
		"a condition with several matches": {func(r *rig) string {
			r.reach("completed", "all-7")
			r.reach("completed", "all-8")
			return postOf(oona("all-9"), `,"ifNoneExist":"patient=oona-thistledown"`)
		}, 412, "multiple-matches", "Bundle.entry[1]"},
		"a condition that is none": {func(*rig) string { return postOf(oona("all-10"), `,"ifNoneExist":"colour=red"`) }, 400, "not-supported", "Bundle.entry[1]"},
		"a version that is none":   {func(*rig) string { b := oona("all-11"); b.id = "x"; return putOf(b, `,"ifMatch":"x"`) }, 400, "value", "Bundle.entry[1]"},
		"another type": {func(*rig) string {
			return entryOf("POST", "Condition", `{"resourceType":"Condition","subject":{"display":"Oona"}}`)
		}, 422, "not-supported", "Bundle.entry[1].request"},
		"another resource under the URL": {func(*rig) string { return entryOf("POST", "QuestionnaireResponse", `{"resourceType":"Patient"}`) }, 400, "structure", "Bundle.entry[1].resource"},
		"a deletion of a score":          {func(*rig) string { return entryOf("DELETE", "Observation/x", "") }, 422, "not-supported", "Bundle.entry[1].request"},
		"a deletion of another version": {func(r *rig) string {
			return entryOf("DELETE", "QuestionnaireResponse/"+r.reach("amended", "all-13").id, "", `,"ifMatch":"W/\"1\""`)
		}, 412, "conflict", "Bundle.entry[1]"},
		"a deletion of several": {func(r *rig) string {
			r.reach("completed", "all-14")
			r.reach("completed", "all-15")
			return entryOf("DELETE", "QuestionnaireResponse?patient=oona-thistledown", "")
		}, 412, "multiple-matches", "Bundle.entry[1]"},
		"an update of several": {func(r *rig) string {
			r.reach("completed", "all-16")
			r.reach("completed", "all-17")
			return entryOf("PUT", "QuestionnaireResponse?patient=oona-thistledown", oona("all-18").json())
		}, 412, "multiple-matches", "Bundle.entry[1]"},
		"an update by no condition":  {func(*rig) string { return entryOf("PUT", "QuestionnaireResponse?_count=1", oona("all-19").json()) }, 400, "value", "Bundle.entry[1]"},
		"a deletion by no condition": {func(*rig) string { return entryOf("DELETE", "QuestionnaireResponse?", "") }, 400, "value", "Bundle.entry[1]"},
		"a read of what was deleted": {func(r *rig) string {
			body := r.reach("completed", "all-20")
			r.remove(body.id)
			return entryOf("GET", "QuestionnaireResponse/"+body.id, "")
		}, 410, "deleted", "Bundle.entry[1]"},
		"a read of no such version": {func(r *rig) string {
			return entryOf("GET", "QuestionnaireResponse/"+r.reach("completed", "all-21").id+"/_history/2", "")
		}, 404, "not-found", "Bundle.entry[1]"},
		"a history of what is not there": {func(*rig) string { return entryOf("GET", "Observation/none/_history", "") }, 404, "not-found", "Bundle.entry[1]"},
		"a search that cannot be done":   {func(*rig) string { return entryOf("GET", "Observation?date=yesterday", "") }, 400, "value", "Bundle.entry[1]"},
		"a type that is not kept":        {func(*rig) string { return entryOf("GET", "Patient/oona-thistledown", "") }, 404, "not-supported", "Bundle.entry[1]"},
		"an operation":                   {func(*rig) string { return entryOf("POST", "QuestionnaireResponse/$extract", oona("").json()) }, 422, "not-supported", "Bundle.entry[1].request"},
		"a patch": {func(*rig) string {
			return entryOf("PATCH", "QuestionnaireResponse/x", `{"resourceType":"Binary","contentType":"application/json-patch+json"}`)
		}, 422, "not-supported", "Bundle.entry[1].request"},
		"the url of another server": {func(*rig) string {
			return entryOf("POST", "https://fernway-portal.example/fhir/QuestionnaireResponse", oona("all-22").json())
		}, 422, "not-supported", "Bundle.entry[1].request.url"},
		"a Bundle in it":          {func(*rig) string { return entryOf("POST", "/", bundleOf("transaction")) }, 400, "value", "Bundle.entry[1].request.url"},
		"a search result (bdl-2)": {func(*rig) string { return `{"search":{"mode":"match"},"request":{"method":"GET","url":"Observation"}}` }, 400, "invariant", "Bundle.entry[1].search"},
		"a response (bdl-4)": {func(*rig) string {
			return `{"response":{"status":"200"},"request":{"method":"GET","url":"Observation"}}`
		}, 400, "invariant", "Bundle.entry[1].response"},
		"a version in fullUrl (bdl-8)": {func(r *rig) string {
			return `{"fullUrl":"` + r.base + `/QuestionnaireResponse/1/_history/1","resource":` + oona("all-23").json() + `,"request":{"method":"POST","url":"QuestionnaireResponse"}}`
		}, 400, "invariant", "Bundle.entry[1].fullUrl"},
		"a Patient under another url":  {func(*rig) string { return entryOf("POST", "Practitioner", `{"resourceType":"Patient"}`) }, 400, "structure", "Bundle.entry[1].resource"},
		"a Patient without a resource": {func(*rig) string { return entryOf("POST", "Patient", "") }, 400, "required", "Bundle.entry[1]"},
		"no request":                   {func(*rig) string { return `{"resource":` + oona("all-12").json() + `}` }, 400, "required", "Bundle.entry[1]"},
		"no resource":                  {func(*rig) string { return entryOf("POST", "QuestionnaireResponse", "") }, 400, "required", "Bundle.entry[1]"},
		"the same content twice":       {func(*rig) string { return good }, 422, "duplicate", "Bundle.entry[1]"},
		"the same identifier twice":    {func(*rig) string { b := oona("all-good"); b.itch = "1"; return postOf(b) }, 422, "duplicate", "Bundle.entry[1]"},
	} {
		t.Run(name+" refuses it all", func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			bad := c.bad(r)
			before := r.kept()
			a := r.bundle("transaction", good, bad, postOf(oona("all-last")))
			a.refused(c.status, c.code)
			require.True(t, strings.HasPrefix(a.text("issue", 0, "expression", 0), c.under), "%s", a.body)
			require.Equal(t, before, r.kept())
		})
	}
	t.Run("the same update twice refuses it all", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		body := oona("")
		body.id = r.create(body.json()).id()
		body.status = "amended"
		other := body
		other.itch = "1"
		r.bundle("transaction", putOf(body), putOf(other)).refused(422, "duplicate")
		require.Equal(t, "1", r.score(body.id).text("meta", "versionId"))
	})
	t.Run("the same fullUrl twice refuses it all (bdl-7)", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		named := func(body response) string {
			return strings.Replace(postOf(body), "{", `{"fullUrl":"urn:uuid:4b0b6a3e-5f0e-4d4e-8f52-6f2b8a0d3c11",`, 1)
		}
		r.bundle("transaction", named(oona("url-1")), named(oona("url-2"))).refused(422, "duplicate")
		require.Equal(t, kept{}, r.kept())
	})
	t.Run("every fault of every entry is told at once", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		a := r.bundle("transaction", postOf(wrong("every-1")), good, postOf(wrong("every-2")), entryOf("DELETE", "Observation/x", ""))
		a.refused(422, "value")
		require.Equal(t, 5, a.count("issue"), "%s", a.body)
		for i, under := range []string{"Bundle.entry[0]", "Bundle.entry[0]", "Bundle.entry[2]", "Bundle.entry[2]", "Bundle.entry[3]"} {
			require.True(t, strings.HasPrefix(a.text("issue", i, "expression", 0), under))
		}
		require.Equal(t, kept{}, r.kept())
	})
}

func TestBatch(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	existing := r.reach("completed", "batch-existing")
	warned := oona("batch-warned")
	warned.extent = "0"
	a := r.bundle("batch",
		postOf(oona("batch-1")), postOf(wrong("batch-wrong")), entryOf("GET", "Observation/"+existing.id, ""),
		entryOf("GET", "Observation/none", ""), entryOf("DELETE", "Observation/"+existing.id, ""),
		postOf(oona("batch-1")), postOf(warned),
		postOf(oona("batch-2"), `,"ifNoneExist":"identifier=`+portalSystem+`|batch-existing"`), `{"resource":{"resourceType":"Patient"}}`)
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)

	r.run(t, "does what it can and answers each entry in its order", func(t *testing.T, r *rig) {
		require.Equal(t, "batch-response", a.text("type"))
		for i, status := range []string{"201 Created", "422 Unprocessable Entity", "200 OK", "404 Not Found", "405 Method Not Allowed", "201 Created", "201 Created", "200 OK", "400 Bad Request"} {
			require.Equal(t, status, a.text("entry", i, "response", "status"), "entry %d", i)
		}
		require.Equal(t, 9, a.count("entry"))
		require.Equal(t, kept{3, 3, 3, 3}, r.kept())
	})
	r.run(t, "tells the faults of an entry in its own outcome", func(t *testing.T, _ *rig) {
		for i, code := range map[int]string{1: "value", 3: "not-found", 4: "not-supported", 8: "required"} {
			require.Equal(t, "OperationOutcome", a.text("entry", i, "response", "outcome", "resourceType"))
			require.Equal(t, "error", a.text("entry", i, "response", "outcome", "issue", 0, "severity"))
			require.Equal(t, code, a.text("entry", i, "response", "outcome", "issue", 0, "code"))
			require.True(t, strings.HasPrefix(a.text("entry", i, "response", "outcome", "issue", 0, "expression", 0), fmt.Sprintf("Bundle.entry[%d]", i)))
			require.Nil(t, a.at("entry", i, "resource"))
			require.Nil(t, a.at("entry", i, "response", "location"))
		}
		require.Equal(t, 2, a.count("entry", 1, "response", "outcome", "issue"))
	})
	r.run(t, "tells the warnings of what it has taken", func(t *testing.T, _ *rig) {
		require.Equal(t, "warning", a.text("entry", 6, "response", "outcome", "issue", 0, "severity"))
		require.NotNil(t, a.at("entry", 6, "resource"))
	})
	r.run(t, "answers the same content twice with the same resource", func(t *testing.T, _ *rig) {
		require.Equal(t, a.wherever("entry", 0), a.wherever("entry", 5))
	})
	r.run(t, "without entries is no error", func(t *testing.T, r *rig) {
		require.Equal(t, "batch-response", r.bundle("batch").text("type"))
	})
}

func TestBundlesRefused(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, kind := range []string{"collection", "document", "message", "searchset", "history", "batch-response"} {
		r.run(t, "of type "+kind, func(t *testing.T, r *rig) {
			a := r.bundle(kind)
			a.refused(http.StatusUnprocessableEntity, "not-supported")
			require.Equal(t, "Bundle.type", a.text("issue", 0, "expression", 0))
		})
	}
	r.run(t, "without a type", func(t *testing.T, r *rig) {
		r.do(http.MethodPost, "/fhir", `{"resourceType":"Bundle"}`).refused(http.StatusBadRequest, "required")
	})
	r.run(t, "of a type that FHIR does not have", func(t *testing.T, r *rig) {
		require.Contains(t, []int{400, 422}, r.bundle("parcel").status)
	})
	r.run(t, "that are another resource", func(t *testing.T, r *rig) {
		r.do(http.MethodPost, "/fhir", oona("no-bundle").json()).refused(http.StatusBadRequest, "structure")
	})
	for _, kind := range []string{"batch", "transaction"} {
		r.run(t, "with too many entries, as a "+kind, func(t *testing.T, r *rig) {
			entries := make([]string, 501)
			for i := range entries {
				entries[i] = entryOf("GET", "Observation/none", "")
			}
			require.Equal(t, http.StatusRequestEntityTooLarge, r.bundle(kind, entries...).status)
		})
	}
	require.Equal(t, kept{}, r.kept())
}
