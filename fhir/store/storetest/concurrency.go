package storetest

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// writers is how many callers write at once, the number of clients the service
// is measured with.
const writers = 64

// together runs one function per writer at the same time.
func together(run func(writer int)) {
	var group sync.WaitGroup
	for writer := range writers {
		group.Go(func() { run(writer) })
	}
	group.Wait()
}

// testConcurrency: many writers at once get what each would get alone.
func testConcurrency(t *testing.T, driver Driver) {
	driver.subtest(t, "EveryWriterFindsWhatItWrote", testManyWriters)
	driver.subtest(t, "OneResourceCountsEveryVersionOnce", testOneResource)
	driver.subtest(t, "SameIdentityKeyIsTakenOnce", testSameKeys)
	driver.subtest(t, "FailedJobsDoNotTouchTheirNeighbours", testNeighbours)
	driver.subtest(t, "WhatHasAnIdOfTheServersMayBeThere", testTakenIDs)
	driver.subtest(t, "ReadersSeeWholeJobsOnly", testSnapshots)
}

// testManyWriters: distinct resources from many writers.
func testManyWriters(t *testing.T, s store.Store, _ *Clock) {
	const rounds = 5
	errs := make([]error, writers)
	together(func(writer int) {
		for round := range rounds {
			id := fmt.Sprintf("w%d-%d", writer, round)
			err := s.Write(context.Background(), []string{"key of " + id}, func(tx store.Tx) error { return everything(tx, id) })
			if err != nil {
				errs[writer] = err
			}
		}
	})
	require.Equal(t, make([]error, writers), errs)
	query := whatEverythingWrites
	query.Limit = 2 * writers * rounds
	page, err := s.Search(context.Background(), query)
	require.NoError(t, err)
	require.Equal(t, writers*rounds, page.Total)
	found := ids(page.Resources)
	slices.Sort(found)
	require.Len(t, slices.Compact(found), writers*rounds)
	requireEverything(t, s, "w63-4")
}

// testOneResource: versions of one resource written by all.
func testOneResource(t *testing.T, s store.Store, _ *Clock) {
	const rounds = 4
	var mu sync.Mutex
	seen := map[int64]int{}
	errs := make([]error, writers)
	together(func(writer int) {
		for range rounds {
			var stored store.Resource
			errs[writer] = s.Write(context.Background(), nil, func(tx store.Tx) (err error) {
				stored, err = tx.Put(observation("o1"), "PUT", store.Index{
					Tokens: []store.Token{{Param: "code", Value: fmt.Sprint(writer)}},
				}, text(fmt.Sprint(writer)))
				return err
			})
			mu.Lock()
			seen[stored.Version]++
			mu.Unlock()
		}
	})
	require.Equal(t, make([]error, writers), errs)
	want := map[int64]int{}
	for version := range int64(writers * rounds) {
		want[version+1] = 1
	}
	require.Equal(t, want, seen)
	last, err := s.Get(context.Background(), observation("o1"))
	require.NoError(t, err)
	for writer := range writers {
		page, err := s.Search(context.Background(), store.Query{
			Type: "Observation", Total: true,
			Tokens: []store.TokenQuery{{Param: "code", Values: []string{fmt.Sprint(writer)}}},
		})
		require.NoError(t, err)
		require.Equal(t, string(last.Body) == fmt.Sprint(writer), page.Total == 1, "only the last version is indexed")
	}
}

// testTakenIDs: a resource goes by the id of another that is new, and one of every
// four is there already: it gets its second version.
func testTakenIDs(t *testing.T, s store.Store, _ *Clock) {
	for writer := 0; writer < writers; writer += 4 {
		put(t, s, observation(fmt.Sprint(writer)), store.Index{})
	}
	errs, versions, want := make([]error, writers), make([]int64, writers), make([]int64, writers)
	together(func(writer int) {
		id := fmt.Sprint(writer)
		errs[writer] = s.Write(context.Background(), nil, func(tx store.Tx) error {
			if _, err := tx.Put(store.Key{Type: "QuestionnaireResponse", ID: id}, "POST", store.Index{}, body); err != nil {
				return err
			}
			stored, err := tx.Put(observation(id), "PUT", store.Index{Tokens: []store.Token{{Param: "code", Value: "x"}}}, body)
			versions[writer] = stored.Version
			return err
		})
	})
	for writer := range want {
		if want[writer] = 1; writer%4 == 0 {
			want[writer] = 2
		}
	}
	require.Equal(t, make([]error, writers), errs)
	require.Equal(t, want, versions)
	page, err := s.Search(context.Background(), store.Query{Type: "Observation", Total: true, Tokens: []store.TokenQuery{{Param: "code", Values: []string{"x"}}}})
	require.NoError(t, err)
	require.Equal(t, writers, page.Total)
}

// testSameKeys: several senders repeat the same requests; each is stored once,
// and everybody is told of the same resource.
func testSameKeys(t *testing.T, s store.Store, _ *Clock) {
	const requests = 8
	got := make([]store.Identity, writers)
	errs := make([]error, writers)
	together(func(writer int) {
		name := fmt.Sprintf("request %d", writer%requests)
		keys := []string{name, "shared by all"}
		errs[writer] = s.Write(context.Background(), keys, func(tx store.Tx) (err error) {
			var found bool
			if got[writer], found, err = tx.Identity(name); err != nil || found {
				return err
			}
			key := observation(fmt.Sprintf("of-%d", writer))
			if _, err := tx.Put(key, "POST", store.Index{Status: "final"}, body); err != nil {
				return err
			}
			got[writer] = store.Identity{Key: key, Digest: name}
			return tx.PutIdentity(name, got[writer])
		})
	})
	require.Equal(t, make([]error, writers), errs)
	for writer := range writers {
		require.Equal(t, got[writer%requests], got[writer])
	}
	page, err := s.Search(context.Background(), store.Query{Type: "Observation", Total: true})
	require.NoError(t, err)
	require.Equal(t, requests, page.Total)
}

// testNeighbours: a third of the jobs fail, a third panic, and the rest is kept.
func testNeighbours(t *testing.T, s store.Store, _ *Clock) {
	errs := make([]error, writers)
	together(func(writer int) {
		id := fmt.Sprintf("w%d", writer)
		errs[writer] = s.Write(context.Background(), nil, func(tx store.Tx) error {
			if err := everything(tx, id); err != nil {
				return err
			}
			switch writer % 3 {
			case 1:
				return errRefused
			case 2:
				panic("broken")
			}
			return nil
		})
	})
	for writer, err := range errs {
		id := fmt.Sprintf("w%d", writer)
		if writer%3 == 0 {
			require.NoError(t, err)
			require.EqualValues(t, 1, get(t, s, observation(id)).Version)
			continue
		}
		require.Error(t, err)
		requireNothing(t, s, id)
	}
	query := whatEverythingWrites
	query.Limit = 0
	page, err := s.Search(context.Background(), query)
	require.NoError(t, err)
	require.Equal(t, (writers+2)/3, page.Total)
}

// testSnapshots: a job moves a mark from one resource to the other; whoever
// looks finds it exactly once.
func testSnapshots(t *testing.T, s store.Store, _ *Clock) {
	marked := store.Index{Tokens: []store.Token{{Param: "code", Value: "mark"}}}
	move := func(from, to store.Key) error {
		return s.Write(context.Background(), nil, func(tx store.Tx) error {
			if _, err := tx.Put(from, "PUT", store.Index{}, body); err != nil {
				return err
			}
			_, err := tx.Put(to, "PUT", marked, body)
			return err
		})
	}
	require.NoError(t, move(observation("a"), observation("b")))
	done := make(chan error, 1)
	go func() {
		for range 50 {
			if err := move(observation("b"), observation("a")); err != nil {
				done <- err
				return
			}
			if err := move(observation("a"), observation("b")); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for looking := true; looking; {
		select {
		case err := <-done:
			require.NoError(t, err)
			looking = false
		default:
		}
		page, err := s.Search(context.Background(), store.Query{
			Type: "Observation", Total: true, Limit: 5,
			Tokens: []store.TokenQuery{{Param: "code", Values: []string{"mark"}}},
		})
		require.NoError(t, err)
		require.Equal(t, 1, page.Total)
		require.Len(t, page.Resources, 1)
	}
}

// get reads the current version, which must be there.
func get(t *testing.T, s store.Store, key store.Key) store.Resource {
	t.Helper()
	resource, err := s.Get(context.Background(), key)
	require.NoError(t, err)
	return resource
}
