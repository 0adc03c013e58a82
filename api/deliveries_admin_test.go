package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
)

// registry is a second target, to which nothing is delivered at first.
const registry = "registry"

// dispatcher is the admin listener of a server with two targets.
type dispatcher struct {
	*rig
	origin string
	kicked chan struct{}
}

func newDispatcher(t testing.TB, token string) *dispatcher {
	t.Helper()
	d := &dispatcher{kicked: make(chan struct{}, 100)}
	d.rig = newRig(t, func(o *api.Options) { o.Kick = func() { d.kicked <- struct{}{} } })
	listener := httptest.NewServer(api.Admin(d.store, d.metrics, d.server.DeliveriesAdmin(config.Secret(token)).Mount))
	t.Cleanup(listener.Close)
	d.origin = listener.URL
	return d
}

// ask makes a request of the administrator.
func (d *dispatcher) ask(method, path, body string) answer {
	d.t.Helper()
	a, err := send(d.origin, method, path, body, "Authorization", "Bearer "+adminToken, "Content-Type", "application/json")
	require.NoError(d.t, err)
	a.t = d.t
	return a
}

// denied holds a refusal of the admin listener.
func (a answer) denied(status int, code string) {
	a.t.Helper()
	require.Equal(a.t, status, a.status, "%s", a.body)
	require.Equal(a.t, code, a.text("issue", 0, "code"), "%s", a.body)
	require.NotEmpty(a.t, a.text("issue", 0, "details", "text"))
}

// listed reads deliveries.
func (d *dispatcher) listed(query string) api.DeliveryList {
	d.t.Helper()
	a := d.ask(http.MethodGet, "/deliveries?"+query, "")
	require.Equal(d.t, http.StatusOK, a.status, "%s", a.body)
	require.Equal(d.t, "application/json", a.header.Get("Content-Type"))
	var list api.DeliveryList
	require.NoError(d.t, json.Unmarshal(a.body, &list))
	return list
}

// decide makes a decision and gives how much it changed.
func (d *dispatcher) decide(verb, body string) int {
	d.t.Helper()
	a := d.ask(http.MethodPost, "/deliveries/"+verb, body)
	require.Equal(d.t, http.StatusOK, a.status, "%s", a.body)
	var done api.Decided
	require.NoError(d.t, json.Unmarshal(a.body, &done))
	return done.Changed
}

// park stores a response whose score the target refuses, and gives its id.
func (d *dispatcher) park(body response) string {
	d.t.Helper()
	id := d.create(body.json()).id()
	d.outcome(id, refused)
	return id
}

// stateOf is where a delivery stands.
func (d *dispatcher) stateOf(target, id string) store.DeliveryState {
	d.t.Helper()
	found, err := d.store.Delivery(context.Background(), target, store.Key{Type: "Observation", ID: id}, store.Whole)
	require.NoError(d.t, err)
	return found.State()
}

func TestDeliveriesAreListed(t *testing.T) {
	t.Parallel()
	d := newDispatcher(t, adminToken)
	require.Equal(t, api.DeliveryList{Deliveries: []api.Delivery{}}, d.listed(""))
	parked := d.park(oona("parked"))
	done := d.create(oona("done").json()).id()
	d.outcome(done, arrived)
	pending := d.create(oona("pending").json()).id()

	list := d.listed("state=parked&target=" + target + "&fault=forbidden")
	require.Len(t, list.Deliveries, 1)
	one := list.Deliveries[0]
	require.WithinDuration(t, time.Now(), one.Since, time.Minute)
	require.WithinDuration(t, time.Now(), one.Changed, time.Minute)
	one.Since, one.Changed = time.Time{}, time.Time{}
	require.Equal(t, api.Delivery{Target: target, Resource: "Observation/" + parked, State: store.Parked, Fault: "forbidden",
		Reason: "The target forbids this; it needs permission to create Observations.", Wanted: 1, Attempts: 1}, one)

	list = d.listed("state=delivered")
	require.Equal(t, "Observation/17", list.Deliveries[0].Remote)
	require.Equal(t, 1, list.Total)
	require.Equal(t, "Observation/"+pending, d.listed("resource=" + pending).Deliveries[0].Resource)
	require.Equal(t, "Observation/"+pending, d.listed("resource=Observation/" + pending + "&member=").Deliveries[0].Resource)
	require.Empty(t, d.listed("member=itch").Deliveries)
	require.Len(t, d.listed("state=parked,delivered").Deliveries, 2)

	first := d.listed("count=2")
	require.Equal(t, 3, first.Total)
	require.Len(t, first.Deliveries, 2)
	rest := d.listed("count=2&after=" + first.Next)
	require.Len(t, rest.Deliveries, 1)
	require.Empty(t, rest.Next)
	require.Empty(t, d.listed("count=0").Deliveries)
	for _, a := range []answer{d.ask(http.MethodGet, "/deliveries", "")} {
		require.NotContains(t, string(a.body), oonaID, "nothing of a patient")
	}
	for query, code := range map[string]string{
		"state=lost": "value", "count=many": "value", "after=nowhere": "value", "who=oona": "not-supported", "resource=a%20b": "value",
		"resource=Nothing/17": "value", "target=a&target=b": "value", "state=%zz": "value",
	} {
		d.ask(http.MethodGet, "/deliveries?"+query, "").denied(http.StatusBadRequest, code)
	}
}

func TestDeliveriesAreRetried(t *testing.T) {
	t.Parallel()
	d := newDispatcher(t, adminToken)
	id := d.park(oona("parked"))
	for _, body := range []string{`{"target":"` + target + `"}`, `{"fault":"forbidden"}`, `{"resource":"` + id + `"}`, `{"resource":"Observation/` + id + `","member":"","target":"` + target + `"}`} {
		require.Equal(t, 1, d.decide("retry", body), body)
		require.Equal(t, store.Pending, d.stateOf(target, id))
		require.Zero(t, d.decide("retry", body), "it is tried already")
		d.outcome(id, refused)
	}
	require.NotEmpty(t, d.kicked, "and the worker was woken")
	for _, body := range []string{`{"target":"registry"}`, `{"fault":"busy"}`, `{"resource":"17"}`, `{"resource":"` + id + `","member":"itch"}`} {
		require.Zero(t, d.decide("retry", body), body)
	}
	require.Equal(t, 1, d.decide("drop", `{"target":"brindlemoor","reason":"The child has moved."}`))
	require.Zero(t, d.decide("retry", `{"target":"brindlemoor"}`), "what was given up stays so")
	require.Equal(t, 1, d.decide("retry", `{"resource":"`+id+`"}`), "unless it is named")
	require.Equal(t, store.Pending, d.stateOf(target, id))
}

func TestDeliveriesAreDroppedForAReasonOnRecord(t *testing.T) {
	t.Parallel()
	d := newDispatcher(t, adminToken)
	id, other := d.park(oona("parked")), d.park(filledFor(casperID, "other"))
	require.Equal(t, 1, d.decide("drop", `{"resource":"`+id+`","reason":" The child has moved. "}`))
	require.Equal(t, store.Dropped, d.stateOf(target, id))
	require.Equal(t, store.Parked, d.stateOf(target, other))
	require.Equal(t, "The child has moved.", d.listed("state=dropped").Deliveries[0].Reason)
	require.Equal(t, standing{"failed", "given-up", "brindlemoor: Given up: The child has moved.", "given-up: Given up: The child has moved."}, d.receipt(id).standing(), "and the receipt says so")

	page, err := d.store.Audits(context.Background(), store.AuditQuery{Limit: 10, Entities: []string{"Observation/" + id}})
	require.NoError(t, err)
	require.Len(t, page.Records, 1)
	record := page.Records[0]
	require.Equal(t, "Patient/"+oonaID, record.Patient)
	require.Equal(t, "admin-token", record.Client)
	require.Equal(t, "operation", record.Subtype)
	require.Equal(t, "0", record.Outcome)
	require.Contains(t, queryOfEvent(t, record.Event), "deliveries/drop?member=&reason=The+child+has+moved.&target=brindlemoor")
	require.Contains(t, string(record.Event), "Observation/"+id+"/_history/1")

	for body, code := range map[string]string{
		`{"target":"brindlemoor"}`: "required", `{"target":"brindlemoor","reason":"  "}`: "required", `{"reason":"All."}`: "required",
		`{"target":"brindlemoor","reason":"` + strings.Repeat("x", 501) + `"}`: "required",
		`{"target":"brindlemoor","reason":"Why?","since":"2026"}`:              "not-supported",
	} {
		d.ask(http.MethodPost, "/deliveries/drop", body).denied(http.StatusBadRequest, code)
	}
	require.Equal(t, store.Parked, d.stateOf(target, other))
}

// queryOfEvent is what an event says was asked, which FHIR has as base64.
func queryOfEvent(t *testing.T, event []byte) string {
	t.Helper()
	var e struct {
		Entity []struct{ Query []byte }
	}
	require.NoError(t, json.Unmarshal(event, &e))
	for _, each := range e.Entity {
		if len(each.Query) > 0 {
			return string(each.Query)
		}
	}
	return ""
}

// TestManyDeliveriesAreDropped: more than one transaction decides about.
func TestManyDeliveriesAreDropped(t *testing.T) {
	t.Parallel()
	d := newDispatcher(t, adminToken)
	const many = 450
	ids := make([]string, many)
	require.NoError(t, d.store.Write(context.Background(), nil, func(tx store.Tx) error {
		for i := range many {
			ids[i] = fmt.Sprint("score-", i)
			key := store.Key{Type: "Observation", ID: ids[i]}
			if _, err := tx.Put(key, http.MethodPost, store.Index{}, func(int64, time.Time) ([]byte, error) {
				return []byte(`{"resourceType":"Observation","status":"final","code":{"text":"SCORAD"},"subject":{"reference":"Patient/` + oonaID + `"}}`), nil
			}); err != nil {
				return err
			}
			if err := tx.Want(target, key, 1, false); err != nil {
				return err
			}
		}
		return nil
	}))
	claimed, err := d.store.Claim(context.Background(), target, "worker", time.Minute, many)
	require.NoError(t, err)
	for _, each := range claimed {
		refused(&each)
		require.NoError(t, d.store.Record(context.Background(), each))
	}
	require.Equal(t, many, d.decide("drop", `{"fault":"forbidden","reason":"The hospital has closed."}`))
	require.Equal(t, many, d.listed("state=dropped").Total)
	page, err := d.store.Audits(context.Background(), store.AuditQuery{Limit: 10 * many})
	require.NoError(t, err)
	require.Len(t, page.Records, many, "each is on record")
}

func TestATargetAddedLaterWantsWhatIsStored(t *testing.T) {
	t.Parallel()
	old := newDispatcher(t, adminToken)
	var ids []string
	for i := range 5 {
		body := oona(fmt.Sprint("stored", i))
		body.authored = fmt.Sprintf("2026-03-%02dT19:30:00+01:00", 1+5*i)
		ids = append(ids, old.create(body.json()).id())
	}
	require.Equal(t, http.StatusNoContent, old.do(http.MethodDelete, responses+"/"+ids[4], "").status)
	server := api.New(api.Options{Store: old.store, BaseURL: old.base, Targets: []api.Target{{Name: target}, {Name: registry}}}, api.NewMetrics())
	listener := httptest.NewServer(api.Admin(old.store, api.NewMetrics(), server.DeliveriesAdmin(adminToken).Mount))
	t.Cleanup(listener.Close)
	d := &dispatcher{rig: old.rig, origin: listener.URL}

	require.Equal(t, 3, d.decide("want", `{"target":"registry","since":"2026-03-11"}`))
	require.Equal(t, 3, d.listed("target=registry&state=pending").Total)
	require.Equal(t, 5, d.decide("want", `{"target":"registry"}`))
	require.Equal(t, 5, d.listed("target=registry").Total)
	require.Equal(t, 5, d.listed("target="+target).Total, "the other target is left alone")
	claimed, err := d.store.Claim(context.Background(), registry, "worker", time.Minute, 10)
	require.NoError(t, err)
	for _, each := range claimed {
		require.Equal(t, each.Key.ID == ids[4], each.Retract, "what was taken back is wanted as taken back")
		arrived(&each)
		require.NoError(t, d.store.Record(context.Background(), each))
	}
	require.Equal(t, 5, d.decide("want", `{"target":"registry"}`))
	require.Zero(t, d.listed("target=registry&state=pending").Total, "what it has it does not get again")

	for body, code := range map[string]string{
		`{}`: "value", `{"target":"nobody"}`: "value", `{"target":"registry","since":"spring"}`: "value",
		`{"target":"registry","fault":"busy"}`: "not-supported", `{"target":"registry","resource":"17"}`: "not-supported",
	} {
		d.ask(http.MethodPost, "/deliveries/want", body).denied(http.StatusBadRequest, code)
	}
}

func TestDeliveriesAskForTheToken(t *testing.T) {
	t.Parallel()
	d := newDispatcher(t, adminToken)
	id := d.park(oona("parked"))
	for _, route := range []string{"GET /deliveries", "POST /deliveries/retry", "POST /deliveries/drop", "POST /deliveries/want", "DELETE /deliveries", "GET /deliveries/retry"} {
		method, path, _ := strings.Cut(route, " ")
		for _, header := range []string{"", "Bearer", "Bearer " + adminToken + "x", "Basic " + adminToken} {
			a, err := send(d.origin, method, path, `{"target":"brindlemoor","reason":"No."}`, "Authorization", header)
			require.NoError(t, err)
			a.t = t
			a.denied(http.StatusUnauthorized, "login")
			require.NotEmpty(t, a.header.Get("WWW-Authenticate"))
		}
	}
	require.Equal(t, store.Parked, d.stateOf(target, id))
	none := newDispatcher(t, "")
	none.ask(http.MethodGet, "/deliveries", "").denied(http.StatusForbidden, "forbidden")
	d.ask(http.MethodDelete, "/deliveries", "").denied(http.StatusMethodNotAllowed, "not-supported")
	d.ask(http.MethodPost, "/deliveries/lose", "{}").denied(http.StatusMethodNotAllowed, "not-supported")
	for _, body := range []string{"", "[]", `{"target":1}`, `{"tagret":"x"}`, `{"target":"brindlemoor"}{}`} {
		d.ask(http.MethodPost, "/deliveries/retry", body).denied(http.StatusBadRequest, "structure")
	}
	require.NotContains(t, d.log.String(), adminToken)
	require.NotContains(t, d.log.String(), url.QueryEscape(oonaID))
}
