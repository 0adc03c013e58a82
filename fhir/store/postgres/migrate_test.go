package postgres

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/pack"
)

// TestMigrations: a schema of the first version is opened as it is, every
// migration leads back and up again, and a program goes on beside one that is a
// step newer.
func TestMigrations(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	cluster := running(t)
	address, err := cluster.Create(ctx)
	require.NoError(t, err)
	config, err := pgx.ParseConfig(address)
	require.NoError(t, err)
	db := stdlib.OpenDB(*config)
	defer func() { require.NoError(t, db.Close()) }()
	provider, err := newProvider(db)
	require.NoError(t, err)
	_, err = provider.UpTo(ctx, 1)
	require.NoError(t, err)
	codec, err := pack.New()
	require.NoError(t, err)
	defer codec.Close()
	_, err = db.ExecContext(ctx, `INSERT INTO resource (rid, type, id, version, deleted, last_updated, patient, status, period_start, period_end)
		VALUES (1, 'Observation', 'a', 1, 0, 5, 'Patient/oona', 'final', 3, 4)`)
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, "INSERT INTO resource_version (vid, at, method, deleted, body) VALUES ($1, 5, 'POST', 0, $2)",
		vid(1, 1), codec.Pack([]byte(`{"a":1}`)))
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, oldWant, 3)
	require.NoError(t, err)
	insertOldNumbers(ctx, t, db, "{a,b}", "{1,2}")
	requireFinds(t, address)

	for range 2 {
		_, err = provider.DownTo(ctx, 1)
		require.NoError(t, err)
		_, err = provider.Up(ctx)
		require.NoError(t, err)
	}
	requireFinds(t, address)
	requireOldDeliveries(ctx, t, db, address)
	requireOldNumbers(ctx, t, db, address)
	_, err = provider.DownTo(ctx, 13)
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, `INSERT INTO deliveries (target, rid, member, wanted, delivered, retract, due, changed, fault)
		VALUES ('registry', 2, '', 1, 1, 0, 5, 7, ''), ('registry', 3, '', 2, 1, 0, 5, 9, ''), ('registry', 4, '', 1, 1, 0, 5, 9, 'lost')`)
	require.NoError(t, err)
	_, err = provider.Up(ctx)
	require.NoError(t, err)
	var last int64
	require.NoError(t, db.QueryRowContext(ctx, "SELECT at FROM last_delivery WHERE target = 'registry'").Scan(&last))
	require.EqualValues(t, 7, last, "what was delivered before counts")
	ahead := func(steps int) {
		at, known, err := provider.GetVersions(ctx)
		require.NoError(t, err)
		require.LessOrEqual(t, at, known+1)
		_, err = db.ExecContext(ctx, fmt.Sprintf("ALTER TABLE resource ADD COLUMN later%d text; ALTER TABLE audit ADD COLUMN later%d text NOT NULL DEFAULT ''", steps, steps))
		require.NoError(t, err)
		_, err = db.ExecContext(ctx, "INSERT INTO "+goose.DefaultTablename+" (version_id, is_applied) VALUES ($1, true)", known+int64(steps))
		require.NoError(t, err)
	}
	ahead(1)
	requireFinds(t, address)
	ahead(2)
	_, err = Open(ctx, address, Options{})
	require.ErrorIs(t, err, ErrSchema)
}

// The statements of the schema before members, which a replica that has not been
// replaced yet goes on with.
const (
	oldWant = `INSERT INTO delivery AS d (target, rid, wanted, retract, due, wanted_since) VALUES ('ehr', 1, $1, 0, 5, 5)
		ON CONFLICT (target, rid) DO UPDATE SET wanted = excluded.wanted, parked = 0 WHERE excluded.wanted > d.wanted`
	oldClaim = `WITH due AS MATERIALIZED (SELECT d.target, d.rid FROM delivery d
			WHERE d.target = 'ehr' AND d.wanted <> d.delivered ORDER BY d.due, d.rid LIMIT 10 FOR UPDATE OF d SKIP LOCKED)
		UPDATE delivery d SET owner = 'old', lease_until = 1 FROM due WHERE d.target = due.target AND d.rid = due.rid`
)

// requireOldDeliveries: what was wanted before is wanted still, as a whole, and
// the statements of the schema before see it and nothing else.
func requireOldDeliveries(ctx context.Context, t *testing.T, db *sql.DB, address string) {
	t.Helper()
	s, err := Open(ctx, address, Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	key := store.Key{Type: "Observation", ID: "a"}
	require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error { return tx.Want("ehr", key, 4, false, store.Whole, "x") }))
	_, err = db.ExecContext(ctx, oldWant, 5)
	require.NoError(t, err)
	claimed, err := db.ExecContext(ctx, oldClaim)
	require.NoError(t, err)
	count, err := claimed.RowsAffected()
	require.NoError(t, err)
	require.EqualValues(t, 1, count)
	members, err := s.Members(ctx, "ehr", key)
	require.NoError(t, err)
	require.Len(t, members, 2)
	require.Equal(t, "old", members[0].Owner)
	require.EqualValues(t, 5, members[0].Wanted)
	require.EqualValues(t, 4, members[1].Wanted)
	require.Empty(t, members[1].Owner)
}

// insertOldNumbers does as a replica that has not been replaced yet.
func insertOldNumbers(ctx context.Context, t *testing.T, db *sql.DB, params, values string) {
	t.Helper()
	_, err := db.ExecContext(ctx, `INSERT INTO number (rid, version, param, value)
		SELECT 1, 1, * FROM unnest($1::text[], $2::bigint[]) ON CONFLICT DO NOTHING`, params, values)
	require.NoError(t, err)
}

// requireOldNumbers: the numbers of before are found, and so are those that the
// statement of before adds, each once.
func requireOldNumbers(ctx context.Context, t *testing.T, db *sql.DB, address string) {
	t.Helper()
	insertOldNumbers(ctx, t, db, "{b,b,c,a}", "{2,3,3,1}")
	var found string
	require.NoError(t, db.QueryRowContext(ctx, "SELECT string_agg(param || value, ' ' ORDER BY param, value) FROM number WHERE rid = 1 AND version = 1").Scan(&found))
	require.Equal(t, "a1 b2 b3 c3", found)
	s, err := Open(ctx, address, Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	for value, want := range map[int64]int{2: 1, 3: 1, 4: 0} {
		page, err := s.Search(ctx, store.Query{Type: "Observation", Total: true,
			Numbers: []store.NumberQuery{{Any: []store.NumberRange{{Param: "b", Low: value, High: value}}}}})
		require.NoError(t, err)
		require.Equal(t, want, page.Total, value)
	}
}

// TestTheWriterLooksByIndexes: also while a table is so small that to read it whole
// costs less, since such a plan would be kept when it has grown.
func TestTheWriterLooksByIndexes(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	address, err := running(t).Create(ctx)
	require.NoError(t, err)
	s, err := Open(ctx, address, Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	var names []string
	require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
		for i := range 64 {
			names = append(names, fmt.Sprint("name-", i))
			if _, err := tx.Put(store.Key{Type: "Observation", ID: names[i]}, "POST", store.Index{}, func(int64, time.Time) ([]byte, error) { return []byte(`{}`), nil }); err != nil {
				return err
			}
			if err := tx.PutIdentity(names[i], store.Identity{Key: store.Key{Type: "Observation", ID: names[i]}}); err != nil {
				return err
			}
		}
		return nil
	}))
	for _, query := range []string{
		"SELECT name FROM identity WHERE name = ANY('{" + strings.Join(names, ",") + "}')", "SELECT rid FROM resource WHERE type = 'a' AND id = 'b'", "SELECT max(rid) FROM resource", stateSQL,
	} {
		require.NoError(t, s.writer.Do(ctx, nil, func(tx *tx) error {
			var plan string
			err := tx.row("explain", "EXPLAIN (FORMAT JSON) "+query, nil, &plan)
			if query != stateSQL { // the clock is one row without anything to look for
				require.NotContains(t, plan, "Seq Scan", query)
			}
			require.NotContains(t, plan, "JIT", query)
			return err
		}))
	}
}

// requireFinds opens the schema, finds the resource, and writes beside it.
func requireFinds(t *testing.T, address string) {
	t.Helper()
	ctx := context.Background()
	s, err := Open(ctx, address, Options{})
	require.NoError(t, err)
	page, err := s.Search(ctx, store.Query{Type: "Observation", Patients: []string{"Patient/oona"}, Limit: 5, Total: true})
	require.NoError(t, err)
	require.Equal(t, 1, page.Total)
	require.JSONEq(t, `{"a":1}`, string(page.Resources[0].Body))
	require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
		return tx.Audit(store.Audit{Event: []byte(`{}`), Recorded: tx.Now()})
	}))
	require.NoError(t, s.Close())
}
