package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// webhook is a subscription that is active and due never.
func webhook(id, owner string) store.Subscription {
	return store.Subscription{
		ID: id, Owner: owner, Body: []byte(`{"resourceType":"Subscription"}`), Private: []byte(`{"secret":"oak"}`),
		SubscriptionState: store.SubscriptionState{Status: store.SubscriptionActive},
	}
}

// subscribe writes a subscription.
func subscribe(t tester, s store.Store, subscription store.Subscription) store.Subscription {
	t.Helper()
	var written store.Subscription
	write(t, s, func(tx store.Tx) (err error) {
		written, err = tx.PutSubscription(subscription)
		return err
	})
	return written
}

// unsubscribe deletes one.
func unsubscribe(s store.Store, id string) error {
	return s.Write(context.Background(), nil, func(tx store.Tx) error { return tx.DeleteSubscription(id) })
}

// happen stores a version and records it as an event.
func happen(t tester, s store.Store, key store.Key) store.Resource {
	t.Helper()
	var stored store.Resource
	write(t, s, func(tx store.Tx) (err error) {
		if stored, err = tx.Put(key, "PUT", store.Index{}, body); err != nil {
			return err
		}
		return tx.Event(key, stored.Version)
	})
	return stored
}

// toAll matches everything.
func toAll(_ store.Resource, among []store.Subscription, _ func(store.Key, int64) (store.Resource, error)) []int {
	places := make([]int, len(among))
	for i := range places {
		places[i] = i
	}
	return places
}

// distribute gives what has happened to those that match.
func distribute(t tester, s store.Store, match store.Match) int {
	t.Helper()
	taken, err := s.Distribute(context.Background(), 100, match)
	require.NoError(t, err)
	return taken
}

// read gives a subscription that must be there.
func read(t tester, s store.Store, id string) store.Subscription {
	t.Helper()
	found, err := s.Subscription(context.Background(), id)
	require.NoError(t, err)
	return found
}

// eventsOf gives all events of a subscription.
func eventsOf(t tester, s store.Store, id string) []store.Event {
	t.Helper()
	events, err := s.Events(context.Background(), id, 1, 1<<40, 1<<20)
	require.NoError(t, err)
	return events
}

// testSubscriptions: what was written is read, by id and by owner, in its
// newest version, until it is deleted.
func testSubscriptions(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "AreReadAsWritten", func(t *testing.T, s store.Store, clock *Clock) {
		given := webhook("a", "portal")
		given.Status, given.Fault, given.Attempts = store.SubscriptionError, "The endpoint refused.", 3
		given.Sent, given.Failing, given.Due = clock.Now().Add(-time.Hour), clock.Now().Add(-time.Minute), clock.Now().Add(time.Hour)
		want := given
		want.Version, want.LastUpdated = 1, clock.Now()
		require.Equal(t, want, subscribe(t, s, given))
		require.Equal(t, want, read(t, s, "a"))
		clock.Add(time.Second)
		given.Body, given.Private = []byte(`{"other":1}`), []byte("none")
		want.Body, want.Private, want.Version, want.LastUpdated = given.Body, given.Private, 2, clock.Now()
		require.Equal(t, want, subscribe(t, s, given))
		require.Equal(t, want, read(t, s, "a"))
		given.Private = nil
		require.Empty(t, subscribe(t, s, given).Private)
	})
	driver.subtest(t, "AreFoundByOwner", func(t *testing.T, s store.Store, _ *Clock) {
		for _, each := range []store.Subscription{webhook("c", "portal"), webhook("a", "portal"), webhook("b", "other"), webhook("d", "third")} {
			subscribe(t, s, each)
		}
		for _, c := range []struct {
			owners []string
			want   []string
		}{
			{[]string{"portal"}, []string{"a", "c"}}, {[]string{"portal", "other"}, []string{"a", "b", "c"}},
			{nil, []string{"a", "b", "c", "d"}}, {[]string{}, []string{}}, {[]string{"nobody"}, []string{}},
		} {
			found, err := s.Subscriptions(ctx, c.owners)
			require.NoError(t, err)
			names := []string{}
			for _, each := range found {
				names = append(names, each.ID)
			}
			require.Equal(t, c.want, names, c.owners)
		}
		write(t, s, func(tx store.Tx) error {
			count, err := tx.Subscriptions("portal")
			require.Equal(t, 2, count)
			return err
		})
	})
	driver.subtest(t, "AreGoneWhenDeleted", func(t *testing.T, s store.Store, _ *Clock) {
		subscribe(t, s, webhook("a", "portal"))
		happen(t, s, observation("1"))
		require.Equal(t, 1, distribute(t, s, toAll))
		require.NoError(t, unsubscribe(s, "a"))
		_, err := s.Subscription(ctx, "a")
		require.ErrorIs(t, err, store.ErrNotFound)
		require.Empty(t, eventsOf(t, s, "a"))
		require.ErrorIs(t, unsubscribe(s, "a"), store.ErrNotFound)
		write(t, s, func(tx store.Tx) error {
			_, err := tx.Subscription("a")
			require.ErrorIs(t, err, store.ErrNotFound)
			return nil
		})
	})
	driver.subtest(t, "AreNotWrittenByAJobThatFails", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(ctx, nil, func(tx store.Tx) error {
			if _, err := tx.PutSubscription(webhook("a", "portal")); err != nil {
				return err
			}
			_, err := tx.Subscription("a")
			require.NoError(t, err, "the job sees its own write")
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		_, err = s.Subscription(ctx, "a")
		require.ErrorIs(t, err, store.ErrNotFound)
	})
}

// claimSubscription claims one as a worker does.
func claimSubscription(s store.Store) (store.Subscription, error) {
	return s.ClaimSubscription(context.Background(), "worker", time.Minute)
}

// recordSubscription keeps what became of it, and forgets no event.
func recordSubscription(s store.Store, r store.Subscription) error {
	return s.RecordSubscription(context.Background(), r, time.Time{})
}

// subscribeDue adds one that is due.
func subscribeDue(t *testing.T, s store.Store, clock *Clock, id string) {
	given := webhook(id, "portal")
	given.Due = clock.Now()
	subscribe(t, s, given)
}

// testSubscriptionClaims: what is due is claimed by one, and only that one may
// say what became of it.
func testSubscriptionClaims(t *testing.T, driver Driver) {
	driver.subtest(t, "AreOfWhatIsDue", func(t *testing.T, s store.Store, clock *Clock) {
		subscribe(t, s, webhook("never", "portal"))
		later := webhook("later", "portal")
		later.Due = clock.Now().Add(time.Hour)
		subscribe(t, s, later)
		_, err := claimSubscription(s)
		require.ErrorIs(t, err, store.ErrNotFound)
		clock.Add(time.Hour)
		claimed, err := claimSubscription(s)
		require.NoError(t, err)
		require.Equal(t, "later", claimed.ID)
		require.Equal(t, "worker", claimed.Lease)
		require.Equal(t, clock.Now().Add(time.Minute), claimed.LeaseUntil)
	})
	driver.subtest(t, "AreExclusiveUntilTheLeaseEnds", func(t *testing.T, s store.Store, clock *Clock) {
		subscribeDue(t, s, clock, "a")
		first, err := claimSubscription(s)
		require.NoError(t, err)
		_, err = claimSubscription(s)
		require.ErrorIs(t, err, store.ErrNotFound, "it is leased")
		clock.Add(time.Minute)
		second, err := claimSubscription(s)
		require.NoError(t, err)
		require.ErrorIs(t, recordSubscription(s, first), store.ErrLeaseLost)
		second.Status, second.Fault, second.Due = store.SubscriptionError, "No answer.", time.Time{}
		require.NoError(t, recordSubscription(s, second))
		require.ErrorIs(t, recordSubscription(s, second), store.ErrLeaseLost, "a lease is for one outcome")
		found := read(t, s, "a")
		require.Equal(t, store.SubscriptionError, found.Status)
		require.Equal(t, "No answer.", found.Fault)
		require.Equal(t, int64(2), found.Version, "another status is another version")
		require.Equal(t, clock.Now(), found.LastUpdated)
		require.Empty(t, found.Lease)
	})
	driver.subtest(t, "AreLostToAWriteOfTheClient", func(t *testing.T, s store.Store, clock *Clock) {
		subscribeDue(t, s, clock, "a")
		claimed, err := claimSubscription(s)
		require.NoError(t, err)
		subscribeDue(t, s, clock, "a")
		claimed.Status = store.SubscriptionError
		require.ErrorIs(t, recordSubscription(s, claimed), store.ErrLeaseLost)
		require.Equal(t, store.SubscriptionActive, read(t, s, "a").Status)
		_, err = claimSubscription(s)
		require.NoError(t, err, "what was written is due at once, whoever holds the old lease")
	})
	driver.subtest(t, "MayBeRecordedLateIfNobodyFollowed", func(t *testing.T, s store.Store, clock *Clock) {
		subscribeDue(t, s, clock, "a")
		claimed, err := claimSubscription(s)
		require.NoError(t, err)
		clock.Add(time.Hour)
		claimed.Due = time.Time{}
		require.NoError(t, recordSubscription(s, claimed))
	})
	driver.subtest(t, "DoNotWaitForAClockThatWasSetBack", func(t *testing.T, s store.Store, clock *Clock) {
		given := webhook("a", "portal")
		given.Due = clock.Now().Add(time.Second)
		subscribe(t, s, given)
		clock.Add(-24 * time.Hour)
		claimed, err := claimSubscription(s)
		require.NoError(t, err, "its time lies a day ahead, but was planned tomorrow")
		claimed.Due = clock.Now().Add(time.Hour)
		require.NoError(t, recordSubscription(s, claimed))
		_, err = claimSubscription(s)
		require.ErrorIs(t, err, store.ErrNotFound)
		clock.Add(time.Hour)
		_, err = claimSubscription(s)
		require.NoError(t, err)
		clock.Add(-24 * time.Hour)
		_, err = claimSubscription(s)
		require.NoError(t, err, "a lease of tomorrow holds nobody up")
	})
	driver.subtest(t, "EventsThatCameMeanwhileAreDue", func(t *testing.T, s store.Store, clock *Clock) {
		subscribeDue(t, s, clock, "a")
		claimed, err := claimSubscription(s)
		require.NoError(t, err)
		happen(t, s, observation("1"))
		require.Equal(t, 1, distribute(t, s, toAll))
		claimed.Due = clock.Now().Add(time.Hour)
		require.NoError(t, recordSubscription(s, claimed))
		claimed, err = claimSubscription(s)
		require.NoError(t, err)
		require.Equal(t, int64(1), claimed.Events)
		require.Equal(t, int64(1), claimed.Version, "how far it was told is no version")
		happen(t, s, observation("1"))
		require.Equal(t, 1, distribute(t, s, toAll))
		claimed.Attempts, claimed.Due = 1, clock.Now().Add(time.Hour)
		require.NoError(t, recordSubscription(s, claimed))
		_, err = claimSubscription(s)
		require.ErrorIs(t, err, store.ErrNotFound, "after a failure they wait with the others")
	})
}
