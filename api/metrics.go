package api

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// Metrics are the program's counters, in a registry of their own. No label
// ever holds anything that was sent: routes are templates, reasons, bands and
// outcomes come from closed lists.
type Metrics struct {
	Registry *prometheus.Registry

	requests  *prometheus.CounterVec
	latency   *prometheus.HistogramVec
	responses *prometheus.CounterVec
	refusals  *prometheus.CounterVec
	throttled *prometheus.CounterVec
	scores    *prometheus.CounterVec
	batch     prometheus.Histogram
	commit    prometheus.Histogram
	attempts  *prometheus.CounterVec
	writebacks
	copies *copies

	audits          *prometheus.CounterVec
	auditLost       prometheus.Counter
	auditSummarised prometheus.Counter
	unauthorised    *prometheus.CounterVec

	notifications    *prometheus.CounterVec
	notifiedEvents   prometheus.Counter
	notificationTime prometheus.Histogram

	// targets are those of the write-back, which have their gauges even when
	// nothing is due.
	targets []string
}

// NewMetrics makes the counters and registers them.
func NewMetrics() *Metrics {
	m := &Metrics{
		Registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_http_requests_total", Help: "Requests by route template, method and status class.",
		}, []string{"route", "method", "status"}),
		latency: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "tidemark_http_request_duration_seconds", Help: "Time to answer, by route template.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 15),
		}, []string{"route"}),
		responses: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_responses_accepted_total", Help: "Questionnaire responses accepted, by their status; replayed are repetitions.",
		}, []string{"status"}),
		refusals: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_responses_refused_total", Help: "Questionnaire responses refused, by the type of their first issue.",
		}, []string{"reason"}),
		throttled: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_requests_throttled_total", Help: "Requests that were not taken, by the limit that they were over: rate or concurrency of a client, capacity of the server.",
		}, []string{"limit"}),
		scores: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_scores_total", Help: "Scores written, by band and rater; band none had no total.",
		}, []string{"band", "rater"}),
		batch: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "tidemark_ingest_batch_jobs", Help: "Jobs in one committed batch.",
			Buckets: prometheus.ExponentialBuckets(1, 2, 8),
		}),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "tidemark_ingest_commit_duration_seconds", Help: "Time to make a batch durable.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 14),
		}),
		attempts: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_writeback_attempts_total", Help: "Attempts to write a score back, by target and outcome.",
		}, []string{"target", "outcome"}),
	}
	m.newAudits()
	m.newWritebacks()
	m.newCopies()
	m.newNotifications()
	m.unauthorised = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "tidemark_auth_refused_total", Help: "Requests refused for their access token or its scopes, by reason.",
	}, []string{"reason"})
	m.Registry.MustRegister(m.unauthorised, m.requests, m.latency, m.responses, m.refusals, m.throttled, m.scores, m.batch, m.commit, m.attempts,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for _, limit := range []string{"rate", "concurrency", "capacity"} {
		m.throttled.WithLabelValues(limit)
	}
	return m
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

// Attempt counts one attempt to write back.
func (m *Metrics) Attempt(target, outcome string) { m.attempts.WithLabelValues(target, outcome).Inc() }

// Batch counts one batch of the store's writer.
func (m *Metrics) Batch(stats groupcommit.Stats) {
	m.batch.Observe(float64(stats.Jobs))
	m.commit.Observe(stats.Commit.Seconds())
}
