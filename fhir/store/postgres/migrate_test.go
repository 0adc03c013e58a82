package postgres

import (
	"context"
	"database/sql"
	"fmt"
	"testing"

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
		vid(1, 1), codec.Start([]byte(`{"a":1}`)).Wait())
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, oldWant, 3)
	require.NoError(t, err)
	requireFinds(t, address)

	for range 2 {
		_, err = provider.DownTo(ctx, 1)
		require.NoError(t, err)
		_, err = provider.Up(ctx)
		require.NoError(t, err)
	}
	requireFinds(t, address)
	requireOldDeliveries(ctx, t, db, address)
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
