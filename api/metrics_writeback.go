package api

import "github.com/prometheus/client_golang/prometheus"

// writebacks are what is counted of the write-back besides its attempts and
// what it still lacks.
type writebacks struct {
	modes     *prometheus.GaugeVec
	fallbacks *prometheus.CounterVec
	paused    *prometheus.GaugeVec
	pauses    *prometheus.CounterVec
	tokens    *prometheus.CounterVec
}

// newWritebacks makes them and registers them.
func (m *Metrics) newWritebacks() {
	m.writebacks = writebacks{
		modes: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "tidemark_writeback_target_mode", Help: "1 for the mode that a target is written to in.",
		}, []string{"target", "mode"}),
		fallbacks: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_writeback_mode_refused_total", Help: "How often a target refused what its write mode needs, by that mode.",
		}, []string{"target", "mode"}),
		paused: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "tidemark_writeback_paused", Help: "1 while nothing but probes is sent to a target, since it as a whole is at fault.",
		}, []string{"target"}),
		pauses: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_writeback_pauses_total", Help: "How often the sending to a target was paused.",
		}, []string{"target"}),
		tokens: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "tidemark_writeback_tokens_total", Help: "Access tokens asked for to write scores back, by target and outcome: given, refused (someone must change something) or unavailable.",
		}, []string{"target", "outcome"}),
	}
	m.Registry.MustRegister(m.modes, m.fallbacks, m.paused, m.pauses, m.tokens)
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
