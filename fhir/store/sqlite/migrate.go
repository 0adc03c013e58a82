package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/pressly/goose/v3"
	driver "modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed migrations/*.sql
var migrations embed.FS

// ErrSchema says that the file belongs to a program too much newer.
var ErrSchema = errors.New("store: the schema of the database is more than one step ahead of this program; run the newer one")

// migrate puts the file into WAL mode and applies the migrations it lacks, one
// process at a time. A schema one step ahead is left alone, so that the program of
// before can be gone back to.
func migrate(ctx context.Context, file string, options Options) (err error) {
	db, err := sql.Open("sqlite", dsn(file, options.BusyTimeout, "synchronous(FULL)"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	lock := &migrationLock{file: file + ".migrating", wait: options.BusyTimeout}
	provider, err := newProvider(db, goose.WithLocker(lock))
	if err != nil {
		return err
	}
	if _, err := provider.Up(ctx); err != nil {
		return err
	}
	at, known, err := provider.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("read the version of the schema: %w", err)
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
	return goose.NewProvider(goose.DialectSQLite3, db, files, options...)
}

// migrationLock keeps two processes from migrating one file at the same time.
// It is the lock of an otherwise empty SQLite file beside the database, because
// SQLite's locks work on every system and go when their process goes.
type migrationLock struct {
	file string
	wait time.Duration
	db   *sql.DB
	conn *sql.Conn
}

// Lock waits for the lock, up to the busy timeout, and then sets the journal
// mode of the database, which must not happen under a running migration.
func (l *migrationLock) Lock(ctx context.Context, database *sql.DB) error {
	if err := l.hold(ctx); err != nil {
		return err
	}
	mode, err := setWAL(ctx, database, l.wait)
	if err != nil {
		return errors.Join(fmt.Errorf("set WAL mode: %w", err), l.Unlock(ctx, database))
	}
	if mode != "wal" {
		return errors.Join(fmt.Errorf("the file system refuses WAL mode and stays in %q", mode), l.Unlock(ctx, database))
	}
	return nil
}

// hold waits for the lock alone. While it is held, nobody opens the database.
func (l *migrationLock) hold(ctx context.Context) error {
	db, err := sql.Open("sqlite", dsn(l.file, l.wait))
	if err != nil {
		return err
	}
	conn, err := db.Conn(ctx)
	if err != nil {
		return errors.Join(err, db.Close())
	}
	if _, err := conn.ExecContext(ctx, "BEGIN EXCLUSIVE"); err != nil {
		return errors.Join(fmt.Errorf("wait for another process that migrates: %w", err), conn.Close(), db.Close())
	}
	l.db, l.conn = db, conn
	return nil
}

// setWAL asks again while another process closes the file: SQLite then answers
// this statement with busy at once, whatever the busy timeout.
func setWAL(ctx context.Context, database *sql.DB, wait time.Duration) (mode string, err error) {
	for deadline := time.Now().Add(wait); ; {
		err = database.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode)
		if !isBusy(err) || time.Now().After(deadline) {
			return mode, err
		}
		select {
		case <-ctx.Done():
			return "", ctx.Err()
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// isBusy says whether another process stands in the way.
func isBusy(err error) bool {
	var fault *driver.Error
	return errors.As(err, &fault) && fault.Code()&0xff == sqlite3.SQLITE_BUSY
}

// Unlock gives the lock back. The lock file stays: to remove it would take it
// from under a process that waits for it.
func (l *migrationLock) Unlock(context.Context, *sql.DB) error {
	return errors.Join(l.conn.Close(), l.db.Close())
}
