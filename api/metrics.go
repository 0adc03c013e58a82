package api

import (
	"context"
	"net/http"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store/groupcommit"
	"tidemark.example/tidemark/scoring"
)

// Metrics are the program's counters, in a registry of their own. No label
// ever holds anything that was sent: routes are templates, reasons, bands and
// outcomes come from closed lists. deploy/prometheus/metrics.md lists them all.
type Metrics struct {
	Registry *prometheus.Registry
	definitions

	requests  *prometheus.CounterVec
	latency   *prometheus.HistogramVec
	inFlight  prometheus.Gauge
	mostFlow  prometheus.Gauge
	received  *prometheus.CounterVec
	responses *prometheus.CounterVec
	refusals  *prometheus.CounterVec
	throttled *prometheus.CounterVec
	scores    *prometheus.CounterVec
	births    *prometheus.CounterVec
	ingest
	writebacks
	copies *copies
	audits
	unauthorised *prometheus.CounterVec
	notifications
	exports
	scraped
	saturation

	// targets are those of the write-back, which have their gauges even when
	// nothing is due.
	targets []string
}

// NewMetrics makes the counters and registers them.
func NewMetrics() *Metrics {
	m := &Metrics{Registry: prometheus.NewRegistry()}
	m.definitions.registry = m.Registry
	m.Registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.newHTTP()
	m.newResponses()
	m.newIngest()
	m.newWritebacks()
	m.newCopies()
	m.newAudits()
	m.newNotifications()
	m.newExports()
	m.newScraped()
	m.newSaturation()
	return m
}

// Definitions are all metrics of the program's own, in order of their names.
func (m *Metrics) Definitions() []Definition { return m.sorted() }

// Build says which program this is; the algorithm is that of the scores.
func (m *Metrics) Build(version string) {
	m.build.Reset()
	m.build.WithLabelValues(version, runtime.Version(), scoring.AlgorithmVersion).Set(1)
}

func (m *Metrics) newHTTP() {
	m.requests = m.counter("tidemark_http_requests_total", "Requests by route template, method and status class.", "route", "method", "status")
	m.latency = m.histogram("tidemark_http_request_duration_seconds", "Time to answer, by route template.",
		prometheus.ExponentialBuckets(0.0005, 2, 15), "route")
	m.inFlight = m.gauge("tidemark_http_requests_in_flight", "Requests that are worked on now.").WithLabelValues()
	m.mostFlow = m.gauge("tidemark_http_requests_in_flight_limit", "Requests that are worked on at once at most; 0 is no limit.").WithLabelValues()
	m.throttled = m.counter("tidemark_requests_throttled_total", "Requests that were not taken, by the limit that they were over: rate or concurrency of a client, capacity of the server.", "limit")
	for _, limit := range []string{"rate", "concurrency", "capacity"} {
		m.throttled.WithLabelValues(limit)
	}
	m.unauthorised = m.counter("tidemark_auth_refused_total", "Requests refused for their access token or its scopes, by reason; admin-token is of the admin listener.", "reason")
}

func (m *Metrics) newResponses() {
	m.received = m.counter("tidemark_submissions_received_total", "Requests that change which responses are kept, by interaction, before anything is judged; a Bundle is one.", "interaction")
	m.responses = m.counter("tidemark_responses_accepted_total", "Questionnaire responses accepted, by their status; replayed are repetitions.", "status")
	m.refusals = m.counter("tidemark_responses_refused_total", "Questionnaire responses refused, by the type of their first issue.", "reason")
	for _, reason := range []fhir.IssueType{fhir.IssueNoStore, fhir.IssueException} {
		m.refusals.WithLabelValues(string(reason)) // so that an alert has something to rise from
	}
	m.births = m.counter("tidemark_birth_lookups_total", "Birth dates asked for at a hospital's server, by outcome; skipped were not asked for, since too many were at once or one before had failed.", "outcome")
	for _, outcome := range birthOutcomes {
		m.births.WithLabelValues(outcome)
	}
	m.scores = m.counter("tidemark_scores_total", "Scores written, by band and rater; band none had no total.", "band", "rater")
}

// ingest is what is counted of the store's one writer.
type ingest struct {
	batch   prometheus.Histogram
	commit  prometheus.Histogram
	batches *prometheus.CounterVec
}

func (m *Metrics) newIngest() {
	m.batch = m.histogram("tidemark_ingest_batch_jobs", "Jobs in one batch of the store's writer.", prometheus.ExponentialBuckets(1, 2, 8)).WithLabelValues().(prometheus.Histogram)
	m.commit = m.histogram("tidemark_ingest_commit_duration_seconds", "Time to make a batch durable.", prometheus.ExponentialBuckets(0.0005, 2, 14)).WithLabelValues().(prometheus.Histogram)
	m.batches = m.counter("tidemark_ingest_batches_total",
		"Batches of the store's writer, by how they ended: committed, empty (no job had anything to keep, or there was no transaction), replayed (lost and done again job by job) or unknown (the COMMIT failed).", "outcome")
	for _, outcome := range []string{"committed", "empty", "replayed", "unknown"} {
		m.batches.WithLabelValues(outcome)
	}
}

// Batch counts one batch of the store's writer.
func (m *Metrics) Batch(stats groupcommit.Stats) {
	outcome := "committed"
	switch {
	case stats.Unknown:
		outcome = "unknown"
	case stats.Replayed:
		outcome = "replayed"
	case stats.Commit == 0:
		outcome = "empty"
	}
	m.batches.WithLabelValues(outcome).Inc()
	m.batch.Observe(float64(stats.Jobs))
	m.commit.Observe(stats.Commit.Seconds())
}

// observe adds to a histogram, with the trace it comes from as an exemplar, so
// that whoever sees a slow one can look at that very request.
func observe(ctx context.Context, to prometheus.Observer, value float64) {
	if of := trace.SpanContextFromContext(ctx); of.IsSampled() {
		to.(prometheus.ExemplarObserver).ObserveWithExemplar(value, prometheus.Labels{"trace_id": of.TraceID().String()})
		return
	}
	to.Observe(value)
}

// statusClass is the label of a status.
func statusClass(status int) string {
	return [...]string{"1xx", "2xx", "3xx", "4xx", "5xx"}[min(max(status/100, 1), 5)-1]
}

// methodLabel keeps made-up methods out of the labels.
func methodLabel(method string) string {
	switch method {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodPatch, http.MethodOptions:
		return method
	}
	return "other"
}

func (m *Metrics) accepted(status string) { m.responses.WithLabelValues(status).Inc() }

func (m *Metrics) refused(reason string) { m.refusals.WithLabelValues(reason).Inc() }
