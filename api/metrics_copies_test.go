package api

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/test/sqlitetest"
)

// TestCopiesAreCounted: looks by what came of them, and what is new by itself.
func TestCopiesAreCounted(t *testing.T) {
	t.Parallel()
	m := NewMetrics()
	m.Sweeps("ehr")
	m.LookedAt("ehr", "same", false, false)
	m.LookedAt("ehr", "lost", true, true)
	m.LookedAt("ehr", "lost", false, true)
	m.LookedAt("ehr", "unread", false, false)
	require.Equal(t, map[string]float64{
		"found_total lost ehr": 1, "looked_at_total lost ehr": 2, "looked_at_total same ehr": 1, "looked_at_total unread ehr": 1, "repairs_total ehr": 2,
	}, ofCopies(t, m))
}

// ofCopies are the series of copies, by their names and the values of their labels.
func ofCopies(t *testing.T, m *Metrics) map[string]float64 {
	t.Helper()
	families, err := m.Registry.Gather()
	require.NoError(t, err)
	values := map[string]float64{}
	for _, family := range families {
		name, ours := strings.CutPrefix(family.GetName(), "tidemark_writeback_copies_")
		for _, metric := range family.GetMetric() {
			series := name
			for _, label := range metric.GetLabel() {
				series += " " + label.GetValue()
			}
			if ours {
				values[series] = metric.GetGauge().GetValue() + metric.GetCounter().GetValue()
			}
		}
	}
	return values
}

// TestCopiesStanding: how copies stand is that of the database, for the targets
// whose copies are looked at.
func TestCopiesStanding(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	now := time.Now().Add(-time.Hour)
	s := sqlitetest.Open(t, sqlite.Options{Clock: func() time.Time { return now }})
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	key := store.Key{Type: "Observation", ID: "1"}
	require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
		if _, err := tx.Put(key, "PUT", store.Index{}, func(int64, time.Time) ([]byte, error) { return []byte("{}"), nil }); err != nil {
			return err
		}
		return tx.Want("ehr", key, 1, false)
	}))
	claimed, err := s.Claim(ctx, "ehr", "w", time.Minute, 1)
	require.NoError(t, err)
	claimed[0].Delivered = 1
	require.NoError(t, s.Record(ctx, claimed[0]))
	claimed, err = s.ClaimChecks(ctx, "ehr", "w", time.Minute, store.CheckDue{}, 1)
	require.NoError(t, err)
	claimed[0].Fault = "lost"
	require.NoError(t, s.RecordCheck(ctx, store.Check{Delivery: claimed[0], Looked: true, Read: true}))

	m := NewMetrics()
	standing := &copiesStanding{s, m.copies, &m.scraped}
	m.Registry.MustRegister(standing)
	require.Empty(t, ofCopies(t, m))
	m.Sweeps("ehr")
	m.Sweeps("registry")
	found := ofCopies(t, m)
	require.InDelta(t, 3600, found["oldest_look_seconds ehr"], 600)
	delete(found, "oldest_look_seconds ehr")
	require.Equal(t, map[string]float64{
		"differing ehr": 1, "differing registry": 0, "oldest_look_seconds registry": 0,
		"looked_at_total same ehr": 0, "looked_at_total same registry": 0, "repairs_total ehr": 0, "repairs_total registry": 0,
	}, found)
}
