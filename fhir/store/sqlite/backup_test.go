package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// put writes a version of an Observation.
func put(t *testing.T, s *Store, id, body string) {
	t.Helper()
	require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.Put(store.Key{Type: "Observation", ID: id}, "PUT", store.Index{}, func(int64, time.Time) ([]byte, error) { return []byte(body), nil })
		return err
	}))
}

// holds says which Observations a file holds.
func holds(t *testing.T, path string) (ids []string) {
	t.Helper()
	s, err := Open(context.Background(), path, Options{})
	require.NoError(t, err)
	require.NoError(t, s.Each(context.Background(), "Observation", func(r store.Resource) error {
		ids = append(ids, r.ID)
		return nil
	}))
	require.NoError(t, s.Close())
	return ids
}

// files are the names in a directory.
func files(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func trusted(context.Context, string) error { return nil }

// TestBackup: what was committed is in the copy though the store is open, what
// comes later is not, and nothing is written over.
func TestBackup(t *testing.T) {
	t.Parallel()
	ctx, dir, to := context.Background(), t.TempDir(), t.TempDir()
	path, out := filepath.Join(dir, "tidemark.db"), filepath.Join(to, "monday.db")
	require.ErrorIs(t, Backup(ctx, path, out), ErrNoStore)
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	put(t, s, "before", `{"a":1}`)
	require.NoError(t, Backup(ctx, path, out))
	put(t, s, "after", `{"a":2}`)
	require.ErrorIs(t, Backup(ctx, path, out), ErrThere)
	require.ErrorIs(t, Backup(ctx, path, path), ErrThere)
	require.Equal(t, []string{"monday.db"}, files(t, to))
	info, err := os.Stat(out)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	require.Error(t, Backup(cancelled, path, filepath.Join(to, "tuesday.db")))
	require.Equal(t, []string{"monday.db"}, files(t, to), "what was given up leaves nothing")
	require.NoError(t, s.Close())
	require.Equal(t, []string{"before"}, holds(t, out))
	require.ElementsMatch(t, []string{"before", "after"}, holds(t, path))
}

// TestRestore: only an unused database is replaced, only by what was verified,
// and it is kept.
func TestRestore(t *testing.T) {
	t.Parallel()
	ctx, dir := context.Background(), t.TempDir()
	path, out := filepath.Join(dir, "tidemark.db"), filepath.Join(t.TempDir(), "monday.db")
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	put(t, s, "before", `{"a":1}`)
	require.NoError(t, Backup(ctx, path, out))
	put(t, s, "after", `{"a":2}`)

	_, err = Restore(ctx, out, path, trusted)
	require.ErrorIs(t, err, ErrInUse)
	_, err = Restore(ctx, path, path, trusted)
	require.ErrorIs(t, err, ErrNoStore)
	_, err = Restore(ctx, path, filepath.Join(dir, "other.db"), trusted)
	require.ErrorIs(t, err, ErrNoStore, "a file whose log lies beside it is not whole")
	put(t, s, "later", `{"a":3}`)
	require.NoError(t, s.Close())
	_, err = Restore(ctx, path, path, trusted)
	require.ErrorContains(t, err, "is the database itself", "nobody has it open, and its log is folded")
	require.NoError(t, os.Chmod(path, 0o640)) // a group that may read it, say

	before := files(t, dir)
	fault := errors.New("it differs")
	_, err = Restore(ctx, out, path, func(context.Context, string) error { return fault })
	require.ErrorIs(t, err, fault)
	require.ElementsMatch(t, before, files(t, dir), "nothing is left")
	require.ElementsMatch(t, []string{"before", "after", "later"}, holds(t, path))

	kept, err := Restore(ctx, out, path, func(_ context.Context, copied string) error {
		require.Equal(t, []string{"before"}, holds(t, copied))
		return nil
	})
	require.NoError(t, err)
	require.Equal(t, []string{"before"}, holds(t, path))
	require.ElementsMatch(t, []string{"before", "after", "later"}, holds(t, kept))
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o640), info.Mode().Perm(), "whoever could read it can")

	empty := filepath.Join(t.TempDir(), "tidemark.db")
	require.NoError(t, os.WriteFile(empty+"-wal", []byte("of another database"), 0o600))
	_, err = Restore(ctx, out, empty, trusted)
	require.ErrorIs(t, err, ErrRest)
	require.NoError(t, os.Remove(empty+"-wal"))
	kept, err = Restore(ctx, out, empty, trusted)
	require.NoError(t, err)
	require.Empty(t, kept)
	require.Equal(t, []string{"before"}, holds(t, empty))
}

// TestUnsoundFiles: neither a damaged database is backed up nor a damaged backup
// restored, nor what is none.
func TestUnsoundFiles(t *testing.T) {
	t.Parallel()
	ctx, dir := context.Background(), t.TempDir()
	path, out := filepath.Join(dir, "tidemark.db"), filepath.Join(dir, "monday.db")
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	put(t, s, "before", `{"a":1}`)
	require.NoError(t, s.Close())
	require.NoError(t, Backup(ctx, path, out))

	db, err := sql.Open("sqlite", dsn(out, time.Second))
	require.NoError(t, err)
	_, err = db.ExecContext(ctx, "PRAGMA writable_schema = ON")
	require.NoError(t, err)
	// The index then lacks what the table has, as after a damage.
	_, err = db.ExecContext(ctx, "DELETE FROM sqlite_schema WHERE name = 'resource_key'")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = Restore(ctx, out, path, trusted)
	require.ErrorIs(t, err, ErrUnsound)
	require.Equal(t, []string{"before"}, holds(t, path))

	torn := filepath.Join(dir, "torn.db")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	db, err = sql.Open("sqlite", dsn(path, time.Second, "query_only(1)"))
	require.NoError(t, err)
	var root, size int
	require.NoError(t, db.QueryRowContext(ctx, "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_schema WHERE name = 'resource_version'").Scan(&root, &size))
	require.NoError(t, db.Close())
	clear(whole[(root-1)*size : root*size]) // which only the copying reads
	require.NoError(t, os.WriteFile(torn, whole, 0o600))
	before := files(t, dir)
	require.Error(t, Backup(ctx, torn, filepath.Join(dir, "tuesday.db")))
	require.ElementsMatch(t, before, files(t, dir), "neither a name that was taken nor a part is left")

	text := filepath.Join(dir, "text.db")
	require.NoError(t, os.WriteFile(text, []byte("no database, invented, and longer than the header of one: invented invented invented invented"), 0o600))
	_, err = Restore(ctx, text, path, trusted)
	require.ErrorIs(t, err, ErrNoStore)
	_, err = Restore(ctx, out, text, trusted)
	require.ErrorIs(t, err, ErrRest, "what is there may be anything")
	require.ErrorIs(t, Backup(ctx, text, filepath.Join(dir, "tuesday.db")), ErrNoStore)
}

// TestSchemaAhead: one step ahead is gone on with, two are refused.
func TestSchemaAhead(t *testing.T) {
	t.Parallel()
	ctx, path := context.Background(), filepath.Join(t.TempDir(), "tidemark.db")
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	ahead := func() {
		db, err := sql.Open("sqlite", dsn(path, time.Second))
		require.NoError(t, err)
		_, err = db.ExecContext(ctx, "INSERT INTO goose_db_version (version_id, is_applied) SELECT max(version_id) + 1, 1 FROM goose_db_version")
		require.NoError(t, err)
		require.NoError(t, db.Close())
	}
	ahead()
	require.Empty(t, holds(t, path))
	ahead()
	_, err = Open(ctx, path, Options{})
	require.ErrorIs(t, err, ErrSchema)
	require.ErrorIs(t, Backup(ctx, path, path+".copy"), ErrSchema)
}

// TestCloseLetsGo: a store that was closed has no file open and has folded its log.
func TestCloseLetsGo(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "tidemark.db")
	s, err := Open(context.Background(), path, Options{})
	require.NoError(t, err)
	put(t, s, "before", `{"a":1}`)
	require.ErrorIs(t, unused(context.Background(), path), ErrInUse)
	require.NoError(t, s.Close())
	require.NoFileExists(t, path+"-wal")
	require.NoError(t, unused(context.Background(), path))
}
