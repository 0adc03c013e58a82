package api_test

import (
	"context"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/fhir/store"
)

// throttled holds an answer to be a refusal that says when to come back.
func (a answer) throttled(status int) {
	a.t.Helper()
	a.refused(status, "throttled")
	require.Regexp(a.t, `^[1-9][0-9]*$`, a.header.Get("Retry-After"))
}

func TestRateOfOneClient(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) {
		o.Limits = edge.Limits{Rate: 1, Burst: 3}
		o.Proxies = edge.Proxies{netip.MustParsePrefix("127.0.0.1/32")}
	})
	a := r.admin()
	from := func(address, path string) answer { return r.get(path, "X-Forwarded-For", address) }

	for range 3 {
		require.Equal(t, http.StatusOK, from("192.0.2.1", "/fhir/metadata").status)
	}
	for _, path := range []string{"/fhir/metadata", "/fhir/Observation", "/fhir/Observation/none", "/nowhere"} {
		from("192.0.2.1", path).throttled(http.StatusTooManyRequests)
	}
	require.Equal(t, http.StatusOK, from("192.0.2.2", "/fhir/metadata").status, "another client has its own")
	require.Equal(t, http.StatusOK, from("2001:db8::1", "/fhir/metadata").status)
	r.do(http.MethodPost, responsePath, oona("throttled").json(), "X-Forwarded-For", "192.0.2.1").throttled(http.StatusTooManyRequests)
	require.Equal(t, kept{}, r.kept(), "what is throttled is not stored")
	require.EqualValues(t, 5, a.series()[`tidemark_requests_throttled_total{limit="rate"}`])
	require.NotContains(t, r.log.String(), "192.0.2", "an address is a person's, often")
}

func TestRateCountsEntries(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"batch", "transaction"} {
		t.Run("of a "+kind, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, func(o *api.Options) { o.Limits = edge.Limits{Rate: 1, Burst: 3} })
			var entries []string
			for range 20 {
				entries = append(entries, entryOf(http.MethodGet, "Observation?_count=0", ""))
			}
			a := r.bundle(kind, entries...)
			require.Equal(t, http.StatusOK, a.status, "%s", a.body)
			require.Equal(t, 20, a.count("entry"))
			for i := range 20 {
				require.Equal(t, "200", strings.Fields(a.text("entry", i, "response", "status"))[0], "the parts of what is let in are let in")
			}
			refused := r.get("/fhir/metadata")
			refused.throttled(http.StatusTooManyRequests)
			require.Len(t, refused.header.Get("Retry-After"), 2, "20 requests at one a second, less a burst of 3: more than 9 s")
		})
	}
}

func TestEntriesOfABundle(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(o *api.Options) { o.MaxEntries = 2 })
	get := entryOf(http.MethodGet, "Observation?_count=0", "")
	for _, kind := range []string{"batch", "transaction"} {
		require.Equal(t, http.StatusOK, r.bundle(kind, get, get).status)
		r.bundle(kind, get, get, get).refused(http.StatusRequestEntityTooLarge, "too-costly")
	}
}

// waitingStore holds searches up until it is told to go on, or the request ends.
type waitingStore struct {
	store.Store
	begun, goOn chan struct{}
}

// Search implements store.Store.
func (w *waitingStore) Search(ctx context.Context, query store.Query) (store.Page, error) {
	w.begun <- struct{}{}
	select {
	case <-w.goOn:
		return w.Store.Search(ctx, query)
	case <-ctx.Done():
		return store.Page{}, ctx.Err()
	}
}

func TestConcurrencyOfOneClient(t *testing.T) {
	t.Parallel()
	slow := &waitingStore{begun: make(chan struct{}, 10), goOn: make(chan struct{})}
	r := newRig(t, func(o *api.Options) {
		slow.Store, o.Store = o.Store, slow
		o.Limits = edge.Limits{Concurrent: 2, Total: 3}
		o.Proxies = edge.Proxies{netip.MustParsePrefix("127.0.0.1/32")}
	})
	var waiting sync.WaitGroup
	wait := func(address string) {
		waiting.Go(func() {
			a, err := send(r.origin, http.MethodGet, "/fhir/Observation?code=scorad", "", "X-Forwarded-For", address)
			if err != nil || a.status != http.StatusOK {
				t.Errorf("a request that was let in: %v, %d %s", err, a.status, a.body)
			}
		})
		<-slow.begun
	}
	wait("192.0.2.1")
	wait("192.0.2.1")
	r.get("/fhir/metadata", "X-Forwarded-For", "192.0.2.1").throttled(http.StatusTooManyRequests)
	require.Equal(t, http.StatusOK, r.get("/fhir/metadata", "X-Forwarded-For", "192.0.2.2").status, "one client's slow searches do not keep another out")
	wait("192.0.2.3")
	r.get("/fhir/metadata", "X-Forwarded-For", "192.0.2.2").throttled(http.StatusServiceUnavailable)
	close(slow.goOn)
	waiting.Wait()
	require.Equal(t, http.StatusOK, r.get("/fhir/metadata", "X-Forwarded-For", "192.0.2.1").status)
}

func TestSlowSearchIsGivenUp(t *testing.T) {
	t.Parallel()
	slow := &waitingStore{begun: make(chan struct{}, 10), goOn: make(chan struct{})}
	r := newRig(t, func(o *api.Options) {
		slow.Store, o.Store = o.Store, slow
		o.RequestTimeout = 50 * time.Millisecond
	})
	hung := time.AfterFunc(patience, func() { close(slow.goOn) }) // so that a search which nobody gives up is answered, and seen
	defer hung.Stop()
	for _, path := range []string{"/fhir/Observation?code=scorad", "/fhir/Observation/$lastn?patient=oona-thistledown&category=survey"} {
		a := r.get(path)
		a.refused(http.StatusServiceUnavailable, "timeout")
		require.NotEmpty(t, a.header.Get("Retry-After"))
	}
}

// TestClientOfAToken: a client is who its token says, wherever it comes from, and
// who has no good token is its address.
func TestClientOfAToken(t *testing.T) {
	t.Parallel()
	r := newAuthRig(t, func(o *api.Options) { o.Limits = edge.Limits{Rate: 1, Burst: 2} })
	of := func(client string) string { return r.token("system/*.rs", "", claims{"client_id": client}) }
	ask := func(token string) answer { return r.as(token, http.MethodGet, "/fhir/Observation", "") }

	for _, client := range []string{"fernway-portal", "brindlemoor"} {
		for range 2 {
			require.Equal(t, http.StatusOK, ask(of(client)).status, "clients behind one address have an allowance each")
		}
		for range 3 {
			ask(of(client)).throttled(http.StatusTooManyRequests)
		}
	}
	for range 2 {
		ask("a.guessed.token").refused(http.StatusUnauthorized, "unknown")
	}
	ask("a.guessed.token").throttled(http.StatusTooManyRequests)
	r.get("/fhir/metadata").throttled(http.StatusTooManyRequests)
	ask(of("newcomer")).throttled(http.StatusTooManyRequests)
}
