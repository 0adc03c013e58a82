package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// What keeps a file from being a backup, or from being made one.
var (
	ErrThere   = errors.New("store: there is a file of that name already, and no backup is written over another; choose another name")
	ErrNoStore = errors.New("store: the file is no database of Tidemark")
	ErrUnsound = errors.New("store: the file is damaged")
)

// Backup writes a copy of the database as it stands at one moment, also while
// others read and write it: what was committed before is in it, what comes after
// is not. The copy is checked and on disk before it gets its name, and is readable
// for its owner alone. The directory must exist.
func Backup(ctx context.Context, path, to string) (err error) {
	file, err := locate(path)
	if err != nil {
		return err
	}
	if err := isStore(ctx, file); err != nil {
		return err
	}
	// The name is taken first, so that of two backups one is refused. Should this
	// process be killed, an empty file is left, which nobody takes for a backup.
	taken, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%w: %s", ErrThere, to)
	}
	if err != nil {
		return err
	}
	if err := taken.Close(); err != nil {
		return err
	}
	part, err := os.CreateTemp(filepath.Dir(to), ".tidemark-backup-*")
	if err != nil {
		return errors.Join(err, os.Remove(to))
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(part.Name()), os.Remove(to))
		}
	}()
	if err := part.Close(); err != nil {
		return err
	}
	if err := vacuumInto(ctx, file, part.Name()); err != nil {
		return fmt.Errorf("copy %s: %w", file, err)
	}
	if err := sound(ctx, part.Name()); err != nil {
		return fmt.Errorf("check the copy of %s: %w", file, err)
	}
	if err := flush(part.Name()); err != nil {
		return err
	}
	if err := os.Rename(part.Name(), to); err != nil {
		return err
	}
	return flush(filepath.Dir(to))
}

// isStore refuses what is not there, is something else, or is too new.
func isStore(ctx context.Context, file string) error {
	c, err := Inspect(ctx, file)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %s: %w", ErrNoStore, file, err)
	case !c.Exists:
		return fmt.Errorf("%w: %s is not there", ErrNoStore, file)
	case c.Schema == 0:
		return fmt.Errorf("%w: %s has none of its tables", ErrNoStore, file)
	case c.Schema > c.Known+1:
		return fmt.Errorf("%w (it has %d, the program knows %d)", ErrSchema, c.Schema, c.Known)
	}
	return nil
}

// vacuumInto copies one snapshot into an empty file. Unlike a copy of pages it
// reads every row by its tables, and the copy has no free pages.
func vacuumInto(ctx context.Context, file, to string) (err error) {
	db, err := sql.Open("sqlite", dsn(file, Options{}.withDefaults().BusyTimeout))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", to)
	return err
}

// sound holds a file against SQLite's own check of its pages and indexes.
func sound(ctx context.Context, file string) (err error) {
	db, err := sql.Open("sqlite", dsn(file, time.Second, "query_only(1)"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var verdict string
	// Values are in the verdict's details at most, which are left out.
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&verdict); err != nil {
		return fmt.Errorf("%w: %w", ErrUnsound, err)
	}
	if verdict != "ok" {
		return ErrUnsound
	}
	return nil
}

// flush puts a file, or the names in a directory, on disk.
func flush(name string) error {
	file, err := os.OpenFile(name, os.O_RDONLY, 0)
	if err != nil {
		return err
	}
	err = file.Sync()
	return errors.Join(err, file.Close())
}
