package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/test/sqlitetest"
)

// target is the name of the server that scores are wanted at.
const target = "brindlemoor"

// How long a test waits for what happens by itself, and how often it looks.
const (
	patience = 2 * time.Minute
	waiting  = 10 * time.Millisecond
)

// rig is the real server over HTTP, on a database of its own.
type rig struct {
	t       testing.TB
	store   store.Store
	origin  string
	base    string
	metrics *api.Metrics
	log     *lockedBuffer
	server  *api.Server
	http    *httptest.Server
	// busy counts the requests that are not done with.
	busy *atomic.Int64
}

// slowMachine is how long anything may take that is not about time: a test under
// the race detector may share its core with many.
const slowMachine = 20 * time.Minute

// newRig starts one; adjust may change the options before.
func newRig(t testing.TB, adjust ...func(*api.Options)) *rig {
	t.Helper()
	r := &rig{t: t, metrics: api.NewMetrics(), log: &lockedBuffer{}, http: httptest.NewUnstartedServer(nil), busy: &atomic.Int64{}}
	logger := slog.New(slog.NewJSONHandler(r.log, nil))
	db := sqlitetest.Open(t, sqlite.Options{Logger: logger, Observe: r.metrics.Batch})
	r.store = db
	r.origin = "http://" + r.http.Listener.Addr().String()
	r.base = r.origin + "/fhir"
	options := api.Options{
		Store: db, BaseURL: r.base, Bands: scoring.UsualBands, Targets: []api.Target{{Name: target}},
		Logger: logger, Version: "9.9.9-test",
		RequestTimeout: slowMachine,
	}
	for _, each := range adjust {
		each(&options)
	}
	r.http.Config.ErrorLog = slog.NewLogLogger(logger.Handler(), slog.LevelWarn)
	r.server = api.New(options, r.metrics)
	r.server.StandStill()
	handler := r.server.Handler()
	r.http.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		r.busy.Add(1)
		defer r.busy.Add(-1)
		handler.ServeHTTP(w, request)
	})
	r.http.Start()
	t.Cleanup(func() {
		r.http.Close()
		require.NoError(t, db.Close())
	})
	return r
}

// run is a subtest on the same server, parallel to its siblings.
func (r *rig) run(t *testing.T, name string, test func(t *testing.T, r *rig)) {
	t.Helper()
	t.Run(name, func(t *testing.T) {
		t.Parallel()
		own := *r
		own.t = t
		test(t, &own)
	})
}

// lockedBuffer collects a log that several goroutines write.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// answer is what came back.
type answer struct {
	t      testing.TB
	status int
	header http.Header
	body   []byte
}

// do makes one request. Headers are name, value pairs; a body is sent as FHIR
// JSON unless a header says otherwise.
func (r *rig) do(method, path, body string, headers ...string) answer {
	r.t.Helper()
	a, err := send(r.origin, method, path, body, headers...)
	require.NoError(r.t, err)
	a.t = r.t
	return a
}

// transport asks for no compression by itself, so that tests see what is sent.
var transport = func() *http.Transport {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.DisableCompression = true
	return t
}()

// send is do for goroutines that must not end the test.
func send(origin, method, path, body string, headers ...string) (answer, error) {
	url := path
	if !strings.HasPrefix(path, "http") {
		url = origin + path
	}
	request, err := http.NewRequestWithContext(context.Background(), method, url, strings.NewReader(body))
	if err != nil {
		return answer{}, err
	}
	if body != "" {
		request.Header.Set("Content-Type", "application/fhir+json")
	}
	for i := 0; i+1 < len(headers); i += 2 {
		if headers[i+1] == "" {
			request.Header.Del(headers[i])
			continue
		}
		request.Header.Set(headers[i], headers[i+1])
	}
	response, err := transport.RoundTrip(request)
	if err != nil {
		return answer{}, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	return answer{status: response.StatusCode, header: response.Header, body: text}, err
}

func (r *rig) get(path string, headers ...string) answer {
	r.t.Helper()
	return r.do(http.MethodGet, path, "", headers...)
}

// create posts a response that must be taken as new.
func (r *rig) create(body string, headers ...string) answer {
	r.t.Helper()
	a := r.do(http.MethodPost, "/fhir/QuestionnaireResponse", body, headers...)
	require.Equal(r.t, http.StatusCreated, a.status, "%s", a.body)
	return a
}

// put updates a response by its id.
func (r *rig) put(body response, headers ...string) answer {
	r.t.Helper()
	return r.do(http.MethodPut, "/fhir/QuestionnaireResponse/"+body.id, body.json(), headers...)
}

// score is the current Observation of a response, which has the same id.
func (r *rig) score(id string) answer {
	r.t.Helper()
	a := r.get("/fhir/Observation/" + id)
	require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
	return a
}

// kept counts what is stored and what is wanted anywhere.
type kept struct{ responses, observations, provenances, wanted int }

func (r *rig) kept() kept {
	r.t.Helper()
	count := func(kind string) int {
		page, err := r.store.Search(context.Background(), store.Query{Type: kind, Total: true})
		require.NoError(r.t, err)
		return page.Total
	}
	k := kept{count("QuestionnaireResponse"), count("Observation"), count("Provenance"), 0}
	backlog, err := r.store.Backlog(context.Background())
	require.NoError(r.t, err)
	for _, b := range backlog {
		k.wanted += b.Pending + b.InDoubt + b.Parked
	}
	return k
}

// at picks a value out of the body: names step into objects, numbers into
// arrays. What is not there is nil; numbers keep their digits.
func (a answer) at(path ...any) any {
	a.t.Helper()
	return pick(a.t, a.body, path...)
}

func pick(t testing.TB, body []byte, path ...any) any {
	t.Helper()
	decoder := json.NewDecoder(bytes.NewReader(body))
	decoder.UseNumber()
	var value any
	require.NoError(t, decoder.Decode(&value), "%s", body)
	for _, step := range path {
		switch s := step.(type) {
		case string:
			object, _ := value.(map[string]any)
			value = object[s]
		case int:
			array, _ := value.([]any)
			if s >= len(array) {
				return nil
			}
			value = array[s]
		}
	}
	return value
}

// text is at as it would be printed, "" for what is not there.
func (a answer) text(path ...any) string {
	a.t.Helper()
	if v := a.at(path...); v != nil {
		return fmt.Sprint(v)
	}
	return ""
}

// count is the length of an array in the body.
func (a answer) count(path ...any) int {
	a.t.Helper()
	array, _ := a.at(path...).([]any)
	return len(array)
}

// id of the resource in the body.
func (a answer) id() string { a.t.Helper(); return a.text("id") }

// refused holds the answer to be an OperationOutcome with that status and, as
// the code of its first error, that type.
func (a answer) refused(status int, code string) {
	a.t.Helper()
	require.Equal(a.t, status, a.status, "%s", a.body)
	require.Equal(a.t, "application/fhir+json; fhirVersion=4.0; charset=utf-8", a.header.Get("Content-Type"))
	require.NotEmpty(a.t, a.header.Get("X-Request-Id"))
	require.Equal(a.t, "OperationOutcome", a.text("resourceType"))
	document, err := fhir.Decode(a.body)
	require.NoError(a.t, err, "%s", a.body)
	document.Release()
	for i := range a.count("issue") {
		if severity := a.text("issue", i, "severity"); severity == "error" || severity == "fatal" {
			require.Equal(a.t, code, a.text("issue", i, "code"), "%s", a.body)
			require.NotEmpty(a.t, a.text("issue", i, "details", "text"))
			return
		}
	}
	require.Fail(a.t, "no error in the outcome", "%s", a.body)
}

// response is a questionnaire response to be sent; a field left "" is left out.
type response struct {
	id, identifier, form, status, patient, authored, source string
	extent, grades, itch, sleep                             string
	// members are further ones at the root, verbatim, each with a comma before.
	members string
}

const (
	selfForm      = "https://tidemark.example/fhir/Questionnaire/scorad-self-assessment|1.0.0"
	clinicianForm = "https://tidemark.example/fhir/Questionnaire/scorad-clinician-assessment|1.0.0"
	portalSystem  = "https://fernway-portal.example/responses"
)

// oona is an invented response, worked out by hand: 20/5 + 3.5*8 + 10 = 42.
func oona(identifier string) response {
	return response{
		identifier: identifier, form: selfForm, status: "completed", patient: "Patient/oona-thistledown",
		authored: "2026-03-04T19:30:00+01:00", source: "RelatedPerson/bram-thistledown",
		extent: "20", grades: "211112", itch: "6", sleep: "4",
	}
}

func (r response) json() string {
	var b strings.Builder
	b.WriteString(`{"resourceType":"QuestionnaireResponse"`)
	member := func(value, format string) {
		if value != "" {
			fmt.Fprintf(&b, ","+format, value)
		}
	}
	member(r.id, `"id":%q`)
	member(r.identifier, `"identifier":{"system":"`+portalSystem+`","value":%q}`)
	member(r.form, `"questionnaire":%q`)
	member(r.status, `"status":%q`)
	member(r.patient, `"subject":{"reference":%q}`)
	member(r.authored, `"authored":%q`)
	member(r.source, `"source":{"reference":%q}`)
	b.WriteString(r.members)
	if items := r.items(); len(items) > 0 {
		b.WriteString(`,"item":[` + strings.Join(items, ",") + `]`)
	}
	b.WriteString(`}`)
	return b.String()
}

// items are the groups that have answers.
func (r response) items() []string {
	var groups []string
	group := func(linkID string, items ...string) {
		if len(items) > 0 {
			groups = append(groups, fmt.Sprintf(`{"linkId":%q,"item":[%s]}`, linkID, strings.Join(items, ",")))
		}
	}
	if r.extent != "" {
		group("extent", `{"linkId":"extent.method","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"direct"}}]}`,
			`{"linkId":"extent.direct","answer":[{"valueDecimal":`+r.extent+`}]}`)
	}
	var signs, symptoms []string
	for i, grade := range r.grades {
		signs = append(signs, fmt.Sprintf(`{"linkId":"intensity.%s","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad-grade","code":%q}}]}`,
			scoring.Sign(i), [...]string{"absent", "mild", "moderate", "severe"}[grade-'0']))
	}
	for _, s := range [][2]string{{"itch", r.itch}, {"sleep-loss", r.sleep}} {
		if s[1] != "" {
			symptoms = append(symptoms, fmt.Sprintf(`{"linkId":"symptoms.%s","answer":[{"valueDecimal":%s}]}`, s[0], s[1]))
		}
	}
	group("intensity", signs...)
	group("symptoms", symptoms...)
	return groups
}
