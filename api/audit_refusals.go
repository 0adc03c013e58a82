package api

import (
	"context"
	"sync"
	"time"

	"tidemark.example/tidemark/fhir/audit"
)

// How many refusals of one client are recorded one by one: so many at once, and
// then one more in each such time. All clients that nobody vouches for are one
// together, or a flood of them would fill the disk; what is beyond is counted,
// and one event tells how many there were.
const (
	refusalBurst   = 300
	refusalEvery   = time.Second
	refusalSummary = 10 * time.Second
	// refusalClients is for how many clients apart this is kept; the others are
	// one together with those nobody vouches for.
	refusalClients = 1000
)

// refusals decides which refusals are recorded one by one.
type refusals struct {
	mu      sync.Mutex
	clients map[string]*refused
	now     func() time.Time
	// summarise gets an event that stands for several, after a while without
	// another that could.
	summarise func(audit.Event)
	summary   time.Duration
	burst     int
	counted   func()
	closed    bool
	timers    sync.WaitGroup
}

// refused is what is known of one client.
type refused struct {
	// left may still be recorded at the time of last.
	left float64
	last time.Time
	// pending were not recorded, since the first of them; event is the last.
	pending int64
	since   time.Time
	event   audit.Event
	timer   *time.Timer
}

func newRefusals(summarise func(audit.Event), counted func()) *refusals {
	return &refusals{clients: map[string]*refused{}, now: time.Now, summarise: summarise, summary: refusalSummary, burst: refusalBurst, counted: counted}
}

// allow says whether an event is to be recorded. If it is, it stands for those
// before it that were not as well.
func (r *refusals) allow(e *audit.Event) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	client, now := r.client(e.Agent), r.now()
	client.left = min(float64(r.burst), client.left+now.Sub(client.last).Seconds()/refusalEvery.Seconds())
	client.last = now
	if client.left >= 1 {
		client.left--
		if client.pending > 0 {
			e.Count, e.Since = client.pending+1, client.since
			client.pending = 0
		}
		return true
	}
	r.counted()
	if client.pending == 0 {
		client.since = e.Recorded
	}
	client.pending++
	client.event = *e
	if client.timer == nil && !r.closed {
		client.timer = time.AfterFunc(r.summary, func() { r.tell(client) })
		r.timers.Add(1)
	}
	return false
}

// client is what is known of an agent.
func (r *refusals) client(agent audit.Agent) *refused {
	name := agent.Issuer + " " + agent.Client
	if agent.Client == "" {
		name = ""
	}
	if r.clients[name] == nil && len(r.clients) >= refusalClients {
		name = ""
	}
	if r.clients[name] == nil {
		r.clients[name] = &refused{left: float64(r.burst), last: r.now()}
	}
	return r.clients[name]
}

// tell records what is pending of a client by one event.
func (r *refusals) tell(client *refused) {
	defer r.timers.Done()
	r.mu.Lock()
	client.timer = nil
	e := client.take()
	r.mu.Unlock()
	if e != nil {
		r.summarise(*e)
	}
}

// take is the event for what is pending, nil if nothing is.
func (c *refused) take() *audit.Event {
	if c.pending == 0 {
		return nil
	}
	e := c.event
	e.Count, e.Since = c.pending, c.since
	c.pending = 0
	return &e
}

// close records what is pending of all.
func (r *refusals) close() {
	r.mu.Lock()
	r.closed = true
	var events []audit.Event
	for _, client := range r.clients {
		if client.timer != nil && client.timer.Stop() {
			r.timers.Done()
		}
		client.timer = nil
		if e := client.take(); e != nil {
			events = append(events, *e)
		}
	}
	r.mu.Unlock()
	for _, e := range events {
		r.summarise(e)
	}
	r.timers.Wait()
}

// summarise records an event that stands for several.
func (s *Server) summarise(e audit.Event) {
	if err := s.appendAudit(context.Background(), []audit.Event{e}); err != nil {
		s.metrics.auditLost.Add(1)
		s.options.Logger.Error("audit lost", "requests", e.Count, "error", err)
	}
}

// Close records what the audit trail lacks. Serve nothing after, and close the
// store later.
func (s *Server) Close() {
	s.refusals.close()
	s.published.close()
}
