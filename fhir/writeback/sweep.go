package writeback

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Action is what becomes of a copy that is found to differ.
type Action string

// The actions; "" is to look at no copy at all.
const (
	// Report counts and logs it, and keeps with the delivery how it differs.
	Report Action = "report"
	// Repair brings the target to the version wanted again.
	Repair Action = "repair"
)

// Sweep is how the copies at a target are looked after.
type Sweep struct {
	Action Action
	// Interval is the time between two looks at a copy; 0 means 24 h. After a
	// delivery the first is after Options.Settle.
	Interval time.Duration
	// Gap is the least time between two copies; 0 means 50 ms. It is at least four
	// times Options.Interval, so that a quarter of the requests are the most.
	Gap time.Duration
	// Repairs is how often a copy of one version is written again, until a later
	// look finds it as it should be; 0 means 3. After that it is reported, for the
	// target alters it, or somebody does.
	Repairs int
}

// sweepBatch is how many copies are claimed at once.
const sweepBatch = 8

// sweeps looks at the target's copies, again and again, until what it gives is
// called.
func (w *Worker) sweeps(ctx context.Context) (stop func()) {
	if w.options.Sweep.Action == "" {
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		failures := 0
		for ctx.Err() == nil {
			wait := w.sweep(ctx, &failures)
			_ = sleep(ctx, w.clock, wait)
		}
	}()
	return func() { cancel(); <-ended }
}

// sweep looks at a few copies and tells how long to wait until the next. While
// the target as a whole is at fault, none are looked at.
func (w *Worker) sweep(ctx context.Context, failures *int) time.Duration {
	idle, gap := max(w.options.Poll, w.options.Settle), max(w.options.Sweep.Gap, 4*w.options.Interval)
	if closed, probing, _ := w.gate.state(w.clock.Now()); closed > 0 || probing {
		return max(closed, w.options.Poll)
	}
	until := w.clock.Now().Add(w.options.Lease)
	due := store.CheckDue{Fresh: w.options.Settle, Interval: w.options.Sweep.Interval}
	claimed, err := w.store.ClaimChecks(ctx, w.name, w.options.Owner, w.options.Lease, due, sweepBatch)
	if err != nil {
		if ctx.Err() == nil {
			w.log.Error("cannot claim copies to look at", "target", w.name, "error", err)
		}
		return idle
	}
	for i, d := range claimed {
		l := w.lookAt(ctx, d, until)
		if !l.stopped && !l.verdict.broad && sleep(ctx, w.clock, gap) == nil {
			*failures = 0
			continue
		}
		for _, rest := range claimed[i+1:] {
			w.keep(store.Check{Delivery: rest})
		}
		if !l.verdict.broad {
			return w.options.Poll
		}
		*failures++
		return max(l.wait, w.options.Jitter(w.options.Slow.Limit(*failures)), w.options.Poll)
	}
	if len(claimed) == sweepBatch {
		return 0
	}
	return idle
}

// looking is one copy that is looked at. Nothing is written by it, and the store
// is not told of an attempt.
type looking struct {
	delivering
	// copy is what the target holds, nil if nothing; others are how many more
	// resources carry the identifier.
	copy   map[string]any
	others int
	// stopped says that there was no time to look, or that nobody may.
	stopped bool
}

// lookAt looks at a copy and keeps what was found.
func (w *Worker) lookAt(ctx context.Context, d store.Delivery, until time.Time) *looking {
	l := &looking{delivering: delivering{
		w: w, d: d, until: until, attempt: Attempt{Target: w.name}, failures: w.gate.count(), stop: ctx.Done(), sweeping: true,
	}}
	if closed, probing, _ := w.gate.state(w.clock.Now()); ctx.Err() != nil || closed > 0 || probing || w.clock.Now().Add(w.options.Timeout).After(until) {
		l.stopped = true
		w.keep(store.Check{Delivery: d})
		return l
	}
	read := l.load(ctx) && l.read(ctx)
	if l.stopped = l.stopped || ctx.Err() != nil; l.stopped || !read && l.verdict.broad {
		w.keep(store.Check{Delivery: d})
		return l
	}
	l.d = d
	check := store.Check{Delivery: d, Looked: true, Read: read}
	seen := Checked{Target: w.name, Finding: FaultNone, Read: read}
	if read {
		seen.Finding, seen.Repair = l.conclude(&check.Delivery)
		seen.New = seen.Finding != FaultNone && string(seen.Finding) != d.Fault
	}
	if w.keep(check) {
		w.announce(seen, check.Delivery)
	}
	return l
}

// read reads the copy and counts what else is there; false if that cannot be
// known. The search is needed even where the copy is, for a second one shows in
// no other way; there a target that does not search is no hindrance.
func (l *looking) read(ctx context.Context) bool {
	l.look()
	if l.next == reading {
		switch a := l.request(ctx); {
		case a.class == done:
			l.copy = a.resource
		case a.class != absent:
			return false
		}
	}
	l.next = searching
	a := l.request(ctx)
	all, err := matches(a.resource, l.want.kind, l.want.identifier)
	if a.class != done || err != nil {
		return l.copy != nil && !a.broad
	}
	all = slices.DeleteFunc(all, func(r map[string]any) bool {
		id, _ := address(r)
		return l.copy != nil && id == l.d.RemoteID
	})
	if l.copy == nil && len(all) > 0 {
		l.copy, all = all[0], all[1:]
	}
	l.others = len(all)
	return true
}

// request makes the next request.
func (l *looking) request(ctx context.Context) answer {
	x, err := l.exchange(ctx)
	if err == nil {
		var a answer
		if a, err = l.ask(ctx, x); err == nil {
			if a.class == done {
				a.prove(l.next, l.want.kind)
			}
			l.verdict, l.wait = a.verdict, a.wait
			return a
		}
	}
	l.stopped = true
	return answer{verdict: verdict{class: again, fault: FaultStopped}}
}

// conclude says how the copy differs, and writes into the delivery what is to be
// kept of it.
func (l *looking) conclude(d *store.Delivery) (finding Fault, repair bool) {
	ours := l.want.tree()
	var kept ReadBack
	accepted := d.Accepted
	if l.copy != nil {
		kept, accepted = l.w.compare.accept(ours, l.copy)
	}
	finding = l.finding(kept, accepted)
	if finding == FaultNone {
		d.Fault, d.Reason = "", ""
		if l.copy != nil {
			d.Accepted, d.Reason = accepted, explainReadBack(kept)
			if id, etag := address(l.copy); id != d.RemoteID {
				d.RemoteID, d.ETag = id, etag
			}
		}
		if !d.Fresh {
			d.Repairs = 0
		}
		return finding, false
	}
	d.Fault, d.Reason = string(finding), l.explain(finding, kept)
	if l.w.options.Sweep.Action != Repair || !slices.Contains(repairable, finding) {
		return finding, false
	}
	if d.Repairs >= l.w.options.Sweep.Repairs {
		d.Reason += fmt.Sprintf(" It was written again %d times; find out what alters it.", d.Repairs)
		return finding, false
	}
	d.InDoubt = true
	d.Repairs++
	return finding, true
}

// repairable is what the ordinary delivery mends.
var repairable = []Fault{FaultChanged, FaultLost, FaultUnretracted}

// finding compares the copy with what was delivered. What is known of the target,
// that it made this of what it took, is none; nor is it the first time that
// anybody sees the copy, unless it says something else of the patient.
func (l *looking) finding(kept ReadBack, accepted string) Fault {
	retracted := l.want.tree()["status"] == enteredInError
	switch {
	case l.others > 0:
		return FaultAmbiguous
	case l.copy == nil && retracted:
		return FaultNone // nothing is left to be taken back
	case l.copy == nil:
		return FaultLost
	case retracted && l.copy["status"] != enteredInError:
		return FaultUnretracted
	case accepted == asSent && kept.Complete():
		return FaultNone
	case l.d.Accepted != "" && l.d.Accepted == accepted && accepted != asSent:
		return FaultNone
	case !carries(l.copy, l.want.kind, l.want.identifier):
		return FaultForeign
	case l.w.compare.ahead(l.want.tree(), l.copy):
		return FaultAhead
	case l.d.Accepted == "" && accepted != asSent:
		return FaultNone
	default:
		return FaultChanged
	}
}

// explain is the reason that is kept with a copy that differs.
func (l *looking) explain(finding Fault, kept ReadBack) string {
	text := explain(finding, 0, nil)
	if finding != FaultChanged {
		return text
	}
	if len(kept.Dropped) > 0 {
		text += " It lacks: " + shortened(kept.Dropped) + "."
	}
	if len(kept.Changed) > 0 {
		text += " It has other: " + shortened(kept.Changed) + "."
	}
	if len(kept.Dropped)+len(kept.Changed) == 0 {
		text += " Something was added to it."
	}
	return text
}

// keep records a check; false if it was not, since a delivery came first.
func (w *Worker) keep(check store.Check) bool {
	ctx, cancel := context.WithTimeout(context.Background(), recordTime)
	defer cancel()
	err := w.store.RecordCheck(ctx, check)
	if err != nil && !errors.Is(err, store.ErrLeaseLost) {
		w.log.Error("cannot record how a copy stands", "target", w.name, "error", err)
	}
	return err == nil
}

// announce tells the observer and the log, and has a repair begin.
func (w *Worker) announce(seen Checked, d store.Delivery) {
	w.options.Observer.Checked(seen)
	if seen.Repair {
		w.Kick()
	}
	level := slog.LevelDebug
	if seen.New || seen.Repair || !seen.Read {
		level = slog.LevelWarn
	}
	w.log.Log(context.Background(), level, "copy", "target", w.name, "finding", seen.Finding, "read", seen.Read, "repair", seen.Repair,
		"repairs", d.Repairs, "reason", d.Reason)
}
