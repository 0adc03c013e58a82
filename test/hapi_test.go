package test_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/test/hapi"
)

// hapiPatience is how long a delivery may take: a request that was lost is given
// up after 10 s and looked after 30 s later, and that more than once on a machine
// that has other things to do.
const hapiPatience = 8 * time.Minute

// hapiWard is the program beside HAPI's server, which stands behind a gate that
// can hold a request up.
type hapiWard struct {
	t      testing.TB
	hapi   *hapi.Server
	server *server
	held   *heldUp
	// scores are the ids of all scores that the hospital must hold.
	scores []string
}

// heldUp forwards requests, and holds up the next that writes if it is told to:
// the sender gets 504, and the request goes on when it is released.
type heldUp struct {
	forward http.Handler

	mu      sync.Mutex
	holding bool
	request func() int
}

// ServeHTTP implements http.Handler.
func (h *heldUp) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	hold := h.holding && r.Method != http.MethodGet
	h.holding = h.holding && !hold
	h.mu.Unlock()
	if !hold {
		h.forward.ServeHTTP(w, r)
		return
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		w.WriteHeader(http.StatusBadGateway)
		return
	}
	late := httptest.NewRequest(r.Method, r.URL.String(), bytes.NewReader(body))
	late.Header = r.Header.Clone()
	h.mu.Lock()
	h.request = func() int {
		answer := httptest.NewRecorder()
		h.forward.ServeHTTP(answer, late)
		return answer.Code
	}
	h.mu.Unlock()
	w.WriteHeader(http.StatusGatewayTimeout)
}

// hold makes the next write be held up.
func (h *heldUp) hold() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.holding = true
}

// release lets what was held up arrive, and gives the answer's status; 0 if
// nothing was held.
func (h *heldUp) release() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.request == nil {
		return 0
	}
	return h.request()
}

// newHAPIWard starts both. HAPI knows the patient and who answers for her, since
// it refuses what refers to nobody.
func newHAPIWard(t *testing.T) *hapiWard {
	if why := hapi.Missing(); why != "" {
		t.Skip(why)
	}
	hospital, err := hapi.Start(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(hospital.Kill)
	w := &hapiWard{t: t, hapi: hospital}
	base, err := url.Parse(hospital.Base)
	require.NoError(t, err)
	proxy := httputil.NewSingleHostReverseProxy(&url.URL{Scheme: base.Scheme, Host: base.Host})
	proxy.ErrorLog, proxy.ErrorHandler = nil, func(http.ResponseWriter, *http.Request, error) { panic(http.ErrAbortHandler) }
	w.held = &heldUp{forward: proxy}
	front := httptest.NewServer(w.held)
	front.Config.ErrorLog = nil
	t.Cleanup(front.Close)
	w.server = serve(t, filepath.Join(t.TempDir(), "tidemark.db"),
		"TIDEMARK_EHR_URL="+front.URL+"/fhir", "TIDEMARK_EHR_TIMEOUT=10s", "TIDEMARK_BASE_URL=https://tidemark.brindlemoor.example/fhir")
	return w
}

// admit makes the people of the responses known to the hospital, the patient
// first: HAPI refuses a person who answers for somebody whom it does not know.
func (w *hapiWard) admit() {
	for _, body := range []string{
		`{"resourceType":"Patient","id":"oona-thistledown"}`,
		`{"resourceType":"RelatedPerson","id":"bram-thistledown","patient":{"reference":"Patient/oona-thistledown"}}`,
	} {
		who := parse(w.t, []byte(body))
		r, err := call(http.MethodPut, w.hapi.Base+"/"+who.ResourceType+"/"+who.ID, []byte(body))
		require.NoError(w.t, err)
		require.Less(w.t, r.status, 300, "%s", r.body)
	}
}

// submit sends a response, which must be taken, and gives its id, which is the
// score's as well.
func (w *hapiWard) submit(identifier, itch string) string {
	r, err := call(http.MethodPost, w.server.fhir+"/QuestionnaireResponse", oona(identifier, itch))
	require.NoError(w.t, err)
	require.Equal(w.t, http.StatusCreated, r.status, "%s", r.body)
	id := parse(w.t, r.body).ID
	if !slices.Contains(w.scores, id) {
		w.scores = append(w.scores, id)
	}
	return id
}

// revise updates a response, found at the address, with another itch and status.
func (w *hapiWard) revise(address, id, identifier, itch, status string) {
	body := strings.Replace(string(oona(identifier, itch)), `"status":"completed"`, `"id":"`+id+`","status":"`+status+`"`, 1)
	r, err := call(http.MethodPut, w.server.fhir+"/"+address, []byte(body))
	require.NoError(w.t, err)
	require.Equal(w.t, http.StatusOK, r.status, "%s", r.body)
}

// charted is what the tests read of a score.
type charted struct {
	ID, Status, Issued string
	Meta               struct{ VersionID string }
	Identifier         []struct{ System, Value string }
	ValueQuantity      struct{ Value json.Number }
}

// fresh reads at HAPI, not from what it found for others before.
func (w *hapiWard) fresh(address string, into any) (int, error) {
	request, err := http.NewRequestWithContext(w.t.Context(), http.MethodGet, w.hapi.Base+"/"+address, http.NoBody)
	if err != nil {
		return 0, err
	}
	request.Header.Set("Cache-Control", "no-cache")
	response, err := client.Do(request)
	if err != nil {
		return 0, err
	}
	defer response.Body.Close()
	return response.StatusCode, json.NewDecoder(response.Body).Decode(into)
}

// kept are the resources that the hospital finds by the identifier of a score.
func (w *hapiWard) kept(id string) ([]json.RawMessage, error) {
	var score charted
	require.NoError(w.t, json.Unmarshal(get(w.t, w.server.fhir+"/Observation/"+id), &score))
	var bundle struct {
		Entry []struct{ Resource json.RawMessage }
	}
	name := score.Identifier[0].System + "|" + score.Identifier[0].Value
	_, err := w.fresh("Observation?identifier="+url.QueryEscape(name), &bundle)
	var all []json.RawMessage
	for _, entry := range bundle.Entry {
		all = append(all, entry.Resource)
	}
	return all, err
}

// arrives waits until the hospital holds a score so, in one resource.
func (w *hapiWard) arrives(id, value, status string) charted {
	w.t.Helper()
	var held charted
	var said string
	require.Eventually(w.t, func() bool {
		all, err := w.kept(id)
		said = fmt.Sprintf("%d resources, error %v", len(all), err)
		if err != nil || len(all) != 1 {
			return false
		}
		held = charted{}
		require.NoError(w.t, json.Unmarshal(all[0], &held))
		said = fmt.Sprintf("%s %s", held.ValueQuantity.Value, held.Status)
		return held.ValueQuantity.Value.String() == value && held.Status == status
	}, hapiPatience, waiting*10, "%s %s does not arrive; at last: %s\n%s", value, status, &said, w.server.log)
	return held
}

// told is the sum of a metric of the write-back.
func (w *hapiWard) told(name string) float64 {
	return metric(w.t, w.server, "tidemark_writeback_"+name, "")
}

// quiet waits until nothing is under way.
func (w *hapiWard) quiet() {
	w.t.Helper()
	require.Eventually(w.t, func() bool { return w.told("pending") == 0 }, hapiPatience, waiting*10, "%s", w.server.log)
}

// history are the versions of a score, oldest first, from either server.
func (w *hapiWard) history(fresh func(address string, into any) (int, error), id string) []charted {
	var bundle struct {
		Entry []struct{ Resource charted }
	}
	status, err := fresh("Observation/"+id+"/_history?_count=100", &bundle)
	require.NoError(w.t, err)
	require.Equal(w.t, http.StatusOK, status)
	var all []charted
	for _, entry := range slices.Backward(bundle.Entry) {
		all = append(all, entry.Resource)
	}
	return all
}

// ours reads at the program.
func (w *hapiWard) ours(address string, into any) (int, error) {
	return http.StatusOK, json.Unmarshal(get(w.t, w.server.fhir+"/"+address), into)
}

// inOrder holds the history of every score at the hospital to that of the
// program: one resource, no version that the program never had, none after a
// newer one, and the newest at the end.
func (w *hapiWard) inOrder() {
	w.t.Helper()
	for _, id := range w.scores {
		all, err := w.kept(id)
		require.NoError(w.t, err)
		require.Len(w.t, all, 1, "one resource for each score")
		var held charted
		require.NoError(w.t, json.Unmarshal(all[0], &held))
		wanted, last := w.history(w.ours, id), -1
		for _, version := range w.history(w.fresh, held.ID) {
			at := slices.IndexFunc(wanted, func(o charted) bool {
				return o.Status == version.Status && o.ValueQuantity == version.ValueQuantity && sameMoment(o.Issued, version.Issued)
			})
			require.GreaterOrEqual(w.t, at, max(last, 0), "version %s at the hospital, %s %s, is none of ours or older than the one before",
				version.Meta.VersionID, version.ValueQuantity.Value, version.Status)
			last = at
		}
		require.Equal(w.t, len(wanted)-1, last, "the newest is at the hospital")
	}
}

func sameMoment(a, b string) bool {
	x, errX := time.Parse(time.RFC3339, a)
	y, errY := time.Parse(time.RFC3339, b)
	return errX == nil && errY == nil && x.Equal(y)
}

// differences compares a score with the hospital's copy, all but id, meta and
// narrative, and names what is missing, other, or the hospital's own.
func differences(ours, theirs any, path string) []string {
	var all []string
	switch o := ours.(type) {
	case map[string]any:
		t, _ := theirs.(map[string]any)
		for name, value := range o {
			at := strings.TrimPrefix(path+"."+name, ".")
			if t[name] == nil {
				all = append(all, at+" is missing")
			} else {
				all = append(all, differences(value, t[name], at)...)
			}
		}
		for name := range t {
			if o[name] == nil {
				all = append(all, strings.TrimPrefix(path+"."+name, ".")+" is added")
			}
		}
	case []any:
		t, _ := theirs.([]any)
		if len(o) != len(t) {
			return []string{path + " has another number"}
		}
		for i := range o {
			all = append(all, differences(o[i], t[i], fmt.Sprintf("%s[%d]", path, i))...)
		}
	default:
		if fmt.Sprint(ours) != fmt.Sprint(theirs) && !sameMoment(fmt.Sprint(ours), fmt.Sprint(theirs)) {
			return []string{path + " is other"}
		}
	}
	slices.Sort(all)
	return all
}

// clinical reads a resource, numbers as written, without what is the server's.
func clinical(t testing.TB, body []byte) map[string]any {
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber()
	var tree map[string]any
	require.NoError(t, decoder.Decode(&tree))
	for _, name := range []string{"id", "meta", "text"} {
		delete(tree, name)
	}
	return tree
}

// TestHAPI plays what happens to scores against a server that others have
// written. Each step needs those before it.
func TestHAPI(t *testing.T) {
	w := newHAPIWard(t)
	for _, step := range []struct {
		name string
		play func(w *hapiWard)
	}{
		{"WhatItRefusesIsParked", refusedByHAPI},
		{"ACompleteScoreArrivesWhole", createdAtHAPI},
		{"ADuplicateChangesNothing", duplicatedAtHAPI},
		{"AmendedAndRetracted", revisedAtHAPI},
		{"SeveralInOneTransaction", bundledAtHAPI},
		{"PanelsAndDocuments", shapedAtHAPI},
		{"NamedByIdentifier", namedAtHAPI},
		{"CheckedByTheProgram", checkedAtHAPI},
		{"ACopyIsTamperedWith", sweptAtHAPI},
		{"ACopyHeldUpChangesNothing", heldUpAtHAPI},
		{"Frozen", frozenHAPI},
		{"KilledAndStartedAgain", killedHAPI},
	} {
		require.True(t, t.Run(step.name, func(t *testing.T) {
			w.t, w.server.t = t, t
			began := time.Now()
			step.play(w)
			w.quiet()
			t.Logf("took %s", time.Since(began).Round(time.Second))
		}), "the steps after this one need it")
	}
	w.t, w.server.t = t, t
	w.inOrder()
	assert.Equal(t, 0, w.server.stop())
	t.Logf("%d scores, each in one resource and in order", len(w.scores))
}

// refusedByHAPI: a patient whom the hospital does not know is not written to, nor
// is a score where references to another server, as those to the response and the
// device here, are not allowed; what was refused waits for a person, and is taken
// once it is wanted anew.
func refusedByHAPI(w *hapiWard) {
	require.NoError(w.t, w.hapi.AllowStrangers(true))
	id := w.submit("nobody", "1")
	require.Eventually(w.t, func() bool { return w.told("parked") == 1 }, hapiPatience, waiting, "%s", w.server.log)
	all, err := w.kept(id)
	require.NoError(w.t, err)
	require.Empty(w.t, all)
	require.NotContains(w.t, w.server.log.String(), "thistledown", "the refusal quotes the patient, and the log does not")
	w.admit()
	w.revise("QuestionnaireResponse/"+id, id, "nobody", "2", "amended")
	w.arrives(id, "38.00", "amended")
	require.Zero(w.t, w.told("parked"))

	require.NoError(w.t, w.hapi.AllowStrangers(false))
	id = w.submit("stranger", "1")
	require.Eventually(w.t, func() bool { return w.told("parked") == 1 }, hapiPatience, waiting, "%s", w.server.log)
	require.NoError(w.t, w.hapi.AllowStrangers(true))
	w.revise("QuestionnaireResponse/"+id, id, "stranger", "2", "amended")
	w.arrives(id, "38.00", "amended")
}

// createdAtHAPI: all of it is there, but for what HAPI is known to change.
func createdAtHAPI(w *hapiWard) {
	id := w.submit("created", "6")
	held := w.arrives(id, "42.00", "final")
	require.Equal(w.t, "1", held.Meta.VersionID)
	all, err := w.kept(id)
	require.NoError(w.t, err)
	changed := differences(clinical(w.t, get(w.t, w.server.fhir+"/Observation/"+id)), clinical(w.t, all[0]), "")
	w.t.Logf("HAPI changed: %s", strings.Join(changed, "; "))
	require.Equal(w.t, []string{"derivedFrom[0].reference is other"}, changed, "HAPI leaves the version out of a reference")
	require.Contains(w.t, w.server.log.String(), "the target has changed: derivedFrom.reference", "it is reported")
}

// duplicatedAtHAPI: the same submission again, by either way.
func duplicatedAtHAPI(w *hapiWard) {
	id := w.submit("created", "6")
	require.Equal(w.t, id, w.submit("created", "6"))
	r, err := call(http.MethodPut, w.server.fhir+"/QuestionnaireResponse?identifier=https://fernway-portal.example/responses%7Ccreated", oona("created", "6"))
	require.NoError(w.t, err)
	require.Equal(w.t, http.StatusOK, r.status, "%s", r.body)
	w.quiet()
	held := w.arrives(id, "42.00", "final")
	require.Len(w.t, w.history(w.fresh, held.ID), 1)
}

// revisedAtHAPI: amended twice, by id and by identifier, then taken back; and
// another deleted.
func revisedAtHAPI(w *hapiWard) {
	id := w.submit("created", "6")
	first := w.arrives(id, "42.00", "final")
	w.revise("QuestionnaireResponse/"+id, id, "created", "7", "amended")
	amended := w.arrives(id, "43.00", "amended")
	require.Equal(w.t, first.ID, amended.ID, "the same resource")
	w.revise("QuestionnaireResponse?identifier=https://fernway-portal.example/responses%7Ccreated", id, "created", "8", "amended")
	require.Equal(w.t, first.ID, w.arrives(id, "44.00", "amended").ID)
	w.revise("QuestionnaireResponse/"+id, id, "created", "8", "entered-in-error")
	require.Equal(w.t, first.ID, w.arrives(id, "44.00", "entered-in-error").ID)

	id = w.submit("deleted", "5")
	w.arrives(id, "41.00", "final")
	r, err := call(http.MethodDelete, w.server.fhir+"/QuestionnaireResponse/"+id, nil)
	require.NoError(w.t, err)
	require.Less(w.t, r.status, 300, "%s", r.body)
	w.arrives(id, "41.00", "entered-in-error")
}

// bundledAtHAPI: several scores that come in one transaction.
func bundledAtHAPI(w *hapiWard) {
	var entries, ids []string
	for i := range 5 {
		entries = append(entries, fmt.Sprintf(`{"resource":%s,"request":{"method":"POST","url":"QuestionnaireResponse"}}`, oona(fmt.Sprint("bundled-", i), fmt.Sprint(i))))
	}
	r, err := call(http.MethodPost, w.server.fhir, []byte(`{"resourceType":"Bundle","type":"transaction","entry":[`+strings.Join(entries, ",")+`]}`))
	require.NoError(w.t, err)
	require.Equal(w.t, http.StatusOK, r.status, "%s", r.body)
	for i := range entries {
		ids = append(ids, w.submit(fmt.Sprint("bundled-", i), fmt.Sprint(i)))
	}
	for i, id := range ids {
		w.arrives(id, fmt.Sprintf("%d.00", 36+i), "final")
	}
}

// heldUpAtHAPI: the first request is held up on the way, a newer version arrives
// by another, and then the first does.
func heldUpAtHAPI(w *hapiWard) {
	w.held.hold()
	id := w.submit("held-up", "3")
	require.Eventually(w.t, func() bool { return w.told("in_doubt") == 1 }, hapiPatience, waiting, "%s", w.server.log)
	w.revise("QuestionnaireResponse/"+id, id, "held-up", "4", "amended")
	w.arrives(id, "40.00", "amended")
	require.Less(w.t, w.held.release(), 500, "it is answered, whatever it came to")
	all, err := w.kept(id)
	require.NoError(w.t, err)
	require.Len(w.t, all, 1)
	var held charted
	require.NoError(w.t, json.Unmarshal(all[0], &held))
	require.Equal(w.t, "40.00 amended", held.ValueQuantity.Value.String()+" "+held.Status, "what arrives late changes nothing")
	require.Len(w.t, w.history(w.fresh, held.ID), 1)
}

// frozenHAPI: connections stay open and nothing answers, for longer than a
// request may take, while scores come in and are amended.
func frozenHAPI(w *hapiWard) {
	id := w.submit("before", "1")
	w.arrives(id, "37.00", "final")
	require.NoError(w.t, w.hapi.Freeze())
	thawed := false
	defer func() {
		if !thawed {
			_ = w.hapi.Thaw() // so that it can be asked what it holds
		}
	}()
	var ids []string
	for i := range 4 {
		ids = append(ids, w.submit(fmt.Sprint("frozen-", i), fmt.Sprint(i)))
	}
	w.revise("QuestionnaireResponse/"+id, id, "before", "9", "amended")
	require.Eventually(w.t, func() bool { return w.told("in_doubt") > 0 }, hapiPatience, waiting*10, "%s", w.server.log)
	w.revise("QuestionnaireResponse/"+ids[0], ids[0], "frozen-0", "10", "amended")
	require.NoError(w.t, w.hapi.Thaw())
	thawed = true
	w.arrives(id, "45.00", "amended")
	w.arrives(ids[0], "46.00", "amended")
	for i := 1; i < len(ids); i++ {
		w.arrives(ids[i], fmt.Sprintf("%d.00", 36+i), "final")
	}
}

// killedHAPI: the server dies in the middle of a stream of scores and their
// amendments, and comes back with what it had taken.
func killedHAPI(w *hapiWard) {
	const scores = 24
	ids := make([]string, scores)
	for i := range scores {
		ids[i] = w.submit(fmt.Sprint("killed-", i), "2")
		if i == scores/2 {
			w.hapi.Kill()
		}
		if i%2 == 1 {
			w.revise("QuestionnaireResponse/"+ids[i-1], ids[i-1], fmt.Sprint("killed-", i-1), "5", "amended")
		}
	}
	require.NoError(w.t, w.hapi.Restart())
	for i, id := range ids {
		if i%2 == 0 {
			w.arrives(id, "41.00", "amended")
		} else {
			w.arrives(id, "38.00", "final")
		}
	}
}
