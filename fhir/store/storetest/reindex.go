package storetest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// another is an index that nothing has before it is indexed again.
var another = store.Index{
	Patient: "Patient/mirren", Status: "amended", Start: time.Date(2024, 5, 1, 0, 0, 0, 0, time.UTC),
	Tokens:  []store.Token{{Param: "code", Value: "new"}},
	Numbers: []store.Number{{Param: "part|%|b", Value: 9}},
}

// byAnother asks for all of it.
func byAnother(resourceType string) store.Query {
	return store.Query{
		Type: resourceType, Sort: store.ByID, Limit: 500, Patients: []string{another.Patient}, Statuses: []string{another.Status},
		Times:   []store.TimeRange{{Prefix: store.StartsAfter, Low: another.Start.Add(-time.Hour), High: another.Start.Add(-time.Hour)}},
		Tokens:  []store.TokenQuery{{Param: "code", Values: []string{"new"}}},
		Numbers: []store.NumberQuery{{Any: []store.NumberRange{{Param: "part|", Low: 9, High: 9}}}},
	}
}

// testReindex: what is stored is found by what a later program indexes.
func testReindex(t *testing.T, driver Driver) {
	ctx := context.Background()
	all := func(store.Resource) (store.Index, bool, error) { return another, true, nil }
	driver.subtest(t, "IndexesEveryCurrentResourceAnew", func(t *testing.T, s store.Store, _ *Clock) {
		want := []string{}
		for i := range 230 {
			id := fmt.Sprintf("%03d", i)
			put(t, s, observation(id), store.Index{})
			if i != 7 {
				want = append(want, id)
			}
		}
		stored := put(t, s, store.Key{Type: "Provenance", ID: "p"}, store.Index{})
		put(t, s, observation("005"), store.Index{})
		remove(t, s, observation("007"))
		require.NoError(t, s.Reindex(ctx, 1, all))
		page, err := s.Search(ctx, byAnother("Observation"))
		require.NoError(t, err)
		require.Equal(t, want, ids(page.Resources))
		page, err = s.Search(ctx, byAnother("Provenance"))
		require.NoError(t, err)
		require.Equal(t, []store.Resource{stored}, page.Resources, "no new version is made")
	})
	driver.subtest(t, "LeavesWhatItIsToldTo", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		require.NoError(t, s.Reindex(ctx, 1, func(r store.Resource) (store.Index, bool, error) { return another, r.ID == "b", nil }))
		page, err := s.Search(ctx, byAnother("Observation"))
		require.NoError(t, err)
		require.Equal(t, []string{"b"}, ids(page.Resources))
		page, err = s.Search(ctx, store.Query{Type: "Observation", Limit: 5, Patients: []string{"Patient/oona"}})
		require.NoError(t, err)
		require.Equal(t, []string{"a"}, ids(page.Resources))
	})
	driver.subtest(t, "AddsToWhatIsIndexed", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		for generation := range int64(2) {
			require.NoError(t, s.Reindex(ctx, generation+1, all))
		}
		for _, number := range append(shelf["c"].Numbers, another.Numbers...) {
			page, err := s.Search(ctx, store.Query{Type: "Observation", Sort: store.ByID, Limit: 5,
				Numbers: []store.NumberQuery{{Any: []store.NumberRange{{Param: number.Param, Low: number.Value, High: number.Value}}}}})
			require.NoError(t, err)
			require.Contains(t, ids(page.Resources), "c", "%+v", number)
		}
	})
	driver.subtest(t, "RunsOnceForEachGeneration", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		visits := 0
		count := func(store.Resource) (store.Index, bool, error) { visits++; return store.Index{}, false, nil }
		for _, generation := range []int64{2, 2, 1} {
			require.NoError(t, s.Reindex(ctx, generation, count))
		}
		require.Equal(t, 5, visits)
		require.NoError(t, s.Reindex(ctx, 3, count))
		require.Equal(t, 10, visits)
	})
	driver.subtest(t, "BeginsAgainAfterAFailure", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		err := s.Reindex(ctx, 1, func(store.Resource) (store.Index, bool, error) { return store.Index{}, false, errRefused })
		require.ErrorIs(t, err, errRefused)
		require.NoError(t, s.Reindex(ctx, 1, all))
		page, err := s.Search(ctx, byAnother("Observation"))
		require.NoError(t, err)
		require.Len(t, page.Resources, 4)
	})
	driver.subtest(t, "KeepsTheIndexOfWhatIsWrittenMeanwhile", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, observation("a"), store.Index{})
		require.NoError(t, s.Reindex(ctx, 1, func(r store.Resource) (store.Index, bool, error) {
			put(t, s, observation("a"), shelf["a"])
			return another, true, nil
		}))
		page, err := s.Search(ctx, store.Query{Type: "Observation", Limit: 5, Patients: []string{"Patient/oona"}})
		require.NoError(t, err)
		require.Equal(t, []string{"a"}, ids(page.Resources))
		page, err = s.Search(ctx, byAnother("Observation"))
		require.NoError(t, err)
		require.Empty(t, page.Resources)
	})
}

// testSecret: the same for whoever asks, and no two names alike.
func testSecret(t *testing.T, driver Driver) {
	ctx := context.Background()
	place := driver.Create(t)
	s := driver.open(t, place, NewClock().Now)
	links, err := s.Secret(ctx, "links")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(links), 32)
	again, err := s.Secret(ctx, "links")
	require.NoError(t, err)
	require.Equal(t, links, again)
	other, err := s.Secret(ctx, "other")
	require.NoError(t, err)
	require.NotEqual(t, links, other)
	elsewhere, err := driver.open(t, place, NewClock().Now).Secret(ctx, "links")
	require.NoError(t, err)
	require.Equal(t, links, elsewhere, "another process on this database")
	stranger, err := driver.open(t, driver.Create(t), NewClock().Now).Secret(ctx, "links")
	require.NoError(t, err)
	require.NotEqual(t, links, stranger)
}
