package sqlite

import (
	"context"
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// TestMigrations: a file of the first version is opened as it is, and every
// migration leads back and up again.
func TestMigrations(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "old.db")
	db, err := sql.Open("sqlite", dsn(path, time.Second, "journal_mode(WAL)"))
	require.NoError(t, err)
	provider, err := newProvider(db)
	require.NoError(t, err)
	_, err = provider.UpTo(ctx, 1)
	require.NoError(t, err)
	codec, err := newCodec()
	require.NoError(t, err)
	defer codec.Close()
	_, err = db.ExecContext(ctx, `INSERT INTO resource (rid, type, id, version, deleted, last_updated, patient, status, period_start, period_end)
		VALUES (1, 'Observation', 'a', 1, 0, 5, 'Patient/oona', 'final', 3, 4)`)
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, "INSERT INTO resource_version (vid, at, method, deleted, body) VALUES (?, 5, 'POST', 0, ?)", vid(1, 1), codec.Pack([]byte(`{"a":1}`)))
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, "INSERT INTO delivery (target, rid, wanted, delivered, retract, remote_id, due) VALUES ('ehr', 1, 3, 2, 0, '17', 5)")
	require.NoError(t, err)
	require.NoError(t, db.Close())

	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	kept := []store.Delivery{{
		Target: "ehr", Key: store.Key{Type: "Observation", ID: "a"}, Member: store.Whole,
		Wanted: 3, Delivered: 2, RemoteID: "17", Due: moment(5),
	}}
	members, err := s.Members(ctx, "ehr", kept[0].Key)
	require.NoError(t, err)
	require.Equal(t, kept, members)
	query := store.Query{Type: "Observation", Patients: []string{"Patient/oona"}, NotStatuses: []string{"amended"}, Limit: 5, Total: true}
	page, err := s.Search(ctx, query)
	require.NoError(t, err)
	require.Equal(t, 1, page.Total)
	require.JSONEq(t, `{"a":1}`, string(page.Resources[0].Body))
	index := store.Index{Patient: "Patient/oona", Status: "final", Numbers: []store.Number{{Param: "p", Value: 1}}}
	require.NoError(t, s.Reindex(ctx, 1, func(store.Resource) (store.Index, bool, error) { return index, true, nil }))
	query.Numbers = []store.NumberQuery{{Any: []store.NumberRange{{Param: "p", Low: 1, High: 1}}}}
	page, err = s.Search(ctx, query)
	require.NoError(t, err)
	require.Equal(t, 1, page.Total)
	require.NoError(t, s.Close())

	db, err = sql.Open("sqlite", dsn(path, time.Second))
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	provider, err = newProvider(db)
	require.NoError(t, err)
	for range 2 {
		_, err = provider.DownTo(ctx, 1)
		require.NoError(t, err)
		_, err = provider.Up(ctx)
		require.NoError(t, err)
	}
	var wanted int64
	require.NoError(t, db.QueryRowContext(ctx, "SELECT wanted FROM delivery WHERE target = 'ehr' AND rid = 1 AND member = '' AND remote_id = '17'").Scan(&wanted))
	require.EqualValues(t, 3, wanted)

	_, err = provider.DownTo(ctx, 13)
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, `INSERT INTO delivery (target, rid, member, wanted, delivered, retract, due, changed, fault)
		VALUES ('ehr', 2, '', 1, 1, 0, 5, 7, ''), ('ehr', 3, '', 2, 1, 0, 5, 9, ''), ('ehr', 4, '', 1, 1, 0, 5, 9, 'lost')`)
	require.NoError(t, err)
	_, err = provider.Up(ctx)
	require.NoError(t, err)
	var last int64
	require.NoError(t, db.QueryRowContext(ctx, "SELECT at FROM last_delivery WHERE target = 'ehr'").Scan(&last))
	require.EqualValues(t, 7, last, "what was delivered before counts")
}
