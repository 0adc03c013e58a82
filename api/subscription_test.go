package api_test

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/notify"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// hooked offers subscriptions and calls whatever listens on this machine, until
// the test ends.
func hooked(t testing.TB) func(*api.Options) {
	return func(o *api.Options) {
		policy, err := notify.NewPolicy([]string{"127.0.0.1:*", "hook.fernway-portal.example"}, []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")})
		require.NoError(t, err)
		worker, err := notify.New(o.Store, notify.Options{
			Base: o.BaseURL, Policy: policy, Rights: api.SubscriptionRights{Base: o.BaseURL}, Logger: o.Logger,
			Poll: 50 * time.Millisecond, Wait: time.Millisecond, MaxWait: 2 * time.Millisecond, Attempts: 3,
		})
		require.NoError(t, err)
		o.Subscriptions = &api.Subscriptions{Policy: policy, Kick: worker.Kick}
		o.Kick = worker.Kick
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan struct{})
		go func() {
			defer close(done)
			worker.Run(ctx)
		}()
		t.Cleanup(func() {
			cancel()
			<-done
		})
	}
}

// offered offers subscriptions and calls nobody: for tests of what is asked of
// the server alone.
func offered(o *api.Options) {
	policy, err := notify.NewPolicy([]string{"hook.fernway-portal.example"}, nil)
	if err != nil {
		panic(err) // it is fixed
	}
	o.Subscriptions = &api.Subscriptions{Policy: policy, Kick: func() {}}
	o.Exports = exportsOffered()
}

// somewhere is an endpoint that offered lets through.
const somewhere = "https://hook.fernway-portal.example/scores"

// hook is an endpoint that keeps what it was called with.
type hook struct {
	*httptest.Server
	mu     sync.Mutex
	bodies [][]byte
	heads  []http.Header
	status int
}

func newHook(t testing.TB) *hook {
	t.Helper()
	h := &hook{status: http.StatusOK}
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		h.mu.Lock()
		defer h.mu.Unlock()
		if h.status == http.StatusOK {
			h.bodies, h.heads = append(h.bodies, body), append(h.heads, r.Header)
		}
		w.WriteHeader(h.status)
	}))
	t.Cleanup(h.Close)
	return h
}

// answers sets the status that it answers with.
func (h *hook) answers(status int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.status = status
}

// told are the events that it was told of, as number, focus and version.
func (h *hook) told(t testing.TB) []string {
	t.Helper()
	h.mu.Lock()
	defer h.mu.Unlock()
	told := []string{}
	for _, body := range h.bodies {
		var b struct {
			Entry []struct {
				FullURL  string `json:"fullUrl"`
				Response struct{ Etag string }
				Resource struct {
					Parameter []struct {
						Name string
						Part []struct {
							Name           string
							ValueString    string
							ValueReference struct{ Reference string }
						}
					}
				}
			}
		}
		require.NoError(t, json.Unmarshal(body, &b))
		etags := map[string][]string{}
		for _, e := range b.Entry[1:] {
			etags[e.FullURL] = append(etags[e.FullURL], e.Response.Etag)
		}
		for _, p := range b.Entry[0].Resource.Parameter {
			if p.Name != "notification-event" {
				continue
			}
			text := ""
			for _, part := range p.Part {
				switch part.Name {
				case "event-number":
					text = part.ValueString
				case "focus":
					focus := part.ValueReference.Reference
					text += " " + focus[strings.LastIndex(focus, "/fhir/")+6:] + " " + etags[focus][0]
					etags[focus] = etags[focus][1:]
				}
			}
			told = append(told, text)
		}
	}
	return told
}

// eventually waits for what the endpoint is told by itself.
func (h *hook) eventually(t testing.TB, want ...string) {
	t.Helper()
	if !assertEventually(func() bool { return len(h.told(t)) >= len(want) }) {
		t.Log("waited in vain")
	}
	require.Equal(t, want, h.told(t))
}

func assertEventually(holds func() bool) bool {
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(waiting) {
		if holds() {
			return true
		}
	}
	return false
}

const backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/"

// wanted is a Subscription as a portal writes it.
type wanted struct {
	id, status, criteria, endpoint, content, channel string
	filters                                          []string
}

func wants(endpoint string) wanted {
	return wanted{status: "requested", criteria: subscription.Topic, endpoint: endpoint, content: "id-only"}
}

func (w wanted) json() string {
	id, filters := "", ""
	if w.id != "" {
		id = `"id":"` + w.id + `",`
	}
	for i, f := range w.filters {
		filters += [...]string{`"_criteria":{"extension":[`, ","}[min(i, 1)] + fmt.Sprintf(`{"url":"%sbackport-filter-criteria","valueString":%q}`, backport, f)
	}
	if filters != "" {
		filters += `]},`
	}
	return `{"resourceType":"Subscription",` + id + `"status":"` + w.status + `","reason":"To show scores as they come","criteria":"` + w.criteria + `",` + filters +
		`"channel":{` + w.channel + `"type":"rest-hook","endpoint":"` + w.endpoint + `","payload":"application/fhir+json",` +
		`"_payload":{"extension":[{"url":"` + backport + `backport-payload-content","valueCode":"` + w.content + `"}]}}}`
}

// subscribed makes a subscription and waits until it is active.
func (r *rig) subscribed(w wanted, headers ...string) string {
	r.t.Helper()
	a := r.do(http.MethodPost, "/fhir/Subscription", w.json(), headers...)
	require.Equal(r.t, http.StatusCreated, a.status, "%s", a.body)
	require.Equal(r.t, "requested", a.text("status"))
	r.becomes(a.id(), store.SubscriptionActive)
	return a.id()
}

// becomes waits until a subscription has a status.
func (r *rig) becomes(id string, status store.SubscriptionStatus) {
	r.t.Helper()
	var found store.Subscription
	require.True(r.t, assertEventually(func() bool {
		var err error
		found, err = r.store.Subscription(context.Background(), id)
		return err == nil && found.Status == status
	}), "%s: %+v", status, found)
}

// TestPortalHearsOfItsScores is the whole story: made, amended, retracted.
func TestPortalHearsOfItsScores(t *testing.T) {
	t.Parallel()
	r, h := newRig(t, hooked(t)), newHook(t)
	id := r.subscribed(wants(h.URL + "/hook"))
	first := r.create(oona("fw-1").json()).id()
	second := r.create(oona("fw-2").json()).id()
	amended := oona("fw-1")
	amended.id, amended.status, amended.itch = first, "amended", "8"
	require.Equal(t, http.StatusOK, r.put(amended).status)
	require.Equal(t, http.StatusOK, r.put(amended).status, "again, which changes nothing")
	retracted := amended
	retracted.status = "entered-in-error"
	require.Equal(t, http.StatusOK, r.put(retracted).status)
	require.Equal(t, http.StatusNoContent, r.do(http.MethodDelete, "/fhir/QuestionnaireResponse/"+second, "").status)
	begun := oona("fw-3")
	begun.status = "in-progress"
	r.create(begun.json())
	h.eventually(t, "1 Observation/"+first+` W/"1"`, "2 Observation/"+second+` W/"1"`, "3 Observation/"+first+` W/"2"`,
		"4 Observation/"+first+` W/"3"`, "5 Observation/"+second+` W/"2"`)
	for i, body := range h.bodies {
		require.Equal(t, "application/fhir+json", h.heads[i].Get("Content-Type"))
		for _, secret := range []string{"thistledown", "oona", "bram", "scorad", "fw-1"} {
			require.NotContains(t, string(body), secret, "no patient data is in the call")
		}
	}
	read := r.get("/fhir/Subscription/" + id)
	require.Equal(t, "active", read.text("status"))
	status := r.get("/fhir/Subscription/" + id + "/$status")
	require.Equal(t, "searchset", status.text("type"))
	require.Equal(t, r.base+"/Subscription/"+id+"/$status", status.link("self"))
	again := r.get("/fhir/Subscription/$status?status=active&status=off&id=" + id).link("self")
	require.Equal(t, 1, r.get(strings.TrimPrefix(again, r.origin)).count("entry"), "the self link gives the same: %s", again)
	require.Contains(t, string(status.body), `{"name":"events-since-subscription-start","valueString":"5"}`)
	require.Contains(t, string(status.body), `{"name":"type","valueCode":"query-status"}`)
	require.Contains(t, string(r.get("/fhir/Subscription/$status?status=active&id="+id).body), `"total":1`)
	require.Contains(t, string(r.get("/fhir/Subscription/$status?status=off,error").body), `"total":0`)
	require.Contains(t, string(r.get("/fhir/Subscription/$status?status=off,active&id="+id+",other").body), `"total":1`)
	require.Contains(t, string(r.get("/fhir/Subscription/$status?status=off&status=error,active").body), `"total":1`)
	events := r.get("/fhir/Subscription/" + id + "/$events?eventsSinceNumber=4&eventsUntilNumber=4")
	require.Equal(t, "history", events.text("type"))
	require.Contains(t, string(events.body), `{"name":"event-number","valueString":"4"}`)
	require.NotContains(t, string(events.body), `{"name":"event-number","valueString":"5"}`)
	require.Contains(t, string(events.body), "Observation/"+first)
}

func TestEmptyTellsNumbersOnly(t *testing.T) {
	t.Parallel()
	r, h := newRig(t, hooked(t)), newHook(t)
	w := wants(h.URL)
	w.content = "empty"
	id := r.subscribed(w)
	r.create(oona("fw-1").json())
	h.eventually(t, "1")
	require.NotContains(t, string(h.bodies[len(h.bodies)-1]), "Observation")
	require.NotContains(t, string(r.get("/fhir/Subscription/"+id+"/$events").body), "Observation")
}

// TestFiltersLetThroughWhatTheySay tries each filter on a made, an amended and
// another patient's score.
func TestFiltersLetThroughWhatTheySay(t *testing.T) {
	t.Parallel()
	r := newRig(t, hooked(t))
	cases := map[string]struct {
		filters []string
		want    string
	}{
		"none":           {nil, "oona amended casper"},
		"patient":        {[]string{"Observation?patient=Patient/" + oonaID}, "oona amended"},
		"patient id":     {[]string{"Observation?patient=" + casperID}, "casper"},
		"own base":       {[]string{"Observation?patient=" + url.QueryEscape(r.base+"/Patient/"+casperID)}, "casper"},
		"either":         {[]string{"Observation?patient=" + oonaID + "," + casperID}, "oona amended casper"},
		"status":         {[]string{"Observation?status=amended"}, "amended"},
		"both":           {[]string{"Observation?patient=" + casperID + "&status=amended"}, ""},
		"two criteria":   {[]string{"Observation?patient=" + oonaID, "Observation?status=final"}, "oona"},
		"form":           {[]string{"Observation?questionnaire=" + strings.Split(selfForm, "|")[0]}, "oona amended casper"},
		"form version":   {[]string{"Observation?questionnaire=" + selfForm}, "oona amended casper"},
		"another form":   {[]string{"Observation?questionnaire=" + clinicianForm}, ""},
		"other version":  {[]string{"Observation?questionnaire=" + strings.Split(selfForm, "|")[0] + "|9.9.9"}, ""},
		"another system": {[]string{"Observation?patient:identifier=urn:x|1"}, ""},
	}
	hooks, ids := map[string]*hook{}, map[string]string{}
	for name, c := range cases {
		hooks[name] = newHook(t)
		w := wants(hooks[name].URL)
		w.filters = c.filters
		ids[name] = r.subscribed(w)
	}
	names := map[string]string{}
	made := r.create(oona("fw-1").json()).id()
	names[`Observation/`+made+` W/"1"`] = "oona"
	amended := oona("fw-1")
	amended.id, amended.status, amended.itch = made, "amended", "8"
	r.put(amended)
	names[`Observation/`+made+` W/"2"`] = "amended"
	names[`Observation/`+r.create(filledFor(casperID, "fw-2").json()).id()+` W/"1"`] = "casper"
	for name, c := range cases {
		want := []string{}
		for i, each := range strings.Fields(c.want) {
			for reference, called := range names {
				if called == each {
					want = append(want, fmt.Sprint(i+1)+" "+reference)
				}
			}
		}
		t.Run(name, func(t *testing.T) {
			events := func(name string) int64 {
				kept, err := r.store.Subscription(t.Context(), ids[name])
				require.NoError(t, err)
				return kept.Events
			}
			require.Eventually(t, func() bool { return events("none") == 3 }, patience, waiting)
			require.EqualValues(t, len(want), events(name), "a score is shared out to all at once")
			hooks[name].eventually(t, want...)
		})
	}
}

// TestRefusedSubscriptionsSayWhatToChange: each fault by its place and code, and
// all of them at once.
func TestRefusedSubscriptionsSayWhatToChange(t *testing.T) {
	t.Parallel()
	r := newRig(t, hooked(t))
	good := wants("https://hook.fernway-portal.example/h")
	extension := func(name, value string) string {
		return `"extension":[{"url":"` + backport + name + `",` + value + `}],`
	}
	for name, c := range map[string]struct {
		change func(*wanted)
		code   string
		at     string
	}{
		"active":           {func(w *wanted) { w.status = "active" }, "value", "Subscription.status"},
		"another topic":    {func(w *wanted) { w.criteria = "Observation?code=x" }, "not-supported", "Subscription.criteria"},
		"unknown filter":   {func(w *wanted) { w.filters = []string{"Observation?performer=x"} }, "value", "Subscription.criteria.extension[0]"},
		"filter of a type": {func(w *wanted) { w.filters = []string{"Patient?status=final"} }, "value", "Subscription.criteria.extension[0]"},
		"filter status":    {func(w *wanted) { w.filters = []string{"Observation?status=preliminary"} }, "value", "Subscription.criteria.extension[0]"},
		"full-resource":    {func(w *wanted) { w.content = "full-resource" }, "not-supported", "Subscription.channel.payload"},
		"another host":     {func(w *wanted) { w.endpoint = "https://elsewhere.example/h" }, "forbidden", "Subscription.channel.endpoint"},
		"another port":     {func(w *wanted) { w.endpoint = "https://hook.fernway-portal.example:8443/h" }, "forbidden", "Subscription.channel.endpoint"},
		"http":             {func(w *wanted) { w.endpoint = "http://hook.fernway-portal.example/h" }, "forbidden", "Subscription.channel.endpoint"},
		"user in the URL":  {func(w *wanted) { w.endpoint = "https://a:b@hook.fernway-portal.example/h" }, "value", "Subscription.channel.endpoint"},
		"no URL":           {func(w *wanted) { w.endpoint = "mailto:a@b.example" }, "value", "Subscription.channel.endpoint"},
		"short heartbeat":  {func(w *wanted) { w.channel = extension("backport-heartbeat-period", `"valueUnsignedInt":1`) }, "value", "Subscription.channel.extension[0]"},
		"long timeout":     {func(w *wanted) { w.channel = extension("backport-timeout", `"valueUnsignedInt":61`) }, "value", "Subscription.channel.extension[0]"},
		"no count":         {func(w *wanted) { w.channel = extension("backport-max-count", `"valuePositiveInt":1001`) }, "value", "Subscription.channel.extension[0]"},
		"header of ours":   {func(w *wanted) { w.channel = `"header":["host: x"],` }, "business-rule", "Subscription.channel.header[0]"},
		"no header":        {func(w *wanted) { w.channel = `"header":["Authorization"],` }, "value", "Subscription.channel.header[0]"},
		"split header":     {func(w *wanted) { w.channel = `"header":["X-A: b\r\nHost: c"],` }, "value", "Subscription.channel.header[0]"},
		"nothing to keep":  {func(w *wanted) { w.channel = `"header":["X-A: (withheld)"],` }, "required", "Subscription.channel"},
		"short key": {func(w *wanted) {
			w.channel = `"extension":[{"url":"` + subscription.SecretExtension + `","valueBase64Binary":"YWJj"}],`
		}, "value", "Subscription.channel.extension[0]"},
		"no key to keep": {func(w *wanted) {
			w.channel = `"extension":[{"url":"` + subscription.SecretExtension + `","valueBoolean":true}],`
		}, "required", "Subscription.channel"},
		"another channel": {func(w *wanted) {
			w.channel = `"_type":{"extension":[{"url":"` + backport + `backport-channel-type","valueCoding":{"code":"z"}}]},`
		}, "not-supported", "Subscription.channel.type.extension[0]"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := good
			c.change(&w)
			a := r.do(http.MethodPost, "/fhir/Subscription", w.json())
			require.Equal(t, http.StatusUnprocessableEntity, a.status, "%s", a.body)
			require.Equal(t, c.code, pick(t, a.body, "issue", 0, "code"), "%s", a.body)
			require.Equal(t, c.at, pick(t, a.body, "issue", 0, "expression", 0), "%s", a.body)
		})
	}
	t.Run("all at once", func(t *testing.T) {
		t.Parallel()
		w := wanted{status: "error", criteria: "x", endpoint: "y", content: "z"}
		require.Len(t, pick(t, r.do(http.MethodPost, "/fhir/Subscription", w.json()).body, "issue"), 4)
	})
	t.Run("too many", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, hooked(t))
		off := good
		off.status = "off"
		for range 20 {
			require.Equal(t, http.StatusCreated, r.do(http.MethodPost, "/fhir/Subscription", off.json()).status)
		}
		a := r.do(http.MethodPost, "/fhir/Subscription", off.json())
		a.t = t
		a.refused(http.StatusUnprocessableEntity, "too-costly")
	})
}

// TestSecretsAreNeitherShownNorLost: headers and key reach the endpoint and
// nobody else, and what is sent back withheld keeps them.
func TestSecretsAreNeitherShownNorLost(t *testing.T) {
	t.Parallel()
	r, h := newRig(t, hooked(t)), newHook(t)
	key := base64.StdEncoding.EncodeToString([]byte(strings.Repeat("k", 32)))
	w := wants(h.URL)
	w.channel = `"header":["authorization: Bearer hush-hush"],"extension":[{"url":"` + subscription.SecretExtension + `","valueBase64Binary":"` + key + `"}],`
	a := r.do(http.MethodPost, "/fhir/Subscription", w.json())
	id := a.id()
	r.becomes(id, store.SubscriptionActive)
	shown := r.get("/fhir/Subscription/" + id)
	for _, body := range [][]byte{a.body, shown.body, r.get("/fhir/Subscription").body, r.get("/fhir/Subscription/" + id + "/$status").body, h.bodies[0], []byte(r.log.String())} {
		require.NotContains(t, string(body), "hush")
		require.NotContains(t, string(body), key)
	}
	require.Equal(t, "Authorization: (withheld)", shown.text("channel", "header", 0))
	require.Equal(t, "Bearer hush-hush", h.heads[0].Get("Authorization"))
	signed := h.heads[0].Get("Signature-Input")
	require.Contains(t, signed, `keyid="`+id+`"`)

	back := strings.Replace(string(shown.body), `"status":"active"`, `"status":"requested"`, 1)
	a = r.do(http.MethodPut, "/fhir/Subscription/"+id, back, "If-Match", shown.header.Get("ETag"))
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	require.True(t, assertEventually(func() bool { h.mu.Lock(); defer h.mu.Unlock(); return len(h.bodies) == 2 }), "a handshake again")
	require.Equal(t, "Bearer hush-hush", h.heads[1].Get("Authorization"))
	require.NotEmpty(t, h.heads[1].Get("Signature"))
	r.do(http.MethodPut, "/fhir/Subscription/"+id, back, "If-Match", shown.header.Get("ETag")).refused(http.StatusPreconditionFailed, "conflict")
}

// TestErrorAndRecovery: an endpoint that fails puts its subscription into error;
// asked again, it hears what it missed.
func TestErrorAndRecovery(t *testing.T) {
	t.Parallel()
	r, h := newRig(t, hooked(t)), newHook(t)
	w := wants(h.URL)
	id := r.subscribed(w)
	h.answers(http.StatusInternalServerError)
	first := r.create(oona("fw-1").json()).id()
	r.becomes(id, store.SubscriptionError)
	second := r.create(oona("fw-2").json()).id()
	shown := r.get("/fhir/Subscription/" + id)
	require.Equal(t, "The endpoint answered 500.", shown.text("error"))
	require.Contains(t, string(r.get("/fhir/Subscription/"+id+"/$status").body), "The endpoint answered 500.")
	require.Contains(t, r.log.String(), "a subscription is in error")
	require.NotContains(t, r.log.String(), "oona")

	w.id = id
	h.answers(http.StatusOK)
	require.Equal(t, http.StatusOK, r.do(http.MethodPut, "/fhir/Subscription/"+id, w.json()).status)
	r.becomes(id, store.SubscriptionActive)
	h.eventually(t, "1 Observation/"+first+` W/"1"`, "2 Observation/"+second+` W/"1"`)
	require.Empty(t, r.get("/fhir/Subscription/"+id).at("error"))

	w.status = "off"
	require.Equal(t, http.StatusOK, r.do(http.MethodPut, "/fhir/Subscription/"+id, w.json()).status)
	r.create(oona("fw-3").json())
	w.status = "requested"
	require.Equal(t, http.StatusOK, r.do(http.MethodPut, "/fhir/Subscription/"+id, w.json()).status)
	last := r.create(oona("fw-4").json()).id()
	h.eventually(t, "1 Observation/"+first+` W/"1"`, "2 Observation/"+second+` W/"1"`, "3 Observation/"+last+` W/"1"`)
}

// TestHandshakeThatFails makes it an error at once, as the guide says.
func TestHandshakeThatFails(t *testing.T) {
	t.Parallel()
	r, h := newRig(t, hooked(t)), newHook(t)
	h.answers(http.StatusForbidden)
	a := r.do(http.MethodPost, "/fhir/Subscription", wants(h.URL).json())
	r.becomes(a.id(), store.SubscriptionError)
	require.Equal(t, "The endpoint answered 403.", r.get("/fhir/Subscription/"+a.id()).text("error"))
}

// subscriptionsIn are the ids of what a search found.
func subscriptionsIn(a answer) []any {
	a.t.Helper()
	found := []any{}
	for i := range a.count("entry") {
		found = append(found, a.at("entry", i, "resource", "id"))
	}
	return found
}

// TestSubscriptionSearch finds by every parameter that is claimed.
func TestSubscriptionSearch(t *testing.T) {
	t.Parallel()
	r := newRig(t, hooked(t))
	off := wants("https://hook.fernway-portal.example/a")
	off.status = "off"
	first := r.do(http.MethodPost, "/fhir/Subscription", off.json()).id()
	off.endpoint = "https://hook.fernway-portal.example/b"
	second := r.do(http.MethodPost, "/fhir/Subscription", off.json()).id()
	for query, want := range map[string][]any{
		"":                                      {first, second},
		"?status=off":                           {first, second},
		"?status=active":                        {},
		"?_id=" + second:                        {second},
		"?url=" + url.QueryEscape(off.endpoint): {second},
		"?criteria=" + subscription.Topic:       {first, second},
		"?criteria:exact=https://tidemark.example":                            {},
		"?type=rest-hook&payload=" + url.QueryEscape("application/fhir+json"): {first, second},
		"?_count=1": {first},
	} {
		require.Equal(t, want, subscriptionsIn(r.get("/fhir/Subscription"+query)), query)
	}
	require.Equal(t, http.StatusNoContent, r.do(http.MethodDelete, "/fhir/Subscription/"+first, "").status)
	require.Equal(t, http.StatusNoContent, r.do(http.MethodDelete, "/fhir/Subscription/"+first, "").status, "again")
	r.get("/fhir/Subscription/"+first).refused(http.StatusNotFound, "not-found")
	require.Equal(t, []any{second}, subscriptionsIn(r.get("/fhir/Subscription")))
	off.id = first
	r.do(http.MethodPut, "/fhir/Subscription/"+first, off.json()).refused(http.StatusMethodNotAllowed, "not-supported")
}

// TestSubscriptionsAreOffered: they and the topic are claimed only where hosts
// are allowed.
func TestSubscriptionsAreOffered(t *testing.T) {
	t.Parallel()
	with, without := newRig(t, hooked(t)), newRig(t)
	require.Contains(t, string(with.get("/fhir/metadata").body), `"url":"`+subscription.TopicExtension+`","valueCanonical":"`+subscription.Topic+`"`)
	require.NotContains(t, string(without.get("/fhir/metadata").body), "Subscription")
	without.get("/fhir/Subscription").refused(http.StatusNotFound, "not-supported")
	without.create(oona("fw-1").json())
	topic := with.get("/fhir/Basic/" + subscription.TopicID)
	require.Contains(t, string(topic.body), `"valueUri":"`+subscription.Topic+`"`)
	require.Equal(t, []any{subscription.TopicID}, subscriptionsIn(with.get("/fhir/Basic?code=SubscriptionTopic")))
}
