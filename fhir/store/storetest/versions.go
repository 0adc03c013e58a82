package storetest

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testVersions: versions count from 1 without gaps and stay readable.
func testVersions(t *testing.T, driver Driver) {
	ctx := context.Background()
	key := observation("o1")

	driver.subtest(t, "CountFromOneAndRenderTheirNumberAndTime", func(t *testing.T, s store.Store, clock *Clock) {
		for want := int64(1); want <= 3; want++ {
			stored := put(t, s, key, store.Index{})
			expected, err := body(want, clock.Now())
			require.NoError(t, err)
			require.Equal(t, store.Resource{
				Key: key, Version: want, LastUpdated: clock.Now(), Method: "PUT", Body: expected,
			}, stored)
			read, err := s.Get(ctx, key)
			require.NoError(t, err)
			require.Equal(t, stored, read)
			clock.Add(time.Second)
		}
	})
	driver.subtest(t, "StayReadableBehindNewerOnes", func(t *testing.T, s store.Store, _ *Clock) {
		first := put(t, s, key, store.Index{})
		put(t, s, key, store.Index{})
		remove(t, s, key)
		read, err := s.Version(ctx, key, 1)
		require.NoError(t, err)
		require.Equal(t, first, read)
	})
	driver.subtest(t, "OfOneResourceDoNotCountForAnother", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		require.EqualValues(t, 1, put(t, s, observation("o2"), store.Index{}).Version)
		require.EqualValues(t, 1, put(t, s, store.Key{Type: "Provenance", ID: "o1"}, store.Index{}).Version)
		require.EqualValues(t, 1, put(t, s, observation("O1"), store.Index{}).Version, "ids are case sensitive")
	})
	driver.subtest(t, "OfAFailedJobLeaveNoGap", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		err := s.Write(ctx, nil, func(tx store.Tx) error {
			stored, err := tx.Put(key, "PUT", store.Index{}, body)
			require.NoError(t, err)
			require.EqualValues(t, 2, stored.Version)
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		require.EqualValues(t, 2, put(t, s, key, store.Index{}).Version)
	})
	driver.subtest(t, "NeverStoredAreNotFound", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		_, err := s.Get(ctx, observation("o2"))
		require.ErrorIs(t, err, store.ErrNotFound)
		for _, version := range []int64{-1, 0, 2} {
			_, err = s.Version(ctx, key, version)
			require.ErrorIs(t, err, store.ErrNotFound)
		}
		_, err = s.History(ctx, observation("o2"), 0, 10)
		require.ErrorIs(t, err, store.ErrNotFound)
		err = s.Write(ctx, nil, func(tx store.Tx) error {
			_, err := tx.Get(observation("o2"))
			require.ErrorIs(t, err, store.ErrNotFound)
			_, err = tx.Delete(observation("o2"))
			return err
		})
		require.ErrorIs(t, err, store.ErrNotFound)
	})
	driver.subtest(t, "KeepBodiesByteForByte", func(t *testing.T, s store.Store, _ *Clock) {
		big := make([]byte, 1<<20)
		for i := range big {
			big[i] = byte(i * i >> 7)
		}
		for id, content := range map[string]string{"empty": "", "nul": "a\x00b", "big": string(big), "utf8": "Ødegård ☂"} {
			write(t, s, func(tx store.Tx) error {
				_, err := tx.Put(observation(id), "PUT", store.Index{}, text(content))
				return err
			})
			read, err := s.Get(ctx, observation(id))
			require.NoError(t, err)
			require.Equal(t, content, string(read.Body))
		}
	})
	testTombstones(t, driver)
	testHistory(t, driver)
	testEach(t, driver)
}

// testTombstones: a deletion is a version like any other, without a body.
func testTombstones(t *testing.T, driver Driver) {
	ctx := context.Background()
	key := observation("o1")

	driver.subtest(t, "TombstoneIsTheNextVersion", func(t *testing.T, s store.Store, clock *Clock) {
		put(t, s, key, store.Index{})
		clock.Add(time.Second)
		tombstone := remove(t, s, key)
		require.Equal(t, store.Resource{
			Key: key, Version: 2, LastUpdated: clock.Now(), Method: "DELETE", Deleted: true,
		}, tombstone)
		read, err := s.Get(ctx, key)
		require.NoError(t, err)
		require.Equal(t, tombstone, read)
	})
	driver.subtest(t, "TombstoneIsWrittenOnce", func(t *testing.T, s store.Store, clock *Clock) {
		put(t, s, key, store.Index{})
		first := remove(t, s, key)
		clock.Add(time.Second)
		require.Equal(t, first, remove(t, s, key))
	})
	driver.subtest(t, "TombstoneIsFollowedByTheNextVersion", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		remove(t, s, key)
		revived := put(t, s, key, store.Index{Patient: "Patient/oona"})
		require.EqualValues(t, 3, revived.Version)
		require.False(t, revived.Deleted)
		page, err := s.Search(ctx, store.Query{Type: key.Type, Patients: []string{"Patient/oona"}, Limit: 5})
		require.NoError(t, err)
		require.Equal(t, []store.Resource{revived}, page.Resources)
	})
	driver.subtest(t, "TombstoneIsSeenWithinTheJobThatDeletes", func(t *testing.T, s store.Store, _ *Clock) {
		write(t, s, func(tx store.Tx) error {
			_, err := tx.Put(key, "POST", store.Index{Tokens: []store.Token{{Param: "code", Value: "a"}}}, body)
			require.NoError(t, err)
			_, err = tx.Delete(key)
			require.NoError(t, err)
			read, err := tx.Get(key)
			require.NoError(t, err)
			require.True(t, read.Deleted)
			require.EqualValues(t, 2, read.Version)
			return nil
		})
		page, err := s.Search(ctx, store.Query{Type: key.Type, Total: true, Limit: 5})
		require.NoError(t, err)
		require.Equal(t, store.Page{}, page)
	})
}

// testHistory: all versions, newest first, in pages.
func testHistory(t *testing.T, driver Driver) {
	ctx := context.Background()
	key := observation("o1")

	driver.subtest(t, "HistoryGivesEveryVersionNewestFirst", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, observation("o0"), store.Index{})
		first := put(t, s, key, store.Index{})
		second := put(t, s, key, store.Index{})
		third := remove(t, s, key)
		put(t, s, observation("o2"), store.Index{})
		versions, err := s.History(ctx, key, 0, 10)
		require.NoError(t, err)
		require.Equal(t, []store.Resource{third, second, first}, versions)
	})
	driver.subtest(t, "HistoryGoesOnBelowAVersion", func(t *testing.T, s store.Store, _ *Clock) {
		for range 5 {
			put(t, s, key, store.Index{})
		}
		var seen []int64
		before := int64(0)
		for range 4 {
			versions, err := s.History(ctx, key, before, 2)
			require.NoError(t, err)
			for _, version := range versions {
				seen = append(seen, version.Version)
				before = version.Version
			}
		}
		require.Equal(t, []int64{5, 4, 3, 2, 1}, seen, "and the fourth page is empty")
	})
	driver.subtest(t, "HistoryWithoutLimitIsEmpty", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, key, store.Index{})
		versions, err := s.History(ctx, key, 0, 0)
		require.NoError(t, err)
		require.Empty(t, versions)
	})
}

// testEach: every current resource once, in order of id.
func testEach(t *testing.T, driver Driver) {
	ctx := context.Background()

	driver.subtest(t, "EachVisitsEveryCurrentResourceOnceInOrder", func(t *testing.T, s store.Store, _ *Clock) {
		want := []string{}
		write(t, s, func(tx store.Tx) error {
			for i := range 250 {
				// Ids in an order of their own, upper and lower case apart.
				id := string(rune('A'+i%26)) + string(rune('a'+i/26))
				if i%2 == 1 {
					id = "z" + id
				}
				want = append(want, id)
				if _, err := tx.Put(observation(id), "PUT", store.Index{}, body); err != nil {
					return err
				}
			}
			_, err := tx.Put(store.Key{Type: "Provenance", ID: "p"}, "PUT", store.Index{}, body)
			return err
		})
		remove(t, s, observation(want[0]))
		put(t, s, observation(want[1]), store.Index{})
		var visited []store.Resource
		require.NoError(t, s.Each(ctx, "Observation", func(resource store.Resource) error {
			visited = append(visited, resource)
			return nil
		}))
		require.Len(t, visited, 249)
		require.ElementsMatch(t, want[1:], ids(visited))
		require.IsIncreasing(t, ids(visited), "in byte order")
	})
	driver.subtest(t, "EachStopsAtTheFirstErrorAndReturnsIt", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, observation("o1"), store.Index{})
		put(t, s, observation("o2"), store.Index{})
		visited := 0
		err := s.Each(ctx, "Observation", func(store.Resource) error {
			visited++
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		require.Equal(t, 1, visited)
	})
	driver.subtest(t, "EachLetsTheVisitorUseTheStore", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, observation("o1"), store.Index{})
		require.NoError(t, s.Each(ctx, "Observation", func(resource store.Resource) error {
			put(t, s, resource.Key, store.Index{})
			_, err := s.Get(ctx, resource.Key)
			return err
		}))
	})
}
