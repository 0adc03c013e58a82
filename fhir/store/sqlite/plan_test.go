package sqlite_test

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// TestSearchPlans: what is searched for often is found by an index, and nothing
// is sorted that an index has in order, or a search would take as long as the
// store is large.
func TestSearchPlans(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	s, err := sqlite.Open(ctx, path, sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
		for i := range 500 {
			index := store.Index{Patient: fmt.Sprint("Patient/", i%20), Status: "final", Start: tx.Now().Add(-time.Duration(i) * time.Hour), End: tx.Now(),
				Tokens: []store.Token{{Param: "derived-from", Value: fmt.Sprint(i)}}, Numbers: []store.Number{{Param: "value|{score}", Value: int64(i)}}}
			if _, err := tx.Put(store.Key{Type: "Observation", ID: fmt.Sprint(i)}, "POST", index, func(int64, time.Time) ([]byte, error) { return []byte("{}"), nil }); err != nil {
				return err
			}
		}
		return nil
	}))
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	patient := store.Query{Type: "Observation", Patients: []string{"Patient/7"}, NotStatuses: []string{"entered-in-error"}, Limit: 20}
	with := func(change func(*store.Query)) store.Query { q := patient; change(&q); return q }
	for name, c := range map[string]struct {
		query  store.Query
		index  string
		sorted bool
	}{
		"ByPatientNewestFirst": {with(func(q *store.Query) { q.Sort = store.ByTimeDesc }), "resource_patient", false},
		"ByPatientOldestFirst": {with(func(q *store.Query) { q.Sort = store.ByTime }), "resource_patient", false},
		"ByPatientAndDate": {with(func(q *store.Query) {
			q.Sort, q.Times = store.ByTimeDesc, []store.TimeRange{{Prefix: store.GreaterOrEqual, Low: time.Now(), High: time.Now()}}
		}), "resource_patient", false},
		"ByPatientAndValue": {with(func(q *store.Query) {
			q.Sort, q.Numbers = store.ByTimeDesc, []store.NumberQuery{{Any: []store.NumberRange{{Param: "component|{score}|", Low: 1, High: 2}}}}
		}), "resource_patient", false},
		// Those of one patient are few, and may be sorted.
		"ByPatientLastUpdatedFirst": {patient, "resource_patient", true},
		"ByPatientAndStatus":        {with(func(q *store.Query) { q.Sort = store.ByStatus }), "resource_patient", true},
		"ByTwoPatients":             {with(func(q *store.Query) { q.Patients, q.Sort = []string{"Patient/1", "Patient/2"}, store.ByTimeDesc }), "resource_patient", true},
		"ByPatientOnALaterPage": {with(func(q *store.Query) {
			q.After = searchsql.EndOf(*q)
		}), "resource_patient", true},
		"ByAToken":              {store.Query{Type: "Observation", Tokens: []store.TokenQuery{{Param: "derived-from", Values: []string{"1"}, Rare: true}}, Limit: 20}, "b USING PRIMARY KEY (param=? AND value=?)", true},
		"ByID":                  {store.Query{Type: "Observation", IDs: []string{"1", "2"}, Sort: store.ByID, Limit: 20}, "resource_key", false},
		"OfAllLastUpdatedFirst": {store.Query{Type: "Observation", Limit: 20}, "resource_updated", false},
		"OfAllNewestFirst":      {store.Query{Type: "Observation", Sort: store.ByTimeDesc, Limit: 20}, "resource_period", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			statement, err := searchsql.Select("r.id, v.body", "resource r JOIN resource_version v ON v.vid = (r.rid << 20) + r.version", c.query, time.Now(), searchsql.Dialect{})
			require.NoError(t, err)
			plan := explain(t, db, statement)
			require.Contains(t, plan, c.index, plan)
			if c.index == "resource_patient" {
				require.Contains(t, plan, "COVERING INDEX resource_patient", "and the table need not be read")
			}
			require.NotContains(t, plan, "SCAN", plan)
			require.Equal(t, c.sorted, strings.Contains(plan, "TEMP B-TREE FOR ORDER BY"), plan)
		})
	}
	t.Run("OfANumberIsWithinTheResource", func(t *testing.T) {
		t.Parallel()
		query := with(func(q *store.Query) {
			q.Numbers = []store.NumberQuery{{Any: []store.NumberRange{{Param: "value|{score}", Low: 1, High: 2}}}}
		})
		where := searchsql.Conditions(query, time.Now(), searchsql.Dialect{})
		plan := explain(t, db, searchsql.Statement{Text: "SELECT count(*) FROM resource r WHERE " + where.String(), Args: where.Args})
		require.Regexp(t, `SEARCH n (EXISTS )?USING PRIMARY KEY \(rid=\? AND version=\? AND param`, plan)
		require.Contains(t, plan, "COVERING INDEX resource_patient")
	})
}

// explain gives SQLite's plan of a statement, a line for each step.
func explain(t *testing.T, db *sql.DB, statement searchsql.Statement) string {
	t.Helper()
	rows, err := db.QueryContext(context.Background(), "EXPLAIN QUERY PLAN "+statement.Text, statement.Args...)
	require.NoError(t, err)
	defer func() { require.NoError(t, rows.Close()) }()
	var plan []string
	for rows.Next() {
		var id, parent, unused int
		var detail string
		require.NoError(t, rows.Scan(&id, &parent, &unused, &detail))
		plan = append(plan, detail)
	}
	require.NoError(t, rows.Err())
	require.NotEmpty(t, plan)
	return strings.Join(plan, "\n")
}

// TestSnapshotPlans: an export walks what it is of in order, and finds the version
// of an instant by one step for each resource.
func TestSnapshotPlans(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	s, err := sqlite.Open(context.Background(), path, sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	for name, c := range map[string]struct {
		query store.SnapshotQuery
		index string
	}{
		"OfAll":      {store.SnapshotQuery{Type: "Observation", At: time.Now(), After: "1", Limit: 10}, "r USING INDEX resource_key (type=? AND id>?)"},
		"SinceATime": {store.SnapshotQuery{Type: "Observation", At: time.Now(), Since: time.Now(), After: "1", Limit: 10}, "r USING INDEX resource_"},
		"OfAPatient": {store.SnapshotQuery{Type: "Observation", At: time.Now(), Patients: []string{"Patient/1"}, Limit: 10}, "r USING COVERING INDEX resource_patient (patient=? AND type=?)"},
		"OfAGroup":   {store.SnapshotQuery{Type: "Observation", At: time.Now(), Patients: []string{"Patient/1", "Patient/2"}, Limit: 10}, "r USING COVERING INDEX resource_patient (patient=? AND type=?)"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			plan := explain(t, db, searchsql.Snapshot("r.id, v.body", c.query, searchsql.Dialect{}))
			require.Contains(t, plan, c.index, plan)
			require.Contains(t, plan, "v USING INTEGER PRIMARY KEY (rowid=?)", plan)
			require.Contains(t, plan, "x USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)", plan)
			require.NotContains(t, plan, "SCAN", plan)
		})
	}
}
