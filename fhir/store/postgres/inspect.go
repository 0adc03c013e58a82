package postgres

import (
	"context"
	"database/sql"
	"errors"

	"github.com/jackc/pgx/v5/stdlib"

	"tidemark.example/tidemark/fhir/store"
)

// Inspect looks at a database without changing its schema.
func Inspect(ctx context.Context, address string) (c store.Condition, err error) {
	config, err := parse(address, 1)
	if err != nil {
		return c, err
	}
	db := stdlib.OpenDB(*config.ConnConfig)
	defer func() { err = redact(errors.Join(err, db.Close()), config.ConnConfig.Password) }()
	provider, err := newProvider(db)
	if err != nil {
		return c, err
	}
	sources := provider.ListSources()
	c.Known = sources[len(sources)-1].Version
	return c, look(ctx, db, &c)
}

// look asks how the server keeps commits, and for the schema.
func look(ctx context.Context, db *sql.DB, c *store.Condition) error {
	var fsync, pages string
	const ask = "SELECT current_setting('fsync'), current_setting('full_page_writes')"
	if err := db.QueryRowContext(ctx, ask).Scan(&fsync, &pages); err != nil {
		return wrap("ask how the server keeps commits", err)
	}
	c.Exists = true
	// Each session here sets the last, see assertDurable.
	c.Durability = "fsync " + fsync + ", full_page_writes " + pages + ", synchronous_commit on"
	if fsync != "on" || pages != "on" {
		c.Fault = "fsync and full_page_writes must both be on, or what was acknowledged does not survive a power cut"
	}
	var schema bool
	if err := db.QueryRowContext(ctx, "SELECT current_schema() IS NOT NULL").Scan(&schema); err != nil {
		return wrap("ask for the schema", err)
	}
	if !schema {
		return errNoSchema
	}
	var there bool
	if err := db.QueryRowContext(ctx, "SELECT to_regclass('goose_db_version') IS NOT NULL").Scan(&there); err != nil || !there {
		return wrap("look for the schema", err)
	}
	err := db.QueryRowContext(ctx, "SELECT max(version_id) FROM goose_db_version WHERE is_applied").Scan(&c.Schema)
	return wrap("read the version of the schema", err)
}
