package postgres

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// checkable begins a query for copies to look at, as the index delivery_looked
// has them, unless a lease holds them.
const checkable = `SELECT d.target, d.rid, d.member FROM deliveries d
		WHERE d.target = $2 AND d.wanted = d.delivered AND d.in_doubt = 0
			AND (d.lease_until <= (SELECT now FROM clock) OR d.lease_until > (SELECT now FROM clock) + $6::bigint)`

// claimChecksSQL leases what is to be looked at: of what was looked at before up
// to half, then what is fresh, and what was looked at while the clock was ahead.
const claimChecksSQL = clockSQL + `, seen AS MATERIALIZED (` + checkable + `
			AND d.fresh = 0 AND d.looked <= (SELECT now FROM clock) - $7::bigint
		ORDER BY d.looked, d.rid, d.member LIMIT ($3::bigint + 1) / 2 FOR UPDATE OF d SKIP LOCKED),
	fresh AS MATERIALIZED (` + checkable + `
			AND d.fresh = 1 AND d.looked <= (SELECT now FROM clock) - $8::bigint
		ORDER BY d.looked, d.rid, d.member LIMIT $3 FOR UPDATE OF d SKIP LOCKED),
	ahead AS MATERIALIZED (` + checkable + `
			AND d.fresh IN (0, 1) AND d.looked > (SELECT now FROM clock) + $6::bigint
		ORDER BY d.looked LIMIT $3 FOR UPDATE OF d SKIP LOCKED)
	UPDATE deliveries d SET owner = $4, lease_until = (SELECT now FROM clock) + $5::bigint, checking = 1
	FROM (SELECT * FROM seen UNION ALL SELECT * FROM fresh UNION ALL SELECT * FROM ahead LIMIT $3) c
	WHERE d.target = c.target AND d.rid = c.rid AND d.member = c.member
	RETURNING ` + deliveryColumns

// recordCheckSQL keeps what was found and ends the lease. A version wanted
// meanwhile is another copy than the one that was looked at.
const recordCheckSQL = clockSQL + ` UPDATE deliveries d SET
	in_doubt = $8::smallint,
	due = CASE WHEN $8::smallint = 1 THEN (SELECT now FROM clock) ELSE d.due END,
	wanted_since = CASE WHEN $8::smallint = 1 THEN (SELECT written FROM clock) ELSE d.wanted_since END,
	changed = CASE WHEN d.reason <> $9 OR d.fault <> $10 THEN (SELECT written FROM clock) ELSE d.changed END,
	reason = $9, fault = $10, remote_id = $11, etag = $12, accepted = $13, repairs = $14::bigint,
	fresh = CASE WHEN $15::smallint = 1 THEN 0 ELSE d.fresh END,
	looked = CASE WHEN $15::smallint = 1 THEN (SELECT now FROM clock) ELSE d.looked END,
	checked = CASE WHEN $16::smallint = 1 THEN (SELECT now FROM clock) ELSE d.checked END,
	checking = 0, owner = '', lease_until = 0` +
	fence + ` AND d.checking = 1 AND d.wanted = $17::bigint AND d.delivered = $17::bigint AND d.in_doubt = 0`

// ClaimChecks leases copies to look at, see store.Checks.
func (s *Store) ClaimChecks(ctx context.Context, target, owner string, lease time.Duration, due store.CheckDue, limit int) (claimed []store.Delivery, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	ctx, end, err := whole(ctx)
	if err != nil {
		return nil, err
	}
	defer end()
	rows, err := s.pool.Query(ctx, claimChecksSQL, s.now(), target, max(limit, 0), plain(owner), max(lease.Milliseconds(), 1),
		store.MaxWait.Milliseconds(), due.Interval.Milliseconds(), due.Fresh.Milliseconds())
	if err == nil {
		claimed, err = scanDeliveries(rows)
	}
	if err != nil {
		return nil, wrap("claim checks", err)
	}
	slices.SortStableFunc(claimed, groupcommit.CheckOrder)
	return claimed, nil
}

// RecordCheck keeps what was found and ends the lease.
func (s *Store) RecordCheck(ctx context.Context, check store.Check) error {
	d := check.Delivery
	recorded, err := s.change(ctx, "record a check", recordCheckSQL, s.fenceArgs(d, bit(d.InDoubt), plain(d.Reason), plain(d.Fault),
		plain(d.RemoteID), plain(d.ETag), plain(d.Accepted), d.Repairs, bit(check.Looked), bit(check.Read), d.Wanted))
	if err == nil && !recorded {
		return store.ErrLeaseLost
	}
	return err
}

// Copies tells of each target how its copies stand.
func (s *Store) Copies(ctx context.Context) (all []store.Copies, err error) {
	err = s.read(ctx, "count copies", func(from queryer) error {
		rows, err := from.Query(ctx, searchsql.Copies("deliveries"))
		if err != nil {
			return err
		}
		all, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (c store.Copies, err error) {
			var oldest int64
			err = row.Scan(&c.Target, &c.Differing, &oldest)
			c.Oldest = moment(oldest)
			return c, err
		})
		return err
	})
	return all, err
}
