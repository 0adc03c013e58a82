package api

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// newAudits makes the counters of the audit trail. Any loss is worth an alert.
func (m *Metrics) newAudits() {
	m.audits = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "tidemark_audit_events_total", Help: "AuditEvents on disk, by interaction and outcome.",
	}, []string{"interaction", "outcome"})
	m.auditLost = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "tidemark_audit_lost_total", Help: "AuditEvents that could not be written; what was read without one was not given out.",
	})
	m.auditSummarised = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "tidemark_audit_summarised_total", Help: "Refusals not recorded one by one, but counted in one AuditEvent of several.",
	})
	m.Registry.MustRegister(m.audits, m.auditLost, m.auditSummarised)
}

// audited counts events that are on disk. Their labels are from closed lists.
func (m *Metrics) audited(events []audit.Event) {
	for i := range events {
		interaction := events[i].Interaction
		if interaction == audit.Unknown {
			interaction = "unknown"
		}
		m.audits.WithLabelValues(interaction, events[i].Outcome()).Inc()
	}
}

// AuditShipping shows how far behind the target of the audit trail is, and gives
// what is to be told of each failure.
func (m *Metrics) AuditShipping(s store.Audits, target string) (failed func()) {
	failures := prometheus.NewCounter(prometheus.CounterOpts{
		Name: "tidemark_audit_ship_failures_total", Help: "Attempts to ship the audit trail that failed; what was not shipped waits.",
	})
	m.Registry.MustRegister(failures, &shipping{store: s, target: target,
		pending: prometheus.NewDesc("tidemark_audit_ship_pending", "AuditEvents that were not shipped yet.", nil, nil),
		oldest:  prometheus.NewDesc("tidemark_audit_ship_oldest_seconds", "Age of the oldest AuditEvent that was not shipped yet.", nil, nil),
	})
	return failures.Inc
}

// shipping reads the state of the shipping when metrics are scraped.
type shipping struct {
	store           store.Audits
	target          string
	pending, oldest *prometheus.Desc
}

// Describe implements prometheus.Collector.
func (s *shipping) Describe(ch chan<- *prometheus.Desc) {
	ch <- s.pending
	ch <- s.oldest
}

// Collect implements prometheus.Collector.
func (s *shipping) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	pending, oldest, err := s.store.AuditBacklog(ctx, s.target)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(s.pending, err)
		return
	}
	age := 0.0
	if !oldest.IsZero() {
		age = max(0, time.Since(oldest).Seconds())
	}
	ch <- prometheus.MustNewConstMetric(s.pending, prometheus.GaugeValue, float64(pending))
	ch <- prometheus.MustNewConstMetric(s.oldest, prometheus.GaugeValue, age)
}
