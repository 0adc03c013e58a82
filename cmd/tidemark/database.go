package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// openDatabase opens what TIDEMARK_DATABASE names. PostgreSQL goes by its own
// clock, which all replicas share; SQLite by the one given.
func openDatabase(ctx context.Context, at config.Database, logger *slog.Logger, clock func() time.Time, observe func(groupcommit.Stats)) (db store.Store, err error) {
	if postgres.IsAddress(string(at)) {
		db, err = postgres.Open(ctx, string(at), postgres.Options{Logger: logger, Observe: observe})
	} else {
		db, err = sqlite.Open(ctx, string(at), sqlite.Options{Logger: logger, Clock: clock, Observe: observe})
	}
	if err != nil {
		return nil, fmt.Errorf("opening the database of TIDEMARK_DATABASE: %w", err)
	}
	return db, nil
}

// measured lets metrics tell how much room the disk of the database has.
func measured(s *config.Settings, metrics *api.Metrics) {
	if !postgres.IsAddress(string(s.Database)) {
		metrics.Disk(func() (uint64, bool) { return freeSpace(filepath.Dir(string(s.Database))) })
	}
}

// openExisting opens a database for a command that makes none.
func openExisting(ctx context.Context, at config.Database) (store.Store, error) {
	if !postgres.IsAddress(string(at)) {
		if _, err := os.Stat(string(at)); err != nil {
			return nil, fmt.Errorf("TIDEMARK_DATABASE: %w", err)
		}
	}
	return openDatabase(ctx, at, nil, nil, nil)
}
