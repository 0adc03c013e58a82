package api_test

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// invented is a store that stands as a test says.
type invented struct {
	store.Store
	at   time.Time
	gone error
}

// Usage implements store.Store.
func (i *invented) Usage(context.Context) (store.Usage, error) {
	return store.Usage{Bytes: 12345, Queued: 3, Queue: 400}, i.gone
}

// Backlog implements store.Store.
func (i *invented) Backlog(context.Context) ([]store.Backlog, error) {
	return []store.Backlog{{Target: target, Pending: 5, InDoubt: 1, Parked: 2, Overdue: 4, Oldest: i.at.Add(-time.Hour)}}, i.gone
}

// Copies implements store.Store.
func (i *invented) Copies(context.Context) ([]store.Copies, error) {
	return []store.Copies{{Target: "elsewhere", Differing: 9, Oldest: i.at.Add(-9 * time.Hour)}, {Target: target, Differing: 6, Oldest: i.at.Add(-3 * time.Hour)}}, i.gone
}

// Subscriptions implements store.Store.
func (i *invented) Subscriptions(context.Context, []string) ([]store.Subscription, error) {
	of := func(status store.SubscriptionStatus, events, delivered int64, failing time.Duration) store.Subscription {
		s := store.Subscription{SubscriptionState: store.SubscriptionState{Status: status, Events: events, Delivered: delivered}}
		if failing > 0 {
			s.Failing = i.at.Add(-failing)
		}
		return s
	}
	return []store.Subscription{
		of(store.SubscriptionActive, 9, 4, 0), of(store.SubscriptionActive, 3, 3, 5*time.Hour), of(store.SubscriptionError, 8, 1, 4*time.Hour),
		of(store.SubscriptionOff, 50, 10, 0), of(store.SubscriptionRequested, 0, 0, 0),
	}, i.gone
}

// AuditBacklog implements store.Store.
func (i *invented) AuditBacklog(context.Context, string) (int64, time.Time, error) {
	return 7, i.at.Add(-2 * time.Hour), i.gone
}

// requireValues holds series to values; one that is an age, in hours, may have
// grown by what the test took.
func requireValues(t *testing.T, series map[string]float64, values, hours map[string]float64) {
	t.Helper()
	for name, want := range values {
		require.Contains(t, series, "tidemark_"+name)
		require.InDelta(t, want, series["tidemark_"+name], 1e-9, name)
	}
	for name, want := range hours {
		require.Contains(t, series, "tidemark_"+name)
		require.InDelta(t, 3600*want, series["tidemark_"+name], slowMachine.Seconds(), name)
	}
}

// TestGaugesTellWhatIsThere: what an alert rises from is what the database, the
// listeners and the keys are asked, each under its own name.
func TestGaugesTellWhatIsThere(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) { o.Limits = edge.Limits{Total: 70} })
	state := &invented{Store: r.store, at: time.Now()}
	m := r.metrics
	m.Sweeps(target)
	m.AuditShipping(state, "stdout")
	m.Slots(target, func() int { return 3 }, 8)
	known := true
	m.Disk(func() (uint64, bool) { return 54321, known })
	m.Certificate(func() time.Time { return time.Unix(1_900_000_000, 0) })
	m.IssuerKeys(func() []auth.IssuerKeys {
		return []auth.IssuerKeys{{Issuer: "https://a.example", Keys: 2, Fresh: time.Unix(1_800_000_000, 0)}, {Issuer: "https://b.example", Failing: true}}
	})
	a := admin{t, httptest.NewServer(api.Admin(state, m))}
	t.Cleanup(a.Close)
	told := a.series()
	requireValues(t, told, map[string]float64{
		`store_up`: 1, `store_size_bytes`: 12345, `ingest_queue_jobs`: 3, `ingest_queue_jobs_limit`: 400,
		`writeback_pending{target="brindlemoor"}`: 5, `writeback_in_doubt{target="brindlemoor"}`: 1, `writeback_parked{target="brindlemoor"}`: 2, `writeback_overdue{target="brindlemoor"}`: 4,
		`writeback_copies_differing{target="brindlemoor"}`: 6, `audit_ship_pending`: 7,
		`subscriptions{status="requested"}`: 1, `subscriptions{status="active"}`: 2, `subscriptions{status="error"}`: 1, `subscriptions{status="off"}`: 1,
		`notification_events_waiting`:                              5 + 7,
		`writeback_requests_in_flight{target="brindlemoor"}`:       3,
		`writeback_requests_in_flight_limit{target="brindlemoor"}`: 8,
		`http_requests_in_flight_limit`:                            70,
		`store_disk_free_bytes`:                                    54321, `certificate_expiry_timestamp_seconds`: 1_900_000_000,
		`auth_issuer_keys{issuer="https://a.example"}`: 2, `auth_issuer_keys{issuer="https://b.example"}`: 0,
		`auth_issuer_keys_failing{issuer="https://a.example"}`: 0, `auth_issuer_keys_failing{issuer="https://b.example"}`: 1,
		`auth_issuer_keys_fresh_until_timestamp_seconds{issuer="https://a.example"}`: 1_800_000_000,
	}, map[string]float64{
		`writeback_oldest_seconds{target="brindlemoor"}`: 1, `writeback_copies_oldest_look_seconds{target="brindlemoor"}`: 3, `audit_ship_oldest_seconds`: 2, `subscription_failing_seconds`: 5,
	})
	for name := range told {
		require.False(t, strings.HasPrefix(name, "tidemark_build_info") && !strings.Contains(name, `version="9.9.9-test"`), name)
		require.NotContains(t, name, "elsewhere", "a target whose copies are not looked at")
	}
	require.NotContains(t, told, `tidemark_auth_issuer_keys_fresh_until_timestamp_seconds{issuer="https://b.example"}`, "what was never known is no time")

	state.gone, known = errors.New("the database is gone"), false
	told = a.series()
	requireValues(t, told, map[string]float64{`store_up`: 0, `ingest_queue_jobs`: 3, `ingest_queue_jobs_limit`: 400, `http_requests_in_flight_limit`: 70}, nil)
	for _, unknown := range []string{`store_size_bytes`, `store_disk_free_bytes`, `writeback_pending{target="brindlemoor"}`, `writeback_copies_differing{target="brindlemoor"}`,
		`audit_ship_pending`, `subscriptions{status="active"}`, `notification_events_waiting`} {
		require.NotContains(t, told, "tidemark_"+unknown, "what is not known is not 0")
	}
}

// TestCountersOfWhatHappened: each kind of it is counted as what it is, and what did
// not happen is in no time and in no sum.
func TestCountersOfWhatHappened(t *testing.T) {
	t.Parallel()
	broken := &failing{}
	r := newRig(t, func(o *api.Options) { broken.Store, broken.err = o.Store, errors.New("gone"); o.Store = broken })
	require.Equal(t, http.StatusServiceUnavailable, r.get("/fhir/Observation/a").status)
	r.settle()
	m, ctx := r.metrics, t.Context()
	for _, batch := range []groupcommit.Stats{
		{Jobs: 5, Commit: 2 * time.Second}, {Jobs: 1, Commit: time.Second}, {Jobs: 2}, {Jobs: 3, Replayed: true, Commit: time.Second}, {Jobs: 4, Unknown: true, Replayed: true},
	} {
		m.Batch(batch)
	}
	m.Attempt(ctx, api.Attempted{Target: target, Outcome: "delivered", Latency: 2 * time.Second, Delay: time.Minute})
	m.Attempt(ctx, api.Attempted{Target: target, Outcome: "retry", Fault: "connect"})
	m.Token(target, "given", 3)
	m.Token(target, "refused", 0)
	m.Notified("event-notification", "accepted", true, 4, 3*time.Second)
	m.Notified("event-notification", "refused", false, 9, time.Second)
	m.Exported("expired", 6)
	requireValues(t, r.admin().series(), map[string]float64{
		`http_requests_total{method="GET",route="/fhir/Observation/:id",status="5xx"}`: 1,
		`ingest_batches_total{outcome="committed"}`:                                    2, `ingest_batches_total{outcome="empty"}`: 1, `ingest_batches_total{outcome="replayed"}`: 1, `ingest_batches_total{outcome="unknown"}`: 1,
		`ingest_batch_jobs_count`: 5, `ingest_batch_jobs_sum`: 15, `ingest_commit_duration_seconds_count`: 5, `ingest_commit_duration_seconds_sum`: 4,
		`writeback_attempts_total{outcome="delivered",target="brindlemoor"}`: 1, `writeback_attempts_total{outcome="retry",target="brindlemoor"}`: 1,
		`writeback_faults_total{fault="connect",target="brindlemoor"}`:      1,
		`writeback_attempt_duration_seconds_count{target="brindlemoor"}`:    1,
		`writeback_attempt_duration_seconds_sum{target="brindlemoor"}`:      2,
		`writeback_delay_seconds_count{target="brindlemoor"}`:               1,
		`writeback_delay_seconds_sum{target="brindlemoor"}`:                 60,
		`writeback_delay_seconds_bucket{target="brindlemoor",le="60"}`:      1,
		`writeback_delay_seconds_bucket{target="brindlemoor",le="15"}`:      0,
		`writeback_tokens_total{outcome="given",target="brindlemoor"}`:      3,
		`writeback_tokens_total{outcome="refused",target="brindlemoor"}`:    0,
		`notifications_total{kind="event-notification",outcome="accepted"}`: 1,
		`notifications_total{kind="event-notification",outcome="refused"}`:  1,
		`notification_events_total`:                                         4,
		`notification_duration_seconds_sum`:                                 4,
		`exports_total{event="expired"}`:                                    6,
		`exports_total{event="completed"}`:                                  0,
	}, nil)
}

// TestExemplarsAreOfRecordedTraces: whoever follows one finds its trace.
func TestExemplarsAreOfRecordedTraces(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	of := func(id byte, flags trace.TraceFlags) context.Context {
		return trace.ContextWithSpanContext(t.Context(), trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{id}, SpanID: trace.SpanID{1}, TraceFlags: flags}))
	}
	recorded, dropped := of(0xaa, trace.FlagsSampled), of(0xbb, 0)
	r.metrics.Attempt(recorded, api.Attempted{Target: target, Outcome: "delivered", Latency: time.Second, Delay: time.Minute})
	r.metrics.Attempt(dropped, api.Attempted{Target: target, Outcome: "delivered", Latency: time.Hour, Delay: time.Hour})
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, r.admin().URL+"/metrics", nil)
	require.NoError(t, err)
	request.Header.Set("Accept", "application/openmetrics-text; version=1.0.0")
	response, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	for _, metric := range []string{"attempt_duration_seconds", "delay_seconds"} {
		require.Regexp(t, `tidemark_writeback_`+metric+`_bucket\{[^}]*\} \d+ # \{trace_id="aa0{30}"\}`, string(text))
	}
	require.NotContains(t, string(text), "bb000")
}
