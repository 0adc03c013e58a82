package storetest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// target is the target of most delivery tests, worker who works on it.
const (
	target = "ehr"
	worker = "worker"
)

// want stores the next version of a resource and wants it at the target.
func want(t *testing.T, s store.Store, key store.Key, retract bool) {
	t.Helper()
	write(t, s, func(tx store.Tx) error {
		stored, err := tx.Put(key, "PUT", store.Index{}, body)
		if err != nil {
			return err
		}
		return tx.Want(target, key, stored.Version, retract)
	})
}

// claim leases what is due for a minute.
func claim(t *testing.T, s store.Store, owner string) []store.Delivery {
	t.Helper()
	claimed, err := s.Claim(context.Background(), target, owner, time.Minute, 10)
	require.NoError(t, err)
	return claimed
}

// claimOne leases the one delivery that is due.
func claimOne(t *testing.T, s store.Store, owner string) store.Delivery {
	t.Helper()
	claimed := claim(t, s, owner)
	require.Len(t, claimed, 1)
	return claimed[0]
}

// record keeps an outcome, which must be accepted.
func record(t *testing.T, s store.Store, delivery store.Delivery) {
	t.Helper()
	require.NoError(t, s.Record(context.Background(), delivery))
}

// begin starts an attempt, which must be accepted.
func begin(t *testing.T, s store.Store, delivery store.Delivery) {
	t.Helper()
	require.NoError(t, s.Begin(context.Background(), delivery))
}

// state reads the delivery of a resource.
func state(t *testing.T, s store.Store, key store.Key) store.Delivery {
	t.Helper()
	delivery, err := s.Delivery(context.Background(), target, key, store.Whole)
	require.NoError(t, err)
	return delivery
}

// backlog reads what the targets lack.
func backlog(t *testing.T, s store.Store) []store.Backlog {
	t.Helper()
	backlogs, err := s.Backlog(context.Background())
	require.NoError(t, err)
	return backlogs
}

// testDeliveries: the version delivered follows the version wanted.
func testDeliveries(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "AreNoneUntilWanted", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		require.Empty(t, claim(t, s, worker))
		require.Empty(t, backlog(t, s))
		_, err := s.Delivery(context.Background(), target, key, store.Whole)
		require.ErrorIs(t, err, store.ErrNotFound)
	})
	driver.subtest(t, "AreNoneOfWhatWasNeverStored", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(context.Background(), nil, func(tx store.Tx) error { return tx.Want(target, key, 1, false) })
		require.ErrorIs(t, err, store.ErrNotFound)
	})
	driver.subtest(t, "MayBeWantedLaterThanStored", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		write(t, s, func(tx store.Tx) error { return tx.Want(target, key, 1, false) })
		require.EqualValues(t, 1, claimOne(t, s, worker).Wanted)
	})
	driver.subtest(t, "AreDueAtOnceAndLeased", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, key, false)
		want := store.Delivery{
			Target: target, Key: key, Wanted: 1, Attempts: 1,
			Due: clock.Now(), WantedSince: clock.Now(), Owner: worker, LeaseUntil: clock.Now().Add(time.Minute),
		}
		require.Equal(t, want, claimOne(t, s, worker))
		require.Equal(t, want, state(t, s, key))
	})
	driver.subtest(t, "AreDoneWhenDelivered", testDelivered)
	driver.subtest(t, "WaitUntilDueAgainAfterAFailure", testRetry)
	driver.subtest(t, "OfEachTargetAreItsOwn", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		write(t, s, func(tx store.Tx) error { return tx.Want("registry", key, 1, true) })
		d := claimOne(t, s, worker)
		d.Delivered = 1
		record(t, s, d)
		require.Empty(t, claim(t, s, worker))
		other, err := s.Claim(context.Background(), "registry", worker, time.Minute, 10)
		require.NoError(t, err)
		require.Len(t, other, 1)
		require.True(t, other[0].Retract)
		require.Equal(t, "registry", other[0].Target)
		require.Equal(t, "registry", backlog(t, s)[0].Target)
	})
	driver.subtest(t, "AreClaimedOldestFirstUpToTheLimit", func(t *testing.T, s store.Store, clock *Clock) {
		for i := range 5 {
			want(t, s, observation(fmt.Sprint("o", 9-i)), false)
			clock.Add(time.Second)
		}
		claimed, err := s.Claim(context.Background(), target, worker, time.Minute, 3)
		require.NoError(t, err)
		keys := []string{}
		for _, d := range claimed {
			keys = append(keys, d.Key.ID)
		}
		require.Equal(t, []string{"o9", "o8", "o7"}, keys)
		require.Len(t, claim(t, s, worker), 2)
		none, err := s.Claim(context.Background(), target, worker, time.Minute, 0)
		require.NoError(t, err)
		require.Empty(t, none)
	})
	driver.subtest(t, "ParkedAreNotClaimed", testParked)
	driver.subtest(t, "GiveTheVersionsTheyWant", testWantedVersions)
	driver.subtest(t, "BacklogCountsByTarget", testBacklog)
	driver.subtest(t, "LastDeliveriesAreOfWhatTargetsTook", testLastDeliveries)
	t.Run("LastDeliveriesAreOfEveryProcess", func(t *testing.T) { testLastDeliveriesAreShared(t, driver) })
	driver.subtest(t, "KeepTheTraceTheyWereWantedIn", testTrace)
	driver.subtest(t, "NeverDeliverMoreThanWanted", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		d := claimOne(t, s, worker)
		d.Delivered = 2
		require.Error(t, s.Record(context.Background(), d))
		require.Zero(t, state(t, s, key).Delivered)
	})
}

// testDelivered: a success is kept with what the target said, and resets what
// counts failures.
func testDelivered(t *testing.T, s store.Store, clock *Clock) {
	key := observation("o1")
	want(t, s, key, false)
	d := claimOne(t, s, worker)
	begin(t, s, d)
	require.Equal(t, 1, state(t, s, key).Attempts)
	clock.Add(time.Second)
	d.Delivered, d.RemoteID, d.ETag, d.Due = 1, "17", `W/"3"`, clock.Now()
	record(t, s, d)
	require.Equal(t, store.Delivery{
		Target: target, Key: key, Wanted: 1, Delivered: 1, RemoteID: "17", ETag: `W/"3"`, Due: clock.Now(), Changed: clock.Now(),
		Fresh: true, Looked: clock.Now(),
	}, state(t, s, key))
	require.Empty(t, claim(t, s, worker))
	require.Empty(t, backlog(t, s))

	clock.Add(time.Hour)
	want(t, s, key, true)
	next := claimOne(t, s, worker)
	require.EqualValues(t, 2, next.Wanted)
	require.EqualValues(t, 1, next.Delivered)
	require.Equal(t, "17", next.RemoteID)
	require.Equal(t, `W/"3"`, next.ETag)
	require.True(t, next.Retract)
	require.Equal(t, clock.Now(), next.WantedSince)
}

// testRetry: a failure leaves the delivery pending from when it was first
// wanted, and due when the worker says.
func testRetry(t *testing.T, s store.Store, clock *Clock) {
	key := observation("o1")
	want(t, s, key, false)
	since := clock.Now()
	for attempt := 1; attempt <= 3; attempt++ {
		d := claimOne(t, s, worker)
		begin(t, s, d)
		d.Due, d.Reason, d.Attempts = clock.Now().Add(time.Minute), "the target is busy", 99
		record(t, s, d)
		require.Empty(t, claim(t, s, worker))
		clock.Add(time.Minute - time.Millisecond)
		require.Empty(t, claim(t, s, worker))
		now := state(t, s, key)
		require.Equal(t, attempt, now.Attempts, "as claimed, whatever the worker writes")
		require.Equal(t, "the target is busy", now.Reason)
		require.Equal(t, since, now.WantedSince)
		require.Zero(t, now.Owner)
		clock.Add(time.Millisecond)
	}
	require.Equal(t, []store.Backlog{{Target: target, Pending: 1, Oldest: since}}, backlog(t, s))
	d := claimOne(t, s, worker)
	begin(t, s, d)
	d.Delivered = 1
	record(t, s, d)
	require.Zero(t, state(t, s, key).Attempts)
}

// testParked: a parked delivery waits for a decision, or for a version that may
// not have its fault.
func testParked(t *testing.T, s store.Store, clock *Clock) {
	key := observation("o1")
	want(t, s, key, false)
	d := claimOne(t, s, worker)
	d.Parked, d.Reason = true, "refused"
	record(t, s, d)
	clock.Add(time.Hour)
	require.Empty(t, claim(t, s, worker))
	require.Equal(t, []store.Backlog{{Target: target, Parked: 1, Overdue: 1}}, backlog(t, s))
	parked := state(t, s, key)
	require.True(t, parked.Parked)
	require.Equal(t, "refused", parked.Reason)

	want(t, s, key, true)
	freed := claimOne(t, s, worker)
	require.EqualValues(t, 2, freed.Wanted)
	require.False(t, freed.Parked)
	require.Empty(t, freed.Reason)
}

// testWantedVersions: what many deliveries want is read at once, each in its place.
func testWantedVersions(t *testing.T, s store.Store, _ *Clock) {
	var all []store.Delivery
	var expected []store.Resource
	for i := range 70 {
		key := observation(fmt.Sprint("o", i))
		want(t, s, key, false)
		if i%3 == 0 {
			want(t, s, key, false)
		}
		d := state(t, s, key)
		if i%7 == 0 {
			d.Wanted = 1 // as it was when it was claimed
		}
		switch i % 10 {
		case 4:
			d.Wanted = 1<<20 + 1 // that of the next resource, if it were taken for one
		case 5:
			d.Wanted = 0
		case 6:
			remove(t, s, key)
			d.Wanted++
		case 7:
			d.Key.ID += "x"
		}
		version, err := s.Version(context.Background(), d.Key, d.Wanted)
		if err != nil {
			require.ErrorIs(t, err, store.ErrNotFound)
		}
		all, expected = append(all, d), append(expected, version)
	}
	found, err := s.WantedVersions(context.Background(), all)
	require.NoError(t, err)
	require.Equal(t, expected, found)
	twice, err := s.WantedVersions(context.Background(), []store.Delivery{all[0], all[1], all[0]})
	require.NoError(t, err)
	clear(twice[0].Body)
	require.Equal(t, expected[:2], []store.Resource{twice[2], twice[1]}, "each has bytes of its own")
	none, err := s.WantedVersions(context.Background(), nil)
	require.NoError(t, err)
	require.Empty(t, none)
}

// testTrace: a delivery is part of the trace of the request that wanted its
// version, its members too, those that a version has no more among them.
func testTrace(t *testing.T, s store.Store, _ *Clock) {
	const first, second = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01", "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00"
	key := observation("o1")
	wants := func(trace string, members ...string) {
		t.Helper()
		d := store.Delivery{Trace: trace}
		require.Equal(t, trace, store.TraceOf(d.Traced(context.Background())))
		require.NoError(t, s.Write(d.Traced(context.Background()), nil, func(tx store.Tx) error {
			written, err := tx.Put(key, "PUT", store.Index{}, body)
			if err != nil {
				return err
			}
			return tx.Want(target, key, written.Version, false, members...)
		}))
	}
	traces := func() map[string]string {
		t.Helper()
		all, err := s.Members(context.Background(), target, key)
		require.NoError(t, err)
		found := map[string]string{}
		for _, d := range all {
			found[d.Member] = d.Trace
		}
		return found
	}
	wants(first, "panel", "itch")
	require.Equal(t, map[string]string{"panel": first, "itch": first}, traces())
	for _, claimed := range claim(t, s, worker) {
		require.Equal(t, first, claimed.Trace)
	}
	wants(second, "panel")
	require.Equal(t, map[string]string{"panel": second, "itch": second}, traces())
	wants("", "panel")
	require.Equal(t, map[string]string{"panel": "", "itch": second}, traces())
}

// testBacklog counts pending, doubtful and parked deliveries.
func testBacklog(t *testing.T, s store.Store, clock *Clock) {
	for i := range 4 {
		want(t, s, observation(fmt.Sprint("o", i)), false)
		clock.Add(time.Minute)
	}
	start := clock.Now().Add(-4 * time.Minute)
	require.Equal(t, []store.Backlog{{Target: target, Pending: 4, Oldest: start}}, backlog(t, s))
	claimed := claim(t, s, worker)
	claimed[0].Delivered = 1
	record(t, s, claimed[0])
	claimed[1].Parked = true
	record(t, s, claimed[1])
	claimed[2].InDoubt = true
	record(t, s, claimed[2])
	require.Equal(t, []store.Backlog{{
		Target: target, Pending: 2, InDoubt: 1, Parked: 1, Oldest: start.Add(2 * time.Minute),
	}}, backlog(t, s))
	// They were wanted one minute after the other, and are overdue likewise, the
	// parked one too.
	clock.Add(start.Add(time.Minute + store.Promptly).Sub(clock.Now()))
	for i := range 3 {
		require.Equal(t, i, backlog(t, s)[0].Overdue)
		clock.Add(time.Millisecond)
		require.Equal(t, i+1, backlog(t, s)[0].Overdue)
		clock.Add(time.Minute - time.Millisecond)
	}
	usage, err := s.Usage(context.Background())
	require.NoError(t, err)
	require.Positive(t, usage.Bytes)
	require.Positive(t, usage.Queue)
	require.Zero(t, usage.Queued)
}

// lastDelivery reads when the target last took what was wanted.
func lastDelivery(t *testing.T, s store.Store) time.Time {
	t.Helper()
	last, err := s.LastDeliveries(context.Background())
	require.NoError(t, err)
	return last[target]
}

// testLastDeliveries: the time moves with what is delivered, by Record and by
// Advance, to the second, and with nothing else.
func testLastDeliveries(t *testing.T, s store.Store, clock *Clock) {
	last, err := s.LastDeliveries(context.Background())
	require.NoError(t, err)
	require.Empty(t, last)
	for i, fails := range []func(*store.Delivery){
		func(d *store.Delivery) { d.Due = clock.Now().Add(time.Hour) },
		func(d *store.Delivery) { d.Parked = true },
		func(d *store.Delivery) { d.Delivered, d.InDoubt, d.Due = 1, true, clock.Now().Add(time.Hour) },
	} {
		want(t, s, observation(fmt.Sprint("bad", i)), false)
		d := claimOne(t, s, worker)
		begin(t, s, d)
		fails(&d)
		record(t, s, d)
		require.Zero(t, lastDelivery(t, s), "case %d", i)
	}
	want(t, s, observation("o1"), false)
	first := claimOne(t, s, worker)
	first.Delivered = 1
	record(t, s, first)
	at := clock.Now()
	require.Equal(t, at, lastDelivery(t, s))
	clock.Add(time.Minute)
	require.ErrorIs(t, s.Record(context.Background(), first), store.ErrLeaseLost)
	require.Equal(t, at, lastDelivery(t, s), "who has no lease tells nothing")

	var steps []store.Step
	for i := range 3 {
		want(t, s, observation(fmt.Sprint("more", i)), false)
	}
	for _, d := range claim(t, s, worker) {
		d.Delivered = d.Wanted
		steps = append(steps, store.Step{Delivery: d})
	}
	require.Len(t, steps, 3)
	for _, err := range s.Advance(context.Background(), steps) {
		require.NoError(t, err)
	}
	require.Equal(t, clock.Now(), lastDelivery(t, s))
	clock.Add(-time.Hour)
	deliverOne(t, s, observation("o2"), false)
	require.Equal(t, clock.Now(), lastDelivery(t, s), "a time ahead of the clock is put right")
}

// testLastDeliveriesAreShared: one process tells what another delivered, at once and
// after both were ended; that of one target is not that of another.
func testLastDeliveriesAreShared(t *testing.T, driver Driver) {
	t.Parallel()
	clock, place := NewClock(), driver.Create(t)
	one, err := driver.Open(place, clock.Now)
	require.NoError(t, err)
	other := driver.open(t, place, clock.Now)
	deliverOne(t, one, observation("o1"), false)
	first := clock.Now()
	require.Equal(t, first, lastDelivery(t, other))
	require.NoError(t, one.Close())
	clock.Add(time.Hour)
	write(t, other, func(tx store.Tx) error {
		stored, err := tx.Put(observation("o2"), "PUT", store.Index{}, body)
		if err != nil {
			return err
		}
		return tx.Want("registry", observation("o2"), stored.Version, false)
	})
	claimed, err := other.Claim(context.Background(), "registry", worker, time.Minute, 1)
	require.NoError(t, err)
	require.Len(t, claimed, 1)
	claimed[0].Delivered = 1
	record(t, other, claimed[0])
	last, err := driver.open(t, place, clock.Now).LastDeliveries(context.Background())
	require.NoError(t, err)
	require.Equal(t, map[string]time.Time{target: first, "registry": clock.Now()}, last)
}
