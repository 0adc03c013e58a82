package test_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	toxiproxy "github.com/Shopify/toxiproxy/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/test/ports"
)

// rig is the service within the process of the test, so that its clock, its
// names and the times of its write-back are the test's; the network between it
// and each hospital goes through a proxy that can be told to spoil it. The store,
// the API and the write-back are those of the program.
type rig struct {
	t     testing.TB
	store store.Store
	base  string
	// hospitals get each score in the shape of each; every fault is one of all.
	hospitals wards
	proxies   []*toxiproxy.Proxy
	clock     *clock
	// names finds the hospitals' address.
	names *names
	// transport carries what the write-back sends.
	transport *http.Transport
	log       *lockedBuffer
}

// The times of the write-back in a rig: a hundredth of those of the program.
const (
	rigTimeout = 300 * time.Millisecond
	rigLease   = 1200 * time.Millisecond
	rigSettle  = 300 * time.Millisecond
)

// sentAt is the header that says when a rig's write-back sent a request.
const sentAt = "X-Rig-Sent-At"

// stamped says of each request when it was sent.
type stamped struct{ http.RoundTripper }

// RoundTrip implements http.RoundTripper.
func (s stamped) RoundTrip(request *http.Request) (*http.Response, error) {
	request = request.Clone(request.Context())
	request.Header.Set(sentAt, strconv.FormatInt(time.Now().UnixNano(), 10))
	return s.RoundTripper.RoundTrip(request)
}

// tooLate says whether a request has been under way for longer than any network of a
// rig keeps one. The write-back relies on that, and a machine that is busy may hand a
// request over after all the time that it takes to settle.
func tooLate(request *http.Request) bool {
	sent, err := strconv.ParseInt(request.Header.Get(sentAt), 10, 64)
	return err == nil && time.Since(time.Unix(0, sent)) > rigSettle/2
}

// rigWards are the hospitals of a rig. Nothing in it is later than the time to
// settle, so that search-then-write holds too.
func rigWards(t testing.TB) wards {
	all := newWards(t)
	all[1].mode, all[2].mode = "transaction", "search-then-write"
	return all
}

// newRig starts a service with two workers for each hospital on one store.
func newRig(t testing.TB) *rig {
	t.Helper()
	r := &rig{t: t, hospitals: rigWards(t), clock: &clock{}, names: newNames(t), log: &lockedBuffer{}}
	for _, h := range r.hospitals {
		r.spoil(h)
	}
	logger := slog.New(slog.NewJSONHandler(r.log, nil))
	metrics := api.NewMetrics()
	db, err := sqlite.Open(context.Background(), filepath.Join(t.TempDir(), "tidemark.db"), sqlite.Options{Clock: r.clock.Now, Observe: metrics.Batch})
	require.NoError(t, err)
	r.store = db
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	kick := r.deliver(logger)
	var targets []api.Target
	for _, h := range r.hospitals {
		targets = append(targets, api.Target{Name: h.name, Members: observation.Shape(h.shape).Members})
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	r.base = "http://" + listener.Addr().String() + "/fhir"
	server := &http.Server{ReadHeaderTimeout: patience, Handler: api.New(api.Options{
		Store: db, BaseURL: r.base, Bands: scoring.UsualBands, Targets: targets, Kick: kick,
		Logger: slog.New(slog.NewJSONHandler(io.Discard, nil)),
	}, metrics).Handler()}
	go func() { _ = server.Serve(listener) }() // ends with Close
	t.Cleanup(func() { require.NoError(t, server.Close()) })
	return r
}

// spoil puts a proxy between.
func (r *rig) spoil(h *hospital) {
	at, err := url.Parse(h.base)
	require.NoError(r.t, err)
	port, err := ports.Free()
	require.NoError(r.t, err)
	proxy := newProxy(net.JoinHostPort("127.0.0.1", strconv.Itoa(port)), at.Host)
	require.NoError(r.t, proxy.Start())
	r.proxies = append(r.proxies, proxy)
	place := len(r.proxies) - 1
	r.t.Cleanup(func() { r.proxies[place].Stop() })
}

func newProxy(listen, upstream string) *toxiproxy.Proxy {
	return toxiproxy.NewProxy(toxiproxy.NewServer(toxiproxy.NewMetricsContainer(prometheus.NewRegistry()), zerolog.Nop()), "hospital", listen, upstream)
}

// renew puts new proxies in the places of the old, whose connections end. Toxics
// come and go with their proxy only: toxiproxy 2.5 waits for ever where it adds
// one to a connection, or takes it from one, that ends at that moment.
func (r *rig) renew(prepare func(*toxiproxy.Proxy)) {
	for i, old := range r.proxies {
		old.Stop()
		r.proxies[i] = newProxy(old.Listen, old.Upstream)
		prepare(r.proxies[i])
		require.NoError(r.t, r.proxies[i].Start())
	}
}

// toxic adds one of toxiproxy's toxics to what the hospitals answer.
func (r *rig) toxic(kind, attributes string) {
	r.renew(func(proxy *toxiproxy.Proxy) {
		_, err := proxy.Toxics.AddToxicJson(strings.NewReader(fmt.Sprintf(`{"type":%q,"attributes":%s}`, kind, attributes)))
		require.NoError(r.t, err)
	})
}

// cut and mended end and begin what the proxies forward.
func (r *rig) cut() {
	for _, proxy := range r.proxies {
		proxy.Stop()
	}
}

func (r *rig) mended() {
	for _, proxy := range r.proxies {
		if err := proxy.Start(); err != nil {
			require.ErrorIs(r.t, err, toxiproxy.ErrProxyAlreadyStarted)
		}
	}
}

// troubled lets every hospital misbehave in its way; nil ends it.
func (r *rig) troubled(trouble func(h *hospital, w http.ResponseWriter, request *http.Request) bool) {
	for _, h := range r.hospitals {
		if trouble == nil {
			h.troubled(nil)
			continue
		}
		h.troubled(func(w http.ResponseWriter, request *http.Request) bool { return trouble(h, w, request) })
	}
}

// deliver starts the workers and gives what wakes them.
func (r *rig) deliver(logger *slog.Logger) (kick func()) {
	r.transport = &http.Transport{MaxIdleConnsPerHost: 16, DialContext: r.names.dial}
	r.t.Cleanup(r.transport.CloseIdleConnections)
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	r.t.Cleanup(func() { stop(); running.Wait() })
	var workers []*writeback.Worker
	for i := range 2 * len(r.hospitals) {
		h := r.hospitals[i/2]
		_, port, err := net.SplitHostPort(r.proxies[i/2].Listen)
		require.NoError(r.t, err)
		w, err := writeback.New(r.store, writeback.Target{
			Name: h.name, Base: "http://" + hospitalName + ":" + port + "/fhir", Transport: stamped{r.transport},
			Mode: writeback.Mode(h.mode), Profile: observation.Profile{Shape: observation.Shape(h.shape)},
		}, writeback.Options{
			Clock: r.clock, Logger: logger, Timeout: rigTimeout, Lease: rigLease, Settle: rigSettle, Poll: 50 * time.Millisecond,
			Backoff: writeback.Backoff{Base: 5 * time.Millisecond, Cap: 200 * time.Millisecond},
			Slow:    writeback.Backoff{Base: 20 * time.Millisecond, Cap: 200 * time.Millisecond},
		})
		require.NoError(r.t, err)
		workers = append(workers, w)
		running.Go(func() {
			if err := w.Run(ctx); err != nil {
				r.t.Error(err)
			}
		})
	}
	return func() {
		for _, w := range workers {
			w.Kick()
		}
	}
}

// heal ends every fault.
func (r *rig) heal() {
	r.troubled(nil)
	r.clock.ahead(0)
	r.names.gone.Store(false)
	r.renew(func(*toxiproxy.Proxy) {})
}

// converges waits until nothing is left to deliver.
func (r *rig) converges() {
	r.t.Helper()
	var left []store.Backlog
	require.Eventually(r.t, func() bool {
		var err error
		left, err = r.store.Backlog(context.Background())
		return err == nil && len(left) == 0
	}, leasePatience, 20*time.Millisecond, "what is left: %v", &left)
}

// holds is the end of every fault: it is healed, all senders get their answers,
// the hospital catches up, and the books are compared.
func (r *rig) holds(l *load) {
	r.t.Helper()
	r.heal()
	l.settle(r.t, r.base)
	r.converges()
	a := auditAll(r.t, r.base, l)
	r.hospitals.judge(a)
	a.require(r.t, l.seed)
	forms, acknowledged, _ := l.counts()
	r.t.Logf("%d forms, %d steps acknowledged, %s, %d attempts that failed",
		forms, acknowledged, r.hospitals.resources(), strings.Count(r.log.String(), `"msg":"delivery"`))
	require.Positive(r.t, acknowledged)
}
