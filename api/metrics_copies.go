package api

import (
	"context"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/fhir/store"
)

// copies counts what is found of the copies that targets hold.
type copies struct {
	looks, found *prometheus.CounterVec
	repairs      *prometheus.CounterVec

	// mu guards swept, the targets whose copies are looked at.
	mu    sync.Mutex
	swept []string
}

// newCopies makes the counters and registers them.
func (m *Metrics) newCopies() {
	m.copies = &copies{
		looks:   m.counter("tidemark_writeback_copies_looked_at_total", "Looks at a target's copy, by what came of it: same, how it differs, or unread.", "target", "result"),
		found:   m.counter("tidemark_writeback_copies_found_total", "Copies that were found to differ and did not before, by how.", "target", "finding"),
		repairs: m.counter("tidemark_writeback_copies_repairs_total", "Copies that are written again since they differed.", "target"),
	}
}

// Sweeps says that a target's copies are looked at.
func (m *Metrics) Sweeps(target string) {
	m.copies.mu.Lock()
	m.copies.swept = append(m.copies.swept, target)
	m.copies.mu.Unlock()
	m.copies.looks.WithLabelValues(target, "same")
	m.copies.repairs.WithLabelValues(target)
}

// LookedAt counts a look at a copy: its result is same, unread or how it differs;
// fresh says that it did not so before, repair that it is written again.
func (m *Metrics) LookedAt(target, result string, fresh, repair bool) {
	m.copies.looks.WithLabelValues(target, result).Inc()
	if fresh {
		m.copies.found.WithLabelValues(target, result).Inc()
	}
	if repair {
		m.copies.repairs.WithLabelValues(target).Inc()
	}
}

// copiesStanding reads how copies stand when metrics are scraped, so that it is what
// every process on the database has found.
type copiesStanding struct {
	store  store.Store
	copies *copies
	*scraped
}

// Describe implements prometheus.Collector.
func (c *copiesStanding) Describe(ch chan<- *prometheus.Desc) { ch <- c.differing; ch <- c.oldestLook }

// Collect implements prometheus.Collector.
func (c *copiesStanding) Collect(ch chan<- prometheus.Metric) {
	c.copies.mu.Lock()
	swept := slices.Clone(c.copies.swept)
	c.copies.mu.Unlock()
	if len(swept) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	all, err := c.store.Copies(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(c.differing, err)
		return
	}
	for _, target := range swept {
		var at store.Copies
		if i := slices.IndexFunc(all, func(each store.Copies) bool { return each.Target == target }); i >= 0 {
			at = all[i]
		}
		age := 0.0
		if !at.Oldest.IsZero() {
			age = max(0, time.Since(at.Oldest).Seconds())
		}
		ch <- prometheus.MustNewConstMetric(c.differing, prometheus.GaugeValue, float64(at.Differing), target)
		ch <- prometheus.MustNewConstMetric(c.oldestLook, prometheus.GaugeValue, age, target)
	}
}
