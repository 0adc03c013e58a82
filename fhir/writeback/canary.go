package writeback

import (
	"context"
	"net/http"
	"time"

	"tidemark.example/tidemark/fhir/observation"
)

// Canary tries out at a target what becomes of scores there, with a resource that
// says by code and in words that it is a test (observation.Canary). It is written
// as scores are, read back, entered in error, and read back again. It has one
// identifier, so that there is one for each installation and target, and whatever
// an earlier one left is found and entered in error first.
type Canary struct {
	// Target is where, and Seen what it shows of itself.
	Target Target
	Seen   Seen
	// Identifier is that of this installation.
	Identifier string
	// Patient is the reference to a test patient as the target knows it, "" for
	// none.
	Patient string
	// Timeout is for one request, Interval the least time between two.
	Timeout, Interval time.Duration
}

// Step is what a canary does.
type Step string

// The steps, in their order.
const (
	StepSearch Step = "searching by identifier"
	StepCreate Step = "creating"
	StepUpdate Step = "updating"
	StepRead   Step = "reading back"
	StepVoid   Step = "entering in error"
	StepCount  Step = "searching for copies"
)

// Flight is what became of a canary.
type Flight struct {
	// Failed is the step that failed first, "" if none did; Fault is why, and Text
	// says it in words.
	Failed Step
	Fault  Fault
	Text   string
	// Requests counts what was asked of the target.
	Requests int
	// Earlier says that an earlier one was found that was not entered in error.
	Earlier bool
	// Left names the resource that may still be final, as Observation/17; "" if
	// none may be. A person must see to it, or the next canary does.
	Left string
	// Locked names the resource that is entered in error and that the target lets
	// nobody change any more, so that nothing could be tried out.
	Locked string
	// ReadBack is what the target kept of what was sent.
	ReadBack ReadBack
	// Overwrites says that the target takes a conditional update whatever
	// If-None-Match says. It is asked in ConditionalUpdate only.
	Overwrites bool
}

// Fly sends the canary. When the context ends, what was written is entered in
// error all the same.
func (c Canary) Fly(ctx context.Context) (Flight, error) {
	target, err := c.Target.client(time.Now)
	if err != nil {
		return Flight{}, err
	}
	var f Flight
	whole := ""
	for _, member := range c.Target.Profile.CanaryMembers() {
		b := &bird{Canary: c, client: target, way: wayOf(c.Seen.Mode), member: member, whole: whole, flight: &f,
			pace: &pacer{clock: systemClock{}, interval: c.Interval}}
		if err := b.fly(ctx); err != nil {
			return f, err
		}
		if f.Failed != "" {
			return f, nil
		}
		if whole = observation.MemberType(member) + "/" + b.id; c.Target.Profile.Logical {
			whole = ""
		}
	}
	return f, nil
}

// Look only searches for the canary, which says whether the target lets us read,
// and whether an earlier one was left (Flight.Left). It writes nothing.
func (c Canary) Look(ctx context.Context) (Flight, error) {
	target, err := c.Target.client(time.Now)
	if err != nil {
		return Flight{}, err
	}
	var f Flight
	for _, member := range c.Target.Profile.CanaryMembers() {
		b := &bird{Canary: c, client: target, member: member, flight: &f, pace: &pacer{clock: systemClock{}, interval: c.Interval}}
		want, err := b.content(true)
		if err != nil {
			return f, err
		}
		found, a := b.find(ctx, want)
		if a.class != done {
			b.fail(StepSearch, a)
			return f, nil
		}
		for _, each := range found {
			if id, _ := address(each); !voided(each) {
				f.Left = want.kind + "/" + id
			}
		}
	}
	return f, nil
}

// voidTries is how often a canary is entered in error before it is left, and
// searchTries how often one that was just made is searched for; searchPause is the
// time between, in which an index that lags behind may catch up.
const (
	voidTries, searchTries = 4, 3
	searchPause            = time.Second
)

// bird is one resource of a canary on its way.
type bird struct {
	Canary
	client *client
	way    way
	pace   *pacer
	member string
	// whole is the reference to the resource before, for a panel.
	whole  string
	flight *Flight
	// id and etag are how the target calls it, "" while that is not known.
	id, etag string
}

// fly takes one resource through all steps. Its error is one of ours, not of the
// target.
func (b *bird) fly(ctx context.Context) error {
	final, err := b.content(false)
	if err != nil {
		return err
	}
	void, err := b.content(true)
	if err != nil {
		return err
	}
	if !b.clear(ctx, final, void) {
		return nil
	}
	existed := b.id != ""
	sent := b.send(ctx, final)
	if sent.class == done {
		b.readBack(ctx, final)
	}
	if unsent := sent.class != done && sent.class != doubtful; unsent && !existed {
		return nil // nothing is there
	}
	b.takeBack(ctx, final, void)
	if b.flight.Failed == "" && b.flight.Locked == "" && b.way.create == creating {
		b.askAgain(ctx, void)
	}
	b.count(ctx, final, void)
	return nil
}

// content is the resource, final or void.
func (b *bird) content(void bool) (content, error) {
	canary := observation.Canary{Identifier: b.Identifier, Patient: b.Patient, Void: void, At: time.Now()}
	body, err := b.Target.Profile.AppendCanary(nil, canary, b.member, b.whole)
	if err != nil {
		return content{}, err
	}
	return contentBy(body, observation.CanarySystem)
}

// ask makes one request and holds the answer to what it must be.
func (b *bird) ask(ctx context.Context, x exchange, kind string) answer {
	if b.pace.wait(ctx) != nil {
		return answer{verdict: verdict{class: again, fault: FaultStopped}}
	}
	b.flight.Requests++
	ctx, cancel := context.WithTimeout(ctx, b.Timeout)
	defer cancel()
	a := b.client.do(ctx, x, 0)
	if a.class == done {
		a.prove(x.action, kind)
	}
	return a
}

// fail keeps the first failure.
func (b *bird) fail(step Step, a answer) {
	if b.flight.Failed == "" {
		b.flight.Failed, b.flight.Fault, b.flight.Text = step, a.fault, explain(a.fault, a.status, a.issues)
	}
}

// find gives what carries the canary's identifier.
func (b *bird) find(ctx context.Context, want content) ([]map[string]any, answer) {
	a := b.ask(ctx, b.client.exchange(searching, &want, "", ""), want.kind)
	if a.class != done {
		return nil, a
	}
	found, err := matches(a.resource, want.kind, want.identifier)
	if err != nil {
		a.verdict = verdict{class: refused, fault: FaultUnsearchable}
	}
	return found, a
}

// clear looks for earlier ones, and enters in error what is not. It says whether
// to go on; there is one at most then, and its id is known.
func (b *bird) clear(ctx context.Context, final, void content) bool {
	found, a := b.find(ctx, final)
	if a.class != done {
		b.fail(StepSearch, a)
		return false
	}
	for _, each := range found {
		b.id, b.etag = address(each)
		if !voided(each) {
			b.flight.Earlier = true
			b.takeBack(ctx, final, void)
		}
	}
	if len(found) > 1 {
		b.fail(StepSearch, answer{verdict: verdict{fault: FaultAmbiguous}})
	}
	return b.flight.Failed == ""
}

// voided says whether a resource is entered in error.
func voided(resource map[string]any) bool { return resource["status"] == "entered-in-error" }

// send writes the canary as a score is: it creates it, or updates the one that
// is there. One that is entered in error may be locked.
func (b *bird) send(ctx context.Context, want content) answer {
	existed := b.id != ""
	step, next := StepCreate, b.way.create
	if existed {
		step, next = StepUpdate, b.way.update
	}
	a := b.write(ctx, next, want)
	if existed && a.class == conflicting {
		if read := b.ask(ctx, b.client.exchange(reading, &want, b.id, ""), want.kind); read.class == done {
			b.etag = read.etag // another may have tried the target out just now
			a = b.write(ctx, next, want)
		}
	}
	switch locked := existed && (a.fault == FaultContent || a.fault == FaultConflict); {
	case a.class == done:
		if a.id != "" {
			b.id = a.id
		}
		b.etag = a.etag
	case locked:
		b.flight.Locked = want.kind + "/" + b.id
	default:
		b.fail(step, a)
	}
	return a
}

// write makes one request of the mode.
func (b *bird) write(ctx context.Context, next action, want content) answer {
	x := b.client.exchange(next, &want, b.id, b.etag)
	if next.transacts() {
		var err error
		if x, err = b.client.transaction(next, want, b.id, b.etag, nil); err != nil {
			return answer{verdict: verdict{class: refused, fault: FaultStore}}
		}
	}
	return b.ask(ctx, x, want.kind)
}

// readBack compares what the target kept with what was sent.
func (b *bird) readBack(ctx context.Context, want content) {
	if !b.identify(ctx, want) {
		return
	}
	a := b.ask(ctx, b.client.exchange(reading, &want, b.id, ""), want.kind)
	if a.class != done {
		b.fail(StepRead, a)
		return
	}
	b.etag = a.etag
	kept := comparer{b.client.base}.readBack(want.tree(), a.resource)
	b.flight.ReadBack.Checked = true
	b.flight.ReadBack.Dropped = append(b.flight.ReadBack.Dropped, kept.Dropped...)
	b.flight.ReadBack.Changed = append(b.flight.ReadBack.Changed, kept.Changed...)
}

// identify finds the id of what was written without being told it.
func (b *bird) identify(ctx context.Context, want content) bool {
	for try := range searchTries {
		if b.id != "" {
			return true
		}
		if try > 0 && sleep(ctx, systemClock{}, searchPause) != nil {
			break
		}
		if found, _ := b.find(ctx, want); len(found) > 0 {
			b.id, b.etag = address(found[0])
		}
	}
	if b.id == "" {
		b.fail(StepRead, answer{verdict: verdict{class: absent, fault: FaultGone}})
	}
	return b.id != ""
}

// takeBack enters the canary in error, and reads that it is; also when the context
// has ended, for each request has a limit of its own. If the target lets it be
// updated no more, it is deleted.
func (b *bird) takeBack(ctx context.Context, final, void content) {
	ctx = context.WithoutCancel(ctx)
	var last answer
	for try := range voidTries {
		if b.id == "" && !b.identify(ctx, final) {
			break
		}
		if try > 0 {
			_ = sleep(ctx, systemClock{}, searchPause) // which nothing interrupts
		}
		last = b.ask(ctx, b.client.exchange(reading, &void, b.id, ""), void.kind)
		if last.class == absent || last.class == done && voided(last.resource) {
			return
		}
		if last.class != done {
			continue
		}
		b.etag = last.etag
		if last = b.write(ctx, b.way.update, void); last.class == refused || last.class == slowly {
			break
		}
	}
	b.fail(StepVoid, last)
	if b.id == "" || !b.remove(ctx, void) {
		b.flight.Left = final.kind + "/" + orUnknown(b.id)
	}
}

func orUnknown(id string) string {
	if id == "" {
		return "(id unknown)"
	}
	return id
}

// remove deletes what cannot be entered in error, which a score never is (R4
// lifecycle.html 2.2.7); it says whether it is gone.
func (b *bird) remove(ctx context.Context, want content) bool {
	limited, cancel := context.WithTimeout(ctx, b.Timeout)
	defer cancel()
	request, err := http.NewRequestWithContext(limited, http.MethodDelete, b.client.instance(want.kind, b.id), nil)
	if err != nil {
		return false
	}
	if response, err := b.client.http.Do(request); err == nil {
		_ = response.Body.Close() // what counts is what is there now
	}
	a := b.ask(ctx, b.client.exchange(reading, &want, b.id, ""), want.kind)
	return a.class == absent || a.class == done && voided(a.resource)
}

// askAgain repeats the conditional update of what is there. A target that looks at
// If-None-Match refuses it; whatever it does, what it was sent is entered in error.
func (b *bird) askAgain(ctx context.Context, void content) {
	a := b.write(ctx, creating, void)
	switch a.class {
	case done:
		b.flight.Overwrites = true
	case conflicting:
	default:
		b.fail(StepCreate, a)
	}
}

// count looks whether there is one only. One that is not found, not even a while
// later, would be written twice.
func (b *bird) count(ctx context.Context, final, void content) {
	ctx = context.WithoutCancel(ctx)
	found, a := b.find(ctx, final)
	for try := 1; a.class == done && len(found) == 0 && try < searchTries; try++ {
		_ = sleep(ctx, systemClock{}, searchPause) // which nothing interrupts
		found, a = b.find(ctx, final)
	}
	switch {
	case a.class != done:
		b.fail(StepCount, a)
	case len(found) == 0 && b.flight.Failed == "":
		b.fail(StepCount, answer{verdict: verdict{fault: FaultUnsearchable}})
	case len(found) > 1:
		for _, each := range found {
			if b.id, b.etag = address(each); !voided(each) {
				b.takeBack(ctx, final, void)
			}
		}
		b.fail(StepCount, answer{verdict: verdict{fault: FaultAmbiguous}})
	}
}
