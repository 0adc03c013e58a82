package api_test

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// fuzzBase is the FHIR base of a server that is fuzzed in this process.
const fuzzBase = "http://tidemark.example/fhir"

// bench is such a server: without a network, on one store for each worker.
type bench struct {
	handler http.Handler
	store   *countingStore
}

// countingStore counts the versions that were committed.
type countingStore struct {
	store.Store
	committed atomic.Int64
}

// Write implements store.Store.
func (c *countingStore) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	counting := &countingTx{}
	err := c.Store.Write(ctx, keys, func(tx store.Tx) error {
		counting.Tx, counting.written = tx, 0
		return job(counting)
	}, ahead...)
	if err == nil {
		c.committed.Add(counting.written)
	}
	return err
}

// countingTx counts what a job writes of resources.
type countingTx struct {
	store.Tx
	written int64
}

// Put implements store.Tx.
func (c *countingTx) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	c.written++
	return c.Tx.Put(key, method, index, render)
}

// Delete implements store.Tx.
func (c *countingTx) Delete(key store.Key) (store.Resource, error) {
	c.written++
	return c.Tx.Delete(key)
}

func newBench(f *testing.F) *bench {
	f.Helper()
	db, err := sqlite.Open(context.Background(), filepath.Join(f.TempDir(), "fuzz.db"), sqlite.Options{})
	require.NoError(f, err)
	f.Cleanup(func() { require.NoError(f, db.Close()) })
	counting := &countingStore{Store: db}
	return &bench{store: counting, handler: api.New(api.Options{Store: counting, BaseURL: fuzzBase, Targets: []api.Target{{Name: target}}, Version: "9.9.9-test"}, api.NewMetrics()).Handler()}
}

// ask makes one request and holds the answer to what every answer is: no
// failure of the server, and a FHIR resource in JSON; an error is an
// OperationOutcome that names one.
func (b *bench) ask(t testing.TB, method, path, body string, headers ...string) (answer, map[string]any) {
	t.Helper()
	a := record(t, b.handler, method, path, body, headers...)
	require.Less(t, a.status, 500, "%s", a.body)
	if len(a.body) == 0 {
		require.Contains(t, []int{http.StatusNoContent, http.StatusNotModified}, a.status)
		return a, nil
	}
	require.Contains(t, a.header.Get("Content-Type"), "json")
	document, err := fhir.Decode(a.body)
	require.NoError(t, err, "%s", a.body)
	document.Release()
	resource, ok := strictly(a.body)
	require.True(t, ok, "%s", a.body)
	if a.status >= 400 {
		require.Equal(t, "OperationOutcome", resource["resourceType"])
		issues, _ := resource["issue"].([]any)
		require.NotEmpty(t, issues)
		require.True(t, slices.ContainsFunc(issues, func(i any) bool {
			severity := i.(map[string]any)["severity"]
			return severity == "error" || severity == "fatal"
		}), "%s", a.body)
	}
	return a, resource
}

// fetch reads what must be there.
func (b *bench) fetch(t testing.TB, path string) map[string]any {
	t.Helper()
	a, resource := b.ask(t, http.MethodGet, path, "")
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	return resource
}

// judgeStored holds a stored response to what may be stored, and its score to
// the reference.
func (b *bench) judgeStored(t testing.TB, id string) {
	t.Helper()
	response := b.fetch(t, "/fhir/QuestionnaireResponse/"+id)
	status, _ := response["status"].(string)
	require.Contains(t, []string{"in-progress", "completed", "amended", "entered-in-error", "stopped"}, status)
	a, observation := b.ask(t, http.MethodGet, "/fhir/Observation/"+id, "")
	switch status {
	case "completed", "amended":
		require.Equal(t, http.StatusOK, a.status, "what is complete has a score")
		require.Equal(t, map[string]string{"completed": "final", "amended": "amended"}[status], observation["status"])
		judgeScore(t, response, observation)
	case "entered-in-error":
		require.True(t, a.status == http.StatusNotFound || observation["status"] == "entered-in-error", "%s", a.body)
	default:
		require.Equal(t, http.StatusNotFound, a.status, "what is not complete has no score")
	}
}

// valid says whether bytes may be a resource of the type at all, by a decoder
// that is not ours.
func valid(body []byte, resourceType string) (map[string]any, bool) {
	resource, ok := strictly(body)
	return resource, ok && resource["resourceType"] == resourceType
}

// submissions are bodies that fuzzing starts from.
func submissions(f *testing.F) []string {
	f.Helper()
	var all []string
	for _, file := range []string{"../examples/response.json", "../examples/portal-response.json", "../fhir/testdata/response-regions.json"} {
		text, err := os.ReadFile(file)
		require.NoError(f, err)
		all = append(all, string(text))
	}
	unscored, clinician, amended, begun, retracted, flat := oona("f1"), oona("f2"), oona("f3"), oona("f4"), oona("f5"), oona("f6")
	unscored.itch = ""
	clinician.form, clinician.source = clinicianForm, "Practitioner/ilse-varnholt"
	amended.status, begun.status, retracted.status = "amended", "in-progress", "entered-in-error"
	flat.members = `,"extension":[{"url":"https://fernway-portal.example/x","valueDecimal":1.50}]`
	for _, body := range []response{oona("f0"), unscored, clinician, amended, begun, retracted, flat, wrong("f7"), oona("")} {
		all = append(all, body.json())
	}
	// Extents that are half a tenth before they are rounded, from regions that all
	// differ, so that any other weight or rounding gives another score.
	for group, first := range map[string]int{"2-and-over": 1, "1-to-2": 18, "under-1": 8} {
		all = append(all, strings.Replace(oona("regions "+group).json(), extentDirect, byRegions(group, first), 1))
	}
	text := func(old, replacement string) {
		all = append(all, strings.Replace(oona("f8").json(), old, replacement, 1))
	}
	text(`"valueDecimal":6`, `"valueQuantity":{"value":6,"unit":"{score}"}`)
	text(`"valueDecimal":20`, `"valueInteger":20`)
	text(`"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad-grade","code":"moderate"}`, `"valueInteger":2`)
	text(`"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad-grade","code":"moderate"}`, `"valueString":"moderate"`)
	text(`"valueDecimal":6`, `"valueDecimal":6.0e0`)
	text(`"valueDecimal":6`, `"valueDecimal":10.5`)
	text(`"linkId":"intensity.erythema"`, `"linkId":"intensity.oedema"`)
	return all
}

// extentDirect are the items that oona gives the extent by.
const extentDirect = `{"linkId":"extent.method","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"direct"}}]},{"linkId":"extent.direct","answer":[{"valueDecimal":20}]}`

// byRegions are the items that give it by the parts of the body.
func byRegions(group string, first int) string {
	const coding = `{"linkId":"extent.%s","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":%q}}]},`
	text := fmt.Sprintf(coding+coding, "method", "regions", "age-group", group)
	for i, percent := range []int{first, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 0} {
		text += fmt.Sprintf(`{"linkId":"extent.%s","answer":[{"valueInteger":%d}]},`, regions[i], percent)
	}
	return strings.TrimSuffix(text, ",")
}

// FuzzSubmit sends anything as a response, to be kept and to be extracted from:
// bytes as they are, and JSON changed by tokens.
func FuzzSubmit(f *testing.F) {
	for _, body := range submissions(f) {
		f.Add([]byte(body), []byte(nil))
		f.Add([]byte(body), []byte{0, 40, 0, 0, 70, 1, 0, 90, 61})
	}
	b := newBench(f)
	f.Fuzz(func(t *testing.T, body, edits []byte) {
		if len(edits) > 0 {
			body = mutated(body, edits)
		}
		if len(body) == 0 {
			return
		}
		before := b.store.committed.Load()
		a, resource := b.ask(t, http.MethodPost, responsePath+"/$extract", string(body))
		require.Equal(t, before, b.store.committed.Load(), "an extraction stores nothing")
		if a.status == http.StatusOK {
			sent, ok := valid(body, "QuestionnaireResponse")
			require.True(t, ok, "%s", body)
			if observation := extracted(resource); observation != nil {
				judgeScore(t, sent, observation)
			} else {
				require.NotContains(t, []any{"completed", "amended"}, sent["status"])
			}
		}
		a, resource = b.ask(t, http.MethodPost, responsePath, string(body))
		if a.status >= 300 {
			require.Equal(t, before, b.store.committed.Load(), "what is refused is not stored")
			return
		}
		_, ok := valid(body, "QuestionnaireResponse")
		require.True(t, ok, "%s", body)
		id, _ := resource["id"].(string)
		b.judgeStored(t, id)
	})
}

// extracted is the Observation of an extraction, alone or beside warnings; nil
// if there is none.
func extracted(resource map[string]any) map[string]any {
	if resource["resourceType"] == "Observation" {
		return resource
	}
	parameters, _ := resource["parameter"].([]any)
	for _, p := range parameters {
		if parameter := p.(map[string]any); parameter["name"] == "return" {
			return parameter["resource"].(map[string]any)
		}
	}
	return nil
}

// FuzzBundle sends anything to the base, as FuzzSubmit does.
func FuzzBundle(f *testing.F) {
	add := func(body string) {
		f.Add([]byte(body), []byte(nil))
		f.Add([]byte(body), []byte{0, 30, 0, 0, 80, 1, 0, 60, 77})
	}
	for _, body := range submissions(f) {
		for _, kind := range []string{"transaction", "batch"} {
			add(bundleOf(kind, entryOf(http.MethodPost, "QuestionnaireResponse", body)))
		}
	}
	patient := `{"fullUrl":"urn:uuid:0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d","resource":{"resourceType":"Patient","identifier":[{"system":"https://brindlemoor.example/mrn","value":"7"}]},"request":{"method":"PUT","url":"Patient?identifier=https://brindlemoor.example/mrn|7"}}`
	linked := oona("f9")
	linked.patient = "urn:uuid:0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d"
	for _, kind := range []string{"transaction", "batch"} {
		add(bundleOf(kind, patient, postOf(linked)))
		add(bundleOf(kind, postOf(oona("fa")), postOf(wrong("fb"))))
		add(bundleOf(kind, entryOf(http.MethodPut, "QuestionnaireResponse?identifier=fa", oona("fa").json()), entryOf(http.MethodDelete, "QuestionnaireResponse?identifier=fb", "")))
		add(bundleOf(kind, entryOf(http.MethodGet, "Observation?patient=oona-thistledown", ""), entryOf(http.MethodGet, "metadata", ""), entryOf(http.MethodHead, "Observation", "")))
		add(bundleOf(kind, entryOf(http.MethodPost, "QuestionnaireResponse/$extract", oona("fc").json()), postOf(oona("fd"), `,"ifNoneExist":"identifier=fd"`), postOf(oona("fe"), `,"ifMatch":"W/\"1\""`)))
		add(bundleOf(kind))
	}
	b := newBench(f)
	f.Fuzz(func(t *testing.T, body, edits []byte) {
		if len(edits) > 0 {
			body = mutated(body, edits)
		}
		if len(body) == 0 {
			return
		}
		before := b.store.committed.Load()
		a, resource := b.ask(t, http.MethodPost, "/fhir", string(body))
		if a.status >= 300 {
			require.Equal(t, before, b.store.committed.Load(), "a Bundle that is refused stores nothing")
			return
		}
		sent, ok := valid(body, "Bundle")
		require.True(t, ok, "%s", body)
		b.judgeBundle(t, sent, resource)
	})
}

// judgeBundle holds the answer to a Bundle to what was sent.
func (b *bench) judgeBundle(t testing.TB, sent, answered map[string]any) {
	t.Helper()
	kind, _ := sent["type"].(string)
	require.Contains(t, []string{"transaction", "batch"}, kind)
	require.Equal(t, kind+"-response", answered["type"])
	entries, _ := sent["entry"].([]any)
	answers, _ := answered["entry"].([]any)
	require.Len(t, answers, len(entries), "an answer for each entry, in their order")
	for _, e := range answers {
		response, _ := e.(map[string]any)["response"].(map[string]any)
		status, _ := response["status"].(string)
		require.Regexp(t, `^[2-4]\d\d`, status)
		if kind == "transaction" {
			require.Regexp(t, `^2`, status, "all of a transaction or nothing")
		}
		location, _ := response["location"].(string)
		kept, ours := strings.CutPrefix(location, fuzzBase+"/QuestionnaireResponse/")
		if ours && status[0] == '2' {
			id, _, _ := strings.Cut(kept, "/")
			if a := record(t, b.handler, http.MethodGet, responsePath+"/"+id, ""); a.status != http.StatusGone {
				b.judgeStored(t, id)
			}
		}
	}
}

// searchPaths are what is searched or computed over, with the type of the answer.
var searchPaths = []struct{ path, answer string }{
	{"QuestionnaireResponse", "Bundle"}, {"Observation", "Bundle"}, {"Provenance", "Bundle"}, {"Device", "Bundle"},
	{"Questionnaire", "Bundle"}, {"CodeSystem", "Bundle"}, {"ValueSet", "Bundle"}, {"StructureDefinition", "Bundle"}, {"OperationDefinition", "Bundle"},
	{"Observation/$lastn", "Bundle"}, {"Observation/$stats", "Parameters"}, {"Observation/$scorad-trend", "Parameters"}, {"Observation/$scorad-agreement", "Parameters"},
}

// FuzzSearch asks with any parameters, by GET and by POST.
func FuzzSearch(f *testing.F) {
	for _, query := range []string{
		"", "patient=oona-thistledown&_sort=-date", "_id=a,b&_count=1&_total=accurate", "identifier=|f0", "date=ge2026-03&date=lt2027", "code=scorad&_elements=status",
		"code-value-quantity=scorad$gt40", "component-code-value-quantity=objective$le83.00", "value-quantity=42||{score}", "_include=Observation:derived-from&_revinclude=Provenance:target",
		"_has:Provenance:target:agent=x", "derived-from:QuestionnaireResponse.status=completed", "_summary=count", "_summary=true&_format=json&_pretty=true", "status:not=final&patient:missing=false",
		"patient.identifier=x|y", "_lastUpdated=gt2020-01-01T00:00:00Z&_sort=date,-_id", "url=https://tidemark.example/fhir/Questionnaire/scorad-self-assessment|1.0.0",
		"patient=oona-thistledown&code=scorad&statistic=average,count", "category=survey&max=2&patient=Patient/oona-thistledown", "patient=oona-thistledown&start=2026-01&end=2026-12-31&baseline=2026-02-02&measure=objective", "start=2026-03&one-per-patient=true", "_cursor=AAAA", "name:exact=a%5C,b&_contained=true", "%zz", "a=b&=&;=",
		"title:contains=SCORAD&version=1.0.0&context-type-value=x$y", "_filter=a eq b", "_query=x", "patient=a'--&identifier=%00",
	} {
		for i := range searchPaths {
			f.Add(byte(i), query)
		}
	}
	b := newBench(f)
	owner := map[string]bool{}
	for i, body := range append(submissions(f), strings.ReplaceAll(oona("g1").json(), "oona-thistledown", "casper-quillfeather")) {
		if a := record(f, b.handler, http.MethodPost, responsePath, body); a.status == http.StatusCreated {
			require.NotEmpty(f, a.id(), i)
			owner[a.id()] = strings.HasSuffix(a.text("subject", "reference"), "Patient/oona-thistledown")
		}
	}
	require.GreaterOrEqual(f, len(owner), 5)
	f.Fuzz(func(t *testing.T, which byte, query string) {
		t.Parallel() // the seeds; it changes nothing that is kept
		to := searchPaths[int(which)%len(searchPaths)]
		a, resource := b.ask(t, http.MethodGet, "/fhir/"+to.path+"?"+query, "")
		if a.status == http.StatusOK {
			require.Contains(t, []any{to.answer, "Observation"}, resource["resourceType"], "%s", a.body)
			if to.answer == "Bundle" {
				require.Equal(t, "Bundle", resource["resourceType"])
			}
		}
		if !strings.Contains(to.path, "$") {
			posted, _ := b.ask(t, http.MethodPost, "/fhir/"+to.path+"/_search", query, "Content-Type", formType)
			if a.status == http.StatusOK && posted.status == http.StatusOK {
				require.Equal(t, matched(resource), matched(mustStrictly(t, posted.body)), "asked by POST the answer is the same")
			}
		}
		if to.path != "Observation" && to.path != "QuestionnaireResponse" {
			return
		}
		narrowed, resource := b.ask(t, http.MethodGet, "/fhir/"+to.path+"?"+query+"&patient=oona-thistledown", "")
		if narrowed.status == http.StatusOK {
			for _, id := range matched(resource) {
				require.True(t, owner[id], "a search for one patient finds nothing of another: %s", id)
			}
		}
	})
}

// formType is what a search is posted as.
const formType = "application/x-www-form-urlencoded"

func mustStrictly(t testing.TB, body []byte) map[string]any {
	t.Helper()
	resource, ok := strictly(body)
	require.True(t, ok, "%s", body)
	return resource
}

// matched are the ids of the matches, in their order.
func matched(bundle map[string]any) (ids []string) {
	entries, _ := bundle["entry"].([]any)
	for _, e := range entries {
		entry := e.(map[string]any)
		search, _ := entry["search"].(map[string]any)
		resource, _ := entry["resource"].(map[string]any)
		if id, ok := resource["id"].(string); ok && search["mode"] == "match" {
			ids = append(ids, id)
		}
	}
	return ids
}
