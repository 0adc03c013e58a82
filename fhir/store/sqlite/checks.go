package sqlite

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// checkable begins a query for copies to look at, as the index delivery_looked
// has them, unless a lease holds them.
const checkable = `SELECT target, rid, member FROM delivery
		WHERE target = ?1 AND wanted = delivered AND in_doubt = 0 AND (lease_until <= ?2 OR lease_until > ?2 + ?3)`

// claimChecksSQL leases what is to be looked at: of what was looked at before up
// to half, then what is fresh, and what was looked at while the clock was ahead.
const claimChecksSQL = `UPDATE delivery SET owner = ?4, lease_until = ?5, checking = 1
	FROM (
		SELECT * FROM (` + checkable + ` AND fresh = 0 AND looked <= ?6 ORDER BY looked, rid, member LIMIT ?8)
		UNION ALL SELECT * FROM (` + checkable + ` AND fresh = 1 AND looked <= ?7 ORDER BY looked, rid, member LIMIT ?9)
		UNION ALL SELECT * FROM (` + checkable + ` AND fresh = 0 AND looked > ?2 + ?3 ORDER BY looked LIMIT ?9)
		UNION ALL SELECT * FROM (` + checkable + ` AND fresh = 1 AND looked > ?2 + ?3 ORDER BY looked LIMIT ?9)
		LIMIT ?9) AS c
	WHERE delivery.target = c.target AND delivery.rid = c.rid AND delivery.member = c.member
	RETURNING ` + deliveryColumns

// recordCheckSQL keeps what was found and ends the lease. A version wanted
// meanwhile is another copy than the one that was looked at.
const recordCheckSQL = `UPDATE delivery SET in_doubt = ?1, due = iif(?1, ?11, due), wanted_since = iif(?1, ?2, wanted_since),
	changed = iif(reason <> ?3 OR fault <> ?4, ?2, changed), reason = ?3, fault = ?4,
	remote_id = ?5, etag = ?6, accepted = ?7, repairs = ?8,
	fresh = iif(?9, 0, fresh), looked = iif(?9, ?11, looked), checked = iif(?10, ?11, checked),
	checking = 0, owner = '', lease_until = 0
	WHERE target = ?12 AND rid = (SELECT rid FROM resource WHERE type = ?13 AND id = ?14) AND member = ?15
	AND owner = ?16 AND lease_until = ?17 AND checking = 1 AND wanted = ?18 AND delivered = ?18 AND in_doubt = 0`

// ClaimChecks leases copies to look at, see store.Checks.
func (s *Store) ClaimChecks(ctx context.Context, target, owner string, lease time.Duration, due store.CheckDue, limit int) ([]store.Delivery, error) {
	var claimed []store.Delivery
	err := s.writer.Do(ctx, nil, func(t *tx) (err error) {
		if err := t.direct(); err != nil {
			return err
		}
		now, limit := t.leaseClock(), max(limit, 0)
		rows, err := t.conn.QueryContext(background, claimChecksSQL, target, now, store.MaxWait.Milliseconds(), owner,
			now+max(lease.Milliseconds(), 1), now-due.Interval.Milliseconds(), now-due.Fresh.Milliseconds(), (limit+1)/2, limit)
		if err != nil {
			return fmt.Errorf("claim checks: %w", err)
		}
		claimed, err = scanDeliveries(rows, now)
		return err
	})
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(claimed, groupcommit.CheckOrder)
	return claimed, nil
}

// RecordCheck keeps what was found and ends the lease.
func (s *Store) RecordCheck(ctx context.Context, check store.Check) error {
	return s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		d := check.Delivery
		result, err := t.conn.ExecContext(background, recordCheckSQL, d.InDoubt, t.at, d.Reason, d.Fault, d.RemoteID, d.ETag, d.Accepted, d.Repairs,
			check.Looked, check.Read, t.leaseClock(), d.Target, d.Key.Type, d.Key.ID, d.Member, d.Owner, d.LeaseUntil.UnixMilli(), d.Wanted)
		if err != nil {
			return fmt.Errorf("record a check: %w", err)
		}
		recorded, err := result.RowsAffected()
		if err == nil && recorded == 0 {
			return store.ErrLeaseLost
		}
		return err
	})
}

// Copies tells of each target how its copies stand.
func (s *Store) Copies(ctx context.Context) (all []store.Copies, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.reads.QueryContext(ctx, searchsql.Copies("delivery"))
	if err != nil {
		return nil, fmt.Errorf("count copies: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var c store.Copies
		var oldest int64
		if err := rows.Scan(&c.Target, &c.Differing, &oldest); err != nil {
			return nil, fmt.Errorf("read copies: %w", err)
		}
		c.Oldest = moment(oldest)
		all = append(all, c)
	}
	return all, rows.Err()
}
