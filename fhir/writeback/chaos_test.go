package writeback

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// wire is a network that may hold a write up: the client gives up after its
// time, and the request arrives later all the same.
type wire struct {
	clock *clock
	base  http.RoundTripper
	// hold is how many of the coming writes are held up.
	hold int
	held []heldUp
}

// heldUp is a request still on its way, which arrives before a time.
type heldUp struct {
	request *http.Request
	body    []byte
	before  time.Time
}

// givesUp is what the client makes of a request that is held up.
const givesUp = 5 * time.Second

// settles is how long a request may still be on its way after that.
const settles = 30 * time.Second

func (w *wire) RoundTrip(r *http.Request) (*http.Response, error) {
	if w.hold == 0 || r.Method == http.MethodGet {
		return w.base.RoundTrip(r)
	}
	w.hold--
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	w.clock.Add(givesUp)
	w.held = append(w.held, heldUp{r, body, w.clock.Now().Add(settles)})
	return nil, io.ErrUnexpectedEOF
}

// arrive lets what is held up arrive that must before a time.
func (w *wire) arrive(before time.Time) {
	rest := w.held[:0]
	for _, h := range w.held {
		if h.before.After(before) {
			rest = append(rest, h)
			continue
		}
		request := h.request.Clone(context.Background())
		request.Body = io.NopCloser(bytes.NewReader(h.body))
		if response, err := w.base.RoundTrip(request); err == nil {
			response.Body.Close()
		}
	}
	w.held = rest
}

// chaos is a store, some workers and a hospital, on one clock and in one
// goroutine, so that a failure can be repeated and shrunk.
type chaos struct {
	t        *rapid.T
	clock    *clock
	store    store.Store
	hospital *sandbox.Server
	wire     *wire
	workers  []*Worker
	// stalled are claims that their workers have not begun, and unrecorded the
	// deliveries that were made but not recorded.
	stalled    []stalled
	unrecorded []*delivering
	// created counts the ids that the hospital has given.
	created int
	// retracted and deleted say what happened to a score, by us and there.
	retracted, deleted map[int]bool
	// target and first keep the rounds apart, which share a database.
	target string
	first  int
	// parks says that the hospital cannot be delivered to in every case.
	parks bool
	// ignores says that it makes no difference between a conditional create and a
	// plain one.
	ignores bool
	// shape is what it takes scores in, "" for those of one resource.
	shape observation.Shape
}

type stalled struct {
	worker *Worker
	claim  claim
}

// scoresOfChaos is how many scores one round is about.
const scoresOfChaos = 2

func (c *chaos) drawWorker() *Worker {
	return c.workers[rapid.IntRange(0, len(c.workers)-1).Draw(c.t, "worker")]
}

// drawHeld is one of the resources that the hospital holds, nil if there is
// none.
func (c *chaos) drawHeld() map[string]any {
	all := append(c.hospital.Current("Observation"), c.hospital.Current("DocumentReference")...)
	if len(all) == 0 {
		return nil
	}
	return tree(c.t, string(all[rapid.IntRange(0, len(all)-1).Draw(c.t, "held")]))
}

func (c *chaos) drawScore() int {
	return c.first + rapid.IntRange(0, scoresOfChaos-1).Draw(c.t, "score")
}

// claim takes what is due for a worker.
func (c *chaos) claim(w *Worker, limit int) []claim {
	claimed, err := w.claim(context.Background(), c.clock.Now(), limit)
	require.NoError(c.t, err)
	return claimed
}

// wants stores a next version, unless the score was taken back.
func (c *chaos) wants() {
	n := c.drawScore()
	if c.retracted[n] {
		return
	}
	c.retracted[n] = rapid.IntRange(0, 3).Draw(c.t, "retract") == 0
	c.want(n, c.retracted[n])
}

// want stores a next version, of whatever parts where they are resources of their
// own.
func (c *chaos) want(n int, retract bool) {
	if c.shape == "" {
		wantAt(c.t, c.store, c.target, n, retract)
		return
	}
	parts := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{itchPart, sleepPart}), 0, 2, rapid.ID[string]).Draw(c.t, "parts")
	wantShaped(c.t, c.store, c.target, n, c.shape, retract, parts...)
}

// works lets a worker do all that is due.
func (c *chaos) works() {
	w := c.drawWorker()
	for _, claimed := range c.claim(w, 10) {
		finish(w, claimed)
	}
}

// stalls lets a worker claim and do nothing.
func (c *chaos) stalls() {
	w := c.drawWorker()
	for _, claimed := range c.claim(w, 1) {
		c.stalled = append(c.stalled, stalled{w, claimed})
	}
}

// resumes lets the workers go on that had stalled.
func (c *chaos) resumes() {
	for _, s := range c.stalled {
		finish(s.worker, s.claim)
	}
	c.stalled = nil
}

// dies lets a worker deliver and stop before it records.
func (c *chaos) dies() {
	w := c.drawWorker()
	for _, claimed := range c.claim(w, 1) {
		s := &delivering{w: w, d: claimed.delivery, until: claimed.until, attempt: Attempt{Target: w.name}}
		s.deliver(context.Background())
		if rapid.Bool().Draw(c.t, "records late") && s.attempt.Outcome != Lost {
			c.unrecorded = append(c.unrecorded, s)
		}
	}
}

// recordsLate lets them record after all.
func (c *chaos) recordsLate() {
	for _, s := range c.unrecorded {
		s.w.record(s, func() {})
		s.w.recording.Wait()
	}
	c.unrecorded = nil
}

// faults are those that a target recovers from by itself.
var faults = map[string]sandbox.Fault{
	"answer lost":       sandbox.Lost(true),
	"request lost":      sandbox.Lost(false),
	"500 after write":   sandbox.FailAfterWrite(500),
	"503 after write":   sandbox.FailAfterWrite(503),
	"504 after write":   sandbox.FailAfterWrite(504),
	"409 after write":   sandbox.FailAfterWrite(409),
	"500":               sandbox.Refuse(500, ""),
	"502":               sandbox.Refuse(502, ""),
	"503":               sandbox.Refuse(503, "10"),
	"504":               sandbox.Refuse(504, ""),
	"401":               sandbox.Refuse(401, ""),
	"403":               sandbox.Refuse(403, ""),
	"408":               sandbox.Refuse(408, ""),
	"409":               sandbox.Refuse(409, ""),
	"412":               sandbox.Refuse(412, ""),
	"425":               sandbox.Refuse(425, ""),
	"429":               sandbox.Refuse(429, "20"),
	"page of a gateway": sandbox.HTML(),
	"no ETag":           sandbox.NoETag(),
	"no components":     sandbox.DropComponents(),
}

// discovers lets a worker ask the hospital what it can do.
func (c *chaos) discovers() { c.drawWorker().discover(context.Background()) }

// misbehaves queues a fault of the hospital, or of the network.
func (c *chaos) misbehaves() {
	if rapid.IntRange(0, 2).Draw(c.t, "held up") == 0 {
		c.wire.hold = 1
		return
	}
	c.hospital.Misbehave(faults[rapid.SampledFrom(sortedNames(faults)).Draw(c.t, "fault")])
}

// passes lets time pass; what is held up arrives in time.
func (c *chaos) passes() {
	d := rapid.SampledFrom([]time.Duration{time.Second, 5 * time.Second, settles, time.Minute, 121 * time.Second}).Draw(c.t, "time")
	c.wire.arrive(c.clock.Now().Add(d))
	c.clock.Add(d)
}

// edits lets the hospital change what it holds.
func (c *chaos) edits() {
	if resource := c.drawHeld(); resource != nil {
		resource["note"] = []any{map[string]any{"text": "seen"}}
		body, err := json.Marshal(resource)
		require.NoError(c.t, err)
		c.hospital.Put(body)
	}
}

// deletes lets the hospital delete what it holds.
func (c *chaos) deletes() {
	if resource := c.drawHeld(); resource != nil {
		c.hospital.Delete(resource["resourceType"].(string), resource["id"].(string))
		c.deleted[scoreIn(c.t, resource)] = true
	}
}

// scoreIn is the number of the score that a resource is of.
func scoreIn(t require.TestingT, resource map[string]any) (n int) {
	value, found := identifierOf(resource)
	require.True(t, found)
	_, err := fmt.Sscanf(value, "digest-%d", &n)
	require.NoError(t, err)
	return n
}

// versionIn is the version of the score that a resource says it comes from.
func versionIn(t require.TestingT, resource map[string]any) (version int64) {
	for _, v := range atHospital.sources(resource) {
		version = v
	}
	require.NotZero(t, version)
	return version
}

// converges lets everything pass until nothing is left to do.
func (c *chaos) converges() {
	c.wire.hold = 0
	c.wire.arrive(c.clock.Now().Add(time.Hour))
	for n := range c.deleted {
		if !c.retracted[n] {
			c.want(n, false)
		}
	}
	for range 100 {
		c.clock.Add(time.Hour)
		for _, claimed := range c.claim(c.workers[0], 10) {
			finish(c.workers[0], claimed)
		}
		left, err := c.store.Backlog(context.Background())
		require.NoError(c.t, err)
		at := slices.IndexFunc(left, func(b store.Backlog) bool { return b.Target == c.target })
		if at < 0 {
			return
		}
		if c.parks && left[at].Pending == 0 {
			return
		}
		require.True(c.t, c.parks || left[at].Parked == 0, "nothing here is for a person to decide")
	}
	require.Fail(c.t, "the target did not end at the versions wanted")
}

// history are the versions that the hospital took of a score, in order, with
// what it holds of it now.
func (c *chaos) history(t require.TestingT, n int) (versions []map[string]any, live []map[string]any) {
	for i := 1; i <= c.created; i++ {
		id := fmt.Sprintf("s%04d", i)
		for _, body := range c.hospital.Versions("Observation", id) {
			if resource, err := parseResource(body); err == nil && scoreIn(t, resource) == n {
				versions = append(versions, resource)
			}
		}
	}
	for _, body := range c.hospital.Current("Observation") {
		if resource := tree(t, string(body)); scoreIn(t, resource) == n {
			live = append(live, resource)
		}
	}
	return versions, live
}

// keepsThePromise checks what contract and package comment promise of a score.
func (c *chaos) keepsThePromise(t require.TestingT, n int) {
	d, err := c.store.Delivery(context.Background(), c.target, keyOf(n), store.Whole)
	if err != nil {
		return // nothing was ever wanted
	}
	versions, live := c.history(t, n)
	before := int64(0)
	for i, resource := range versions {
		version := versionIn(t, resource)
		require.GreaterOrEqual(t, version, before, "never an older version after a newer one")
		require.True(t, i > 0 || resource["status"] != "entered-in-error", "what was never sent is not taken back")
		before = version
	}
	require.LessOrEqual(t, len(live), 1, "one resource")
	if c.parks && d.Parked {
		return
	}
	require.Equal(t, d.Wanted, d.Delivered)
	if len(live) == 0 {
		require.True(t, d.Retract, "only a result taken back may be missing")
		require.True(t, len(versions) == 0 || c.deleted[n])
		return
	}
	require.Equal(t, d.Wanted, versionIn(t, live[0]), "the version wanted")
	require.Equal(t, d.Retract, live[0]["status"] == "entered-in-error")
}

// chaosTime is when no further round is begun: a hundred take a second on a
// machine that has nothing else to do.
const chaosTime = 5 * time.Second

// TestAnyInterleavingKeepsThePromise draws what several workers, a hospital and
// a network do, in any order. A failure prints its seed and its moves.
func TestAnyInterleavingKeepsThePromise(t *testing.T) {
	t.Parallel()
	interleave(t, newRounds(t), played{name: "everything"}, "", 10, chaosTime)
}

// rounds are what the rounds of a test share: a database and the numbers of the
// scores in it.
type rounds struct {
	clock *clock
	store store.Store
	first int
}

func newRounds(t testing.TB) *rounds {
	c := newClock()
	return &rounds{clock: c, store: openStore(t, c.Now), first: 1}
}

// interleave plays rounds with a hospital of a kind, written to in a mode: some
// at least, and as many as there is time for.
func interleave(t *testing.T, r *rounds, p played, mode Mode, least int, limit time.Duration) {
	count, begun := 0, time.Now()
	if raceDetector {
		least, limit = 1, limit/10
	}
	defer func() { t.Logf("%d rounds", count) }()
	rapid.Check(t, func(t *rapid.T) {
		if count >= least && time.Since(begun) > limit {
			return
		}
		count++
		r.play(t, p, mode)
	})
}

// play plays one round.
func (r *rounds) play(t *rapid.T, p played, mode Mode) {
	c := &chaos{t: t, clock: r.clock, store: r.store, retracted: map[int]bool{}, deleted: map[int]bool{}, first: r.first, parks: p.parks, ignores: p.kind.IgnoreIfNoneExist, shape: p.shape}
	c.target = fmt.Sprint(targetName, "-", r.first)
	r.first += scoresOfChaos
	c.hospital = sandbox.New(sandbox.Options{Kind: p.kind, Now: r.clock.Now, NewID: func() string {
		c.created++
		return fmt.Sprintf("s%04d", c.created)
	}})
	server := httptest.NewServer(c.hospital)
	defer server.Close()
	base := NewTransport()
	defer base.CloseIdleConnections()
	c.wire = &wire{clock: r.clock, base: base}
	for i := range 3 {
		w, err := New(r.store, Target{Name: c.target, Base: server.URL + "/fhir", Transport: c.wire, Mode: mode, Profile: observation.Profile{Shape: p.shape}}, Options{
			Owner: fmt.Sprint("worker-", i), Clock: r.clock, Timeout: givesUp, Settle: settles,
			Jitter: func(limit time.Duration) time.Duration { return limit / 2 },
		})
		require.NoError(t, err)
		if p.discovers {
			w.discover(context.Background())
		}
		c.workers = append(c.workers, w)
	}
	moves := map[string]func(){
		"wants": c.wants, "wants again": c.wants, "works": c.works, "works again": c.works, "stalls": c.stalls, "resumes": c.resumes,
		"dies": c.dies, "records late": c.recordsLate, "misbehaves": c.misbehaves, "misbehaves again": c.misbehaves,
		"passes": c.passes, "passes again": c.passes, "passes once more": c.passes, "edits": c.edits, "deletes": c.deletes,
		"discovers": c.discovers,
	}
	names := sortedNames(moves)
	for range rapid.IntRange(1, 40).Draw(t, "moves") {
		moves[rapid.SampledFrom(names).Draw(t, "move")]()
	}
	c.converges()
	for n := c.first; n < c.first+scoresOfChaos; n++ {
		if p.shape != "" {
			c.keepsThePromiseOfMembers(t, n)
			continue
		}
		c.keepsThePromise(t, n)
	}
	c.keepsOneOfEach(t)
}

// sortedNames are the keys of a map in order, so that draws can be repeated.
func sortedNames[V any](of map[string]V) []string {
	return slices.Sorted(maps.Keys(of))
}
