package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/fhir/subscription"
	"tidemark.example/tidemark/test/sqlitetest"
)

const testBase = "https://tidemark.brindlemoor.example/fhir"

// portal is an endpoint that a test lets misbehave. It notes every call, also
// those it does not accept.
type portal struct {
	*httptest.Server
	mu    sync.Mutex
	calls []call
	serve func(http.ResponseWriter, *http.Request)
}

// call is what a portal was told once.
type call struct {
	kind    string
	numbers []string
	header  http.Header
}

func newPortal(t testing.TB, serve func(http.ResponseWriter, *http.Request)) *portal {
	t.Helper()
	p := &portal{serve: serve}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		p.mu.Lock()
		p.calls = append(p.calls, parsedCall(t, body, r.Header))
		serve := p.serve
		p.mu.Unlock()
		serve(w, r)
	}))
	t.Cleanup(p.Close)
	return p
}

// behaves changes what it does.
func (p *portal) behaves(serve func(http.ResponseWriter, *http.Request)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.serve = serve
}

// seen are the calls so far.
func (p *portal) seen() []call {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]call{}, p.calls...)
}

func answering(status int) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(status) }
}

func parsedCall(t testing.TB, body []byte, header http.Header) call {
	var b struct {
		Entry []struct {
			Resource struct {
				Parameter []struct {
					Name, ValueCode string
					Part            []struct{ Name, ValueString string }
				}
			}
		}
	}
	if err := json.Unmarshal(body, &b); err != nil || len(b.Entry) == 0 {
		t.Errorf("what was sent is no notification: %v", err)
		return call{}
	}
	c := call{header: header}
	for _, p := range b.Entry[0].Resource.Parameter {
		switch p.Name {
		case "type":
			c.kind = p.ValueCode
		case "notification-event":
			c.numbers = append(c.numbers, p.Part[0].ValueString)
		}
	}
	return c
}

// all is a Rights that permits everything.
type all struct{}

func (all) Patient(score fhir.Node) string         { return score.Get("subject").Get("reference").Text() }
func (all) Permits([]byte, fhir.Node) (bool, bool) { return true, true }

// clock is one that a test moves.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) Add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// bench is a store with a worker that a test steps by itself.
type bench struct {
	t       testing.TB
	clock   *clock
	store   store.Store
	place   string
	worker  *Worker
	options Options
	log     *bytes.Buffer
	calls   []Call
	scores  int
}

func newBench(t testing.TB, adjust ...func(*Options)) *bench {
	t.Helper()
	b := &bench{t: t, clock: &clock{now: time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)}, place: filepath.Join(t.TempDir(), "tidemark.db"), log: &bytes.Buffer{}}
	policy, err := NewPolicy([]string{"127.0.0.1:*", "localhost:*"}, prefixes("127.0.0.0/8", "::1/128"))
	require.NoError(t, err)
	b.options = Options{Base: testBase, Policy: policy, Rights: all{}, Clock: b.clock.Now, Logger: slog.New(slog.NewTextHandler(b.log, nil)),
		Observe: func(c Call) { b.calls = append(b.calls, c) }}
	for _, each := range adjust {
		each(&b.options)
	}
	sqlitetest.Place(t, b.place)
	b.open()
	t.Cleanup(func() { require.NoError(t, b.store.Close()) })
	return b
}

// open opens the store, for the first time or again, with a new worker.
func (b *bench) open() {
	b.t.Helper()
	db, err := sqlite.Open(context.Background(), b.place, sqlite.Options{Clock: b.clock.Now})
	require.NoError(b.t, err)
	b.store = db
	b.worker, err = New(db, b.options)
	require.NoError(b.t, err)
}

// channel is the start of a channel, and extra is put before its type.
func resource(endpoint, extra string) string {
	return `{"resourceType":"Subscription","status":"requested","reason":"x","criteria":"` + subscription.Topic + `","channel":{` + extra +
		`"type":"rest-hook","endpoint":"` + endpoint + `","payload":"application/fhir+json","_payload":{"extension":[{"url":` +
		`"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content","valueCode":"id-only"}]}}}`
}

func number(name, kind string, n int) string {
	return fmt.Sprintf(`"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-%s","value%s":%d}],`, name, kind, n)
}

// subscribe stores a subscription that asks, as the API does.
func (b *bench) subscribe(id, body string) {
	b.t.Helper()
	require.NoError(b.t, b.store.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.PutSubscription(store.Subscription{ID: id, Body: []byte(body), SubscriptionState: store.SubscriptionState{
			Status: store.SubscriptionRequested, Due: b.clock.Now(),
		}})
		return err
	}))
}

// score stores scores that are events.
func (b *bench) score(n int) {
	b.t.Helper()
	b.scoreIn("", n)
}

// scoreIn is score within a trace.
func (b *bench) scoreIn(trace string, n int) {
	b.t.Helper()
	for range n {
		b.scores++
		key := store.Key{Type: "Observation", ID: fmt.Sprint("s", b.scores)}
		require.NoError(b.t, b.store.Write(store.WithTrace(context.Background(), trace), nil, func(tx store.Tx) error {
			written, err := tx.Put(key, http.MethodPut, store.Index{}, func(int64, time.Time) ([]byte, error) {
				return []byte(`{"resourceType":"Observation","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/p"}}`), nil
			})
			if err != nil {
				return err
			}
			return tx.Event(key, written.Version)
		}))
	}
}

// step does everything that is due now, and gives how many calls that were.
func (b *bench) step() int {
	b.t.Helper()
	ctx := context.Background()
	b.worker.distribute(ctx)
	for n := 0; ; n++ {
		s, err := b.store.ClaimSubscription(ctx, "test", lease)
		if err != nil {
			require.ErrorIs(b.t, err, store.ErrNotFound)
			return n
		}
		b.worker.serve(ctx, s)
		require.Less(b.t, n, 1000, "it ends")
	}
}

// read gives a subscription.
func (b *bench) read(id string) store.Subscription {
	b.t.Helper()
	s, err := b.store.Subscription(context.Background(), id)
	require.NoError(b.t, err)
	return s
}
