package storetest

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
)

// numbered gives events as id/version, which must be numbered without gaps.
func numbered(t tester, events []store.Event) []string {
	t.Helper()
	found := []string{}
	for i, e := range events {
		require.Equal(t, int64(i+1), e.Number, "numbers count from 1 without gaps")
		found = append(found, fmt.Sprintf("%s/%d", e.Key, e.Version))
	}
	return found
}

// testEvents: what happens is given once to each subscription that it matches,
// in the order of the commits, with numbers of its own.
func testEvents(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "AreNumberedForEachSubscription", func(t *testing.T, s store.Store, clock *Clock) {
		happen(t, s, observation("before"))
		subscribe(t, s, webhook("all", "portal"))
		subscribe(t, s, webhook("second", "portal"))
		happen(t, s, observation("1"))
		clock.Add(time.Second)
		happen(t, s, observation("2"))
		happen(t, s, observation("1"))
		read := 0
		taken := distribute(t, s, func(r store.Resource, among []store.Subscription, get func(store.Key, int64) (store.Resource, error)) []int {
			require.Len(t, among, 2)
			first, err := get(r.Key, 1)
			require.NoError(t, err)
			require.Equal(t, int64(1), first.Version)
			if r.Version == 2 {
				require.NotEqual(t, first.Body, r.Body)
			}
			_, err = get(r.Key, 99)
			require.ErrorIs(t, err, store.ErrNotFound)
			read++
			if r.ID == "2" {
				return []int{0, 1}
			}
			return []int{0}
		})
		require.Equal(t, 3, taken)
		require.Equal(t, 3, read)
		require.Equal(t, []string{"Observation/1/1", "Observation/2/1", "Observation/1/2"}, numbered(t, eventsOf(t, s, "all")))
		require.Equal(t, []string{"Observation/2/1"}, numbered(t, eventsOf(t, s, "second")))
		require.Equal(t, clock.Now(), eventsOf(t, s, "all")[1].At)
		require.Zero(t, distribute(t, s, toAll), "once")
		found, err := s.Events(ctx, "all", 2, 3, 1)
		require.NoError(t, err)
		require.Len(t, found, 1)
		require.Equal(t, int64(2), found[0].Number)
	})
	driver.subtest(t, "AreNotKeptForNobody", func(t *testing.T, s store.Store, _ *Clock) {
		off := webhook("a", "portal")
		off.Status = store.SubscriptionOff
		subscribe(t, s, off)
		happen(t, s, observation("1"))
		require.Zero(t, distribute(t, s, toAll))
		off.Status = store.SubscriptionRequested
		subscribe(t, s, off)
		happen(t, s, observation("2"))
		require.Equal(t, 1, distribute(t, s, toAll))
		off.Status = store.SubscriptionOff
		subscribe(t, s, off)
		other := webhook("b", "portal")
		subscribe(t, s, other)
		happen(t, s, observation("3"))
		off.Status = store.SubscriptionActive
		subscribe(t, s, off)
		require.Equal(t, 1, distribute(t, s, toAll))
		happen(t, s, observation("4"))
		require.Equal(t, 1, distribute(t, s, toAll))
		require.Equal(t, []string{"Observation/2/1", "Observation/4/1"}, numbered(t, eventsOf(t, s, "a")), "what happened while it was off is none of its own")
		require.Equal(t, []string{"Observation/3/1", "Observation/4/1"}, numbered(t, eventsOf(t, s, "b")))
	})
	driver.subtest(t, "ArePartOfTheTraceOfTheirRequest", testEventTraces)
	testEventsThatGo(t, driver)
	t.Run("AreSharedByAllWhoUseTheDatabase", func(t *testing.T) { testEventsShared(t, driver) })
	t.Run("AreAsAModelHasThem", func(t *testing.T) { testEventsModel(t, driver) })
}

// testEventTraces: an event is part of the trace of the request that it comes from,
// also where many share a batch.
func testEventTraces(t *testing.T, s store.Store, _ *Clock) {
	subscribe(t, s, webhook("a", "portal"))
	const traced = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"
	want := map[string]string{}
	var senders sync.WaitGroup
	for i := range 20 {
		key, trace := observation(fmt.Sprint(i)), ""
		if i%2 == 0 {
			trace = strings.Replace(traced, "b7ad", fmt.Sprintf("%04x", i+1), 1)
		}
		want[key.ID] = trace
		senders.Go(func() {
			err := s.Write(store.WithTrace(context.Background(), trace), nil, func(tx store.Tx) error {
				if _, err := tx.Put(key, "POST", store.Index{}, body); err != nil {
					return err
				}
				return tx.Event(key, 1)
			})
			assert.NoError(t, err)
		})
	}
	senders.Wait()
	require.Equal(t, 20, distribute(t, s, toAll))
	found := map[string]string{}
	for _, e := range eventsOf(t, s, "a") {
		found[e.Key.ID] = e.Trace
	}
	require.Equal(t, want, found)
}

// testEventsThatGo: what failed, and what is old and delivered, is gone; nothing
// else is, over a restart.
func testEventsThatGo(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "GoWithTheJobThatFailed", func(t *testing.T, s store.Store, _ *Clock) {
		subscribe(t, s, webhook("a", "portal"))
		err := s.Write(ctx, nil, func(tx store.Tx) error {
			if _, err := tx.Put(observation("1"), "POST", store.Index{}, body); err != nil {
				return err
			}
			if err := tx.Event(observation("1"), 1); err != nil {
				return err
			}
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		require.Zero(t, distribute(t, s, toAll))
	})
	driver.subtest(t, "AreForgottenWhenOldAndDelivered", func(t *testing.T, s store.Store, clock *Clock) {
		given := webhook("a", "portal")
		subscribe(t, s, given)
		for range 3 {
			happen(t, s, observation("1"))
			clock.Add(time.Hour)
		}
		require.Equal(t, 3, distribute(t, s, toAll))
		claimed, err := s.ClaimSubscription(ctx, "w", time.Minute)
		require.NoError(t, err)
		claimed.Delivered, claimed.Due = 2, time.Time{}
		require.NoError(t, s.RecordSubscription(ctx, claimed, clock.Now().Add(-2*time.Hour)))
		left := eventsOf(t, s, "a")
		require.Len(t, left, 2, "of the two delivered, one is old enough")
		require.Equal(t, int64(2), left[0].Number)
	})
	t.Run("SurviveARestart", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		s, err := driver.Open(place, clock.Now)
		require.NoError(t, err)
		subscribe(t, s, webhook("a", "portal"))
		happen(t, s, observation("1"))
		require.NoError(t, s.Close())
		s = driver.open(t, place, clock.Now)
		happen(t, s, observation("2"))
		require.Equal(t, 2, distribute(t, s, toAll))
		require.Equal(t, []string{"Observation/1/1", "Observation/2/1"}, numbered(t, eventsOf(t, s, "a")))
	})
}

// testEventsShared: two processes write, subscribe and distribute at once; each
// event has one number in each subscription.
func testEventsShared(t *testing.T, driver Driver) {
	t.Parallel()
	clock, place := NewClock(), driver.Create(t)
	first, second := driver.open(t, place, clock.Now), driver.open(t, place, clock.Now)
	happen(t, second, observation("before"))
	subscribe(t, first, webhook("a", "portal"))
	var all sync.WaitGroup
	const each = 20
	for i, s := range []store.Store{first, second} {
		all.Go(func() {
			for j := range each {
				happen(t, s, observation(fmt.Sprintf("%d-%d", i, j)))
			}
		})
		all.Go(func() {
			for range each {
				distribute(t, s, toAll)
			}
		})
	}
	all.Wait()
	distribute(t, first, toAll)
	found := map[string]int{}
	for _, name := range numbered(t, eventsOf(t, second, "a")) {
		found[name]++
	}
	require.Len(t, found, 2*each, "each once, those of the other process from the first on")
	require.EqualValues(t, 2*each, read(t, second, "a").Events)
}

// testEventsModel holds random sequences to what they should give.
func testEventsModel(t *testing.T, driver Driver) {
	t.Parallel()
	s := driver.open(t, driver.Create(t), NewClock().Now)
	round := 0
	rapid.Check(t, func(t *rapid.T) {
		round++
		type model struct {
			on     bool
			events []string
		}
		names := []string{fmt.Sprintf("m%d-a", round), fmt.Sprintf("m%d-b", round), fmt.Sprintf("m%d-c", round)}
		models, waiting := map[string]*model{}, []func(){}
		drain := func() {
			distribute(t, s, func(r store.Resource, among []store.Subscription, _ func(store.Key, int64) (store.Resource, error)) (places []int) {
				for i, each := range among {
					if r.ID[0] == each.ID[len(each.ID)-1] || r.ID[0] == 'x' {
						places = append(places, i)
					}
				}
				return places
			})
			for _, give := range waiting {
				give()
			}
			waiting = nil
		}
		for range rapid.IntRange(1, 15).Draw(t, "steps") {
			name := rapid.SampledFrom(names).Draw(t, "name")
			switch rapid.IntRange(0, 4).Draw(t, "step") {
			case 0, 1:
				id := string(rapid.SampledFrom([]byte("abcx")).Draw(t, "whose")) + name
				r := happen(t, s, observation(id))
				for _, each := range names {
					if m := models[each]; m != nil && m.on && (id[0] == each[len(each)-1] || id[0] == 'x') {
						waiting = append(waiting, func() { m.events = append(m.events, fmt.Sprintf("%s/%d", r.Key, r.Version)) })
					}
				}
			case 2:
				drain()
			default:
				drain()
				m := models[name]
				if m == nil {
					m = &model{}
					models[name] = m
				}
				m.on = rapid.Bool().Draw(t, "on")
				given := webhook(name, "portal")
				if !m.on {
					given.Status = store.SubscriptionOff
				}
				subscribe(t, s, given)
			}
		}
		drain()
		for name, m := range models {
			require.Equal(t, append([]string{}, m.events...), numbered(t, eventsOf(t, s, name)))
			require.EqualValues(t, len(m.events), read(t, s, name).Events)
			require.NoError(t, unsubscribe(s, name))
		}
	})
}
