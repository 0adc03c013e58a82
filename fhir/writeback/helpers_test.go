package writeback

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/test/sqlitetest"
)

// targetName is the target of all tests.
const targetName = "brindlemoor"

// clock is one that a test moves; what waits on it is woken.
type clock struct {
	mu      sync.Mutex
	now     time.Time
	waiting []waiter
}

type waiter struct {
	at time.Time
	to chan time.Time
}

func newClock() *clock {
	return &clock{now: time.Date(2024, 5, 10, 12, 0, 0, 0, time.UTC)}
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) After(d time.Duration) <-chan time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	to := make(chan time.Time, 1)
	c.waiting = append(c.waiting, waiter{c.now.Add(d), to})
	c.wake()
	return to
}

func (c *clock) Add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
	c.wake()
}

func (c *clock) wake() {
	rest := c.waiting[:0]
	for _, w := range c.waiting {
		if w.at.After(c.now) {
			rest = append(rest, w)
			continue
		}
		w.to <- c.now
	}
	c.waiting = rest
}

// openStore opens an empty database.
func openStore(t testing.TB, now func() time.Time) store.Store {
	s := sqlitetest.Open(t, sqlite.Options{Clock: now})
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// keyOf names the score of that number.
func keyOf(n int) store.Key { return store.Key{Type: "Observation", ID: fmt.Sprint("score-", n)} }

// scoreOf is the body of one version of a score, short but of the shape that
// package observation writes.
func scoreOf(n int, version int64, retract bool) []byte {
	status := "final"
	switch {
	case retract:
		status = "entered-in-error"
	case version > 1:
		status = "amended"
	}
	return fmt.Appendf(nil, `{"resourceType":"Observation","id":"score-%[1]d","meta":{"versionId":"%[2]d",`+
		`"lastUpdated":"2024-05-10T12:00:00.000Z"},"text":{"status":"generated","div":"<div>%[2]d</div>"},`+
		`"identifier":[{"system":"https://tidemark.example/fhir/sid/score","value":"digest-%[1]d"}],"status":"%[3]s","code":{"text":"score"},`+
		`"subject":{"reference":"Patient/oona"},"issued":"2024-05-10T12:00:0%[4]d.000Z",`+
		`"valueQuantity":{"value":%[5]d.50,"code":"{score}"},"device":{"reference":"https://tidemark.example/fhir/Device/`+observation.DeviceID+`",`+
		`"identifier":{"system":"`+observation.DeviceSystem+`","value":"`+observation.DeviceID+`"}},"derivedFrom":[{"reference":"QuestionnaireResponse/score-%[1]d/_history/%[2]d"}],`+
		`"component":[{"code":{"text":"itch"},"valueQuantity":{"value":7.0}},{"code":{"text":"sleep"},"valueQuantity":{"value":3.0}}]}`,
		n, version, status, version%10, version)
}

// want stores the next version of a score and wants it delivered.
func want(t require.TestingT, s store.Store, n int, retract bool) int64 {
	return wantAt(t, s, targetName, n, retract)
}

// wantAt is want for any target.
func wantAt(t require.TestingT, s store.Store, target string, n int, retract bool) int64 {
	var version int64
	require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
		stored, err := tx.Put(keyOf(n), "PUT", store.Index{}, func(v int64, _ time.Time) ([]byte, error) {
			return scoreOf(n, v, retract), nil
		})
		if err != nil {
			return err
		}
		version = stored.Version
		if err := putProvenance(tx, n, version, retract); err != nil {
			return err
		}
		return tx.Want(target, keyOf(n), version, retract)
	}))
	return version
}

// provenanceID is the id of the Provenance of a version.
func provenanceID(n int, version int64) string { return fmt.Sprintf("prov-%d-%d", n, version) }

// putProvenance stores that of a version, as package api does.
func putProvenance(tx store.Tx, n int, version int64, retract bool) error {
	in := observation.ProvenanceInput{
		ID: provenanceID(n, version), Recorded: tx.Now(), Activity: observation.Update,
		Target: fmt.Sprintf("%s/_history/%d", keyOf(n), version), Entity: fmt.Sprintf("QuestionnaireResponse/score-%d/_history/%d", n, version),
	}
	if retract {
		in.Activity = observation.Nullify
	}
	index := store.Index{Tokens: []store.Token{{Param: "target", Value: keyOf(n).String()}}}
	_, err := tx.Put(store.Key{Type: "Provenance", ID: in.ID}, "POST", index, func(int64, time.Time) ([]byte, error) {
		return observation.AppendProvenance(nil, &in), nil
	})
	return err
}

// state is what the store knows of the delivery of a score.
func state(t require.TestingT, s store.Store, n int) store.Delivery {
	d, err := s.Delivery(context.Background(), targetName, keyOf(n), store.Whole)
	require.NoError(t, err)
	return d
}

// rig is a worker between a store and a hospital, on a clock that stands still.
type rig struct {
	t        testing.TB
	clock    *clock
	store    store.Store
	hospital *hospital
	worker   *Worker
	seen     *observed
}

// observed keeps what the observer was told.
type observed struct {
	mu       sync.Mutex
	attempts []Attempt
	pauses   []Pause
	resumed  int
	choices  []Choice
	checks   []Checked
}

func (o *observed) Attempted(a Attempt) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.attempts = append(o.attempts, a)
}

func (o *observed) Paused(p Pause) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.pauses = append(o.pauses, p)
}

func (o *observed) Checked(c Checked) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.checks = append(o.checks, c)
}

func (o *observed) Resumed(string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.resumed++
}

func (o *observed) Chosen(c Choice) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.choices = append(o.choices, c)
}

// last is the last attempt.
func (o *observed) last() Attempt {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.attempts[len(o.attempts)-1]
}

// newRig makes one. Jitter is at its limit, so that waits are known.
func newRig(t testing.TB, adjust ...func(*Options)) *rig {
	r := &rig{t: t, clock: newClock(), hospital: newHospital(t), seen: &observed{}}
	r.store = openStore(t, r.clock.Now)
	r.worker = r.build(adjust...)
	return r
}

// build makes another worker of the rig.
func (r *rig) build(adjust ...func(*Options)) *Worker {
	options := Options{
		Clock: r.clock, Observer: r.seen, Timeout: 5 * time.Second,
		Jitter: func(limit time.Duration) time.Duration { return limit },
	}
	for _, each := range adjust {
		each(&options)
	}
	w, err := New(r.store, Target{Name: targetName, Base: r.hospital.URL + "/fhir"}, options)
	require.NoError(r.t, err)
	return w
}

// pass lets the worker do everything that is due now, and returns how many
// deliveries that were.
func (r *rig) pass() int {
	ctx := context.Background()
	claimed, err := r.worker.claim(ctx, r.clock.Now(), 100)
	require.NoError(r.t, err)
	for _, c := range claimed {
		finish(r.worker, c)
	}
	return len(claimed)
}

// identifierOf is the value of the first identifier of a score.
func identifierOf(tree map[string]any) (value string, found bool) {
	for _, each := range references(tree["identifier"]) {
		if each["system"] == observation.IdentifierSystem {
			value, found = each["value"].(string)
			return value, found && value != ""
		}
	}
	return "", false
}

// finish delivers one claim and waits until its outcome is recorded.
func finish(w *Worker, c claim) {
	w.work(context.Background(), context.Background(), c)
	w.recording.Wait()
}
