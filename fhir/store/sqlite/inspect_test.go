package sqlite

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// TestInspect: what is there is told, and left as it is.
func TestInspect(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	c, err := Inspect(ctx, path)
	require.NoError(t, err)
	require.Equal(t, store.Condition{}, c)
	require.NoFileExists(t, path)

	db, err := sql.Open("sqlite", dsn(path, time.Second, "journal_mode(DELETE)"))
	require.NoError(t, err)
	provider, err := newProvider(db)
	require.NoError(t, err)
	_, err = provider.UpTo(ctx, 2)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	c, err = Inspect(ctx, path)
	require.NoError(t, err)
	require.Equal(t, store.Condition{Exists: true, Schema: 2, Known: c.Known, Durability: "journal_mode delete, synchronous full", Fault: "the journal mode is delete and not wal"}, c)
	files, err := migrations.ReadDir("migrations")
	require.NoError(t, err)
	require.EqualValues(t, len(files), c.Known)

	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	c, err = Inspect(ctx, path)
	require.NoError(t, err)
	require.Equal(t, store.Condition{Exists: true, Schema: c.Known, Known: c.Known, Durability: "journal_mode wal, synchronous full"}, c)
	require.NoError(t, s.Close())

	foreign := filepath.Join(t.TempDir(), "foreign.db")
	require.NoError(t, os.WriteFile(foreign, []byte("nothing that SQLite knows, and long enough for its header: invented invented invented invented invented"), 0o600))
	_, err = Inspect(ctx, foreign)
	require.Error(t, err)
	_, err = Inspect(ctx, ":memory:")
	require.Error(t, err)
}
