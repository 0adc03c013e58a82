package writeback

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// chaosSeed repeats the draws of a run; what the scheduler made of them is not
// repeated.
var chaosSeed = flag.Uint64("chaos.seed", 0, "seed of TestWorkersSideBySideKeepThePromise; 0 draws one")

// disturbed is a hospital behind a network that delays, on which faults are
// drawn.
type disturbed struct {
	hospital *sandbox.Server
	mu       sync.Mutex
	random   *rand.Rand
	calm     bool
}

// draw gives what goes wrong with the next request.
func (d *disturbed) draw() (delay time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.calm {
		return 0
	}
	if d.random.IntN(3) == 0 {
		names := sortedNames(faults)
		d.hospital.Misbehave(faults[names[d.random.IntN(len(names))]])
	}
	if d.random.IntN(6) == 0 {
		// Up to twice what the client waits for.
		return time.Duration(d.random.Int64N(int64(2 * sideBySideTimeout)))
	}
	return 0
}

func (d *disturbed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if delay := d.draw(); delay > 0 {
		<-time.After(delay) // it arrives though the client may have gone
	}
	if sent, err := strconv.ParseInt(r.Header.Get(sentAt), 10, 64); err == nil && time.Since(time.Unix(0, sent)) > sideBySideSettle*3/4 {
		hangUp(w) // later than any network keeps it; the machine is busy
		return
	}
	d.hospital.ServeHTTP(w, r)
}

// sentAt is the header that says when a request was sent.
const sentAt = "X-Test-Sent-At"

// stamping says it.
func stamping(request *http.Request) (*http.Response, error) {
	request = request.Clone(request.Context())
	request.Header.Set(sentAt, strconv.FormatInt(time.Now().UnixNano(), 10))
	return http.DefaultTransport.RoundTrip(request)
}

const (
	sideBySideTimeout = 50 * time.Millisecond
	sideBySideSettle  = 6 * sideBySideTimeout
	sideBySideScores  = 6
	sideBySideTime    = 1500 * time.Millisecond
)

// shift lets one worker after the other work on the target until the context
// ends, each for a while.
func shift(ctx context.Context, t *testing.T, s store.Store, url string, random *rand.Rand) {
	for n := 0; ctx.Err() == nil; n++ {
		w, err := New(s, Target{Name: targetName, Base: url + "/fhir", Transport: roundTrip(stamping)}, Options{
			Senders: 2, Poll: 5 * time.Millisecond, Timeout: sideBySideTimeout, Lease: sideBySideSettle, Settle: sideBySideSettle,
			Drain: time.Duration(random.IntN(20)+1) * time.Millisecond, RetryAfterCap: 20 * time.Millisecond,
			Backoff: Backoff{Base: time.Millisecond, Cap: 10 * time.Millisecond},
			Slow:    Backoff{Base: time.Millisecond, Cap: 10 * time.Millisecond},
		})
		if err != nil {
			t.Error(err)
			return
		}
		until, end := context.WithTimeout(ctx, time.Duration(50+random.IntN(400))*time.Millisecond)
		if err := w.Run(until); err != nil {
			t.Error(err)
		}
		end()
	}
}

// TestWorkersSideBySideKeepThePromise lets several workers, which are stopped
// and started again, work at the same time against a hospital and a network
// that misbehave, while scores are made, amended and taken back.
func TestWorkersSideBySideKeepThePromise(t *testing.T) {
	t.Parallel()
	seed := *chaosSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("-chaos.seed=%d", seed)
	draws := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, stream)) }
	c := &chaos{retracted: map[int]bool{}, deleted: map[int]bool{}, target: targetName, first: 1, store: realStore(t)}
	c.hospital = sandbox.New(sandbox.Options{NewID: func() string {
		c.created++
		return fmt.Sprintf("s%04d", c.created)
	}})
	network := &disturbed{hospital: c.hospital, random: draws(0)}
	server := httptest.NewServer(network)
	t.Cleanup(server.Close)

	ctx, stop := context.WithTimeout(context.Background(), sideBySideTime)
	defer stop()
	var workers sync.WaitGroup
	for i := range uint64(3) {
		workers.Go(func() { shift(ctx, t, c.store, server.URL, draws(i+1)) })
	}
	random, tick := draws(9), time.NewTicker(15*time.Millisecond)
	defer tick.Stop()
	for ctx.Err() == nil {
		if n := 1 + random.IntN(sideBySideScores); !c.retracted[n] {
			c.retracted[n] = random.IntN(8) == 0
			want(t, c.store, n, c.retracted[n])
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
		}
	}
	workers.Wait()

	network.mu.Lock()
	network.calm = true
	network.mu.Unlock()
	o := duty(t, c.store, server.URL, func(o *Options) { o.Settle = sideBySideSettle })
	require.Eventually(t, func() bool {
		left, err := c.store.Backlog(context.Background())
		return err == nil && len(left) == 0
	}, patience, 10*time.Millisecond, "the target did not end at the versions wanted")
	o.end(t)
	for n := 1; n <= sideBySideScores; n++ {
		c.keepsThePromise(t, n)
	}
}
