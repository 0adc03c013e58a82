package writeback

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// sweeping makes a worker look after copies.
func sweeping(action Action) func(*Options) {
	return func(o *Options) { o.Sweep = Sweep{Action: action, Interval: 24 * time.Hour} }
}

// looks lets the worker look at what is to be looked at now, and gives how many
// copies that were.
func (w *ward) looks() int {
	due := store.CheckDue{Fresh: w.worker.options.Settle, Interval: w.worker.options.Sweep.Interval}
	claimed, err := w.store.ClaimChecks(context.Background(), targetName, "sweep", w.worker.options.Lease, due, 100)
	require.NoError(w.t, err)
	for _, d := range claimed {
		w.worker.lookAt(context.Background(), d, w.clock.Now().Add(w.worker.options.Lease))
	}
	return len(claimed)
}

// nextDay is when every copy is to be looked at again.
func (w *ward) nextDay() { w.clock.Add(24 * time.Hour) }

// finds looks at the one copy there is and gives what was found.
func (w *ward) finds() Checked {
	require.Equal(w.t, 1, w.looks())
	w.seen.mu.Lock()
	defer w.seen.mu.Unlock()
	return w.seen.checks[len(w.seen.checks)-1]
}

// edits changes the hospital's copy as its own staff would.
func (w *ward) edits(change func(copy map[string]any)) {
	copy := maps.Clone(w.only())
	change(copy)
	body, err := json.Marshal(copy)
	require.NoError(w.t, err)
	w.hospital.Put(body)
}

// deliveredTo is a ward with one score delivered, once looked at, and nothing found.
func deliveredTo(t *testing.T, action Action, retract bool) *ward {
	w := newWard(t, sweeping(action))
	want(t, w.store, 1, false)
	w.delivers()
	if retract {
		want(t, w.store, 1, true)
		w.delivers()
	}
	w.settle()
	require.Equal(t, Checked{Target: targetName, Finding: FaultNone, Read: true}, w.finds())
	w.nextDay()
	return w
}

// meddling is what may become of a copy behind our back.
var meddling = map[string]struct {
	meddle  func(w *ward)
	retract bool
	finding Fault
	reason  string
	// mended says that it is repaired where that is wanted.
	mended bool
}{
	"AValueChanged": {func(w *ward) { w.edits(func(c map[string]any) { c["valueQuantity"] = map[string]any{"value": 99} }) }, false,
		FaultChanged, "The target's copy is not what was delivered any more. It lacks: valueQuantity.code. It has other: valueQuantity.value.", true},
	"AComponentDropped": {func(w *ward) { w.edits(func(c map[string]any) { delete(c, "component") }) }, false,
		FaultChanged, "The target's copy is not what was delivered any more. It lacks: component.", true},
	"ANoteAdded": {func(w *ward) {
		w.edits(func(c map[string]any) { c["note"] = []any{map[string]any{"text": "Fine."}} })
	}, false, FaultChanged, "The target's copy is not what was delivered any more. Something was added to it.", true},
	"Deleted": {func(w *ward) { w.hospital.Delete("Observation", "h1") }, false, FaultLost, "The target's copy is gone.", true},
	"BroughtBack": {func(w *ward) { w.edits(func(c map[string]any) { c["status"] = "final" }) }, true,
		FaultUnretracted, "The result was taken back, but the target's copy does not say that it was entered in error.", true},
	"Duplicated": {func(w *ward) { w.hospital.Put(scoreOf(1, 1, false)) }, false,
		FaultAmbiguous, "More than one resource at the target carries the score's identifier; remove all but one.", false},
	"DuplicatedAfterItWasTakenBack": {func(w *ward) { w.hospital.Put(scoreOf(1, 1, false)) }, true,
		FaultAmbiguous, "More than one resource at the target carries the score's identifier; remove all but one.", false},
	"OverwrittenByAnother": {func(w *ward) {
		w.edits(func(c map[string]any) { c["identifier"] = []any{map[string]any{"system": "urn:lab", "value": "1"}} })
	}, false, FaultForeign, "The resource that the target keeps under the known id does not carry the score's identifier.", false},
	"AheadOfUs": {func(w *ward) {
		w.edits(func(c map[string]any) {
			c["derivedFrom"] = []any{map[string]any{"reference": "QuestionnaireResponse/score-1/_history/7"}}
		})
	}, false, FaultAhead, "The target holds a later version than this service has; was the database restored from a backup?", false},
}

// TestSweepReports: what became of a copy is found, counted once, and kept.
func TestSweepReports(t *testing.T) {
	t.Parallel()
	for name, c := range meddling {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := deliveredTo(t, Report, c.retract)
			c.meddle(w)
			w.asked()
			require.Equal(t, Checked{Target: targetName, Finding: c.finding, New: true, Read: true}, w.finds())
			require.NotContains(t, fmt.Sprint(w.asked()), "PUT", "nothing is written")
			d := state(t, w.store, 1)
			require.Equal(t, store.Differs, d.State())
			require.Equal(t, c.reason, d.Reason)
			require.Equal(t, string(c.finding), d.Fault)
			require.Zero(t, w.pass())
			w.nextDay()
			require.Equal(t, Checked{Target: targetName, Finding: c.finding, Read: true}, w.finds(), "it is known")
		})
	}
}

// TestSweepRepairs: what can be is mended in the ordinary way, and the rest told.
func TestSweepRepairs(t *testing.T) {
	t.Parallel()
	for name, c := range meddling {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := deliveredTo(t, Repair, c.retract)
			c.meddle(w)
			require.Equal(t, Checked{Target: targetName, Finding: c.finding, New: true, Read: true, Repair: c.mended}, w.finds())
			if !c.mended {
				require.Zero(t, w.pass())
				return
			}
			require.Equal(t, store.InDoubt, func() store.DeliveryState { d := state(t, w.store, 1); return d.State() }())
			w.delivers()
			held := w.only()
			require.True(t, w.worker.compare.same(tree(t, string(scoreOf(1, state(t, w.store, 1).Wanted, c.retract))), held))
			w.settle()
			require.Equal(t, FaultNone, w.finds().Finding)
			d := state(t, w.store, 1)
			require.Equal(t, store.Delivered, d.State())
			require.Equal(t, 1, d.Repairs)
			w.nextDay()
			require.Equal(t, FaultNone, w.finds().Finding)
			require.Zero(t, state(t, w.store, 1).Repairs, "it stays")
		})
	}
	t.Run("NotForEver", func(t *testing.T) {
		t.Parallel()
		w := deliveredTo(t, Repair, false)
		for n := range 3 {
			w.edits(func(c map[string]any) { c["valueQuantity"] = map[string]any{"value": n} })
			require.True(t, w.finds().Repair)
			w.delivers()
			w.settle()
		}
		w.edits(func(c map[string]any) { c["valueQuantity"] = map[string]any{"value": 9} })
		require.False(t, w.finds().Repair)
		d := state(t, w.store, 1)
		require.Equal(t, store.Differs, d.State())
		require.Contains(t, d.Reason, "It was written again 3 times; find out what alters it.")
		want(t, w.store, 1, false)
		w.delivers()
		require.Zero(t, state(t, w.store, 1).Repairs, "a next version is another matter")
	})
	t.Run("WhatFailsStaysInDoubt", func(t *testing.T) {
		t.Parallel()
		for name, fault := range map[string]sandbox.Fault{"ByTheTarget": sandbox.Refuse(409, ""), "ForNow": sandbox.Refuse(429, "1")} {
			w := deliveredTo(t, Repair, false)
			w.edits(func(c map[string]any) { c["valueQuantity"] = map[string]any{"value": 9} })
			require.True(t, w.finds().Repair)
			w.hospital.Misbehave(sandbox.Fault{}, fault, fault, fault, fault, fault, fault, fault, fault, fault)
			require.Equal(t, 1, w.pass(), name)
			require.True(t, state(t, w.store, 1).InDoubt, name)
			w.hospital = nil
		}
	})
}

// TestSweepKnowsTheTarget: what a target makes of what it takes is no finding.
func TestSweepKnowsTheTarget(t *testing.T) {
	t.Parallel()
	drops := func(t *testing.T, transport http.RoundTripper) *ward {
		w := newWard(t, sweeping(Repair))
		var err error
		w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Transport: transport}, w.worker.options)
		require.NoError(t, err)
		w.hospital.Misbehave(sandbox.DropComponents())
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		return w
	}
	for name, transport := range map[string]http.RoundTripper{"SeenByTheAnswer": nil, "SeenByTheFirstLook": &mute{}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := drops(t, transport)
			w.settle()
			for range 3 {
				require.Equal(t, Checked{Target: targetName, Finding: FaultNone, Read: true}, w.finds())
				require.Equal(t, "Delivered, but the target has dropped: component.", state(t, w.store, 1).Reason)
				w.nextDay()
			}
			w.edits(func(c map[string]any) { c["status"] = "amended" })
			require.Equal(t, FaultChanged, w.finds().Finding, "but not what comes on top")
		})
	}
	t.Run("AnotherValueIsNeverAccepted", func(t *testing.T) {
		t.Parallel()
		w := newWard(t, sweeping(Report))
		var err error
		w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Transport: &mute{}}, w.worker.options)
		require.NoError(t, err)
		want(t, w.store, 1, false)
		require.Equal(t, 1, w.pass())
		w.edits(func(c map[string]any) { c["valueQuantity"] = map[string]any{"value": 9} })
		w.settle()
		require.Equal(t, FaultChanged, w.finds().Finding)
	})
	t.Run("WrittenInAnotherWayIsTheSame", func(t *testing.T) {
		t.Parallel()
		w := drops(t, nil)
		w.settle()
		w.finds()
		w.edits(func(c map[string]any) {
			c["issued"] = "2024-05-10T14:00:01+02:00"
			c["subject"] = map[string]any{"reference": w.url + "/fhir/Patient/oona"}
			c["valueQuantity"] = map[string]any{"value": json.Number("1.5"), "code": "{score}"}
		})
		w.nextDay()
		require.Equal(t, FaultNone, w.finds().Finding)
	})
}

// TestSweepOfWhatWasTakenBack: what is gone is well, and what arrives late after
// all is taken back.
func TestSweepOfWhatWasTakenBack(t *testing.T) {
	t.Parallel()
	w := deliveredTo(t, Repair, true)
	w.hospital.Delete("Observation", "h1")
	require.Equal(t, FaultNone, w.finds().Finding)

	w = newWard(t, sweeping(Repair))
	want(t, w.store, 1, false)
	want(t, w.store, 1, true)
	require.Equal(t, 1, w.pass())
	require.Equal(t, Withdrawn, w.seen.last().Outcome)
	w.settle()
	require.Equal(t, FaultNone, w.finds().Finding)
	w.hospital.Put(scoreOf(1, 1, false))
	w.nextDay()
	require.Equal(t, Checked{Target: targetName, Finding: FaultUnretracted, New: true, Read: true, Repair: true}, w.finds())
	w.delivers()
	w.requireHeld("score-1", 2, "entered-in-error")
}

// TestSweepMovedCopy: one that the hospital keeps under another id is followed.
func TestSweepMovedCopy(t *testing.T) {
	t.Parallel()
	w := deliveredTo(t, Report, false)
	w.hospital.Delete("Observation", "h1")
	w.hospital.Put(scoreOf(1, 1, false))
	require.Equal(t, FaultNone, w.finds().Finding)
	require.Equal(t, "score-1", state(t, w.store, 1).RemoteID)
	want(t, w.store, 1, false)
	w.asked()
	w.delivers()
	require.Equal(t, []string{`PUT Observation/score-1 If-Match W/"1"`}, w.asked())
}

// TestSweepOfMembers: each member of a score has a copy of its own.
func TestSweepOfMembers(t *testing.T) {
	t.Parallel()
	for _, shape := range observation.Shapes() {
		t.Run(string(shape), func(t *testing.T) {
			t.Parallel()
			w := newShapedWard(t, observation.Profile{Shape: shape})
			w.worker.options.Sweep = Sweep{Action: Repair, Interval: 24 * time.Hour, Gap: time.Millisecond, Repairs: 3}
			w.wants(false, "extent", "objective")
			w.drains()
			w.settle()
			copies := w.looks()
			require.Positive(t, copies)
			for _, c := range w.seen.checks {
				require.Equal(t, Checked{Target: targetName, Finding: FaultNone, Read: true}, c)
			}
			w.nextDay()
			w.hospital.Delete(shapeType(shape), "h1")
			require.Equal(t, copies, w.looks())
			repairs := 0
			for _, c := range w.seen.checks[copies:] {
				if c.Repair {
					repairs++
					require.Equal(t, FaultLost, c.Finding)
				}
			}
			require.Equal(t, 1, repairs)
			w.drains()
			w.wants(true, "extent", "objective")
			w.drains()
			for _, body := range w.hospital.Current(shapeType(shape)) {
				require.Equal(t, "entered-in-error", tree(t, string(body))["status"])
			}
		})
	}
}

// shapeType is the type of what a shape is made of.
func shapeType(shape observation.Shape) string {
	return observation.MemberType(shape.Members(nil)[0])
}

// TestSweepAndDeliveries: a version that is wanted while somebody looks takes
// its copy away at once, and a look that never ends leaves no doubt.
func TestSweepAndDeliveries(t *testing.T) {
	t.Parallel()
	w := deliveredTo(t, Repair, false)
	due := store.CheckDue{Interval: time.Hour}
	claimed, err := w.store.ClaimChecks(context.Background(), targetName, "frozen", w.worker.options.Lease, due, 1)
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	require.Zero(t, w.looks(), "somebody looks already")
	want(t, w.store, 1, false)
	w.delivers()
	w.hospital.Delete("Observation", "h1")
	l := w.worker.lookAt(context.Background(), claimed[0], w.clock.Now().Add(w.worker.options.Lease))
	require.Nil(t, l.copy)
	require.Equal(t, store.Delivered, func() store.DeliveryState { d := state(t, w.store, 1); return d.State() }(), "what it found is of the version before")
	require.Len(t, w.seen.checks, 1)
}

// TestSweepStops: nothing is looked at while the target as a whole is at fault,
// and what cannot be read is put off behind the others.
func TestSweepStops(t *testing.T) {
	t.Parallel()
	t.Run("WhileTheTargetIsPaused", func(t *testing.T) {
		t.Parallel()
		w := deliveredTo(t, Report, false)
		w.worker.gate.fail(w.clock.Now(), func(int) time.Duration { return time.Minute })
		w.asked()
		failures := 0
		require.Equal(t, time.Minute, w.worker.sweep(context.Background(), &failures))
		require.Empty(t, w.asked())
		w.clock.Add(time.Minute)
		require.Equal(t, w.worker.options.Poll, w.worker.sweep(context.Background(), &failures), "a probe is for a delivery")
		require.Empty(t, w.asked())
	})
	t.Run("WhenTheTargetDoesNotAnswer", func(t *testing.T) {
		t.Parallel()
		w := deliveredTo(t, Report, false)
		w.hospital.Misbehave(sandbox.Refuse(429, "100"))
		failures := 0
		require.Equal(t, 100*time.Second, w.worker.sweep(context.Background(), &failures))
		require.Equal(t, 1, failures)
		require.Equal(t, 1, w.looks(), "it keeps its place")
	})
	t.Run("WhatCannotBeReadComesLast", func(t *testing.T) {
		t.Parallel()
		w := deliveredTo(t, Report, false)
		w.hospital.Misbehave(sandbox.Refuse(403, ""), sandbox.Refuse(403, ""))
		require.Equal(t, Checked{Target: targetName, Finding: FaultNone}, w.finds())
		require.Zero(t, w.looks())
		require.Equal(t, store.Delivered, func() store.DeliveryState { d := state(t, w.store, 1); return d.State() }())
	})
	t.Run("UnlessItIsAskedFor", func(t *testing.T) {
		t.Parallel()
		require.ErrorContains(t, Options{Sweep: Sweep{Action: "shout"}}.check(), `cannot be "shout"`)
		require.ErrorContains(t, Options{Sweep: Sweep{Repairs: -1}}.check(), "the number of repairs is negative")
	})
}

// TestSpareTurn: one who has time takes only turns that nobody has taken.
func TestSpareTurn(t *testing.T) {
	t.Parallel()
	c := newClock()
	p := &pacer{clock: c, interval: time.Second}
	require.NoError(t, p.wait(context.Background()))
	require.Equal(t, c.Now().Add(time.Second), p.next)
	ended := make(chan error, 1)
	go func() { ended <- p.spare(context.Background()) }()
	require.Eventually(t, func() bool { c.mu.Lock(); defer c.mu.Unlock(); return len(c.waiting) == 1 }, patience, time.Millisecond)
	require.Equal(t, c.Now().Add(time.Second), p.next, "it has not queued")
	c.Add(time.Second)
	require.NoError(t, <-ended)
	require.Equal(t, c.Now().Add(time.Second), p.next)
	require.NoError(t, (&pacer{clock: c}).spare(context.Background()))
}

// TestSweepUnderLoad: with deliveries and a hospital where copies are changed and
// deleted all the time, everything ends as it was wanted.
func TestSweepUnderLoad(t *testing.T) {
	t.Parallel()
	w := newWard(t)
	s := openStore(t, time.Now)
	w.store = s
	worker, err := New(s, Target{Name: targetName, Base: w.url + "/fhir"}, Options{
		Observer: w.seen, Timeout: time.Minute, Poll: 5 * time.Millisecond, Settle: 5 * time.Millisecond,
		Sweep: Sweep{Action: Repair, Interval: 20 * time.Millisecond, Gap: time.Millisecond, Repairs: 1000},
	})
	require.NoError(t, err)
	running(t, worker)
	const scores = 12
	for round := range 8 {
		for n := range scores {
			want(t, s, n, round == 7 && n%3 == 0)
		}
		worker.Kick()
		for i, body := range w.hospital.Current("Observation") {
			copy := tree(t, string(body))
			if (i+round)%4 == 0 {
				w.hospital.Delete("Observation", copy["id"].(string))
			} else if (i+round)%4 == 1 {
				copy["valueQuantity"] = map[string]any{"value": 99}
				changed, err := json.Marshal(copy)
				require.NoError(t, err)
				w.hospital.Put(changed)
			}
		}
	}
	require.Eventually(t, func() bool {
		left, err := s.Backlog(context.Background())
		return err == nil && len(left) == 0 && w.asWanted(scores)
	}, patience, 20*time.Millisecond)
	w.seen.mu.Lock()
	defer w.seen.mu.Unlock()
	require.NotEmpty(t, w.seen.checks)
}

// asWanted says whether the hospital holds each score once, as it was wanted
// last; one that was taken back may be gone.
func (w *ward) asWanted(scores int) bool {
	held := map[string]map[string]any{}
	for _, body := range w.hospital.Current("Observation") {
		copy := tree(w.t, string(body))
		value, _ := identifierOf(copy)
		if held[value] != nil {
			return false
		}
		held[value] = copy
	}
	for n := range scores {
		d := state(w.t, w.store, n)
		copy := held[fmt.Sprint("digest-", n)]
		if copy == nil && d.Retract {
			continue
		}
		if copy == nil || !w.worker.compare.same(tree(w.t, string(scoreOf(n, d.Wanted, d.Retract))), copy) {
			return false
		}
	}
	return true
}
