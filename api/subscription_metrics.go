package api

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"tidemark.example/tidemark/fhir/store"
)

// newNotifications makes the counters of notifications. Each combination is there
// from the start, so that an alert has something to rise from.
func (m *Metrics) newNotifications() {
	m.notifications = prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "tidemark_notifications_total", Help: "Calls to endpoints of subscriptions, by kind of notification and what became of them.",
	}, []string{"kind", "outcome"})
	m.notifiedEvents = prometheus.NewCounter(prometheus.CounterOpts{
		Name: "tidemark_notification_events_total", Help: "Events that endpoints accepted; one that is accepted twice counts twice.",
	})
	m.notificationTime = prometheus.NewHistogram(prometheus.HistogramOpts{
		Name: "tidemark_notification_duration_seconds", Help: "Time that a call to an endpoint took.", Buckets: prometheus.ExponentialBuckets(0.005, 2, 14),
	})
	m.Registry.MustRegister(m.notifications, m.notifiedEvents, m.notificationTime)
}

// Notified counts one call to an endpoint: its kind and outcome come from closed
// lists, events is how many it told of, if it was accepted.
func (m *Metrics) Notified(kind, outcome string, accepted bool, events int, took time.Duration) {
	m.notifications.WithLabelValues(kind, outcome).Inc()
	m.notificationTime.Observe(took.Seconds())
	if accepted {
		m.notifiedEvents.Add(float64(events))
	}
}

// listeners reads the state of the subscriptions when metrics are scraped.
type listeners struct {
	store                   store.Store
	count, waiting, failing *prometheus.Desc
}

func newListeners(s store.Store) *listeners {
	return &listeners{
		store:   s,
		count:   prometheus.NewDesc("tidemark_subscriptions", "Subscriptions, by status.", []string{"status"}, nil),
		waiting: prometheus.NewDesc("tidemark_notification_events_waiting", "Events that endpoints have not accepted yet, of subscriptions that are not off.", nil, nil),
		failing: prometheus.NewDesc("tidemark_subscription_failing_seconds", "How long the endpoint that fails longest has been failing.", nil, nil),
	}
}

// Describe implements prometheus.Collector.
func (l *listeners) Describe(ch chan<- *prometheus.Desc) {
	ch <- l.count
	ch <- l.waiting
	ch <- l.failing
}

// Collect implements prometheus.Collector.
func (l *listeners) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	all, err := l.store.Subscriptions(ctx, nil)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(l.count, err)
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
		ch <- prometheus.MustNewConstMetric(l.count, prometheus.GaugeValue, float64(n), string(status))
	}
	ch <- prometheus.MustNewConstMetric(l.waiting, prometheus.GaugeValue, float64(waiting))
	ch <- prometheus.MustNewConstMetric(l.failing, prometheus.GaugeValue, failing)
}
