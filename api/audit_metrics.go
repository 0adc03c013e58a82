package api

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// audits are the counters of the audit trail. Any loss is worth an alert.
type audits struct {
	events          *prometheus.CounterVec
	auditLost       prometheus.Counter
	auditSummarised prometheus.Counter
	shipFailures    prometheus.Counter
}

func (m *Metrics) newAudits() {
	m.audits = audits{
		events:          m.counter("tidemark_audit_events_total", "AuditEvents on disk, by interaction and outcome.", "interaction", "outcome"),
		auditLost:       m.counter("tidemark_audit_lost_total", "AuditEvents that could not be written; what was read without one was not given out.").WithLabelValues(),
		auditSummarised: m.counter("tidemark_audit_summarised_total", "Refusals not recorded one by one, but counted in one AuditEvent of several.").WithLabelValues(),
		shipFailures:    m.unregisteredCounter("tidemark_audit_ship_failures_total", "Attempts to ship the audit trail that failed; what was not shipped waits."),
	}
}

// audited counts events that are on disk. Their labels are from closed lists.
func (m *Metrics) audited(events []audit.Event) {
	for i := range events {
		interaction := events[i].Interaction
		if interaction == audit.Unknown {
			interaction = "unknown"
		}
		m.audits.events.WithLabelValues(interaction, events[i].Outcome()).Inc()
	}
}

// AuditShipping shows how far behind the target of the audit trail is, and gives
// what is to be told of each failure.
func (m *Metrics) AuditShipping(s store.Audits, target string) (failed func()) {
	m.Registry.MustRegister(m.shipFailures, &shipping{store: s, target: target, scraped: &m.scraped})
	return m.shipFailures.Inc
}

// shipping reads the state of the shipping when metrics are scraped.
type shipping struct {
	store  store.Audits
	target string
	*scraped
}

// Describe implements prometheus.Collector.
func (s *shipping) Describe(ch chan<- *prometheus.Desc) {
	ch <- s.shipPending
	ch <- s.shipOldest
}

// Collect implements prometheus.Collector.
func (s *shipping) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	pending, oldest, err := s.store.AuditBacklog(ctx, s.target)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(s.shipPending, err)
		return
	}
	age := 0.0
	if !oldest.IsZero() {
		age = max(0, time.Since(oldest).Seconds())
	}
	ch <- prometheus.MustNewConstMetric(s.shipPending, prometheus.GaugeValue, float64(pending))
	ch <- prometheus.MustNewConstMetric(s.shipOldest, prometheus.GaugeValue, age)
}
