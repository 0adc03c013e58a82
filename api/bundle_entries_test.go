package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTransactionOfEverything(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	old, changed := r.reach("completed", "all-old"), r.reach("completed", "all-changed")
	changed.status, changed.itch = "amended", "9"
	where := r.reach("completed", "all-where")
	where.status, where.itch, where.id = "amended", "8", ""
	// The reads come first and the deletion last, and yet all is done in R4's order.
	a := r.bundle("transaction",
		entryOf("GET", "QuestionnaireResponse?identifier=all-old,all-new,all-changed", ""),
		entryOf("GET", "Observation/"+old.id, ""),
		entryOf("GET", "QuestionnaireResponse/"+changed.id+"/_history", ""),
		entryOf("HEAD", "Questionnaire/scorad-self-assessment", ""),
		entryOf("PUT", "QuestionnaireResponse?"+byIdentifier("all-where"), where.json(), `,"ifMatch":"W/\"1\""`),
		putOf(changed), postOf(oona("all-new")),
		entryOf("DELETE", "QuestionnaireResponse/"+old.id, "", `,"ifMatch":"W/\"1\""`),
		entryOf("DELETE", "QuestionnaireResponse?"+byIdentifier("all-none"), ""))
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)

	r.run(t, "answers each with its own status", func(t *testing.T, _ *rig) {
		for i, status := range []string{"200 OK", "200 OK", "200 OK", "200 OK", "200 OK", "200 OK", "201 Created", "204 No Content", "204 No Content"} {
			require.Equal(t, status, a.text("entry", i, "response", "status"), "entry %d", i)
		}
	})
	r.run(t, "searches after it has written", func(t *testing.T, _ *rig) {
		require.Equal(t, "searchset", a.text("entry", 0, "resource", "type"))
		require.Equal(t, "2", a.text("entry", 0, "resource", "total"))
	})
	r.run(t, "reads the retraction that its deletion made", func(t *testing.T, r *rig) {
		require.Equal(t, "entered-in-error", a.text("entry", 1, "resource", "status"))
		require.Equal(t, r.base+"/Observation/"+old.id+"/_history/2", a.text("entry", 1, "response", "location"))
	})
	r.run(t, "lists the version that its update made", func(t *testing.T, _ *rig) {
		require.Equal(t, "history", a.text("entry", 2, "resource", "type"))
		require.Equal(t, "2", a.text("entry", 2, "resource", "total"))
	})
	r.run(t, "answers HEAD without a body", func(t *testing.T, _ *rig) {
		require.Nil(t, a.at("entry", 3, "resource"))
		require.NotEmpty(t, a.text("entry", 3, "response", "etag"))
	})
	r.run(t, "updates by a condition", func(t *testing.T, _ *rig) {
		require.Equal(t, `W/"2"`, a.text("entry", 4, "response", "etag"))
		require.Equal(t, "44.00", r.score(a.text("entry", 4, "resource", "id")).text("valueQuantity", "value"))
	})
	r.run(t, "names the version that a deletion is", func(t *testing.T, _ *rig) {
		require.Equal(t, `W/"2"`, a.text("entry", 7, "response", "etag"))
		require.Nil(t, a.at("entry", 7, "response", "location"), "there is nothing to be read")
		require.Nil(t, a.at("entry", 8, "response", "etag"))
	})
}

func TestTransactionsThatMeetThemselves(t *testing.T) {
	t.Parallel()
	for name, entries := range map[string]func(r *rig, body response) []string{
		"by id and by condition": func(_ *rig, body response) []string {
			body.status, body.itch = "amended", "1"
			return []string{putOf(body), entryOf("DELETE", "QuestionnaireResponse?"+byIdentifier("meets"), "")}
		},
		"by condition and by identifier": func(_ *rig, body response) []string {
			body.status, body.itch, body.id = "amended", "1", ""
			other := body
			other.itch = "2"
			return []string{postOf(body), entryOf("PUT", "QuestionnaireResponse?patient=oona-thistledown", other.json())}
		},
		"amended by identifier and taken back by id": func(_ *rig, body response) []string {
			bare := response{id: body.id, status: "entered-in-error", patient: body.patient}
			body.status, body.itch, body.id = "amended", "1", ""
			return []string{postOf(body), putOf(bare)}
		},
		"deleted and updated by id": func(_ *rig, body response) []string {
			body.status = "amended"
			return []string{entryOf("DELETE", "QuestionnaireResponse/"+body.id, ""), putOf(body)}
		},
		"deleted twice": func(_ *rig, body response) []string {
			return []string{entryOf("DELETE", "QuestionnaireResponse/"+body.id, ""), entryOf("DELETE", "QuestionnaireResponse/"+body.id, "")}
		},
	} {
		t.Run(name+" are refused, in either order", func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			body := r.reach("completed", "meets")
			all := entries(r, body)
			for range 2 {
				a := r.bundle("transaction", all...)
				require.Contains(t, []int{409, 410, 422}, a.status, "%s", a.body)
				require.Equal(t, "final", r.score(body.id).text("status"))
				require.Equal(t, "1", r.get(responses+"/"+body.id).text("meta", "versionId"))
				all[0], all[1] = all[1], all[0]
			}
		})
	}
}

func TestBatchOfEverything(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	body := r.reach("completed", "batch-all")
	amended := body
	amended.status, amended.itch = "amended", "9"
	modified := r.get(responses+"/"+body.id).text("meta", "lastUpdated")
	a := r.bundle("batch",
		entryOf("POST", "QuestionnaireResponse/$extract", oona("").json()),
		entryOf("POST", "QuestionnaireResponse/$extract", wrong("").json()),
		entryOf("GET", "/QuestionnaireResponse/"+body.id, "", `,"ifNoneMatch":"W/\"1\""`),
		entryOf("GET", r.base+"/QuestionnaireResponse/"+body.id+"/_history/1", ""),
		entryOf("GET", "metadata", ""),
		entryOf("PUT", "QuestionnaireResponse/"+body.id, amended.json(), `,"ifMatch":"W/\"7\""`),
		entryOf("PUT", "QuestionnaireResponse/"+body.id, amended.json(), `,"ifNoneMatch":"*"`),
		entryOf("PUT", "QuestionnaireResponse?"+byIdentifier("batch-all"), amended.json()),
		entryOf("DELETE", "QuestionnaireResponse/"+body.id, ""),
		entryOf("GET", "QuestionnaireResponse/"+body.id, ""),
		entryOf("GET", "Observation?date=yesterday", ""),
		entryOf("HEAD", "Observation/none", ""),
		entryOf("PATCH", "QuestionnaireResponse/"+body.id, ""),
		entryOf("GET", "Observation/%zz", ""),
		entryOf("GET", "Observation/"+body.id, "", `,"ifModifiedSince":"2001-01-01T00:00:00Z"`))
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	for i, want := range []struct{ status, code string }{
		{"200 OK", ""},
		{"422 Unprocessable Entity", "value"},
		{"304 Not Modified", ""},
		{"200 OK", ""},
		{"200 OK", ""},
		{"412 Precondition Failed", "conflict"},
		{"412 Precondition Failed", "conflict"},
		{"200 OK", ""},
		{"204 No Content", ""},
		{"410 Gone", "deleted"},
		{"400 Bad Request", "value"},
		{"404 Not Found", "processing"},
		{"405 Method Not Allowed", "not-supported"},
		{"400 Bad Request", "value"},
		{"200 OK", ""},
	} {
		require.Equal(t, want.status, a.text("entry", i, "response", "status"), "entry %d", i)
		require.Equal(t, want.code, a.faultAt(i), "entry %d", i)
	}
	require.Equal(t, "Observation", a.text("entry", 0, "resource", "resourceType"))
	require.Equal(t, "42.00", a.text("entry", 0, "resource", "valueQuantity", "value"))
	require.True(t, strings.HasPrefix(a.text("entry", 1, "response", "outcome", "issue", 0, "expression", 0), "Bundle.entry[1].resource.item"), "%s", a.at("entry", 1))
	require.Nil(t, a.at("entry", 2, "resource"))
	require.Equal(t, modified, a.text("entry", 3, "response", "lastModified"))
	require.Equal(t, "CapabilityStatement", a.text("entry", 4, "resource", "resourceType"))
	require.Equal(t, "entered-in-error", a.text("entry", 14, "resource", "status"))
}

func TestBundlePrefer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("prefer-bundle").json()).id()
	for _, kind := range []string{"batch", "transaction"} {
		send := func(r *rig, preferred string) answer {
			return r.do(http.MethodPost, "/fhir", bundleOf(kind, postOf(oona("prefer-"+kind+preferred)), entryOf("GET", "Observation/"+id, "")), "Prefer", preferred)
		}
		r.run(t, kind+" with minimal leaves out what it wrote, not what was asked for", func(t *testing.T, r *rig) {
			a := send(r, "return=minimal")
			require.Equal(t, "return=minimal", a.header.Get("Preference-Applied"))
			require.Nil(t, a.at("entry", 0, "resource"))
			require.Equal(t, "201 Created", a.text("entry", 0, "response", "status"))
			require.NotEmpty(t, a.text("entry", 0, "response", "location"))
			require.Equal(t, "Observation", a.text("entry", 1, "resource", "resourceType"))
		})
		r.run(t, kind+" with OperationOutcome says what there is to say", func(t *testing.T, r *rig) {
			a := send(r, "return=OperationOutcome")
			require.Equal(t, "return=OperationOutcome", a.header.Get("Preference-Applied"))
			require.Nil(t, a.at("entry", 0, "resource"))
			require.Contains(t, string(a.body), "date-implausible", "it is entered long after its day")
		})
		r.run(t, kind+" with representation has it all", func(t *testing.T, r *rig) {
			a := send(r, "return=representation")
			require.Equal(t, "return=representation", a.header.Get("Preference-Applied"))
			require.Equal(t, "QuestionnaireResponse", a.text("entry", 0, "resource", "resourceType"))
		})
		r.run(t, kind+" with nothing claims nothing", func(t *testing.T, r *rig) {
			a := send(r, "")
			require.Empty(t, a.header.Get("Preference-Applied"))
			require.Equal(t, "QuestionnaireResponse", a.text("entry", 0, "resource", "resourceType"))
		})
	}
	r.run(t, "handling=strict holds for the searches in it", func(t *testing.T, r *rig) {
		a := r.do(http.MethodPost, "/fhir", bundleOf("batch", entryOf("GET", "Observation?colour=red", "")), "Prefer", "handling=strict")
		require.Equal(t, "400 Bad Request", a.text("entry", 0, "response", "status"))
		a = r.do(http.MethodPost, "/fhir", bundleOf("batch", entryOf("GET", "Observation?colour=red", "")))
		require.Equal(t, "200 OK", a.text("entry", 0, "response", "status"))
	})
}

func TestBundleLimitsComeFirst(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	entries := make([]string, 501)
	entries[0] = postOf(oona("limit"))
	for i := range entries[1:] {
		entries[i+1] = entryOf("GET", "Observation/none", "")
	}
	for _, kind := range []string{"batch", "transaction"} {
		r.bundle(kind, entries...).refused(http.StatusRequestEntityTooLarge, "too-costly")
	}
	require.Equal(t, kept{}, r.kept(), "nothing is done before the entries are counted")
	require.Equal(t, http.StatusOK, r.bundle("batch", entries[:500]...).status)
	a := r.do(http.MethodPost, "/fhir", strings.Replace(bundleOf("batch"), `"type"`, `"total":1,"type"`, 1))
	a.refused(http.StatusBadRequest, "invariant")
	require.Equal(t, "Bundle.total", a.text("issue", 0, "expression", 0))
}
