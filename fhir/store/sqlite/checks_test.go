package sqlite

import (
	"context"
	"database/sql"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store/searchsql"
)

// TestDeliveryPlans: what is due, to be looked at, or other than it was delivered,
// is found by an index, since most of a store is delivered already.
func TestDeliveryPlans(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	db, err := sql.Open("sqlite", dsn(path, time.Second))
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	plan := func(statement string, args ...any) string {
		rows, err := db.QueryContext(ctx, "EXPLAIN QUERY PLAN "+statement, args...)
		require.NoError(t, err)
		defer func() { require.NoError(t, rows.Close()) }()
		var steps []string
		for rows.Next() {
			var id, parent, unused int
			var detail string
			require.NoError(t, rows.Scan(&id, &parent, &unused, &detail))
			steps = append(steps, detail)
		}
		require.NoError(t, rows.Err())
		return strings.Join(steps, "\n")
	}
	for name, of := range map[string]struct {
		statement string
		args      []any
		plan      string
	}{
		"what is due":         {dueDeliveriesSQL, []any{"ehr", 0, 0, 1}, "delivery USING INDEX delivery_due (target=? AND due<?)"},
		"what was put off":    {lateDeliveriesSQL, []any{"ehr", 0, 0, 1}, "delivery USING INDEX delivery_due (target=? AND due>?)"},
		"what is put right":   {putRightSQL, []any{"ehr", 0, 0, 1}, "delivery USING INDEX delivery_due (target=? AND due>? AND due<?)"},
		"what was found":      {leaseSQL, []any{"ehr", 0, 0, "w", 0, 0, 0, "", 0, 0, ""}, "delivery USING INDEX delivery_due (target=? AND "},
		"what had begun":      {doubtSQL, []any{"ehr", 0, 0, "w", 0, 0, 0, "", 0, 0, ""}, "delivery USING INDEX delivery_due (target=? AND "},
		"what it holds":       {wholeSQL, []any{"ehr", "", "", 0, ""}, "delivery USING PRIMARY KEY (target=? AND rid=? AND member=?)"},
		"attempts that begin": {startSQL(4), make([]any, 3+4*4+1), "delivery USING PRIMARY KEY (target=? AND rid=? AND member=?)"},
		"outcomes":            {recordSQL(4), make([]any, 5+4*15), "delivery USING PRIMARY KEY (target=? AND rid=? AND member=?)"},
		"versions wanted":     {wantedSQL, make([]any, 5*wantedAtOnce), "SEARCH v USING INTEGER PRIMARY KEY (rowid=?)\nCORRELATED SCALAR SUBQUERY 3\nSEARCH resource USING COVERING INDEX resource_key (type=? AND id=?)"},
	} {
		steps := plan(of.statement, of.args...)
		require.Contains(t, steps, of.plan, name)
		require.NotContains(t, steps, "SCAN delivery", name)
		require.NotContains(t, steps, "TEMP B-TREE", name)
	}
	claim := plan(claimChecksSQL, "ehr", 0, 0, "w", 0, 0, 0, 1, 2)
	require.Equal(t, 4, strings.Count(claim, "USING INDEX delivery_looked (target=? AND fresh=? AND looked"), claim)
	require.NotContains(t, claim, "SCAN delivery", claim)
	counts := plan(searchsql.Copies("delivery"))
	require.Equal(t, 2, strings.Count(counts, "INDEX delivery_looked (target=? AND fresh=?)"), counts)
	require.Contains(t, counts, "INDEX delivery_differs (target=? AND fault>?)", counts)
	require.NotContains(t, counts, "SCAN delivery", counts)
}
