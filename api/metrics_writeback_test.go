package api

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// gathered are the values of a metric by target and mode.
func gathered(t *testing.T, m *Metrics, name string) map[string]float64 {
	t.Helper()
	families, err := m.Registry.Gather()
	require.NoError(t, err)
	values := map[string]float64{}
	for _, family := range families {
		if family.GetName() != name {
			continue
		}
		for _, metric := range family.GetMetric() {
			labels := map[string]string{}
			for _, label := range metric.GetLabel() {
				labels[label.GetName()] = label.GetValue()
			}
			values[labels["target"]+" "+labels["mode"]] = metric.GetGauge().GetValue() + metric.GetCounter().GetValue()
		}
	}
	return values
}

// TestWritebackMetrics: a target has one mode at a time, and its pauses show.
func TestWritebackMetrics(t *testing.T) {
	t.Parallel()
	m := NewMetrics()
	m.WriteMode("a", "conditional-update", "")
	m.WriteMode("b", "transaction", "")
	m.WriteMode("a", "search-then-write", "conditional-update")
	require.Equal(t, map[string]float64{"a search-then-write": 1, "b transaction": 1}, gathered(t, m, "tidemark_writeback_target_mode"))
	require.Equal(t, map[string]float64{"a conditional-update": 1}, gathered(t, m, "tidemark_writeback_mode_refused_total"))
	require.Equal(t, map[string]float64{"a ": 0, "b ": 0}, gathered(t, m, "tidemark_writeback_paused"), "a target that was never paused shows as such")
	for _, paused := range []bool{true, true, false} {
		m.Paused("a", paused)
	}
	m.Paused("b", true)
	require.Equal(t, map[string]float64{"a ": 0, "b ": 1}, gathered(t, m, "tidemark_writeback_paused"))
	require.Equal(t, map[string]float64{"a ": 2, "b ": 1}, gathered(t, m, "tidemark_writeback_pauses_total"))
}
