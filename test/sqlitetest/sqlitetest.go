// Package sqlitetest opens new SQLite databases for tests. The schema is made
// once in each process and copied: the migrations have tests of their own in
// fhir/store/sqlite, and making it for each of hundreds of tests would be most of
// what those do.
package sqlitetest

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store/sqlite"
)

// Open opens a new database in a directory that goes with the test. The caller
// closes it.
func Open(t testing.TB, options sqlite.Options) *sqlite.Store {
	t.Helper()
	place := filepath.Join(t.TempDir(), "tidemark.db")
	Place(t, place)
	s, err := sqlite.Open(context.Background(), place, options)
	require.NoError(t, err)
	return s
}

// Place puts a new database at a path, where none may be yet.
func Place(t testing.TB, path string) {
	t.Helper()
	require.NoFileExists(t, path)
	file, err := empty()
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, file, 0o600))
}

// empty is the file of a database with the schema and nothing in it.
var empty = sync.OnceValues(func() (file []byte, err error) {
	dir, err := os.MkdirTemp("", "tidemark-empty-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	path := filepath.Join(dir, "tidemark.db")
	s, err := sqlite.Open(context.Background(), path, sqlite.Options{})
	if err != nil {
		return nil, err
	}
	if err := s.Close(); err != nil { // which leaves nothing in files beside it
		return nil, err
	}
	return os.ReadFile(path) //nolint:gosec // a directory of our own
})
