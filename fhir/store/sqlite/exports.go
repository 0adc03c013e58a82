package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// scanExport reads an export.
func scanExport(row scanner) (store.Export, error) {
	var e store.Export
	var instant, expires, until int64
	err := row.Scan(&e.ID, &e.Owner, &instant, &expires, &e.Request, &e.State, &e.Status, &e.Lease, &until)
	if errors.Is(err, sql.ErrNoRows) {
		return store.Export{}, store.ErrNotFound
	}
	if err != nil {
		return store.Export{}, fmt.Errorf("read an export: %w", err)
	}
	e.Instant, e.Expires, e.LeaseUntil = moment(instant), moment(expires), moment(until)
	return e, nil
}

// StartExport keeps a new export. The time of whatever is written behind this
// batch lies behind its instant.
func (t *tx) StartExport(e store.Export) (store.Export, error) {
	if err := t.direct(); err != nil {
		return store.Export{}, err
	}
	t.last = max(t.last, t.at+1)
	return scanExport(t.conn.QueryRowContext(background, `INSERT INTO export (id, owner, instant, expires, request, state, status)
		VALUES (?, ?, ?, ?, ?, ?, 'running') RETURNING `+searchsql.ExportColumns,
		e.ID, e.Owner, t.at, searchsql.Millis(e.Expires), notNil(e.Request), notNil(e.State)))
}

// Exports counts those of an owner that are running.
func (t *tx) Exports(owner string) (count int, err error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	err = t.conn.QueryRowContext(background, "SELECT count(*) FROM export WHERE owner = ? AND status = 'running' AND expires > ?",
		owner, t.clock().UnixMilli()).Scan(&count)
	return count, err
}

// exportSQL reads one that is not past its time.
const exportSQL = "SELECT " + searchsql.ExportColumns + " FROM export WHERE id = ? AND expires > ?"

// Export gives one.
func (t *tx) Export(id string) (store.Export, error) {
	if err := t.direct(); err != nil {
		return store.Export{}, err
	}
	return scanExport(t.conn.QueryRowContext(background, exportSQL, id, t.clock().UnixMilli()))
}

// DeleteExport forgets one.
func (t *tx) DeleteExport(id string) error {
	if err := t.direct(); err != nil {
		return err
	}
	result, err := t.conn.ExecContext(background, "DELETE FROM export WHERE id = ?", id)
	if err != nil {
		return fmt.Errorf("delete an export: %w", err)
	}
	if deleted, err := result.RowsAffected(); err != nil || deleted == 0 {
		return errors.Join(err, store.ErrNotFound)
	}
	return nil
}

// Export gives one.
func (s *Store) Export(ctx context.Context, id string) (store.Export, error) {
	if err := s.enter(); err != nil {
		return store.Export{}, err
	}
	defer s.leave()
	return scanExport(s.reads.QueryRowContext(ctx, exportSQL, id, s.clock().UnixMilli()))
}

// freeExportSQL finds the oldest that nobody prepares.
const freeExportSQL = `SELECT id FROM export WHERE status = 'running' AND expires > ? AND (lease_until <= ? OR lease_until > ?)
	ORDER BY instant, id LIMIT 1`

// freeExportArgs are the values of freeExportSQL.
func freeExportArgs(now int64) []any { return []any{now, now, now + store.MaxWait.Milliseconds()} }

// ClaimExport leases one. Only where there is one does it write.
func (s *Store) ClaimExport(ctx context.Context, worker string, lease time.Duration) (claimed store.Export, err error) {
	some, err := s.exists(ctx, "SELECT EXISTS ("+freeExportSQL+")", freeExportArgs(s.clock().UnixMilli())...)
	if err == nil && !some {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Export{}, err
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		now := t.clock().UnixMilli()
		claimed, err = scanExport(t.conn.QueryRowContext(background, `UPDATE export SET lease = ?, lease_until = ? WHERE id = (`+freeExportSQL+`)
			RETURNING `+searchsql.ExportColumns, append([]any{worker, now + max(lease.Milliseconds(), 1)}, freeExportArgs(now)...)...))
		return err
	})
	if err != nil {
		return store.Export{}, err
	}
	return claimed, nil
}

// RecordExport keeps how far a claimed export is.
func (s *Store) RecordExport(ctx context.Context, e store.Export, lease time.Duration) (recorded store.Export, err error) {
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		until := int64(0)
		if e.Status == store.ExportRunning {
			until = t.clock().UnixMilli() + max(lease.Milliseconds(), 1)
		}
		recorded, err = scanExport(t.conn.QueryRowContext(background, `UPDATE export SET state = ?, status = ?, lease_until = ?
			WHERE id = ? AND status = 'running' AND lease = ? AND lease_until = ? RETURNING `+searchsql.ExportColumns,
			notNil(e.State), e.Status, until, e.ID, e.Lease, e.LeaseUntil.UnixMilli()))
		if errors.Is(err, store.ErrNotFound) {
			err = store.ErrLeaseLost
		}
		return err
	})
	if err != nil {
		return store.Export{}, err
	}
	return recorded, nil
}

// ForgetExports forgets what is past its time. Only where there is something does
// it write.
func (s *Store) ForgetExports(ctx context.Context) (count int, err error) {
	some, err := s.exists(ctx, "SELECT EXISTS (SELECT 1 FROM export WHERE expires <= ?)", s.clock().UnixMilli())
	if err != nil || !some {
		return 0, err
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		result, err := t.conn.ExecContext(background, "DELETE FROM export WHERE expires <= ?", t.clock().UnixMilli())
		if err != nil {
			return fmt.Errorf("forget exports: %w", err)
		}
		deleted, err := result.RowsAffected()
		count = int(deleted)
		return err
	})
	return count, err
}

// Snapshot gives what was there at an instant.
func (s *Store) Snapshot(ctx context.Context, query store.SnapshotQuery) (found []store.Snapshotted, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	statement := searchsql.Snapshot(versionColumns, query, searchsql.Dialect{})
	rows, err := s.reads.QueryContext(ctx, statement.Text, statement.Args...)
	if err != nil {
		return nil, fmt.Errorf("read a snapshot: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var each store.Snapshotted
		if each.Resource, err = s.codec.scanVersion(with(rows, &each.Patient)); err != nil {
			return nil, err
		}
		found = append(found, each)
	}
	return found, rows.Err()
}
