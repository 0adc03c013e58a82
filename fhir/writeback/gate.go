package writeback

import (
	"sync"
	"time"
)

// maxStreak is how many deliveries in a row may fail by faults that might be
// their own before the target as a whole is taken to be at fault (common
// practice). Less would let a few that a target cannot digest stop the others.
const maxStreak = 8

// gate stops the sending while the target as a whole is at fault, so that a
// target that is down costs one attempt at a time and not one for every
// delivery (a circuit breaker: open here is what it calls closed).
type gate struct {
	// answered is told when a probe has ended.
	answered chan struct{}

	mu       sync.Mutex
	failures int
	until    time.Time
	// streak counts the faults in a row that might be of the one delivery.
	streak int
	// probed says that a probe is under way.
	probed bool
}

func newGate() *gate { return &gate{answered: make(chan struct{}, 1)} }

// enter asks to send. After a fault one at a time may, until the target answers;
// whoever may must say how it ended, by fail, pass or leave.
func (g *gate) enter(now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if now.Before(g.until) || g.failures > 0 && g.probed {
		return false
	}
	g.probed = g.failures > 0
	return true
}

// count is how many faults in a row concerned the whole target.
func (g *gate) count() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.failures
}

// leave ends an attempt that proves nothing.
func (g *gate) leave() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.end()
}

// end lets the next probe pass.
func (g *gate) end() {
	if !g.probed {
		return
	}
	g.probed = false
	select {
	case g.answered <- struct{}{}:
	default:
	}
}

// fail counts a fault of the whole target and closes the gate. Those that were
// under way when it closed do not count again.
func (g *gate) fail(now time.Time, pause func(failures int) time.Duration) (failures int, until time.Time, closed bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if now.Before(g.until) {
		return g.failures, g.until, false
	}
	g.failures++
	g.until = now.Add(pause(g.failures))
	g.end()
	return g.failures, g.until, true
}

// pass opens the gate, since the target has answered; it says whether the gate
// was not open before.
func (g *gate) pass() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	opened := g.failures > 0
	g.end()
	g.failures, g.streak, g.until = 0, 0, time.Time{}
	return opened
}

// doubt counts a fault that might be of the one delivery, and says whether there
// were so many in a row that it is taken for one of the target.
func (g *gate) doubt() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.streak++
	return g.streak >= maxStreak
}

// state says how long the gate stays closed, whether only a probe may pass since
// nothing has succeeded after a fault, and whether one is under way.
func (g *gate) state(now time.Time) (closed time.Duration, probing, probed bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return max(g.until.Sub(now), 0), g.failures > 0, g.probed
}
