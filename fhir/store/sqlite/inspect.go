package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"tidemark.example/tidemark/fhir/store"
)

// Inspect looks at a file without making it or changing its schema.
func Inspect(ctx context.Context, path string) (c store.Condition, err error) {
	file, err := locate(path)
	if err != nil {
		return c, err
	}
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		return c, nil
	}
	db, err := sql.Open("sqlite", dsn(file, Options{}.withDefaults().BusyTimeout, "query_only(1)"))
	if err != nil {
		return c, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	c.Exists = true
	provider, err := newProvider(db)
	if err != nil {
		return c, err
	}
	sources := provider.ListSources()
	c.Known = sources[len(sources)-1].Version
	var journal string
	if err := db.QueryRowContext(ctx, "PRAGMA journal_mode").Scan(&journal); err != nil {
		return c, fmt.Errorf("read the journal mode: %w", err)
	}
	// Whoever writes sets synchronous for its connection, see openBackend.
	c.Durability = "journal_mode " + journal + ", synchronous full"
	var tables int
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master WHERE name = 'goose_db_version'").Scan(&tables); err != nil || tables == 0 {
		return c, err
	}
	if err := db.QueryRowContext(ctx, "SELECT max(version_id) FROM goose_db_version WHERE is_applied").Scan(&c.Schema); err != nil {
		return c, fmt.Errorf("read the version of the schema: %w", err)
	}
	if journal != "wal" {
		c.Fault = "the journal mode is " + journal + " and not wal"
	}
	return c, nil
}
