package postgres

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// exportRow is where a row is read into.
type exportRow struct {
	store.Export
	instant, expires, until int64
}

// into are the places of the columns.
func (r *exportRow) into() []any {
	return []any{&r.ID, &r.Owner, &r.instant, &r.expires, &r.Request, &r.State, &r.Status, &r.Lease, &r.until}
}

// export is what was read.
func (r *exportRow) export() store.Export {
	e := r.Export
	e.Instant, e.Expires, e.LeaseUntil = moment(r.instant), moment(r.expires), moment(r.until)
	return e
}

// oneExport reads one within the transaction.
func (t *tx) oneExport(what, query string, args ...any) (store.Export, error) {
	if err := t.direct(); err != nil {
		return store.Export{}, err
	}
	var row exportRow
	if err := t.row(what, query, args, row.into()...); err != nil {
		return store.Export{}, err
	}
	return row.export(), nil
}

// StartExport keeps a new export. The time of whatever is written behind this
// batch lies behind its instant.
func (t *tx) StartExport(e store.Export) (store.Export, error) {
	if indexed(e.ID) != e.ID || indexed(e.Owner) != e.Owner {
		return store.Export{}, errText
	}
	t.last = max(t.last, t.at+1)
	return t.oneExport("start an export", `INSERT INTO export (id, owner, instant, expires, request, state, status)
		VALUES ($1, $2, $3, $4, $5, $6, 'running') RETURNING `+searchsql.ExportColumns,
		e.ID, e.Owner, t.at, searchsql.Millis(e.Expires), notNil(e.Request), notNil(e.State))
}

// Exports counts those of an owner that are running.
func (t *tx) Exports(owner string) (count int, err error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	err = t.row("count exports", "SELECT count(*) FROM export WHERE owner = $1 AND status = 'running' AND expires > $2", []any{indexed(owner), t.wall}, &count)
	return count, err
}

// Export gives one.
func (t *tx) Export(id string) (store.Export, error) {
	return t.oneExport("read an export", "SELECT "+searchsql.ExportColumns+" FROM export WHERE id = $1 AND expires > $2", indexed(id), t.wall)
}

// DeleteExport forgets one.
func (t *tx) DeleteExport(id string) error {
	if err := t.direct(); err != nil {
		return err
	}
	deleted, err := t.exec("delete an export", "DELETE FROM export WHERE id = $1", indexed(id))
	if err == nil && deleted == 0 {
		err = store.ErrNotFound
	}
	return err
}

// Export gives one.
func (s *Store) Export(ctx context.Context, id string) (store.Export, error) {
	var row exportRow
	err := s.read(ctx, "read an export", func(from queryer) error {
		return from.QueryRow(ctx, clockSQL+" SELECT "+searchsql.ExportColumns+" FROM export, clock WHERE id = $2 AND expires > clock.now",
			s.now(), indexed(id)).Scan(row.into()...)
	})
	if err != nil {
		return store.Export{}, err
	}
	return row.export(), nil
}

// freeExportSQL finds the oldest that nobody prepares.
const freeExportSQL = `SELECT f.id FROM export f, clock
	WHERE f.status = 'running' AND f.expires > clock.now AND (f.lease_until <= clock.now OR f.lease_until > clock.now + $2::bigint)
	ORDER BY f.instant, f.id LIMIT 1`

// ClaimExport leases one. Only where there is one does it write.
func (s *Store) ClaimExport(ctx context.Context, worker string, lease time.Duration) (claimed store.Export, err error) {
	ahead := store.MaxWait.Milliseconds()
	some, err := s.exists(ctx, clockSQL+" SELECT EXISTS ("+freeExportSQL+")", s.now(), ahead)
	if err == nil && !some {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Export{}, err
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		claimed, err = t.oneExport("claim an export", clockSQL+`
			UPDATE export SET lease = $3, lease_until = (SELECT now FROM clock) + $4::bigint
			WHERE id = (`+freeExportSQL+`) RETURNING `+searchsql.ExportColumns, s.now(), ahead, plain(worker), max(lease.Milliseconds(), 1))
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
		until := int64(0)
		if e.Status == store.ExportRunning {
			until = t.wall + max(lease.Milliseconds(), 1)
		}
		recorded, err = t.oneExport("record an export", `UPDATE export SET state = $1, status = $2, lease_until = $3
			WHERE id = $4 AND status = 'running' AND lease = $5 AND lease_until = $6 RETURNING `+searchsql.ExportColumns,
			notNil(e.State), string(e.Status), until, indexed(e.ID), plain(e.Lease), e.LeaseUntil.UnixMilli())
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
	some, err := s.exists(ctx, clockSQL+" SELECT EXISTS (SELECT 1 FROM export, clock WHERE expires <= clock.now)", s.now())
	if err != nil || !some {
		return 0, err
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		deleted, err := t.exec("forget exports", "DELETE FROM export WHERE expires <= $1", t.wall)
		count = int(deleted)
		return err
	})
	return count, err
}

// Snapshot gives what was there at an instant.
func (s *Store) Snapshot(ctx context.Context, query store.SnapshotQuery) (found []store.Snapshotted, err error) {
	statement := searchsql.Snapshot(versionColumns, query, dialect)
	err = s.read(ctx, "read a snapshot", func(from queryer) error {
		rows, err := from.Query(ctx, statement.Text, asked(statement.Args)...)
		if err != nil {
			return err
		}
		found, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (each store.Snapshotted, err error) {
			each.Resource, err = versionRowOf(row, &each.Patient)
			return each, err
		})
		for i := range found {
			if err == nil {
				found[i].Body, err = s.codec.Unpack(found[i].Body)
			}
		}
		return err
	})
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return found, nil
}
