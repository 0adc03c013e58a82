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
	metrics.Registry.MustRegister(&backlog{store: s, metrics: metrics,
		pending: prometheus.NewDesc("tidemark_writeback_pending", "Scores whose wanted version a target does not hold yet.", []string{"target"}, nil),
		doubt:   prometheus.NewDesc("tidemark_writeback_in_doubt", "Scores whose last attempt had an unknown outcome.", []string{"target"}, nil),
		parked:  prometheus.NewDesc("tidemark_writeback_parked", "Scores that wait for someone to decide.", []string{"target"}, nil),
		oldest:  prometheus.NewDesc("tidemark_writeback_oldest_seconds", "Age of the oldest score that a target lacks.", []string{"target"}, nil),
	})
	metrics.Registry.MustRegister(newListeners(s), newCopiesStanding(s, metrics))
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(metrics.Registry, promhttp.HandlerOpts{
		// Without a database the other numbers are needed all the more.
		ErrorHandling: promhttp.ContinueOnError,
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
	store                          store.Store
	metrics                        *Metrics
	pending, doubt, parked, oldest *prometheus.Desc
}

// Describe implements prometheus.Collector.
func (b *backlog) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{b.pending, b.doubt, b.parked, b.oldest} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (b *backlog) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), probeTimeout)
	defer cancel()
	all, err := b.store.Backlog(ctx)
	if err != nil {
		ch <- prometheus.NewInvalidMetric(b.pending, err)
		return
	}
	for _, name := range b.metrics.targets {
		if !slices.ContainsFunc(all, func(t store.Backlog) bool { return t.Target == name }) {
			all = append(all, store.Backlog{Target: name})
		}
	}
	for _, t := range all {
		gauge := func(d *prometheus.Desc, v float64) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, t.Target)
		}
		gauge(b.pending, float64(t.Pending))
		gauge(b.doubt, float64(t.InDoubt))
		gauge(b.parked, float64(t.Parked))
		age := 0.0
		if !t.Oldest.IsZero() {
			age = max(0, time.Since(t.Oldest).Seconds())
		}
		gauge(b.oldest, age)
	}
}
