package api

import "github.com/prometheus/client_golang/prometheus"

// exports are the counters of bulk exports.
type exports struct {
	exportEvents  *prometheus.CounterVec
	exportedLines prometheus.Counter
}

func (m *Metrics) newExports() {
	m.exports = exports{
		exportEvents:  m.counter("tidemark_exports_total", "Bulk exports, by what became of them: started, completed, failed, cancelled or expired.", "event"),
		exportedLines: m.counter("tidemark_export_lines_total", "Lines of bulk exports that were given out; one that is downloaded twice counts twice.").WithLabelValues(),
	}
	for _, event := range []string{"started", "completed", "failed", "cancelled", "expired"} {
		m.exportEvents.WithLabelValues(event) // so that an alert has something to rise from
	}
}

// Exported counts exports by what became of them, from a closed list.
func (m *Metrics) Exported(event string, exports int) {
	m.exportEvents.WithLabelValues(event).Add(float64(exports))
}
