package postgres

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations/*.sql
var migrations embed.FS

// ErrSchema says that the database belongs to a program too much newer.
var ErrSchema = errors.New("store: the schema of the database is more than one step ahead of this program; run the newer one")

// migrate applies the migrations that the schema lacks, one process at a time.
// A schema one step ahead is left alone: while replicas are replaced one by one,
// the old ones go on beside the first new one.
func migrate(ctx context.Context, config *pgx.ConnConfig, schema int64) (err error) {
	config = config.Copy()
	// To build an index may wait for a table, and take its time.
	config.RuntimeParams["lock_timeout"] = "0"
	config.RuntimeParams["statement_timeout"] = "0"
	db := stdlib.OpenDB(*config)
	defer func() { err = errors.Join(err, db.Close()) }()
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockID(migrationClass|schema), lock.WithLockTimeout(1, 300))
	if err != nil {
		return err
	}
	provider, err := newProvider(db, goose.WithSessionLocker(locker))
	if err != nil {
		return err
	}
	if _, err := provider.Up(ctx); err != nil {
		return clean(err)
	}
	at, known, err := provider.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("read the version of the schema: %w", clean(err))
	}
	if at > known+1 {
		return fmt.Errorf("%w (it has %d, the program knows %d)", ErrSchema, at, known)
	}
	return nil
}

// newProvider gives goose the embedded migrations of this package.
func newProvider(db *sql.DB, options ...goose.ProviderOption) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectPostgres, db, files, options...)
}
