package api_test

import (
	"flag"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
)

var update = flag.Bool("update", false, "write the reference of the metrics anew")

const metricsPage = "../deploy/prometheus/metrics.md"

// exercised gives a rig on which every metric has a value.
func exercised(t *testing.T) (*rig, admin) {
	t.Helper()
	r := newRig(t)
	m := r.metrics
	m.Sweeps(target)
	m.LookedAt(target, "changed", true, true)
	m.WriteMode(target, "search-then-write", "conditional-update")
	m.Paused(target, true)
	m.Token(target, "given", 1)
	m.Attempt(t.Context(), api.Attempted{Target: target, Outcome: "delivered", Latency: time.Second, Delay: time.Minute})
	m.Attempt(t.Context(), api.Attempted{Target: target, Outcome: "retry", Fault: "connect"})
	m.Slots(target, func() int { return 3 }, 4)
	m.Disk(func() (uint64, bool) { return 5, true })
	m.Certificate(func() time.Time { return time.Unix(6, 0) })
	m.ClientCertificate("ehr", func() time.Time { return time.Unix(6, 0) })
	m.IssuerKeys(func() []auth.IssuerKeys {
		return []auth.IssuerKeys{{Issuer: "https://brindlemoor.example", Keys: 2, Fresh: time.Unix(7, 0), Failing: true}}
	})
	m.Notified("event-notification", "accepted", true, 1, time.Second)
	m.AuditShipping(r.store, "stdout")
	api.CountUnauthorised(m, "expired")
	r.create(oona("exercised").json())
	r.do(http.MethodPost, responsePath, "{")
	a := r.admin()
	require.Eventually(t, func() bool { return a.series()["tidemark_ingest_batch_jobs_count"] >= 2 }, patience, waiting)
	return r, a
}

// kinds are the types as the reference names them.
var kinds = map[dto.MetricType]string{dto.MetricType_COUNTER: "counter", dto.MetricType_GAUGE: "gauge", dto.MetricType_HISTOGRAM: "histogram"}

// TestMetricsAreAsDefined: what is scraped is what the reference says, and there
// is nothing in the one that is not in the other.
func TestMetricsAreAsDefined(t *testing.T) {
	t.Parallel()
	r, _ := exercised(t)
	families, err := r.metrics.Registry.Gather()
	require.NoError(t, err)
	var found []api.Definition
	for _, family := range families {
		if !strings.HasPrefix(family.GetName(), "tidemark_") {
			continue
		}
		require.Contains(t, kinds, family.GetType(), family.GetName())
		d := api.Definition{Name: family.GetName(), Help: family.GetHelp(), Type: kinds[family.GetType()]}
		for _, label := range family.GetMetric()[0].GetLabel() {
			d.Labels = append(d.Labels, label.GetName())
		}
		found = append(found, d)
		if h := family.GetMetric()[0].GetHistogram(); h != nil {
			require.NotEmpty(t, h.GetBucket(), "%s has classic buckets", d.Name)
			require.NotNil(t, h.Schema, "%s is native too", d.Name)
		}
	}
	defined := r.metrics.Definitions()
	for i := range defined {
		defined[i].Labels = slices.Sorted(slices.Values(defined[i].Labels))
	}
	require.Equal(t, defined, found)
}

// TestMetricsFollowConventions: Prometheus's own linter finds nothing, on all that
// is exposed.
func TestMetricsFollowConventions(t *testing.T) {
	t.Parallel()
	r, a := exercised(t)
	status, text := a.get("/metrics")
	require.Equal(t, http.StatusOK, status)
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	require.NoError(t, err)
	require.Empty(t, problems)
	for _, d := range r.metrics.Definitions() {
		require.Regexp(t, `^tidemark(_[a-z]+)+$`, d.Name)
		require.True(t, strings.HasSuffix(d.Help, "."), "%s: %s", d.Name, d.Help)
		require.NotContains(t, d.Help, "|", "the help of %s stands in a table", d.Name)
	}
}

// TestMetricsPage: the reference is what the program has. It is written by
//
//	go test ./api -run MetricsPage -update
func TestMetricsPage(t *testing.T) {
	t.Parallel()
	var page strings.Builder
	page.WriteString("# Metrics\n\n" +
		"All of the program's own, from the registry that `/metrics` on the admin listener serves; written by\n" +
		"`go test ./api -run MetricsPage -update`, and a test fails while it differs. Beside them are those of Prometheus's library about the\n" +
		"process (`process_*`, `go_*`).\n\n" +
		"No label holds anything that was sent: a `target` is a name of the settings, an `issuer` a URL of them, a `route` a\n" +
		"template, and the others come from closed lists. Gauges under `tidemark_writeback_`, `tidemark_audit_ship_`,\n" +
		"`tidemark_subscription` and `tidemark_notification_events_waiting` that are read from the database are the same on every replica: take\n" +
		"the `max`; of counters and histograms the `sum`. Histograms are native too (Prometheus scrapes them by protobuf, with\n" +
		"native histograms enabled). OpenMetrics has exemplars with the `trace_id` of requests that are traced.\n\n" +
		"| metric | type | labels | meaning |\n|---|---|---|---|\n")
	for _, d := range api.NewMetrics().Definitions() {
		labels := "none"
		if len(d.Labels) > 0 {
			labels = "`" + strings.Join(d.Labels, "`, `") + "`"
		}
		fmt.Fprintf(&page, "| `%s` | %s | %s | %s |\n", d.Name, d.Type, labels, d.Help)
	}
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(metricsPage), 0o755))
		require.NoError(t, os.WriteFile(metricsPage, []byte(page.String()), 0o644))
	}
	written, err := os.ReadFile(metricsPage)
	require.NoError(t, err)
	require.Equal(t, page.String(), string(written), "write it again: go test ./api -run MetricsPage -update")
}

// TestMetricsAreMadeInOnePlace: whatever is registered otherwise would be missing
// in the reference.
func TestMetricsAreMadeInOnePlace(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../*/*.go")
	require.NoError(t, err)
	more, err := filepath.Glob("../*/*/*.go")
	require.NoError(t, err)
	makes := regexp.MustCompile(`prometheus\.New(Counter|Gauge|Histogram|Summary|Untyped|Desc)|promauto\.`)
	made := 0
	for _, file := range append(files, more...) {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		if filepath.Base(file) == "metrics_define.go" {
			made += len(makes.FindAll(text, -1))
			continue
		}
		require.NotRegexp(t, makes, string(text), "%s: make metrics with the definitions", file)
	}
	require.Positive(t, made)
}
