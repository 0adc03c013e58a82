package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// list reads a page of deliveries.
func list(t tester, s store.Store, query store.DeliveryQuery) store.DeliveryPage {
	t.Helper()
	if query.Limit == 0 {
		query.Limit = 100
	}
	page, err := s.Deliveries(context.Background(), query)
	require.NoError(t, err)
	return page
}

// named tells which deliveries are on a page.
func named(page store.DeliveryPage) []string {
	all := []string{}
	for _, d := range page.Deliveries {
		name := d.Target + " " + d.Key.ID
		if d.Member != "" {
			name += " " + d.Member
		}
		all = append(all, name)
	}
	return all
}

// stand brings a delivery of its own into a state; its resource is named by it.
func stand(t *testing.T, s store.Store, clock *Clock, state store.DeliveryState) store.Key {
	t.Helper()
	key := observation(string(state))
	want(t, s, key, false)
	d := claimOne(t, s, worker)
	d.Due = clock.Now().Add(time.Hour)
	begin(t, s, d)
	switch state {
	case store.Pending:
		d.Reason, d.Fault = "The target is not available.", "busy"
	case store.InDoubt:
		d.InDoubt, d.Reason, d.Fault = true, "The target did not answer in time.", "timeout"
	case store.Parked, store.Dropped:
		d.Parked, d.Reason, d.Fault = true, "The target refuses the content.", "content"
	case store.Delivered, store.Differs:
		d.Delivered, d.RemoteID, d.ETag = d.Wanted, "17", `W/"1"`
	}
	record(t, s, d)
	if state == store.Differs {
		claimed, err := s.ClaimChecks(context.Background(), target, worker, time.Minute, store.CheckDue{}, 1)
		require.NoError(t, err)
		require.Len(t, claimed, 1)
		claimed[0].Fault, claimed[0].Reason = "lost", "The target has no copy any more."
		recordCheck(t, s, claimed[0])
	}
	if state == store.Dropped {
		require.Equal(t, 1, drop(t, s, store.DeliveryQuery{Keys: []store.Key{key}}, "The child has moved."))
	}
	return key
}

// standAll has a delivery in each state.
func standAll(t *testing.T, s store.Store, clock *Clock) {
	t.Helper()
	for _, state := range store.DeliveryStates {
		stand(t, s, clock, state)
	}
}

// release and drop decide, and give how many were changed.
func release(t tester, s store.Store, query store.DeliveryQuery) (changed int) {
	t.Helper()
	write(t, s, func(tx store.Tx) (err error) {
		changed, err = tx.Release(query)
		return err
	})
	return changed
}

func drop(t tester, s store.Store, query store.DeliveryQuery, reason string) (changed int) {
	t.Helper()
	write(t, s, func(tx store.Tx) (err error) {
		changed, err = tx.Drop(query, reason)
		return err
	})
	return changed
}

// testDeliveryLists: people see where each delivery stands.
func testDeliveryLists(t *testing.T, driver Driver) {
	driver.subtest(t, "AreEmptyWhereNothingIsWanted", func(t *testing.T, s store.Store, _ *Clock) {
		require.Equal(t, store.DeliveryPage{Deliveries: nil}, list(t, s, store.DeliveryQuery{Total: true}))
	})
	driver.subtest(t, "AreOfOneState", func(t *testing.T, s store.Store, clock *Clock) {
		standAll(t, s, clock)
		for _, state := range store.DeliveryStates {
			page := list(t, s, store.DeliveryQuery{States: []store.DeliveryState{state}, Total: true})
			require.Equal(t, []string{"ehr " + string(state)}, named(page))
			require.Equal(t, 1, page.Total)
			require.Equal(t, state, page.Deliveries[0].State())
			require.Equal(t, page.Deliveries[0], func() store.Delivery { d := page.Deliveries[0]; d = stateOf(t, s, d); return d }())
		}
		require.Empty(t, list(t, s, store.DeliveryQuery{States: []store.DeliveryState{"lost"}}).Deliveries)
		require.Empty(t, list(t, s, store.DeliveryQuery{States: []store.DeliveryState{}}).Deliveries)
		require.Len(t, list(t, s, store.DeliveryQuery{States: []store.DeliveryState{store.Parked, store.Dropped}}).Deliveries, 2)
		require.Len(t, list(t, s, store.DeliveryQuery{}).Deliveries, len(store.DeliveryStates))
	})
	driver.subtest(t, "AreInDoubtOnceALeaseRunsOutAfterABeginning", func(t *testing.T, s store.Store, clock *Clock) {
		want(t, s, observation("o1"), false)
		begin(t, s, claimOne(t, s, worker))
		doubt := store.DeliveryQuery{States: []store.DeliveryState{store.InDoubt}, Target: target}
		require.Empty(t, list(t, s, doubt).Deliveries)
		clock.Add(2 * time.Minute)
		require.Len(t, list(t, s, doubt).Deliveries, 1)
		require.Empty(t, list(t, s, store.DeliveryQuery{States: []store.DeliveryState{store.Pending}}).Deliveries)
	})
	driver.subtest(t, "AreOfOneTargetResourceMemberOrFault", testDeliveryFilters)
	driver.subtest(t, "AreReadPageByPage", testDeliveryPages)
	driver.subtest(t, "KnowWhenADeliveryChanged", func(t *testing.T, s store.Store, clock *Clock) {
		key := observation("o1")
		want(t, s, key, false)
		wanted := clock.Now()
		d := state(t, s, key)
		require.Equal(t, wanted, d.Modified(), "when it was wanted")
		clock.Add(time.Second)
		d = claimOne(t, s, worker)
		d.Parked, d.Fault = true, "content"
		record(t, s, d)
		d = state(t, s, key)
		require.Equal(t, clock.Now(), d.Modified())
		require.Equal(t, "content", d.Fault)
		clock.Add(time.Second)
		drop(t, s, store.DeliveryQuery{}, "The child has moved.")
		d = state(t, s, key)
		require.Equal(t, clock.Now(), d.Modified())
		clock.Add(time.Second)
		require.Equal(t, 1, release(t, s, store.DeliveryQuery{States: []store.DeliveryState{store.Dropped}}))
		d = state(t, s, key)
		require.Equal(t, clock.Now(), d.Modified())
	})
}

// stateOf reads a delivery by itself.
func stateOf(t tester, s store.Store, d store.Delivery) store.Delivery {
	t.Helper()
	found, err := s.Delivery(context.Background(), d.Target, d.Key, d.Member)
	require.NoError(t, err)
	return found
}

func testDeliveryFilters(t *testing.T, s store.Store, clock *Clock) {
	standAll(t, s, clock)
	key := observation("several")
	write(t, s, func(tx store.Tx) error {
		if _, err := tx.Put(key, "POST", store.Index{}, body); err != nil {
			return err
		}
		return tx.Want("registry", key, 1, false, store.Whole, "itch", "extent")
	})
	itch := "itch"
	for name, c := range map[string]struct {
		query store.DeliveryQuery
		want  []string
	}{
		"target":              {store.DeliveryQuery{Target: "registry"}, []string{"registry several", "registry several extent", "registry several itch"}},
		"no such target":      {store.DeliveryQuery{Target: "nobody"}, []string{}},
		"key":                 {store.DeliveryQuery{Keys: []store.Key{observation("parked")}}, []string{"ehr parked"}},
		"keys at all targets": {store.DeliveryQuery{Keys: []store.Key{key, observation("parked"), observation("unknown")}}, []string{"ehr parked", "registry several", "registry several extent", "registry several itch"}},
		"key at one target":   {store.DeliveryQuery{Target: "ehr", Keys: []store.Key{key}}, []string{}},
		"of another type":     {store.DeliveryQuery{Keys: []store.Key{{Type: "Patient", ID: "parked"}, key}, Target: "registry", Member: &itch}, []string{"registry several itch"}},
		"no keys":             {store.DeliveryQuery{Keys: []store.Key{}}, []string{}},
		"member":              {store.DeliveryQuery{Member: &itch}, []string{"registry several itch"}},
		"fault":               {store.DeliveryQuery{Fault: "content", States: []store.DeliveryState{store.Parked}}, []string{"ehr parked"}},
		"another fault":       {store.DeliveryQuery{Fault: "busy"}, []string{"ehr pending"}},
	} {
		c.query.Total = true
		page := list(t, s, c.query)
		require.Equal(t, c.want, named(page), name)
		require.Equal(t, len(c.want), page.Total, name)
	}
}

func testDeliveryPages(t *testing.T, s store.Store, _ *Clock) {
	var every []string
	for i := range 7 {
		key := observation(fmt.Sprint(i))
		want(t, s, key, false)
		every = append(every, "ehr "+key.ID)
		if i%2 == 0 {
			write(t, s, func(tx store.Tx) error { return tx.Want("registry", key, 1, false, store.Whole, "itch") })
		}
	}
	for i := range 7 {
		if i%2 == 0 {
			every = append(every, fmt.Sprint("registry ", i), fmt.Sprint("registry ", i, " itch"))
		}
	}
	for _, size := range []int{1, 2, 3, len(every), 99} {
		var found []string
		query := store.DeliveryQuery{Limit: size, Total: true}
		for {
			page := list(t, s, query)
			require.LessOrEqual(t, len(page.Deliveries), size)
			require.Equal(t, len(every), page.Total, "on every page")
			found = append(found, named(page)...)
			if query.After = page.Next; query.After == "" {
				break
			}
		}
		require.Equal(t, every, found, "pages of %d", size)
	}
	page, err := s.Deliveries(context.Background(), store.DeliveryQuery{Total: true})
	require.NoError(t, err)
	require.Equal(t, store.DeliveryPage{Total: len(every)}, page, "the total alone")
	for _, after := range []string{"?", "e30x", "bm8"} {
		_, err = s.Deliveries(context.Background(), store.DeliveryQuery{Limit: 1, After: after})
		require.ErrorIs(t, err, store.ErrPage, after)
	}
}

// testDecisions: what people decide, and what becomes of it.
func testDecisions(t *testing.T, driver Driver) {
	key := observation("parked")
	driver.subtest(t, "ReleaseOnlyWhatIsParked", func(t *testing.T, s store.Store, clock *Clock) {
		standAll(t, s, clock)
		require.Equal(t, 1, release(t, s, store.DeliveryQuery{}))
		d := claimOne(t, s, worker)
		require.Equal(t, key, d.Key)
		require.Equal(t, 1, d.Attempts, "it begins anew")
		require.Equal(t, "content", d.Fault, "what parked it is told until the next attempt")
		require.Zero(t, release(t, s, store.DeliveryQuery{}), "what a worker has is not parked")
	})
	driver.subtest(t, "ReleaseWhatWasDroppedIfItIsNamed", func(t *testing.T, s store.Store, clock *Clock) {
		standAll(t, s, clock)
		require.Equal(t, 1, release(t, s, store.DeliveryQuery{States: []store.DeliveryState{store.Dropped, store.Pending, store.Delivered}}))
		require.Equal(t, observation("dropped"), claimOne(t, s, worker).Key)
	})
	driver.subtest(t, "ReleaseOfOneTargetFaultOrResource", func(t *testing.T, s store.Store, clock *Clock) {
		for _, query := range []store.DeliveryQuery{{Target: "registry"}, {Fault: "busy"}, {Keys: []store.Key{observation("pending")}}} {
			require.Zero(t, release(t, s, query))
		}
		stand(t, s, clock, store.Parked)
		for _, query := range []store.DeliveryQuery{{Target: target}, {Fault: "content"}, {Keys: []store.Key{key}}, {After: "?", Limit: 0}} {
			require.Equal(t, 1, release(t, s, query))
			d := claimOne(t, s, worker)
			d.Parked, d.Fault = true, "content"
			record(t, s, d)
		}
	})
	driver.subtest(t, "DropOnlyWhatIsParkedAndForAReason", func(t *testing.T, s store.Store, clock *Clock) {
		standAll(t, s, clock)
		err := s.Write(context.Background(), nil, func(tx store.Tx) error { _, err := tx.Drop(store.DeliveryQuery{}, ""); return err })
		require.ErrorIs(t, err, store.ErrReason)
		require.Equal(t, 1, drop(t, s, store.DeliveryQuery{States: []store.DeliveryState{store.Pending}}, "No such patient there."))
		d := state(t, s, key)
		require.Equal(t, store.Dropped, d.State())
		require.True(t, d.Parked)
		require.Equal(t, "No such patient there.", d.Reason)
		require.Empty(t, claim(t, s, worker), "it is not tried again")
		require.Equal(t, "The child has moved.", state(t, s, observation("dropped")).Reason, "what was dropped before keeps its reason")
		require.Zero(t, drop(t, s, store.DeliveryQuery{}, "Again."))
		require.Equal(t, []store.Backlog{{Target: target, Pending: 2, InDoubt: 1, Oldest: clock.Now()}}, backlog(t, s), "nobody has to decide about it any more")
	})
	driver.subtest(t, "EndWithAHigherVersion", func(t *testing.T, s store.Store, clock *Clock) {
		stand(t, s, clock, store.Dropped)
		want(t, s, observation("dropped"), true)
		d := claimOne(t, s, worker)
		require.Equal(t, store.Pending, d.State())
		require.True(t, d.Retract)
		d.Parked, d.Reason, d.Fault = true, "Refused again.", "content"
		record(t, s, d)
		require.Equal(t, store.Parked, func() store.DeliveryState { d := state(t, s, d.Key); return d.State() }(), "and is decided about anew")
	})
	driver.subtest(t, "KeepAllOrNothing", func(t *testing.T, s store.Store, clock *Clock) {
		stand(t, s, clock, store.Parked)
		before := state(t, s, key)
		for _, decide := range []func(store.Tx) (int, error){
			func(tx store.Tx) (int, error) { return tx.Release(store.DeliveryQuery{}) },
			func(tx store.Tx) (int, error) { return tx.Drop(store.DeliveryQuery{}, "No.") },
		} {
			err := s.Write(context.Background(), nil, func(tx store.Tx) error {
				changed, err := decide(tx)
				require.NoError(t, err)
				require.Equal(t, 1, changed)
				return errRefused
			})
			require.ErrorIs(t, err, errRefused)
			require.Equal(t, before, state(t, s, key))
		}
	})
	driver.subtest(t, "SeeWhatTheJobWantedBefore", func(t *testing.T, s store.Store, clock *Clock) {
		stand(t, s, clock, store.Parked)
		write(t, s, func(tx store.Tx) error {
			stored, err := tx.Put(key, "PUT", store.Index{}, body)
			require.NoError(t, err)
			require.NoError(t, tx.Want(target, key, stored.Version, false))
			changed, err := tx.Drop(store.DeliveryQuery{Keys: []store.Key{key}}, "No.")
			require.Zero(t, changed, "a higher version has freed it")
			return err
		})
		require.Equal(t, store.Pending, func() store.DeliveryState { d := state(t, s, key); return d.State() }())
	})
	driver.subtest(t, "AreKeptWithTheWholeReason", func(t *testing.T, s store.Store, clock *Clock) {
		reason := string(slices.Repeat([]byte("A long story. "), 200))
		stand(t, s, clock, store.Parked)
		drop(t, s, store.DeliveryQuery{}, reason)
		require.Equal(t, reason, state(t, s, key).Reason)
	})
}
