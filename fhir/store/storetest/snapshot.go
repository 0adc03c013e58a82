package storetest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
)

// snapshot gives what was there at an instant as id|version, all of it unless the
// query has a limit.
func snapshot(t tester, s store.Store, query store.SnapshotQuery) []string {
	t.Helper()
	if query.Limit == 0 {
		query.Limit = 1000
	}
	found, err := s.Snapshot(context.Background(), query)
	require.NoError(t, err)
	all := []string{}
	for _, each := range found {
		require.Equal(t, query.Type, each.Type)
		require.Equal(t, query.Deleted, each.Deleted)
		all = append(all, fmt.Sprintf("%s|%d", each.ID, each.Version))
	}
	return all
}

// of is the index of a patient's resource.
func of(patient string) store.Index { return store.Index{Patient: patient} }

// testSnapshot: what was there at the instant of an export is given the same
// however often it is asked, whatever is written meanwhile.
func testSnapshot(t *testing.T, driver Driver) {
	driver.subtest(t, "IsOfItsInstant", func(t *testing.T, s store.Store, clock *Clock) {
		put(t, s, observation("1"), of("Patient/a"))
		put(t, s, observation("2"), of("Patient/b"))
		put(t, s, observation("3"), store.Index{})
		started := export(t, s, exportOf("a", "portal", clock))
		// The clock stands still: only the order of the commits tells before from after.
		put(t, s, observation("1"), of("Patient/a"))
		put(t, s, observation("4"), of("Patient/a"))
		remove(t, s, observation("2"))
		at := store.SnapshotQuery{Type: "Observation", At: started.Instant}
		require.Equal(t, []string{"1|1", "2|1", "3|1"}, snapshot(t, s, at))
		owned := at
		owned.Owned = true
		require.Equal(t, []string{"1|1", "2|1"}, snapshot(t, s, owned), "also whose it was that is deleted since")
		of := at
		of.Patients = []string{"Patient/b", "Patient/c"}
		require.Equal(t, []string{"2|1"}, snapshot(t, s, of))
		of.Patients = []string{}
		require.Empty(t, snapshot(t, s, of), "nobody's")
		later := at
		later.At = export(t, s, exportOf("b", "portal", clock)).Instant
		require.True(t, later.At.After(at.At))
		require.Equal(t, []string{"1|2", "3|1", "4|1"}, snapshot(t, s, later))
		later.Deleted = true
		require.Equal(t, []string{"2|2"}, snapshot(t, s, later))
		later.Patients = []string{"Patient/b"}
		require.Equal(t, []string{"2|2"}, snapshot(t, s, later))
		require.Equal(t, []string{"1|1", "2|1", "3|1"}, snapshot(t, s, at))
	})
	driver.subtest(t, "LeavesOutWhatIsNotLaterThanSince", func(t *testing.T, s store.Store, clock *Clock) {
		put(t, s, observation("1"), of("Patient/a"))
		put(t, s, observation("2"), of("Patient/a"))
		put(t, s, observation("3"), of("Patient/a"))
		before := export(t, s, exportOf("a", "portal", clock)).Instant
		put(t, s, observation("1"), of("Patient/a"))
		put(t, s, observation("4"), of("Patient/a"))
		remove(t, s, observation("2"))
		now := store.SnapshotQuery{Type: "Observation", At: export(t, s, exportOf("b", "portal", clock)).Instant, Since: before}
		require.Equal(t, []string{"1|2", "4|1"}, snapshot(t, s, now), "each change is in one export, by the instant of the one before")
		now.Deleted = true
		require.Equal(t, []string{"2|2"}, snapshot(t, s, now))
		put(t, s, observation("3"), of("Patient/a"))
		now.Deleted = false
		require.Equal(t, []string{"1|2", "4|1"}, snapshot(t, s, now), "what is changed later was not changed in between")
		now.Since = now.At
		require.Empty(t, snapshot(t, s, now))
	})
	driver.subtest(t, "ComesInPagesBetweenBounds", func(t *testing.T, s store.Store, clock *Clock) {
		for i := range 7 {
			put(t, s, observation(fmt.Sprint(i)), of("Patient/a"))
		}
		put(t, s, store.Key{Type: "Provenance", ID: "3"}, of("Patient/a"))
		query := store.SnapshotQuery{Type: "Observation", At: export(t, s, exportOf("a", "portal", clock)).Instant, Limit: 2}
		require.Equal(t, []string{"0|1", "1|1"}, snapshot(t, s, query))
		query.After, query.Through, query.Limit = "1", "4", 10
		require.Equal(t, []string{"2|1", "3|1", "4|1"}, snapshot(t, s, query))
	})
	t.Run("IsTheSameForAllWhoUseTheDatabase", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		one, other := driver.open(t, place, clock.Now), driver.open(t, place, clock.Now)
		put(t, one, observation("1"), store.Index{})
		at := store.SnapshotQuery{Type: "Observation", At: export(t, other, exportOf("a", "portal", clock)).Instant}
		put(t, one, observation("2"), store.Index{})
		put(t, other, observation("3"), store.Index{})
		require.Equal(t, []string{"1|1"}, snapshot(t, one, at))
		require.Equal(t, []string{"1|1"}, snapshot(t, other, at))
	})
}

// testSnapshotAgainstModel writes, deletes and exports at random on a clock that
// mostly stands still, and holds every instant against a copy that was made then.
func testSnapshotAgainstModel(t *testing.T, driver Driver) {
	clock := NewClock()
	s := driver.open(t, driver.Create(t), clock.Now)
	rounds := 0
	rapid.Check(t, func(r *rapid.T) {
		rounds++
		kind := fmt.Sprintf("Observation%d", rounds)
		now, deleted := map[string]int64{}, map[string]bool{}
		var instants []time.Time
		var live, gone [][]string
		for step := range rapid.IntRange(3, 25).Draw(r, "steps") {
			key := store.Key{Type: kind, ID: rapid.StringMatching("[a-e]").Draw(r, "id")}
			switch rapid.IntRange(0, 4).Draw(r, "what") {
			case 0:
				clock.Add(time.Duration(rapid.IntRange(-2, 2).Draw(r, "ms")) * time.Millisecond)
			case 1:
				if now[key.ID] > 0 && !deleted[key.ID] {
					now[key.ID], deleted[key.ID] = remove(r, s, key).Version, true
				}
			case 2:
				given := exportOf(fmt.Sprintf("%s-%d", kind, step), "portal", clock)
				instants = append(instants, export(r, s, given).Instant)
				live, gone = append(live, versionsOf(now, deleted, false)), append(gone, versionsOf(now, deleted, true))
			default:
				now[key.ID], deleted[key.ID] = put(r, s, key, store.Index{}).Version, false
			}
		}
		for i, at := range instants {
			query := store.SnapshotQuery{Type: kind, At: at}
			require.Equal(r, live[i], snapshot(r, s, query))
			query.Deleted = true
			require.Equal(r, gone[i], snapshot(r, s, query))
		}
	})
	require.Greater(t, rounds, 10)
}

// versionsOf writes those that are deleted, or those that are not, as snapshot
// gives them.
func versionsOf(now map[string]int64, deleted map[string]bool, which bool) []string {
	all := []string{}
	for id, version := range now {
		if deleted[id] == which {
			all = append(all, fmt.Sprintf("%s|%d", id, version))
		}
	}
	slices.SortFunc(all, strings.Compare)
	return all
}
