package api_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
)

// admin is the admin listener of a rig.
type admin struct {
	t testing.TB
	*httptest.Server
}

func (r *rig) admin() admin {
	a := admin{r.t, httptest.NewServer(api.Admin(r.store, r.metrics))}
	r.t.Cleanup(a.Close)
	return a
}

// get gives status and body.
func (a admin) get(path string) (int, string) {
	a.t.Helper()
	response, err := http.Get(a.URL + path)
	require.NoError(a.t, err)
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	require.NoError(a.t, err)
	return response.StatusCode, string(body)
}

// series are the samples of the program itself, as name{labels}.
func (a admin) series() map[string]float64 {
	a.t.Helper()
	status, text := a.get("/metrics")
	require.Equal(a.t, http.StatusOK, status, text)
	all := map[string]float64{}
	for line := range strings.Lines(text) {
		if name, value, ok := strings.Cut(strings.TrimSpace(line), " "); ok && strings.HasPrefix(name, "tidemark_") {
			n, err := strconv.ParseFloat(value, 64)
			require.NoError(a.t, err, line)
			all[name] = n
		}
	}
	require.NotEmpty(a.t, all)
	return all
}

func TestProbes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a := r.admin()
	status, text := a.get("/healthz")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "ok\n", text)
	status, text = a.get("/readyz")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "ready\n", text)
	r.create(oona("probes").json())

	require.NoError(t, r.store.Close())
	status, text = a.get("/readyz")
	require.Equal(t, http.StatusServiceUnavailable, status)
	require.Equal(t, "the database does not answer\n", text)
	status, _ = a.get("/healthz")
	require.Equal(t, http.StatusOK, status, "it lives; a restart would not help")
	series := a.series()
	require.EqualValues(t, 1, series[`tidemark_responses_accepted_total{status="completed"}`], "the other numbers are there")
	require.NotContains(t, series, `tidemark_writeback_pending{target="brindlemoor"}`, "what is not known is not 0")
}

func TestAdminOffersNothingElse(t *testing.T) {
	t.Parallel()
	a := newRig(t).admin()
	for _, path := range []string{"/", "/fhir/metadata", "/debug/pprof/", "/metrics/x", "/readyz/"} {
		status, _ := a.get(path)
		require.Equal(t, http.StatusNotFound, status, path)
	}
	for _, path := range []string{"/metrics", "/healthz", "/readyz"} {
		response, err := http.Post(a.URL+path, "text/plain", strings.NewReader("x"))
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		require.Equal(t, http.StatusMethodNotAllowed, response.StatusCode, path)
	}
}

// moved is what changed between two scrapes, without the times, and without what
// the audit trail counts, which has tests of its own. Every request is a job, since
// it is on record.
func moved(before, after map[string]float64) map[string]float64 {
	changed := map[string]float64{}
	for name, value := range after {
		if strings.Contains(name, "seconds") || strings.HasPrefix(name, "tidemark_store_") || strings.HasPrefix(name, "tidemark_ingest_batches_") || strings.Contains(name, "_bucket") || strings.HasPrefix(name, "tidemark_audit_") || value == before[name] {
			continue
		}
		changed[name] = value - before[name]
	}
	return changed
}

func TestCountersMove(t *testing.T) {
	t.Parallel()
	const (
		posted   = `tidemark_http_requests_total{method="POST",route="/fhir/QuestionnaireResponse",status="%sxx"}`
		bundled  = `tidemark_http_requests_total{method="POST",route="/fhir",status="%sxx"}`
		accepted = `tidemark_responses_accepted_total{status="%s"}`
		refused  = `tidemark_responses_refused_total{reason="%s"}`
		scores   = `tidemark_scores_total{band="%s",rater="%s"}`
		pending  = `tidemark_writeback_pending{target="brindlemoor"}`
		wanted   = `tidemark_writeback_wanted_total{target="brindlemoor"}`
		received = `tidemark_submissions_received_total{interaction="%s"}`
		jobs     = "tidemark_ingest_batch_jobs_"
	)
	unscored, clinician, begun, severe := oona("move"), oona("move"), oona("move"), oona("move")
	unscored.itch = ""
	clinician.form, clinician.source = clinicianForm, "Practitioner/ilse-varnholt"
	begun.status = "in-progress"
	severe.extent, severe.grades = "100", "333333"
	post := func(body response) func(*rig) {
		return func(r *rig) { r.do(http.MethodPost, responsePath, body.json()) }
	}
	cases := map[string]struct {
		do   func(*rig)
		want map[string]float64
	}{
		"a response": {post(oona("move")), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "completed"): 1, fmt.Sprintf(scores, "moderate", "self"): 1, pending: 1, wanted: 1, jobs + "sum": 1, jobs + "count": 1}},
		"a severe one": {post(severe), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "completed"): 1, fmt.Sprintf(scores, "severe", "self"): 1, pending: 1, wanted: 1, jobs + "sum": 1, jobs + "count": 1}},
		"a clinician's": {post(clinician), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "completed"): 1, fmt.Sprintf(scores, "moderate", "clinician"): 1, pending: 1, wanted: 1, jobs + "sum": 1, jobs + "count": 1}},
		"one without a total": {post(unscored), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "completed"): 1, fmt.Sprintf(scores, "none", "self"): 1, pending: 1, wanted: 1, jobs + "sum": 1, jobs + "count": 1}},
		"one begun": {post(begun), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "in-progress"): 1, jobs + "sum": 1, jobs + "count": 1}},
		"one repeated": {post(oona("stored")), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "replayed"): 1, jobs + "sum": 1, jobs + "count": 1}},
		"one refused by a rule": {post(wrong("move")), map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "4"): 1, fmt.Sprintf(refused, "value"): 1, jobs + "sum": 1, jobs + "count": 1}},
		"one that is no FHIR": {func(r *rig) { r.do(http.MethodPost, responsePath, "{") }, map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "4"): 1, fmt.Sprintf(refused, "structure"): 1, jobs + "sum": 1, jobs + "count": 1}},
		"an extract": {func(r *rig) { r.do(http.MethodPost, responsePath+"/$extract", oona("move").json()) }, map[string]float64{
			`tidemark_http_requests_total{method="POST",route="/fhir/QuestionnaireResponse/$extract",status="2xx"}`: 1, jobs + "sum": 1, jobs + "count": 1}},
		"a refused extract": {func(r *rig) { r.do(http.MethodPost, responsePath+"/$extract", "{") }, map[string]float64{
			`tidemark_http_requests_total{method="POST",route="/fhir/QuestionnaireResponse/$extract",status="4xx"}`: 1, jobs + "sum": 1, jobs + "count": 1}},
		"a transaction": {func(r *rig) { r.bundle("transaction", postOf(oona("move-1")), postOf(oona("move-2"))) }, map[string]float64{
			fmt.Sprintf(received, "transaction"): 1, fmt.Sprintf(bundled, "2"): 1, fmt.Sprintf(accepted, "completed"): 2, fmt.Sprintf(scores, "moderate", "self"): 2, pending: 2, wanted: 2, jobs + "sum": 1, jobs + "count": 1}},
		"a refused transaction": {func(r *rig) { r.bundle("transaction", postOf(oona("move-1")), postOf(wrong("move-2"))) }, map[string]float64{
			fmt.Sprintf(received, "transaction"): 1, fmt.Sprintf(bundled, "4"): 1, fmt.Sprintf(refused, "value"): 1, jobs + "sum": 1, jobs + "count": 1}},
		"a batch": {func(r *rig) {
			r.bundle("batch", postOf(oona("move-1")), postOf(wrong("move-2")), entryOf(http.MethodGet, "Observation/none", ""))
		}, map[string]float64{
			fmt.Sprintf(received, "transaction"): 1, fmt.Sprintf(bundled, "2"): 1, fmt.Sprintf(accepted, "completed"): 1, fmt.Sprintf(refused, "value"): 1,
			fmt.Sprintf(scores, "moderate", "self"): 1, pending: 1, wanted: 1, jobs + "sum": 4, jobs + "count": 4}},
		"one taken back": {func(r *rig) {
			back := oona("stored")
			back.status = "entered-in-error"
			r.do(http.MethodPost, responsePath, back.json())
		}, map[string]float64{
			fmt.Sprintf(received, "create"): 1, fmt.Sprintf(posted, "2"): 1, fmt.Sprintf(accepted, "entered-in-error"): 1, wanted: 1, jobs + "sum": 1, jobs + "count": 1}},
		"a read":           {func(r *rig) { r.get("/fhir/Observation/none") }, map[string]float64{`tidemark_http_requests_total{method="GET",route="/fhir/Observation/:id",status="4xx"}`: 1, jobs + "sum": 1, jobs + "count": 1}},
		"nothing":          {func(r *rig) { r.get("/nothing") }, map[string]float64{`tidemark_http_requests_total{method="GET",route="none",status="4xx"}`: 1, jobs + "sum": 1, jobs + "count": 1}},
		"a made-up method": {func(r *rig) { r.do("OONA", "/fhir/metadata", "") }, map[string]float64{`tidemark_http_requests_total{method="other",route="none",status="4xx"}`: 1, jobs + "sum": 1, jobs + "count": 1}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			r.create(oona("stored").json())
			a := r.admin()
			// A batch is counted behind the answers to its jobs.
			var before, after map[string]float64
			require.Eventually(t, func() bool { before = a.series(); return before[jobs+"count"] == 1 }, patience, waiting)
			r.settle()
			before = a.series()
			c.do(r)
			r.settle()
			require.Eventually(t, func() bool {
				after = a.series()
				return after[jobs+"count"] == before[jobs+"count"]+c.want[jobs+"count"]
			}, patience, waiting)
			require.Equal(t, c.want, moved(before, after))
		})
	}
}

func TestWriteBackGauges(t *testing.T) {
	t.Parallel()
	gauge := func(a admin, name, target string) float64 {
		value, ok := a.series()["tidemark_writeback_"+name+`{target="`+target+`"}`]
		require.True(t, ok, "%s of %s is not there", name, target)
		return value
	}
	r := newRig(t, func(o *api.Options) { o.Targets = append(o.Targets, api.Target{Name: "registry"}) })
	a := r.admin()
	for _, name := range []string{"pending", "in_doubt", "parked", "oldest_seconds"} {
		require.Zero(t, gauge(a, name, target), "there from the start")
		require.Zero(t, gauge(a, name, "registry"))
	}
	for i := range 3 {
		r.create(oona(fmt.Sprint("gauge-", i)).json())
	}
	time.Sleep(20 * time.Millisecond)
	require.EqualValues(t, 3, gauge(a, "pending", target))
	require.Greater(t, gauge(a, "oldest_seconds", target), 0.01)
	require.Less(t, gauge(a, "oldest_seconds", target), slowMachine.Seconds())

	ctx := context.Background()
	claimed, err := r.store.Claim(ctx, target, "worker", time.Minute, 10)
	require.NoError(t, err)
	require.Len(t, claimed, 3)
	outcomes := []func(*store.Delivery){
		func(d *store.Delivery) { d.Delivered = d.Wanted },
		func(d *store.Delivery) { d.InDoubt = true },
		func(d *store.Delivery) { d.Parked, d.Reason = true, "refused" },
	}
	for i, d := range claimed {
		require.NoError(t, r.store.Begin(ctx, d))
		outcomes[i](&d)
		require.NoError(t, r.store.Record(ctx, d))
	}
	require.EqualValues(t, 1, gauge(a, "pending", target))
	require.EqualValues(t, 1, gauge(a, "in_doubt", target))
	require.EqualValues(t, 1, gauge(a, "parked", target))
	require.EqualValues(t, 3, gauge(a, "pending", "registry"), "each target by itself")

	r.metrics.Attempt(ctx, api.Attempted{Target: target, Outcome: "delivered"})
	require.EqualValues(t, 1, a.series()[`tidemark_writeback_attempts_total{outcome="delivered",target="brindlemoor"}`])
}
