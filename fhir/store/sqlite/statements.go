package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// statements are those the writer runs, prepared once.
type statements struct {
	begin, commit, rollback        *sql.Stmt
	savepoint, release, rollbackTo *sql.Stmt
	dataVersion, lastTime, setTime *sql.Stmt
	lastRid, updateResource        *sql.Stmt
	deleteResource, current, body  *sql.Stmt
	identity, putIdentity, heads   *sql.Stmt
	due, late, lease, doubt, whole *sql.Stmt
	putRight                       *sql.Stmt
	superseded, drop, wantedOf     *sql.Stmt
	lastDelivery                   *sql.Stmt
	newChain, lastChain            *sql.Stmt
	head, setHead, live            *sql.Stmt
	start, record                  several
}

// prepare makes them all.
func (s *statements) prepare(ctx context.Context, conn *lasting) error {
	for _, each := range []struct {
		into **sql.Stmt
		text string
	}{
		{&s.begin, "BEGIN IMMEDIATE"},
		{&s.commit, "COMMIT"},
		{&s.rollback, "ROLLBACK"},
		{&s.savepoint, "SAVEPOINT job"},
		{&s.release, "RELEASE job"},
		{&s.rollbackTo, "ROLLBACK TO job"},
		{&s.dataVersion, "PRAGMA data_version"},
		{&s.lastTime, "SELECT at FROM clock"},
		{&s.lastRid, "SELECT coalesce(max(rid), 0) FROM resource"},
		{&s.live, "SELECT EXISTS (SELECT 1 FROM subscription WHERE status <> 'off')"},
		{&s.setTime, "UPDATE clock SET at = ?"},
		{&s.updateResource, `UPDATE resource SET version = ?, deleted = 0, last_updated = ?,
			patient = ?, status = ?, period_start = ?, period_end = ? WHERE rid = ?`},
		{&s.deleteResource, `UPDATE resource SET version = ?, deleted = 1, last_updated = ?,
			status = NULL, period_start = ?, period_end = NULL WHERE rid = ?`},
		{&s.current, "SELECT rid, version, deleted, last_updated FROM resource WHERE type = ? AND id = ?"},
		{&s.body, "SELECT method, body FROM resource_version WHERE vid = ?"},
		{&s.identity, "SELECT type, id, digest FROM identity WHERE name = ?"},
		{&s.putIdentity, `INSERT INTO identity (name, type, id, digest) VALUES (?, ?, ?, ?)
			ON CONFLICT (name) DO UPDATE SET digest = excluded.digest
			WHERE type = excluded.type AND id = excluded.id`},
		{&s.heads, headsSQL},
		{&s.due, dueDeliveriesSQL},
		{&s.late, lateDeliveriesSQL},
		{&s.lease, leaseSQL},
		{&s.doubt, doubtSQL},
		{&s.whole, wholeSQL},
		{&s.putRight, putRightSQL},
		{&s.wantedOf, wantedOfSQL},
		{&s.lastDelivery, lastDeliverySQL},
		{&s.superseded, supersededSQL},
		{&s.drop, dropSQL},
		{&s.newChain, `INSERT INTO audit_chain (name, started, anchor_chain, anchor_sequence, anchor_digest, genesis, head, head_digest)
			VALUES (?, ?, ?, ?, ?, ?, 0, ?) RETURNING cid`},
		{&s.lastChain, "SELECT name, head, head_digest FROM audit_chain ORDER BY cid DESC LIMIT 1"},
		{&s.head, "SELECT head, head_digest FROM audit_chain WHERE cid = ? AND name = ?"},
		{&s.setHead, "UPDATE audit_chain SET head = ?, head_digest = ? WHERE cid = ?"},
	} {
		prepared, err := conn.PrepareContext(ctx, each.text) //nolint:sqlclosecheck // kept for as long as the connection
		if err != nil {
			return fmt.Errorf("prepare %q: %w", each.text, err)
		}
		*each.into = prepared
	}
	return errors.Join(s.start.prepare(ctx, conn, startSQL), s.record.prepare(ctx, conn, recordSQL))
}
