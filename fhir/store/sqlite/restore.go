package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// What keeps a backup from being put in the place of a database.
var (
	ErrInUse = errors.New("store: the database is in use; stop the server, and whatever else has it open, and restore again")
	ErrRest  = errors.New("store: what is there cannot be opened as a database, so that nobody can tell whether it is in use; see that no server runs, move it away with the files of the same name that end in -wal and -shm, and restore again")
)

// Restore puts a backup in the place of the database at path, which nobody may
// have open. Before anything is replaced the backup is copied beside it, checked,
// and given to verify, which may open it as a store, and whose error ends it all.
// The database of before stays under the name kept, "" if there was none; at no
// moment is there none at path, where a server would make an empty one.
func Restore(ctx context.Context, backup, path string, verify func(ctx context.Context, copied string) error) (kept string, err error) {
	file, err := locate(path)
	if err != nil {
		return "", err
	}
	if err := isBackup(ctx, backup, file); err != nil {
		return "", err
	}
	if err := unused(ctx, file); err != nil {
		return "", err // before the time that the copy and its check take
	}
	copied, err := copyBeside(backup, file)
	if err != nil {
		return "", err
	}
	defer func() {
		for _, rest := range []string{"", "-wal", "-shm", ".migrating"} {
			if gone := os.Remove(copied + rest); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
				err = errors.Join(err, gone)
			}
		}
	}()
	if err := sound(ctx, copied); err != nil {
		return "", err
	}
	if err := verify(ctx, copied); err != nil {
		return "", err
	}
	lock := &migrationLock{file: file + ".migrating", wait: Options{}.withDefaults().BusyTimeout}
	if err := lock.hold(ctx); err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, lock.Unlock(ctx, nil)) }()
	if err := unused(ctx, file); err != nil {
		return "", err
	}
	return replace(file, copied)
}

// isBackup refuses what is the database itself, or a part of one that is in use.
func isBackup(ctx context.Context, backup, file string) error {
	from, err := os.Stat(backup)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrNoStore, err)
	}
	if to, err := os.Stat(file); err == nil && os.SameFile(from, to) {
		return fmt.Errorf("%w: %s is the database itself; name the backup", ErrNoStore, backup)
	}
	if log, err := os.Stat(backup + "-wal"); err == nil && log.Size() > 0 {
		return fmt.Errorf("%w: %s has a log beside it, as a database in use does; make a backup by tidemark backup", ErrNoStore, backup)
	}
	absolute, err := filepath.Abs(backup)
	if err != nil {
		return err
	}
	return isStore(ctx, absolute)
}

// unused refuses a database that anybody has open: only then does SQLite give up
// the log, which is folded into the file by that.
func unused(ctx context.Context, file string) (err error) {
	if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
		for _, rest := range []string{"-wal", "-shm"} {
			if _, err := os.Stat(file + rest); err == nil {
				return fmt.Errorf("%w: %s", ErrRest, file+rest)
			}
		}
		return nil
	}
	db, err := sql.Open("sqlite", dsn(file, time.Second))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var mode string
	err = db.QueryRowContext(ctx, "PRAGMA journal_mode = DELETE").Scan(&mode)
	switch {
	case isBusy(err):
		return ErrInUse
	case err != nil:
		return fmt.Errorf("%w: %s: %w", ErrRest, file, err)
	case mode != "delete":
		return ErrInUse
	}
	return nil
}

// copyBeside copies a backup into the directory of the database, on disk.
func copyBeside(backup, file string) (name string, err error) {
	from, err := os.Open(backup)
	if err != nil {
		return "", err
	}
	defer from.Close()
	to, err := os.CreateTemp(filepath.Dir(file), ".tidemark-restore-*")
	if err != nil {
		return "", err
	}
	_, err = io.Copy(to, from)
	if err = errors.Join(err, to.Sync(), to.Close()); err != nil {
		return "", errors.Join(err, os.Remove(to.Name()))
	}
	return to.Name(), nil
}

// replace gives the copy the name of the database, which keeps another one.
func replace(file, copied string) (kept string, err error) {
	if err := flush(copied); err != nil {
		return "", err
	}
	info, err := os.Stat(file)
	if err == nil {
		kept = file + ".before-restore-" + time.Now().UTC().Format("20060102T150405.000Z")
		if err := errors.Join(os.Link(file, kept), os.Chmod(copied, info.Mode().Perm())); err != nil {
			return "", err
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if err := os.Rename(copied, file); err != nil {
		return "", err
	}
	return kept, flush(filepath.Dir(file))
}
