package writeback

import (
	"context"
	"errors"
)

// errNotNow says that the target was paused, or the worker told to stop, while
// the first request waited for its turn.
var errNotNow = errors.New("writeback: the target is paused, or the worker is to stop")

// turn waits until fewer requests are under way than may be, and gives what ends
// this one.
func (s *delivering) turn(ctx context.Context) (end func(), err error) {
	var stop <-chan struct{}
	if s.attempt.Requests == 0 {
		stop = s.stop
	}
	if s.sweeping {
		err = s.spareSlot(ctx)
	} else {
		err = s.slot(ctx, stop)
	}
	if err != nil {
		return nil, err
	}
	end = func() { <-s.w.slots }
	select {
	case <-stop: // either may have been chosen
	default:
		if s.attempt.Requests > 0 || s.w.gate.count() == s.failures {
			return end, nil
		}
	}
	end()
	return nil, errNotNow
}

// slot waits for one of the requests that may be under way.
func (s *delivering) slot(ctx context.Context, stop <-chan struct{}) error {
	select {
	case s.w.slots <- struct{}{}: // as a rule; whether to stop is asked afterwards
		return nil
	default:
	}
	select {
	case <-stop:
		return errNotNow
	case <-ctx.Done():
		return ctx.Err()
	case s.w.slots <- struct{}{}:
		return nil
	}
}

// spareSlot takes one that no delivery waits for.
func (s *delivering) spareSlot(ctx context.Context) error {
	for {
		select {
		case s.w.slots <- struct{}{}:
			return nil
		default:
		}
		if err := sleep(ctx, s.w.clock, s.w.options.Sweep.Gap); err != nil {
			return err
		}
	}
}

// ask makes the next request in its turn.
func (s *delivering) ask(ctx context.Context, x exchange) (answer, error) {
	end, err := s.turn(ctx)
	if err != nil {
		return answer{}, err
	}
	defer end()
	wait := s.w.pace.wait
	if s.sweeping {
		wait = s.w.pace.spare
	}
	if err := wait(ctx); err != nil {
		return answer{}, err
	}
	if s.started.IsZero() {
		s.started = s.w.clock.Now()
	}
	s.attempt.Requests++
	ctx, cancel := context.WithTimeout(ctx, s.w.options.Timeout)
	defer cancel()
	a := s.w.client.do(ctx, x, s.w.options.RetryAfterCap)
	s.attempt.Latency = s.w.clock.Now().Sub(s.started)
	return a, nil
}

// exchange is the next request.
func (s *delivering) exchange(ctx context.Context) (exchange, error) {
	if !s.next.transacts() {
		return s.w.client.exchange(s.next, &s.want, s.d.RemoteID, s.match()), nil
	}
	provenance, err := s.w.provenance(ctx, s.d.Key, s.d.Wanted)
	if err != nil {
		return exchange{}, err
	}
	return s.w.client.transaction(s.next, s.want, s.d.RemoteID, s.match(), provenance)
}

// match is the If-Match of an update, "" for none.
func (s *delivering) match() string {
	if _, matching := s.w.standing.guarded(); !matching || s.unmatching {
		return ""
	}
	return s.d.ETag
}
