package api

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/fhir/store"
)

// notifications are the counters of calls to endpoints.
type notifications struct {
	calls            *prometheus.CounterVec
	notifiedEvents   prometheus.Counter
	notificationTime prometheus.Observer
}

func (m *Metrics) newNotifications() {
	m.notifications = notifications{
		calls:          m.counter("tidemark_notifications_total", "Calls to endpoints of subscriptions, by kind of notification and what became of them.", "kind", "outcome"),
		notifiedEvents: m.counter("tidemark_notification_events_total", "Events that endpoints accepted; one that is accepted twice counts twice.").WithLabelValues(),
		notificationTime: m.histogram("tidemark_notification_duration_seconds", "Time that a call to an endpoint took.",
			prometheus.ExponentialBuckets(0.005, 2, 14)).WithLabelValues(),
	}
}

// Notified counts one call to an endpoint: its kind and outcome come from closed
// lists, events is how many it told of, if it was accepted.
func (m *Metrics) Notified(kind, outcome string, accepted bool, events int, took time.Duration) {
	m.calls.WithLabelValues(kind, outcome).Inc()
	m.notificationTime.Observe(took.Seconds())
	if accepted {
		m.notifiedEvents.Add(float64(events))
	}
}

// listeners reads the state of the subscriptions when metrics are scraped.
type listeners struct {
	store store.Store
	*scraped
}

// Describe implements prometheus.Collector.
func (l *listeners) Describe(ch chan<- *prometheus.Desc) {
	ch <- l.subscriptions
	ch <- l.eventsWaiting
	ch <- l.endpointFailing
}

// Collect implements prometheus.Collector.
func (l *listeners) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	all, err := l.store.Subscriptions(ctx, nil)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(l.subscriptions, err)
		return
	}
	counts := map[store.SubscriptionStatus]int{
		store.SubscriptionRequested: 0, store.SubscriptionActive: 0, store.SubscriptionError: 0, store.SubscriptionOff: 0,
	}
	waiting, failing := int64(0), 0.0
	for _, s := range all {
		counts[s.Status]++
		if s.Status != store.SubscriptionOff {
			waiting += s.Events - s.Delivered
		}
		if !s.Failing.IsZero() {
			failing = max(failing, time.Since(s.Failing).Seconds())
		}
	}
	for status, n := range counts {
		ch <- prometheus.MustNewConstMetric(l.subscriptions, prometheus.GaugeValue, float64(n), string(status))
	}
	ch <- prometheus.MustNewConstMetric(l.eventsWaiting, prometheus.GaugeValue, float64(waiting))
	ch <- prometheus.MustNewConstMetric(l.endpointFailing, prometheus.GaugeValue, failing)
}
