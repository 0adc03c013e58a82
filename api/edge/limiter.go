package edge

import (
	"container/list"
	"crypto/sha256"
	"strconv"
	"sync"
	"time"
)

// Limits are how much is done at once and for whom. 0 is no limit.
type Limits struct {
	// Rate is how many requests a second a client may make for long, Burst how
	// many at a time after a rest; 0 means twice the Rate.
	Rate, Burst int
	// Concurrent is how many requests of one client are worked on at once, Total
	// how many of all.
	Concurrent, Total int
	// Clients is how many clients are told apart; 0 means DefaultClients. Those
	// beyond share one allowance until others have rested.
	Clients int
}

// DefaultClients is how many clients are told apart at a time. One takes about
// 250 bytes.
const DefaultClients = 10_000

// maxDebt is the longest that a client waits for what it has used up in
// advance, as by the entries of a Bundle.
const maxDebt = time.Minute

// longestKey is the longest name of a client kept as it is; a longer one is
// digested, so that names take no more room than counted on.
const longestKey = 64

// Refusal is why a request is not taken now.
type Refusal struct {
	// Limit is which one: "rate", "concurrency" or "capacity".
	Limit string
	// After is how long to wait before asking again.
	After time.Duration
}

// Error implements error.
func (r *Refusal) Error() string { return "edge: over the limit of " + r.Limit }

// RetryAfter is the header's value: whole seconds, one at least.
func (r *Refusal) RetryAfter() string {
	return strconv.FormatInt(max(1, int64((r.After+time.Second-1)/time.Second)), 10)
}

// Limiter holds clients to their Limits. Each has an allowance of its own, so
// that whatever one does takes nothing from another.
type Limiter struct {
	limits   Limits
	interval time.Duration
	now      func() time.Time

	mu      sync.Mutex
	clients map[string]*list.Element // of *client
	// used has those used last in front.
	used *list.List
	// others is shared by all who find no room of their own.
	others client
	total  int
}

// client is the allowance of one. Its bucket is kept as the time at which it is
// full again (the generic cell rate algorithm), which needs no fractions.
type client struct {
	key    string
	full   time.Time
	active int
}

// NewLimiter makes one; now is the clock, nil for the system's.
func NewLimiter(limits Limits, now func() time.Time) *Limiter {
	if limits.Burst == 0 {
		limits.Burst = 2 * limits.Rate
	}
	if limits.Clients == 0 {
		limits.Clients = DefaultClients
	}
	if now == nil {
		now = time.Now
	}
	l := &Limiter{limits: limits, now: now, clients: map[string]*list.Element{}, used: list.New()}
	if limits.Rate > 0 {
		l.interval = time.Second / time.Duration(limits.Rate)
	}
	return l
}

// Ticket is one request that was let in. It must Leave.
type Ticket struct {
	limiter *Limiter
	client  *client
}

// Enter lets a request of a client in, or says why not.
func (l *Limiter) Enter(key string) (*Ticket, *Refusal) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.limits.Total > 0 && l.total >= l.limits.Total {
		return nil, &Refusal{Limit: "capacity", After: time.Second}
	}
	c := l.client(key)
	if refused := l.take(c); refused != nil {
		return nil, refused
	}
	l.total++
	return &Ticket{l, c}, nil
}

// Become gives the request to the client that it turned out to be from, and
// back to the first what it took there: also if that client is over its limits,
// or it would use up what others behind the same address need to be known.
func (t *Ticket) Become(key string) *Refusal {
	l := t.limiter
	l.mu.Lock()
	defer l.mu.Unlock()
	// Held while another is looked for, so that it is not dropped meanwhile.
	to := l.client(key)
	if to == t.client {
		return nil
	}
	t.client.full = t.client.full.Add(-l.interval)
	if refused := l.take(to); refused != nil {
		return refused
	}
	t.client.active--
	t.client = to
	return nil
}

// Charge takes as many requests more from the allowance as the request turned
// out to hold. It never refuses: the client's next one waits for it.
func (t *Ticket) Charge(requests int) {
	l := t.limiter
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	full := later(t.client.full, now).Add(time.Duration(max(0, requests)) * l.interval)
	if most := now.Add(maxDebt); full.After(most) {
		full = most
	}
	t.client.full = full
}

// Leave ends the request.
func (t *Ticket) Leave() {
	t.limiter.mu.Lock()
	defer t.limiter.mu.Unlock()
	t.client.active--
	t.limiter.total--
}

// take counts one request more for a client.
func (l *Limiter) take(c *client) *Refusal {
	if l.limits.Concurrent > 0 && c.active >= l.limits.Concurrent {
		return &Refusal{Limit: "concurrency", After: time.Second}
	}
	if l.interval > 0 {
		now := l.now()
		full := later(c.full, now).Add(l.interval)
		if over := full.Sub(now) - time.Duration(l.limits.Burst)*l.interval; over > 0 {
			return &Refusal{Limit: "rate", After: over}
		}
		c.full = full
	}
	c.active++
	return nil
}

// client finds a client's allowance, or gives a new one a place: a free one,
// that of one who has rested, or the shared one. One in debt keeps its place, or
// clients made up for the purpose would wipe it out.
func (l *Limiter) client(key string) *client {
	if len(key) > longestKey {
		digest := sha256.Sum256([]byte(key))
		key = string(digest[:])
	}
	if e, ok := l.clients[key]; ok {
		l.used.MoveToFront(e)
		return e.Value.(*client)
	}
	if len(l.clients) >= l.limits.Clients {
		oldest := l.used.Back()
		c := oldest.Value.(*client)
		if c.active > 0 || c.full.After(l.now()) {
			// The next one asks about another.
			l.used.MoveToFront(oldest)
			return &l.others
		}
		l.used.Remove(oldest)
		delete(l.clients, c.key)
	}
	c := &client{key: key}
	l.clients[key] = l.used.PushFront(c)
	return c
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
