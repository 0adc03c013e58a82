package sqlite_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/fhir/store/storetest"
)

func TestStore(t *testing.T) {
	storetest.Run(t, storetest.Driver{
		Create: func(t testing.TB) string { return filepath.Join(t.TempDir(), "tidemark.db") },
		Open: func(place string, clock func() time.Time) (store.Store, error) {
			// Under the race detector many wait for one file.
			return sqlite.Open(context.Background(), place, sqlite.Options{Clock: clock, BusyTimeout: 5 * time.Minute})
		},
	})
}
