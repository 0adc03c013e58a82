package api

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// writebacks are what is counted of the write-back besides what it still lacks.
type writebacks struct {
	wanted    *prometheus.CounterVec
	attempts  *prometheus.CounterVec
	faults    *prometheus.CounterVec
	attempt   *prometheus.HistogramVec
	delay     *prometheus.HistogramVec
	modes     *prometheus.GaugeVec
	fallbacks *prometheus.CounterVec
	paused    *prometheus.GaugeVec
	pauses    *prometheus.CounterVec
	tokens    *prometheus.CounterVec
}

// newWritebacks makes them and registers them.
func (m *Metrics) newWritebacks() {
	m.writebacks = writebacks{
		wanted:   m.counter("tidemark_writeback_wanted_total", "Versions of scores that a target is to hold, as committed.", "target"),
		attempts: m.counter("tidemark_writeback_attempts_total", "Deliveries that were taken up, by target and outcome.", "target", "outcome"),
		faults:   m.counter("tidemark_writeback_faults_total", "Deliveries that were taken up and not made, by target and fault.", "target", "fault"),
		attempt: m.histogram("tidemark_writeback_attempt_duration_seconds", "Time from the first request of an attempt to its last answer.",
			prometheus.ExponentialBuckets(0.001, 2, 16), "target"),
		delay: m.histogram("tidemark_writeback_delay_seconds", "Time from when a version was wanted until the target held it.",
			[]float64{0.1, 0.5, 1, 5, 15, 60, 150, 300, 600, 1800, 3600, 6 * 3600, 24 * 3600}, "target"),
		modes:     m.gauge("tidemark_writeback_target_mode", "1 for the mode that a target is written to in.", "target", "mode"),
		fallbacks: m.counter("tidemark_writeback_mode_refused_total", "How often a target refused what its write mode needs, by that mode.", "target", "mode"),
		paused:    m.gauge("tidemark_writeback_paused", "1 while nothing but probes is sent to a target, since it as a whole is at fault.", "target"),
		pauses:    m.counter("tidemark_writeback_pauses_total", "How often the sending to a target was paused.", "target"),
		tokens: m.counter("tidemark_writeback_tokens_total", "Access tokens asked for to write scores back, by target and outcome: given, refused (someone must change something) or unavailable.",
			"target", "outcome"),
	}
}

// expect makes the counters of a target, so that an alert has something to rise
// from.
func (m *Metrics) expect(target string) {
	m.targets = append(m.targets, target)
	m.wanted.WithLabelValues(target)
	m.attempts.WithLabelValues(target, "delivered")
	m.delay.WithLabelValues(target)
}

// Attempted is what became of a delivery that was taken up, for Attempt.
type Attempted struct {
	Target, Outcome string
	// Fault is "" of one that has none.
	Fault string
	// Latency is the time that its requests took, 0 if there were none; Delay how
	// long the target had been behind, 0 unless it is so no more.
	Latency, Delay time.Duration
}

// Attempt counts one attempt to write back.
func (m *Metrics) Attempt(ctx context.Context, a Attempted) {
	m.attempts.WithLabelValues(a.Target, a.Outcome).Inc()
	if a.Fault != "" {
		m.faults.WithLabelValues(a.Target, a.Fault).Inc()
	}
	if a.Latency > 0 {
		observe(ctx, m.attempt.WithLabelValues(a.Target), a.Latency.Seconds())
	}
	if a.Delay > 0 {
		observe(ctx, m.delay.WithLabelValues(a.Target), a.Delay.Seconds())
	}
}

// followed counts that every target is to hold one version more.
func (m *Metrics) followed() {
	for _, target := range m.targets {
		m.wanted.WithLabelValues(target).Inc()
	}
}

// Paused says that the sending to a target is paused, or that it goes on.
func (m *Metrics) Paused(target string, paused bool) {
	value := 0.0
	if paused {
		m.pauses.WithLabelValues(target).Inc()
		value = 1
	}
	m.paused.WithLabelValues(target).Set(value)
}

// WriteMode says which mode a target is written to in; refused is that in whose
// place it came since the target does not do it, "" if none.
func (m *Metrics) WriteMode(target, mode, refused string) {
	m.modes.DeletePartialMatch(prometheus.Labels{"target": target})
	m.modes.WithLabelValues(target, mode).Set(1)
	m.paused.WithLabelValues(target)
	m.pauses.WithLabelValues(target)
	if refused != "" {
		m.fallbacks.WithLabelValues(target, refused).Inc()
	}
}

// Token counts questions for an access token to write back with; none shows that
// there may be some.
func (m *Metrics) Token(target, outcome string, questions int) {
	m.tokens.WithLabelValues(target, outcome).Add(float64(questions))
}
