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
		observe(t, s, fmt.Sprint(batch), 300)
	}
	conn := connect(t, address)
	_, err := conn.Exec(ctx, "ANALYZE resource, resource_version")
	require.NoError(t, err)
	statement := searchsql.Snapshot("r.id, v.body", store.SnapshotQuery{Type: "Observation", At: time.Now(), After: "4", Limit: 50}, searchsql.Dialect{Numbered: true})
	plan := explain(t, conn, statement.Text, statement.Args...)
	require.Contains(t, plan, "resource_key on resource r", plan)
	require.Contains(t, plan, "resource_version_pkey on resource_version v", plan)
	require.NotContains(t, plan, "Seq Scan", plan)
}

// TestHeadsPlan: what a patient has is found by the patient, by a plan too that was
// made for any patient while nothing was known of the table, however small it was.
func TestHeadsPlan(t *testing.T) {
	t.Parallel()
	address := create(t)
	s := open(t, address, postgres.Options{})
	ctx := context.Background()
	conn := connect(t, address)
	_, err := conn.Exec(ctx, "SET plan_cache_mode = force_generic_plan; SET enable_seqscan = off")
	require.NoError(t, err)
	for step := range 40 {
		if step == 39 {
			_, err = conn.Exec(ctx, "ANALYZE resource")
			require.NoError(t, err)
		}
		_, err = conn.Exec(ctx, "PREPARE heads (text[], text[], bigint[], bigint[]) AS "+postgres.HeadsSQL)
		require.NoError(t, err)
		plan := explain(t, conn, "EXECUTE heads ('{Patient/7}', '{Observation}', '{4102444800000}', '{50}')")
		require.Contains(t, plan, " resource_patient ", "%d steps\n%s", step, plan)
		require.NotContains(t, plan, "resource_period", "%d steps\n%s", step, plan)
		_, err = conn.Exec(ctx, "DEALLOCATE heads")
		require.NoError(t, err)
		observe(t, s, fmt.Sprint("step", step), 120)
	}
}

// day is when all is rated that a plan is made for.
var day = time.Date(2026, time.March, 4, 0, 0, 0, 0, time.UTC)

// observe stores a resource for each of some patients.
func observe(t *testing.T, s *postgres.Store, name string, patients int) {
	t.Helper()
	require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
		for i := range patients {
			index := store.Index{Patient: fmt.Sprint("Patient/", i), Start: day, End: day}
			if _, err := tx.Put(key(fmt.Sprintf("%s-%d", name, i)), "POST", index, body); err != nil {
				return err
			}
		}
		return nil
	}))
}

func explain(t *testing.T, conn *pgx.Conn, statement string, args ...any) string {
	t.Helper()
	rows, err := conn.Query(context.Background(), "EXPLAIN "+statement, args...)
	require.NoError(t, err)
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return strings.Join(lines, "\n")
}
