package postgres_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// TestSnapshotPlan: an export reads the version of an instant by one step in the
// key of the versions for each resource, however many there are.
func TestSnapshotPlan(t *testing.T) {
	t.Parallel()
	address := create(t)
	s := open(t, address, postgres.Options{})
	ctx := context.Background()
	for batch := range 10 {
		require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
			for i := range 300 {
				if _, err := tx.Put(key(fmt.Sprintf("%d-%d", batch, i)), "POST", store.Index{Patient: fmt.Sprint("Patient/", i)}, body); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	conn := connect(t, address)
	_, err := conn.Exec(ctx, "ANALYZE resource, resource_version")
	require.NoError(t, err)
	statement := searchsql.Snapshot("r.id, v.body", store.SnapshotQuery{Type: "Observation", At: time.Now(), After: "4", Limit: 50}, searchsql.Dialect{Numbered: true})
	rows, err := conn.Query(ctx, "EXPLAIN "+statement.Text, statement.Args...)
	require.NoError(t, err)
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	plan := strings.Join(lines, "\n")
	require.Contains(t, plan, "resource_key on resource r", plan)
	require.Contains(t, plan, "resource_version_pkey on resource_version v", plan)
	require.NotContains(t, plan, "Seq Scan", plan)
}
