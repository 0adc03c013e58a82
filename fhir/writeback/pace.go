package writeback

import (
	"context"
	"sync"
	"time"
)

// Clock tells the time and waits.
type Clock interface {
	Now() time.Time
	// After gives a channel that receives once the time has passed.
	After(d time.Duration) <-chan time.Time
}

// systemClock is the clock of the machine.
type systemClock struct{}

func (systemClock) Now() time.Time                         { return time.Now() }
func (systemClock) After(d time.Duration) <-chan time.Time { return time.After(d) }

// sleep waits for a time, or until the context ends.
func sleep(ctx context.Context, clock Clock, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-clock.After(d):
		return nil
	}
}

// pacer spaces requests out evenly.
type pacer struct {
	clock    Clock
	interval time.Duration

	mu   sync.Mutex
	next time.Time
}

// spare takes a turn that nobody else has taken: it does not queue, so that
// whoever comes later is put off by one turn at most.
func (p *pacer) spare(ctx context.Context) error {
	for p.interval > 0 {
		p.mu.Lock()
		wait := p.next.Sub(p.clock.Now())
		if wait <= 0 {
			p.next = p.clock.Now().Add(p.interval)
		}
		p.mu.Unlock()
		if wait <= 0 {
			break
		}
		if err := sleep(ctx, p.clock, wait); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// wait takes the next turn and waits for it.
func (p *pacer) wait(ctx context.Context) error {
	if p.interval <= 0 {
		return ctx.Err()
	}
	p.mu.Lock()
	now := p.clock.Now()
	turn := p.next
	if turn.Before(now) {
		turn = now
	}
	p.next = turn.Add(p.interval)
	p.mu.Unlock()
	return sleep(ctx, p.clock, turn.Sub(now))
}
