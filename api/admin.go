package api

import (
	"context"
	"net/http"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/fhir/store"
)

// probeTimeout bounds how long readiness waits for the database.
const probeTimeout = 2 * time.Second

// Admin is the listener for those who run the program: metrics and probes. Make
// the Server of the same metrics first; it says which targets there are. More is
// mounted beside, and asks for a token by itself.
func Admin(s store.Store, metrics *Metrics, more ...func(*http.ServeMux)) http.Handler {
	metrics.Registry.MustRegister(&backlog{s, metrics}, &listeners{s, &metrics.scraped}, &kept{s, &metrics.scraped},
		&copiesStanding{s, metrics.copies, &metrics.scraped})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(metrics.Registry, promhttp.HandlerOpts{
		// Without a database the other numbers are needed all the more.
		ErrorHandling: promhttp.ContinueOnError,
		// Exemplars are in OpenMetrics only.
		EnableOpenMetrics: true,
	}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { answerText(w, http.StatusOK, "ok\n") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), probeTimeout)
		defer cancel()
		if err := s.Ping(ctx); err != nil {
			answerText(w, http.StatusServiceUnavailable, "the database does not answer\n")
			return
		}
		answerText(w, http.StatusOK, "ready\n")
	})
	for _, mount := range more {
		mount(mux)
	}
	return edge.Harden(mux, nil)
}

func answerText(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text))
}

// backlog reads the state of the write-back when metrics are scraped, so that
// it is that of the database and of every process on it.
type backlog struct {
	store   store.Store
	metrics *Metrics
}

// Describe implements prometheus.Collector.
func (b *backlog) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{b.metrics.pending, b.metrics.doubt, b.metrics.parked, b.metrics.overdue, b.metrics.oldest} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (b *backlog) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	m := b.metrics
	all, err := b.store.Backlog(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(m.pending, err)
		return
	}
	for _, name := range m.targets {
		if !slices.ContainsFunc(all, func(t store.Backlog) bool { return t.Target == name }) {
			all = append(all, store.Backlog{Target: name})
		}
	}
	for _, t := range all {
		gauge := func(d *prometheus.Desc, v float64) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, t.Target)
		}
		gauge(m.pending, float64(t.Pending))
		gauge(m.doubt, float64(t.InDoubt))
		gauge(m.parked, float64(t.Parked))
		gauge(m.overdue, float64(t.Overdue))
		age := 0.0
		if !t.Oldest.IsZero() {
			age = max(0, time.Since(t.Oldest).Seconds())
		}
		gauge(m.oldest, age)
	}
}
