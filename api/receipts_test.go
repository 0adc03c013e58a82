package api_test

import (
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
)

const receipts = "/fhir/Task"

// hospital is where scores of these tests go, and where its resources are.
const hospitalBase = "https://ehr.brindlemoor.example/fhir"

func withHospital(o *api.Options) { o.Targets[0].Base = hospitalBase }

// receipt reads that of a response.
func (r *rig) receipt(id string) answer {
	r.t.Helper()
	a := r.get(receipts + "/" + id)
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	return a
}

// outcome records what became of the delivery of a score, as a worker does.
func (r *rig) outcome(id string, change func(*store.Delivery)) {
	r.t.Helper()
	ctx := context.Background()
	claimed, err := r.store.Claim(ctx, target, "worker", time.Minute, 100)
	require.NoError(r.t, err)
	for _, d := range claimed {
		if d.Key.ID == id {
			change(&d)
		}
		require.NoError(r.t, r.store.Record(ctx, d))
	}
}

func arrived(d *store.Delivery) {
	d.Delivered, d.RemoteID, d.ETag, d.InDoubt = d.Wanted, "17", `W/"3"`, false
}

func refused(d *store.Delivery) {
	d.Parked, d.Reason, d.Fault = true, "The target forbids this; it needs permission to create Observations.", "forbidden"
}

// standing is what a receipt says of itself and of its targets.
type standing struct{ status, business, reason, output string }

func (a answer) standing() standing {
	s := standing{status: a.text("status"), business: a.text("businessStatus", "coding", 0, "code"), reason: a.text("statusReason", "text")}
	if a.count("output") > 1 {
		s.output = a.text("output", 1, "type", "coding", 0, "code") + ": " + a.text("output", 1, "valueString") + a.text("output", 1, "valueReference", "reference")
	}
	return s
}

// TestReceiptFollowsAResponse from its acceptance to the chart, and back.
func TestReceiptFollowsAResponse(t *testing.T) {
	t.Parallel()
	r := newRig(t, withHospital)
	body := oona("followed")
	created := r.create(body.json())
	body.id = created.id()
	link := `<` + r.base + `/Task/` + body.id + `>; rel="status"; anchor="` + r.base + `/QuestionnaireResponse/` + body.id + `"`
	require.Equal(t, link, created.header.Get("Link"))

	first := r.receipt(body.id)
	require.Equal(t, standing{"in-progress", "waiting", "", "waiting: Version 1 of the score is to be sent."}, first.standing())
	require.Equal(t, "Task", first.text("resourceType"))
	require.Equal(t, "order", first.text("intent"))
	require.Equal(t, "QuestionnaireResponse/"+body.id, first.text("focus", "reference"))
	require.Equal(t, "Patient/"+oonaID, first.text("for", "reference"))
	require.Equal(t, "score-and-deliver", first.text("code", "coding", 0, "code"))
	require.Equal(t, "Observation/"+body.id+"/_history/1", first.text("output", 0, "valueReference", "reference"))
	require.Equal(t, target, first.text("output", 1, "type", "text"))
	require.Equal(t, created.text("meta", "lastUpdated"), first.text("authoredOn"))
	require.Equal(t, first.text("authoredOn"), first.text("lastModified"))
	require.Empty(t, first.text("meta", "versionId"), "it has no versions")

	r.outcome(body.id, refused)
	parked := r.receipt(body.id)
	require.Equal(t, standing{"on-hold", "parked", "brindlemoor: The target forbids this; it needs permission to create Observations.",
		"parked: The target forbids this; it needs permission to create Observations."}, parked.standing())
	require.Greater(t, parked.text("lastModified"), first.text("lastModified"))
	require.Equal(t, parked.text("lastModified"), parked.text("meta", "lastUpdated"))

	require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.Drop(store.DeliveryQuery{}, "The child has moved.")
		return err
	}))
	require.Equal(t, standing{"failed", "given-up", "brindlemoor: Given up: The child has moved.", "given-up: Given up: The child has moved."}, r.receipt(body.id).standing())

	body.status, body.itch = "amended", "7"
	require.Equal(t, link, r.put(body).header.Get("Link"))
	require.Equal(t, standing{"in-progress", "waiting", "", "waiting: Version 2 of the score is to be sent."}, r.receipt(body.id).standing())
	r.outcome(body.id, arrived)
	delivered := r.receipt(body.id)
	require.Equal(t, standing{"completed", "delivered", "", "delivered: " + hospitalBase + "/Observation/17/_history/3"}, delivered.standing())
	require.Equal(t, "It holds version 2 of the score.", delivered.text("output", 1, "valueReference", "display"))
	require.Equal(t, first.text("authoredOn"), delivered.text("authoredOn"), "it is of the first version")

	require.Equal(t, link, r.do(http.MethodDelete, responses+"/"+body.id, "").header.Get("Link"))
	require.Equal(t, standing{"in-progress", "waiting", "", "waiting: Version 3 of the score is to be sent. It holds version 2 of the score."}, r.receipt(body.id).standing(), "also when the response is gone")
	r.outcome(body.id, arrived)
	gone := r.receipt(body.id)
	require.Equal(t, standing{"completed", "delivered", "", "delivered: " + hospitalBase + "/Observation/17/_history/3"}, gone.standing())
	require.Contains(t, gone.text("output", 1, "valueReference", "display"), "entered in error")
	require.Equal(t, "Patient/"+oonaID, gone.text("for", "reference"))
}

// TestReceiptsOfWhatIsNotScored, and where nothing is to be delivered.
func TestReceiptsOfWhatIsNotScored(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	begun := oona("begun")
	begun.status = "in-progress"
	id := r.create(begun.json()).id()
	a := r.receipt(id)
	require.Equal(t, standing{"received", "received", "", ""}, a.standing())
	require.Zero(t, a.count("output"))
	begun.id, begun.status = id, "stopped"
	require.Equal(t, http.StatusOK, r.put(begun).status)
	require.Equal(t, standing{"completed", "received", "The response ended without being completed, so it is never scored.", ""}, r.receipt(id).standing())

	nowhere := newRig(t, func(o *api.Options) { o.Targets = nil })
	require.Equal(t, standing{"completed", "scored", "", ""}, nowhere.receipt(nowhere.create(oona("").json()).id()).standing())
	r.get(receipts+"/nobody").refused(http.StatusNotFound, "not-found")
	r.get(receipts+"/"+id+"/_history/1").refused(http.StatusNotFound, "not-supported")
}

func TestReceiptsAreFound(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	first := r.create(oona("first").json()).id()
	second := r.create(filledFor(casperID, "second").json()).id()
	last := r.create(oona("third").json()).id()
	for query, want := range map[string][]string{
		"focus=QuestionnaireResponse/" + first:                                {first},
		"focus=" + first:                                                      {first},
		"focus:QuestionnaireResponse=" + first:                                {first},
		"focus=" + r.base + "/QuestionnaireResponse/" + first:                 {first},
		"focus=QuestionnaireResponse/" + first + "/_history/1":                {first},
		"focus=" + first + "," + second + "&_sort=_id":                        {first, second},
		"focus=https://elsewhere.example/fhir/QuestionnaireResponse/" + first: {},
		"focus=Observation/" + first:                                          {},
		"focus=nobody":                                                        {},
		"focus=" + first + "&focus=" + second:                                 {},
		"focus=" + first + "&_id=" + second:                                   {},
		"_id=" + second:                                                       {second},
		"patient=" + casperID:                                                 {second},
		"subject=Patient/" + casperID:                                         {second},
		"patient=" + oonaID + "&focus=" + last:                                {last},
		"patient=nobody":                                                      {},
		"_sort=-_id":                                                          {last, second, first},
		"focus:missing=true":                                                  {},
		"patient=" + oonaID + "&_sort=_id&_elements=focus,status&status=completed&_lastUpdated=gt2": {first, last},
	} {
		require.ElementsMatch(t, want, r.found(t, receipts+"?"+query), query)
	}
	page := r.get(receipts + "?_sort=_id&_count=2")
	require.Equal(t, "3", page.text("total"))
	require.Equal(t, 2, page.count("entry"))
	require.Equal(t, "Task", page.text("entry", 0, "resource", "resourceType"))
	require.Equal(t, r.base+"/Task/"+first, page.text("entry", 0, "fullUrl"))
	require.Equal(t, "waiting", page.text("entry", 0, "resource", "businessStatus", "coding", 0, "code"))
	rest := r.get(page.next())
	require.Equal(t, last, rest.text("entry", 0, "resource", "id"))
	require.Equal(t, 1, rest.count("entry"))
	posted := r.do(http.MethodPost, receipts+"/_search", "focus="+first, "Content-Type", "application/x-www-form-urlencoded")
	require.Equal(t, first, posted.text("entry", 0, "resource", "id"))
	for _, query := range []string{"status=completed", "_lastUpdated=gt2000", "business-status=parked"} {
		r.get(receipts+"?"+query, "Prefer", "handling=strict").refused(http.StatusBadRequest, "not-supported")
	}
	r.get(receipts+"?_sort=_lastUpdated").refused(http.StatusBadRequest, "value")
}

// next is where the next page of a search is.
func (a answer) next() string {
	for i := range a.count("link") {
		if a.text("link", i, "relation") == "next" {
			return a.text("link", i, "url")
		}
	}
	return ""
}

// TestPollingAReceipt: what has not changed is not sent again, and what has
// changed within a second is.
func TestPollingAReceipt(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("polled").json()).id()
	first := r.receipt(id)
	tag := first.header.Get("ETag")
	require.Regexp(t, `^W/"[0-9a-f]{24}"$`, tag)
	require.Equal(t, "no-store", first.header.Get("Cache-Control"))
	require.Equal(t, http.StatusNotModified, r.get(receipts+"/"+id, "If-None-Match", tag).status)
	require.Equal(t, http.StatusOK, r.get(receipts+"/"+id, "If-Modified-Since", time.Now().Add(time.Hour).UTC().Format(http.TimeFormat)).status)
	r.outcome(id, arrived)
	changed := r.get(receipts+"/"+id, "If-None-Match", tag)
	require.Equal(t, http.StatusOK, changed.status)
	require.Contains(t, changed.text("output", 1, "valueString"), "Its own reference is Observation/17/_history/3.", "its base is not known here")
}

// TestReceiptsInBundles are read as anything else.
func TestReceiptsInBundles(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("bundled").json()).id()
	for _, kind := range []string{"batch", "transaction"} {
		a := r.do(http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"`+kind+`","entry":[{"request":{"method":"GET","url":"Task/`+id+`"}},{"request":{"method":"GET","url":"Task?focus=`+id+`"}}]}`)
		require.Equal(t, http.StatusOK, a.status, "%s", a.body)
		require.Equal(t, id, a.text("entry", 0, "resource", "id"), "%s", a.body)
		require.Equal(t, "waiting", a.text("entry", 0, "resource", "businessStatus", "coding", 0, "code"))
		require.NotContains(t, a.text("entry", 0, "response", "location"), "_history")
		require.Equal(t, "1", a.text("entry", 1, "resource", "total"))
	}
	r.do(http.MethodPost, "/fhir", `{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"GET","url":"Task/nobody"}}]}`).refused(http.StatusNotFound, "not-found")
}

// TestReceiptsAreGuarded: the scopes of Task are what counts, and the patient.
func TestReceiptsAreGuarded(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t)
	kept := subject{identifier: random()}
	kept.id = r.keep(withSecret(kept.identifier))
	path, search := receipts+"/"+kept.id, receipts+"?focus="+kept.id
	for _, c := range []struct {
		scope, patient string
		read, found    bool
	}{
		{"patient/Task.rs", oonaID, true, true},
		{"patient/*.rs", oonaID, true, true},
		{"system/Task.rs", "", true, true},
		{"system/*.rs", "", true, true},
		{"patient/Task.rs", casperID, false, false},
		{"patient/Task.rs system/QuestionnaireResponse.rs system/Observation.rs", casperID, false, false},
	} {
		token := r.token(c.scope, c.patient)
		read, found := r.as(token, http.MethodGet, path, ""), r.as(token, http.MethodGet, search, "")
		if !c.read {
			read.refused(http.StatusNotFound, "not-found")
		} else {
			require.Equal(t, http.StatusOK, read.status, "%s %s", c.scope, read.body)
		}
		require.Equal(t, c.found, found.count("entry") == 1, "%s %s", c.scope, found.body)
	}
	for _, scope := range []string{"patient/QuestionnaireResponse.rs", "patient/Observation.rs", "patient/Task.s", "system/Task.r?code=x"} {
		read := r.as(r.token(scope, oonaID), http.MethodGet, path, "")
		require.Contains(t, []int{http.StatusForbidden, http.StatusNotFound}, read.status, scope)
	}
	mine := r.token("patient/Task.rs", oonaID)
	r.as(mine, http.MethodGet, responses+"/"+kept.id, "").refused(http.StatusForbidden, "forbidden")
	require.NotContains(t, string(r.as(mine, http.MethodGet, path, "").body), whoAnswered, "a receipt tells nothing of the answers")
	require.Zero(t, r.as(mine, http.MethodGet, receipts+"?patient="+casperID, "").count("entry"))
}

// TestReceiptsAreOnRecord as what they are.
func TestReceiptsAreOnRecord(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("recorded").json()).id()
	r.receipt(id)
	page, err := r.store.Audits(context.Background(), store.AuditQuery{Limit: 1, Entities: []string{"Task/" + id}})
	require.NoError(t, err)
	require.Len(t, page.Records, 1)
	event := string(page.Records[0].Event)
	require.Contains(t, event, `"Task/`+id+`"`)
	require.NotContains(t, event, "QuestionnaireResponse/")
	require.True(t, strings.Contains(event, oonaID), "of whose patient")
}
