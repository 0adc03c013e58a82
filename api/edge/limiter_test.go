package edge_test

import (
	"fmt"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/edge"
)

// clock is a time that passes only when told to.
type clock struct{ at time.Time }

func newClock() *clock                { return &clock{time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)} }
func (c *clock) now() time.Time       { return c.at }
func (c *clock) pass(d time.Duration) { c.at = c.at.Add(d) }

// let makes requests one after the other and counts those that were let in.
func let(l *edge.Limiter, client string, requests int) (in int, last *edge.Refusal) {
	for range requests {
		ticket, refused := l.Enter(client)
		if refused != nil {
			last = refused
			continue
		}
		ticket.Leave()
		in++
	}
	return in, last
}

func TestRate(t *testing.T) {
	t.Parallel()

	t.Run("lets a burst in and then as many a second as allowed", func(t *testing.T) {
		t.Parallel()
		c := newClock()
		l := edge.NewLimiter(edge.Limits{Rate: 10, Burst: 30}, c.now)
		in, refused := let(l, "a", 100)
		require.Equal(t, 30, in)
		require.Equal(t, "rate", refused.Limit)
		for range 5 {
			c.pass(time.Second)
			in, _ = let(l, "a", 100)
			require.Equal(t, 10, in)
		}
		c.pass(time.Hour)
		in, _ = let(l, "a", 100)
		require.Equal(t, 30, in, "a rest fills the burst and no more")
	})
	t.Run("tells when to come back, and it is true then and not before", func(t *testing.T) {
		t.Parallel()
		c := newClock()
		l := edge.NewLimiter(edge.Limits{Rate: 4, Burst: 1}, c.now)
		_, refused := let(l, "a", 2)
		require.Equal(t, 250*time.Millisecond, refused.After)
		require.Equal(t, "1", refused.RetryAfter(), "whole seconds, not before its time")
		c.pass(refused.After - 1)
		in, _ := let(l, "a", 1)
		require.Zero(t, in)
		c.pass(1)
		in, _ = let(l, "a", 1)
		require.Equal(t, 1, in)
	})
	t.Run("takes nothing from others", func(t *testing.T) {
		t.Parallel()
		c := newClock()
		l := edge.NewLimiter(edge.Limits{Rate: 10}, c.now)
		in, _ := let(l, "a", 1000)
		require.Equal(t, 20, in, "the burst is twice the rate where it is not said")
		in, _ = let(l, "b", 20)
		require.Equal(t, 20, in)
	})
	t.Run("of nothing limits nothing", func(t *testing.T) {
		t.Parallel()
		in, _ := let(edge.NewLimiter(edge.Limits{}, nil), "a", 5000)
		require.Equal(t, 5000, in)
	})
	t.Run("counts what a request turns out to hold, within a minute", func(t *testing.T) {
		t.Parallel()
		c := newClock()
		l := edge.NewLimiter(edge.Limits{Rate: 10, Burst: 10}, c.now)
		ticket, _ := l.Enter("a")
		ticket.Charge(49)
		ticket.Charge(-1000)
		ticket.Leave()
		_, refused := let(l, "a", 1)
		require.Equal(t, 4100*time.Millisecond, refused.After, "50 requests are 5 s, less a burst of 1 s, and the next one's 0.1 s")
		require.Equal(t, "5", refused.RetryAfter())
		c.pass(4100 * time.Millisecond)
		ticket, refused = l.Enter("a")
		require.Nil(t, refused)
		ticket.Charge(1 << 40 / 1000)
		ticket.Leave()
		_, refused = let(l, "a", 1)
		require.LessOrEqual(t, refused.After, time.Minute)
	})
}

func TestConcurrency(t *testing.T) {
	t.Parallel()

	t.Run("of one client leaves room for others", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Concurrent: 2, Total: 5}, newClock().now)
		first, _ := l.Enter("a")
		_, _ = l.Enter("a")
		_, refused := l.Enter("a")
		require.Equal(t, "concurrency", refused.Limit)
		other, refused := l.Enter("b")
		require.Nil(t, refused)
		first.Leave()
		_, refused = l.Enter("a")
		require.Nil(t, refused, "who has finished may come again")
		other.Leave()
	})
	t.Run("of all is bounded whoever they are", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Concurrent: 2, Total: 3}, newClock().now)
		for i := range 3 {
			_, refused := l.Enter(fmt.Sprint(i))
			require.Nil(t, refused)
		}
		_, refused := l.Enter("z")
		require.Equal(t, "capacity", refused.Limit)
	})
	t.Run("holds with many at a time", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Concurrent: 3, Rate: 1_000_000}, nil)
		var all sync.WaitGroup
		for i := range 8 {
			all.Go(func() {
				for range 500 {
					if ticket, refused := l.Enter(fmt.Sprint(i % 2)); refused == nil {
						_ = ticket.Become("both")
						runtime.Gosched()
						ticket.Leave()
					}
				}
			})
		}
		all.Wait()
		for range 3 {
			_, refused := l.Enter("both")
			require.Nil(t, refused, "all places were given back")
		}
		_, refused := l.Enter("both")
		require.NotNil(t, refused)
	})
}

func TestBecome(t *testing.T) {
	t.Parallel()

	t.Run("gives back to the address what turns out to be another's", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Rate: 1, Burst: 2, Concurrent: 1}, newClock().now)
		for i := range 10 {
			ticket, refused := l.Enter("address")
			require.Nil(t, refused, i)
			require.Nil(t, ticket.Become(fmt.Sprint("client ", i)))
			_, refused = l.Enter(fmt.Sprint("client ", i))
			require.Equal(t, "concurrency", refused.Limit, "the place is taken there now")
			ticket.Leave()
		}
	})
	t.Run("counts who stays unknown for the address", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Rate: 1, Burst: 2}, newClock().now)
		in, refused := let(l, "address", 5)
		require.Equal(t, 2, in)
		require.Equal(t, "rate", refused.Limit)
	})
	t.Run("refuses a client over its own limit, whatever address it comes from", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Rate: 1, Burst: 2}, newClock().now)
		taken := 0
		for range 5 {
			ticket, refused := l.Enter("address")
			require.Nil(t, refused, "others behind the address may still come")
			if refused = ticket.Become("client"); refused == nil {
				taken++
			}
			ticket.Leave()
		}
		require.Equal(t, 2, taken)
	})
	t.Run("the same again changes nothing", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Rate: 1, Burst: 1, Concurrent: 1}, newClock().now)
		ticket, _ := l.Enter("a")
		require.Nil(t, ticket.Become("a"))
		ticket.Leave()
	})
}

func TestMemory(t *testing.T) {
	t.Parallel()

	t.Run("is bounded whatever clients there are, and who is in debt stays known", func(t *testing.T) {
		t.Parallel()
		c := newClock()
		l := edge.NewLimiter(edge.Limits{Rate: 10, Burst: 10, Clients: 50}, c.now)
		in, _ := let(l, "greedy", 100)
		require.Equal(t, 10, in)
		made := 0
		for i := range 10_000 {
			n, _ := let(l, fmt.Sprint("made up ", i), 1)
			made += n
		}
		require.Equal(t, 49+10, made, "49 places, and what all others share")
		in, _ = let(l, "greedy", 100)
		require.Zero(t, in, "its debt was not wiped out")
		require.LessOrEqual(t, edge.Known(l), 50)

		c.pass(10 * time.Second)
		in, _ = let(l, "newcomer", 1)
		require.Equal(t, 1, in, "who rested has left a place")
		require.LessOrEqual(t, edge.Known(l), 50)
	})
	t.Run("of one does not grow with its name", func(t *testing.T) {
		t.Parallel()
		l := edge.NewLimiter(edge.Limits{Rate: 1, Burst: 1}, newClock().now)
		long := strings.Repeat("x", 1<<20)
		in, _ := let(l, long, 2)
		require.Equal(t, 1, in)
		in, _ = let(l, long+"y", 2)
		require.Equal(t, 1, in, "and names that begin alike stay apart")
		require.LessOrEqual(t, edge.LongestKey(l), 64)
	})
}

func BenchmarkEnter(b *testing.B) {
	l := edge.NewLimiter(edge.Limits{Rate: 1_000_000, Burst: 10_000_000, Concurrent: 10, Total: 100}, nil)
	for b.Loop() {
		ticket, refused := l.Enter("address 192.0.2.1")
		if refused != nil {
			b.Fatal(refused)
		}
		if refused := ticket.Become("client https://issuer.example portal"); refused != nil {
			b.Fatal(refused)
		}
		ticket.Leave()
	}
}
