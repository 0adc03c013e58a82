package storetest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// wantMembers stores the next version of a resource and wants it as members.
func wantMembers(t tester, s store.Store, key store.Key, retract bool, members ...string) {
	t.Helper()
	write(t, s, func(tx store.Tx) error {
		stored, err := tx.Put(key, "POST", store.Index{}, body)
		if err != nil {
			return err
		}
		return tx.Want(target, key, stored.Version, retract, members...)
	})
}

// members reads the deliveries of a resource, in order of their names.
func members(t tester, s store.Store, key store.Key) []store.Delivery {
	t.Helper()
	all, err := s.Members(context.Background(), target, key)
	require.NoError(t, err)
	return all
}

// summary is what is wanted and delivered of each member, in a few letters.
func summary(deliveries []store.Delivery) (lines []string) {
	for _, d := range deliveries {
		line := fmt.Sprintf("%s %d/%d", d.Member, d.Delivered, d.Wanted)
		if d.Retract {
			line += " retract"
		}
		lines = append(lines, line)
	}
	return lines
}

// deliverAll delivers all that is due.
func deliverAll(t *testing.T, s store.Store) {
	t.Helper()
	for _, d := range claim(t, s, worker) {
		begin(t, s, d)
		d.Delivered, d.RemoteID = d.Wanted, "remote "+d.Member
		record(t, s, d)
	}
}

// testDeliveryMembers: each member of a score is a delivery of its own.
func testDeliveryMembers(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "AreNoneUntilWanted", func(t *testing.T, s store.Store, _ *Clock) {
		require.Empty(t, members(t, s, key))
		put(t, s, key, store.Index{})
		require.Empty(t, members(t, s, key))
	})
	driver.subtest(t, "AreTheWholeWhereNoneIsNamed", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		require.Equal(t, []store.Delivery{state(t, s, key)}, members(t, s, key))
		require.Equal(t, store.Whole, claimOne(t, s, worker).Member)
	})
	driver.subtest(t, "AreClaimedOnceEach", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, store.Whole, "b", "a", "b")
		want(t, s, observation("o2"), false)
		require.Equal(t, []string{" 0/1", "a 0/1", "b 0/1", " 0/1"}, summary(claim(t, s, worker)))
	})
	driver.subtest(t, "AreEachTheirOwn", testMembersAreTheirOwn)
	driver.subtest(t, "OfAnotherTargetAreNotTouched", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, "a")
		write(t, s, func(tx store.Tx) error { return tx.Want("registry", key, 1, false, "b") })
		wantMembers(t, s, key, false, "c")
		all, err := s.Members(context.Background(), "registry", key)
		require.NoError(t, err)
		require.Equal(t, []string{"b 0/1"}, summary(all))
		require.Equal(t, []string{"a 0/2 retract", "c 0/2"}, summary(members(t, s, key)))
	})
	testMembersThatGo(t, driver)
	testMembersBesideOthers(t, driver)
}

// testMembersAreTheirOwn: the lease, the id, the tag, the doubt and the attempts
// of one member are not those of another.
func testMembersAreTheirOwn(t *testing.T, s store.Store, clock *Clock) {
	key := observation("o1")
	wantMembers(t, s, key, false, "a", "b", "c")
	require.Equal(t, []store.Backlog{{Target: target, Pending: 3, Oldest: clock.Now()}}, backlog(t, s))
	claimed := claim(t, s, worker)
	require.Len(t, claimed, 3)
	b, c := claimed[1], claimed[2]
	begin(t, s, b)
	b.Delivered, b.RemoteID, b.ETag = 1, "17", `W/"3"`
	record(t, s, b)
	require.ErrorIs(t, s.Record(context.Background(), b), store.ErrLeaseLost)
	begin(t, s, c)
	c.InDoubt, c.Parked, c.Reason = true, true, "refused"
	record(t, s, c)

	a, err := s.Delivery(context.Background(), target, key, "a")
	require.NoError(t, err)
	require.Equal(t, claimed[0], a, "nothing of it was touched")
	all := members(t, s, key)
	require.Equal(t, []string{"a 0/1", "b 1/1", "c 0/1"}, summary(all))
	require.Equal(t, []string{"", "17", ""}, []string{all[0].RemoteID, all[1].RemoteID, all[2].RemoteID})
	require.Equal(t, `W/"3"`, all[1].ETag)
	require.Equal(t, []int{1, 0, 1}, []int{all[0].Attempts, all[1].Attempts, all[2].Attempts})
	require.True(t, all[2].InDoubt)
	require.True(t, all[2].Parked)
	require.Equal(t, []store.Backlog{{Target: target, Pending: 1, Parked: 1, InDoubt: 1, Oldest: clock.Now()}}, backlog(t, s))
	_, err = s.Delivery(context.Background(), target, key, store.Whole)
	require.ErrorIs(t, err, store.ErrNotFound)

	clock.Add(time.Minute)
	require.Equal(t, []string{"a 0/1"}, summary(claim(t, s, "other")), "whose lease ran out")
}

// testMembersThatGo: what a later version does not have is taken back, once.
func testMembersThatGo(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "GoneAreWantedAsRetracted", func(t *testing.T, s store.Store, clock *Clock) {
		wantMembers(t, s, key, false, "a", "b")
		deliverAll(t, s)
		clock.Add(time.Hour)
		wantMembers(t, s, key, false, "b", "c")
		require.Equal(t, []string{"a 1/2 retract", "b 1/2", "c 0/2"}, summary(members(t, s, key)))
		require.Equal(t, []store.Backlog{{Target: target, Pending: 3, Oldest: clock.Now()}}, backlog(t, s))
		deliverAll(t, s)
		wantMembers(t, s, key, false, "b")
		require.Equal(t, []string{"a 2/2 retract", "b 2/3", "c 2/3 retract"}, summary(members(t, s, key)), "and what is retracted already stays so")
	})
	driver.subtest(t, "MayComeBack", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, "a", "b")
		deliverAll(t, s)
		wantMembers(t, s, key, false, "b")
		deliverAll(t, s)
		wantMembers(t, s, key, false, "a", "b")
		all := members(t, s, key)
		require.Equal(t, []string{"a 2/3", "b 2/3"}, summary(all))
		require.Equal(t, "remote a", all[0].RemoteID)
	})
	driver.subtest(t, "OfAnotherShapeAreRetracted", func(t *testing.T, s store.Store, _ *Clock) {
		want(t, s, key, false)
		wantMembers(t, s, key, false, "a", "b")
		require.Equal(t, []string{" 0/2 retract", "a 0/2", "b 0/2"}, summary(members(t, s, key)))
		want(t, s, key, false)
		require.Equal(t, []string{" 0/3", "a 0/3 retract", "b 0/3 retract"}, summary(members(t, s, key)))
	})
	driver.subtest(t, "AllAreTakenBackByARetraction", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, "a", "b")
		wantMembers(t, s, key, true, "b", "c")
		require.Equal(t, []string{"a 0/2 retract", "b 0/2 retract", "c 0/2 retract"}, summary(members(t, s, key)))
	})
	driver.subtest(t, "GoneAreFreedIfParked", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, "a")
		d := claimOne(t, s, worker)
		d.Parked, d.Reason = true, "refused"
		record(t, s, d)
		wantMembers(t, s, key, false, "b")
		require.Equal(t, []string{"a 0/2 retract", "b 0/2"}, summary(claim(t, s, worker)))
	})
}

// testMembersBesideOthers: members of versions that come late, together, or during
// a delivery.
func testMembersBesideOthers(t *testing.T, driver Driver) {
	key := observation("o1")
	driver.subtest(t, "OfAnEarlierVersionChangeNothing", func(t *testing.T, s store.Store, _ *Clock) {
		write(t, s, func(tx store.Tx) error {
			for range 3 {
				if _, err := tx.Put(key, "POST", store.Index{}, body); err != nil {
					return err
				}
			}
			if err := tx.Want(target, key, 2, false, "a"); err != nil {
				return err
			}
			return tx.Want(target, key, 1, false, "b")
		})
		write(t, s, func(tx store.Tx) error { return tx.Want(target, key, 2, true, "c") })
		require.Equal(t, []string{"a 0/2"}, summary(members(t, s, key)))
	})
	driver.subtest(t, "OfTheFirstVersionAreThoseWantedFirst", func(t *testing.T, s store.Store, _ *Clock) {
		write(t, s, func(tx store.Tx) error {
			if _, err := tx.Put(key, "POST", store.Index{}, body); err != nil {
				return err
			}
			if err := tx.Want(target, key, 1, false, "a"); err != nil {
				return err
			}
			return tx.Want(target, key, 1, false, "b")
		})
		require.Equal(t, []string{"a 0/1"}, summary(members(t, s, key)))
	})
	driver.subtest(t, "GoneInAFailedJobStay", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, "a", "b")
		before := members(t, s, key)
		require.ErrorIs(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
			stored, err := tx.Put(key, "PUT", store.Index{}, body)
			require.NoError(t, err)
			require.NoError(t, tx.Want(target, key, stored.Version, false, "b", "c"))
			return errRefused
		}), errRefused)
		require.Equal(t, before, members(t, s, key))
	})
	driver.subtest(t, "GoneDuringADeliveryArePending", func(t *testing.T, s store.Store, _ *Clock) {
		wantMembers(t, s, key, false, "a")
		d := claimOne(t, s, worker)
		begin(t, s, d)
		wantMembers(t, s, key, false, "b")
		d.Delivered = 1
		record(t, s, d)
		require.Equal(t, []string{"a 1/2 retract", "b 0/2"}, summary(members(t, s, key)))
		require.Equal(t, []string{"a 1/2 retract", "b 0/2"}, summary(claim(t, s, worker)))
	})
}
