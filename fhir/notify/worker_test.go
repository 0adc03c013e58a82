package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/test/ports"
)

// TestPortalsThatMisbehave: what each is taken for, and that nobody waits for
// what it does not send.
func TestPortalsThatMisbehave(t *testing.T) {
	t.Parallel()
	flood := func(w http.ResponseWriter, r *http.Request) {
		block := []byte(strings.Repeat("x", 1<<16))
		for r.Context().Err() == nil {
			if _, err := w.Write(block); err != nil {
				return
			}
		}
	}
	for name, c := range map[string]struct {
		serve  func(http.ResponseWriter, *http.Request)
		reason Reason
		fault  string
	}{
		"accepts":        {answering(http.StatusNoContent), Accepted, ""},
		"created":        {answering(http.StatusCreated), Accepted, ""},
		"fails":          {answering(http.StatusInternalServerError), Failed, "The endpoint answered 500."},
		"is busy":        {answering(http.StatusTooManyRequests), Refused, "The endpoint answered 429."},
		"is gone":        {answering(http.StatusGone), Refused, "The endpoint answered 410."},
		"answers 999":    {answering(999), Failed, "The endpoint answered 999."},
		"never answers":  {func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }, Timeout, faults[Timeout]},
		"floods":         {flood, Accepted, ""},
		"is no HTTP":     {raw("220 mail.fernway.example ESMTP\r\n"), Broken, faults[Broken]},
		"hangs up":       {raw(""), Broken, faults[Broken]},
		"stops half way": {raw("HTTP/1.1 200 O"), Broken, faults[Broken]},
		"has no end of headers": {func(w http.ResponseWriter, r *http.Request) {
			conn, _, _ := w.(http.Hijacker).Hijack()
			defer conn.Close()
			_, _ = conn.Write([]byte("HTTP/1.1 200 OK\r\n"))
			for _, err := conn.Write([]byte("X-A: b\r\n")); err == nil; _, err = conn.Write([]byte("X-A: " + strings.Repeat("b", 1000) + "\r\n")) {
			}
		}, Broken, faults[Broken]},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, p := newBench(t), newPortal(t, c.serve)
			b.subscribe("a", resource(p.URL, number("timeout", "UnsignedInt", 1)))
			require.Equal(t, 1, b.step())
			require.Equal(t, c.reason, b.calls[0].Reason)
			s := b.read("a")
			if c.reason == Accepted {
				require.Equal(t, store.SubscriptionActive, s.Status)
			} else {
				require.Equal(t, store.SubscriptionError, s.Status, "a handshake has one chance")
			}
			require.Equal(t, c.fault, s.Fault)
		})
	}
}

// raw writes bytes and closes the connection.
func raw(text string) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) {
		conn, _, _ := w.(http.Hijacker).Hijack()
		_, _ = conn.Write([]byte(text))
		_ = conn.Close()
	}
}

// TestRedirectsAreNotFollowed: not even to where it would be allowed.
func TestRedirectsAreNotFollowed(t *testing.T) {
	t.Parallel()
	for _, status := range []int{301, 302, 303, 307, 308} {
		b, other := newBench(t), newPortal(t, answering(200))
		p := newPortal(t, func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, other.URL, status) })
		b.subscribe("a", resource(p.URL, ""))
		b.step()
		require.Equal(t, Redirect, b.calls[0].Reason)
		require.Empty(t, other.seen())
	}
}

// TestNetworksThatFail: no such host, nobody there, a certificate of nobody.
func TestNetworksThatFail(t *testing.T) {
	t.Parallel()
	port, err := ports.Free()
	require.NoError(t, err)
	nobody := fmt.Sprint("127.0.0.1:", port)
	secure := httptest.NewTLSServer(http.HandlerFunc(answering(200)))
	t.Cleanup(secure.Close)
	b := newBench(t)
	for endpoint, want := range map[string]Reason{
		"http://" + nobody: Connect, secure.URL: TLS, "https://elsewhere.example/": NotAllowed,
		strings.Replace(secure.URL, "https://127.0.0.1", "https://localhost", 1): TLS, strings.Replace(secure.URL, "https", "http", 1): Refused,
	} {
		b.calls = nil
		b.subscribe("a", resource(endpoint, ""))
		b.step()
		require.Equal(t, want, b.calls[0].Reason, endpoint)
	}
	pool := x509.NewCertPool()
	pool.AddCert(secure.Certificate())
	trusting := newBench(t, func(o *Options) { o.TLS = &tls.Config{RootCAs: pool} }) //nolint:gosec // the version is set by who takes it
	trusting.subscribe("a", resource(secure.URL, ""))
	trusting.step()
	require.Equal(t, Accepted, trusting.calls[0].Reason)
	old := httptest.NewUnstartedServer(http.HandlerFunc(answering(200)))
	old.TLS = &tls.Config{MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10} //nolint:gosec // what must be refused
	old.StartTLS()
	t.Cleanup(old.Close)
	trusting.subscribe("b", resource(old.URL, ""))
	trusting.step()
	require.Equal(t, TLS, trusting.calls[1].Reason)
}

// TestRetriesUntilError: what was active is tried again with growing waits, until
// too many attempts have failed; events wait, and come in order when it is asked
// for again.
func TestRetriesUntilError(t *testing.T) {
	t.Parallel()
	b, p := newBench(t), newPortal(t, answering(200))
	b.subscribe("a", resource(p.URL, ""))
	b.step()
	p.behaves(answering(503))
	b.score(2)
	began := b.clock.Now()
	var waits []time.Duration
	for range 10 {
		require.Equal(t, 1, b.step(), "one attempt at a time")
		require.Zero(t, b.step(), "and a wait")
		waits = append(waits, b.read("a").Due.Sub(b.clock.Now()))
		b.clock.Add(waits[len(waits)-1])
	}
	for i, wait := range waits[:9] {
		limit := min(10*time.Second<<i, 30*time.Minute)
		require.True(t, wait >= limit/2-time.Millisecond && wait <= limit, "wait %d: %s", i, wait)
	}
	s := b.read("a")
	require.Equal(t, store.SubscriptionError, s.Status)
	require.Equal(t, "The endpoint answered 503.", s.Fault)
	require.Less(t, b.clock.Now().Sub(began), 8*24*time.Hour)
	require.Contains(t, b.log.String(), "is in error")
	require.NotContains(t, b.log.String(), p.URL)

	b.subscribe("a", resource(p.URL, ""))
	p.behaves(answering(200))
	b.score(1)
	b.step()
	calls := p.seen()
	require.Equal(t, "handshake", calls[len(calls)-2].kind)
	require.Equal(t, []string{"1", "2", "3"}, calls[len(calls)-1].numbers)
	require.EqualValues(t, 3, b.read("a").Delivered)
}

// TestErrorEnds: after a week in error it is off, and nothing more is recorded.
func TestErrorEnds(t *testing.T) {
	t.Parallel()
	b, p := newBench(t), newPortal(t, answering(500))
	b.subscribe("a", resource(p.URL, ""))
	b.step()
	b.clock.Add(7*24*time.Hour - time.Second)
	b.step()
	require.Equal(t, store.SubscriptionError, b.read("a").Status)
	b.clock.Add(time.Second)
	b.step()
	s := b.read("a")
	require.Equal(t, store.SubscriptionOff, s.Status)
	require.Contains(t, s.Fault, "requested")
	b.score(1)
	b.step()
	require.Zero(t, b.read("a").Events)
	require.Len(t, p.seen(), 1)
}

// TestHeartbeats: an idle endpoint hears in time, one that has events does not
// need to, and none is sent without asking.
func TestHeartbeats(t *testing.T) {
	t.Parallel()
	b, p, quiet := newBench(t), newPortal(t, answering(200)), newPortal(t, answering(200))
	b.subscribe("a", resource(p.URL, number("heartbeat-period", "UnsignedInt", 60)))
	b.subscribe("quiet", resource(quiet.URL, ""))
	b.step()
	b.clock.Add(59 * time.Second)
	require.Zero(t, b.step())
	b.score(1)
	b.step()
	b.clock.Add(59 * time.Second)
	require.Zero(t, b.step(), "it counts from the last call")
	b.clock.Add(time.Second)
	require.Equal(t, 1, b.step())
	b.clock.Add(24 * time.Hour)
	require.Equal(t, 1, b.step(), "one, however long it was")
	kinds := []string{}
	for _, c := range p.seen() {
		kinds = append(kinds, c.kind)
	}
	require.Equal(t, []string{"handshake", "event-notification", "heartbeat", "heartbeat"}, kinds)
	require.Len(t, quiet.seen(), 2)
	b.clock.Add(-48 * time.Hour)
	require.Equal(t, 1, b.step(), "a clock that was set back keeps nobody waiting for two days")
}

// TestEnds: at its end it is off.
func TestEnds(t *testing.T) {
	t.Parallel()
	b, p := newBench(t), newPortal(t, answering(200))
	b.subscribe("a", strings.Replace(resource(p.URL, ""), `"reason"`, `"end":"2026-03-04T12:01:00Z","reason"`, 1))
	b.step()
	b.clock.Add(time.Minute)
	b.step()
	require.Equal(t, store.SubscriptionOff, b.read("a").Status)
	b.score(1)
	b.step()
	require.Len(t, p.seen(), 1)
}

// TestMaxCountHolds: a notification tells of no more events than were asked for.
func TestMaxCountHolds(t *testing.T) {
	t.Parallel()
	b, p := newBench(t), newPortal(t, answering(200))
	b.subscribe("a", resource(p.URL, number("max-count", "PositiveInt", 2)))
	b.step()
	b.score(5)
	b.step()
	var told [][]string
	for _, c := range p.seen()[1:] {
		told = append(told, c.numbers)
	}
	require.Equal(t, [][]string{{"1", "2"}, {"3", "4"}, {"5"}}, told)
}

// TestRightsThatEnd: what may no longer be seen when it is sent has a number only.
func TestRightsThatEnd(t *testing.T) {
	t.Parallel()
	b, p := newBench(t), newPortal(t, answering(200))
	b.subscribe("a", resource(p.URL, ""))
	b.step()
	b.scoreIn("00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01", 1)
	b.worker.distribute(context.Background())
	b.options.Rights = none{}
	worker, err := New(b.store, b.options)
	require.NoError(t, err)
	told, err := worker.tell([]store.Event{{Number: 1, Key: store.Key{Type: "Observation", ID: "s1"}, Version: 1}}, nil, func(key store.Key, version int64) (store.Resource, error) {
		return b.store.Version(context.Background(), key, version)
	})
	require.NoError(t, err)
	require.Empty(t, told[0].Focus)
	b.worker = worker
	b.score(1)
	b.step()
	require.EqualValues(t, 1, b.read("a").Events, "and is no event from then on")
	last := p.seen()[len(p.seen())-1]
	require.Equal(t, []string{"1"}, last.numbers)
	require.Empty(t, last.header.Values("Traceparent"), "nor is the trace told of what may not be seen")
}

type none struct{ all }

func (none) Permits([]byte, fhir.Node) (bool, bool) { return false, false }

// TestEveryEventIsToldInOrder: whatever the endpoint does and however often the
// process dies in between, each event is accepted, none before the one it
// follows, and numbers have no gaps. All rounds share one database, each with a
// subscription of its own.
func TestEveryEventIsToldInOrder(t *testing.T) {
	t.Parallel()
	b, round := newBench(t, func(o *Options) { o.Attempts = 1 << 20 }), 0
	rapid.Check(t, func(rt *rapid.T) {
		round++
		id, before, p := fmt.Sprint("round-", round), b.scores, newPortal(t, answering(200))
		defer p.Close()
		defer b.forget(id)
		b.subscribe(id, resource(p.URL, number("max-count", "PositiveInt", rapid.IntRange(1, 4).Draw(rt, "count"))))
		b.step()
		for range rapid.IntRange(1, 12).Draw(rt, "steps") {
			switch rapid.IntRange(0, 4).Draw(rt, "what") {
			case 0, 1:
				b.score(rapid.IntRange(1, 5).Draw(rt, "scores"))
			case 2:
				p.behaves(answering(rapid.SampledFrom([]int{200, 500, 404, 302}).Draw(rt, "answer")))
			case 3:
				b.dies()
			default:
				b.step()
				b.clock.Add(time.Hour)
			}
		}
		p.behaves(answering(200))
		b.clock.Add(time.Hour)
		b.step()
		accepted := 0
		for _, c := range p.seen() {
			for _, n := range c.numbers {
				number, err := strconv.Atoi(n)
				require.NoError(rt, err)
				require.True(rt, number >= 1 && number <= accepted+1, "%d after %d: nothing comes before what it follows", number, accepted)
				accepted = max(accepted, number)
			}
		}
		require.Equal(rt, b.scores-before, accepted)
		require.EqualValues(rt, accepted, b.read(id).Delivered)
	})
}

// dies ends the process after a call and before its outcome is recorded, and
// starts another once the lease has run out.
func (b *bench) dies() {
	b.t.Helper()
	b.worker.distribute(context.Background())
	if s, err := b.store.ClaimSubscription(context.Background(), "dies", lease); err == nil {
		k, err := b.worker.book.of(s)
		require.NoError(b.t, err)
		b.worker.step(context.Background(), &s, k)
	}
	require.NoError(b.t, b.store.Close())
	b.open()
	b.clock.Add(lease)
}

// forget deletes a subscription.
func (b *bench) forget(id string) {
	b.t.Helper()
	require.NoError(b.t, b.store.Write(context.Background(), nil, func(tx store.Tx) error { return tx.DeleteSubscription(id) }))
}

// TestRunStops: the loop delivers by itself, and ends when told.
func TestRunStops(t *testing.T) {
	t.Parallel()
	accepted := make(chan struct{}, 10)
	b := newBench(t, func(o *Options) { o.Observe = nil; o.Poll = time.Millisecond })
	p := newPortal(t, func(w http.ResponseWriter, _ *http.Request) { accepted <- struct{}{} })
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		b.worker.Run(ctx)
	}()
	b.subscribe("a", resource(p.URL, ""))
	b.worker.Kick()
	for range 2 {
		select {
		case <-accepted:
		case <-time.After(2 * time.Minute):
			t.Fatal("nothing was delivered")
		}
		b.score(1)
	}
	cancel()
	<-done
}

func TestOptionsThatAreMissing(t *testing.T) {
	t.Parallel()
	_, err := New(nil, Options{Base: testBase, Rights: all{}})
	require.Error(t, err)
}
