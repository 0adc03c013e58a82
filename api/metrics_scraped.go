package api

import (
	"context"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/fhir/store"
)

// scraped describes what is read of the database when metrics are scraped, so
// that it is that of every process on it.
type scraped struct {
	build *prometheus.GaugeVec

	pending, doubt, parked, overdue, oldest       *prometheus.Desc
	differing, oldestLook                         *prometheus.Desc
	shipPending, shipOldest                       *prometheus.Desc
	subscriptions, eventsWaiting, endpointFailing *prometheus.Desc
	up, bytes, queued, queueMost                  *prometheus.Desc
}

func (m *Metrics) newScraped() {
	m.scraped = scraped{
		build: m.gauge("tidemark_build_info", "1, for the version of the program, of Go and of the algorithm that scores are computed by.", "version", "goversion", "algorithm"),

		pending: m.read("tidemark_writeback_pending", "Scores whose wanted version a target does not hold yet.", "target"),
		doubt:   m.read("tidemark_writeback_in_doubt", "Scores whose last attempt had an unknown outcome.", "target"),
		parked:  m.read("tidemark_writeback_parked", "Scores that wait for someone to decide.", "target"),
		overdue: m.read("tidemark_writeback_overdue", "Scores, parked ones too, that a target has been lacking for more than five minutes.", "target"),
		oldest:  m.read("tidemark_writeback_oldest_seconds", "Age of the oldest score that a target lacks.", "target"),

		differing:  m.read("tidemark_writeback_copies_differing", "Copies that were found to be other than what was delivered, and are not repaired.", "target"),
		oldestLook: m.read("tidemark_writeback_copies_oldest_look_seconds", "Age of the copy that nobody has looked at for longest, since then or since it was delivered.", "target"),

		shipPending: m.read("tidemark_audit_ship_pending", "AuditEvents that were not shipped yet."),
		shipOldest:  m.read("tidemark_audit_ship_oldest_seconds", "Age of the oldest AuditEvent that was not shipped yet."),

		subscriptions:   m.read("tidemark_subscriptions", "Subscriptions, by status.", "status"),
		eventsWaiting:   m.read("tidemark_notification_events_waiting", "Events that endpoints have not accepted yet, of subscriptions that are not off."),
		endpointFailing: m.read("tidemark_subscription_failing_seconds", "How long the endpoint that fails longest has been failing."),

		up:        m.read("tidemark_store_up", "1 if the database could be read for this scrape."),
		bytes:     m.read("tidemark_store_size_bytes", "What the database takes on its disk."),
		queued:    m.read("tidemark_ingest_queue_jobs", "Jobs that wait for the store's writer."),
		queueMost: m.read("tidemark_ingest_queue_jobs_limit", "Jobs that may wait for the store's writer before callers are held back."),
	}
}

// kept reads the state of the database itself.
type kept struct {
	store store.Store
	*scraped
}

// Describe implements prometheus.Collector.
func (k *kept) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{k.up, k.bytes, k.queued, k.queueMost} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (k *kept) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v)
	}
	usage, err := k.store.Usage(ctx)
	gauge(k.queued, float64(usage.Queued))
	gauge(k.queueMost, float64(usage.Queue))
	if err != nil {
		gauge(k.up, 0)
		return
	}
	gauge(k.up, 1)
	gauge(k.bytes, float64(usage.Bytes))
}
