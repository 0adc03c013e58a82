package postgres

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// clockSQL begins a statement that goes by the clock: now is the time of the
// first value, or of the database if that is 0, and written the latest time
// anything was written at, which the clock may have fallen behind.
const clockSQL = `WITH clock AS MATERIALIZED (
	SELECT now, greatest(at, now) AS written
	FROM (SELECT at, CASE WHEN $1::bigint = 0 THEN ` + wallSQL + ` ELSE $1::bigint END AS now FROM clock) c)`

// deliveryColumns are what scanDelivery reads, of delivery d; the last says
// whether a begun attempt has outlived its lease.
const deliveryColumns = `d.target,
	(SELECT r.type FROM resource r WHERE r.rid = d.rid),
	(SELECT r.id FROM resource r WHERE r.rid = d.rid),
	d.member, d.wanted, d.delivered, d.retract = 1,
	d.in_doubt = 1 OR (d.begun = 1 AND d.lease_until <= (SELECT now FROM clock)),
	d.remote_id, d.etag, d.attempts, d.due,
	coalesce(d.wanted_since, 0), d.parked = 1, d.reason, d.fault, d.parked = 1 AND d.dropped = d.wanted, d.changed,
	d.accepted, d.repairs, d.fresh = 1, d.looked, d.checked, d.owner, d.lease_until, d.trace`

// pending are the deliveries that need something done, as the index
// delivery_due has them.
const pending = "(d.wanted <> d.delivered OR d.in_doubt = 1)"

// claimable begins a query for what may be claimed, unless a lease holds it: one
// that has not run out, that nobody took while the clock was ahead, and that is
// not for a look only.
const claimable = `SELECT d.target, d.rid, d.member FROM deliveries d
		WHERE d.target = $2 AND ` + pending + ` AND d.parked = 0
			AND (d.lease_until <= (SELECT now FROM clock) OR d.lease_until > (SELECT now FROM clock) + $6::bigint OR d.checking = 1)`

// claimSQL leases what is due and what no other worker is just claiming, and
// behind that what only a clock that was ahead made late: what was put off beyond
// MaxWait, and, while the clock is behind what was written, what was due at once when it
// was written, which has no reason to wait, and what was put off after the time it is
// now. These are ranges of the index delivery_due. A doubt among them loses its reason,
// since nobody waited for what may still be on its way. An attempt begins with each. Where one had begun under a lease that
// ran out, nobody knows what became of it.
const claimSQL = clockSQL + `, due AS MATERIALIZED (` + claimable + `
			AND d.due <= (SELECT now FROM clock)
		ORDER BY d.due, d.rid, d.member LIMIT $3 FOR UPDATE OF d SKIP LOCKED),
	late AS MATERIALIZED (` + claimable + `
			AND d.due > (SELECT now + $6::bigint FROM clock)
		ORDER BY d.due LIMIT $3 FOR UPDATE OF d SKIP LOCKED),
	ahead AS MATERIALIZED (` + claimable + `
			AND (SELECT now < written FROM clock)
			AND d.due > (SELECT now FROM clock) AND d.due <= (SELECT now + $6::bigint FROM clock)
			AND (d.reason = '' OR d.looked > (SELECT now FROM clock))
		ORDER BY d.due LIMIT $3 FOR UPDATE OF d SKIP LOCKED)
	UPDATE deliveries d
	SET owner = $4, lease_until = (SELECT now FROM clock) + $5::bigint, in_doubt = greatest(d.in_doubt, d.begun), begun = 1, checking = 0,
		attempts = d.attempts + 1, due = least(d.due, (SELECT now FROM clock)),
		reason = CASE WHEN d.in_doubt = 1 AND d.due > (SELECT now FROM clock) THEN '' ELSE d.reason END
	FROM (SELECT * FROM due UNION ALL SELECT * FROM late UNION ALL SELECT * FROM ahead LIMIT $3) c
	WHERE d.target = c.target AND d.rid = c.rid AND d.member = c.member
	RETURNING ` + deliveryColumns

// place finds a delivery.
const place = ` WHERE d.target = $2 AND d.rid = (SELECT rid FROM resource WHERE type = $3 AND id = $4) AND d.member = $5`

// fence finds a delivery for the holder of its lease only. Owner and end of the
// lease together tell a lease from every other, even of the same owner.
const fence = place + ` AND d.owner = $6 AND d.lease_until = $7`

// fenceArgs are the values of a fence, behind the time.
func (s *Store) fenceArgs(d store.Delivery, more ...any) []any {
	args := []any{s.now(), d.Target, indexed(d.Key.Type), indexed(d.Key.ID), d.Member, plain(d.Owner), d.LeaseUntil.UnixMilli()}
	return append(args, more...)
}

// startSQL marks what the claim marked, which only a running lease allows.
const startSQL = clockSQL + " UPDATE deliveries d SET begun = 1" + fence +
	" AND d.lease_until > (SELECT now FROM clock)"

// dropSQL wants the members as retracted that a version does not have any more,
// unless a version as high is wanted already, which it tells.
const dropSQL = `WITH superseded AS MATERIALIZED (
		SELECT EXISTS (SELECT 1 FROM deliveries d WHERE d.target = $1 AND d.rid = $2 AND d.wanted >= $3) AS yes),
	dropped AS (
		UPDATE deliveries d SET
			wanted_since = CASE WHEN d.delivered < d.wanted THEN d.wanted_since ELSE $4 END,
			wanted = $3, retract = 1, due = $4, parked = 0, reason = '', fault = '', trace = $6
		WHERE d.target = $1 AND d.rid = $2 AND d.retract = 0 AND d.member <> ALL ($5::text[])
			AND NOT (SELECT yes FROM superseded))
	SELECT yes FROM superseded`

// wish is what one target is to hold of one resource.
type wish struct {
	target string
	rid    int64
}

// Want records that a target should hold a version.
func (t *tx) Want(target string, key store.Key, version int64, retract bool, members ...string) error {
	rid, known := t.written[key]
	if !known {
		h, err := t.lookup(key)
		if err != nil {
			return err
		}
		rid = h.rid
	}
	members = groupcommit.Members(members)
	of := wish{target, rid}
	_, again := t.wished[of]
	if _, fresh := t.fresh[key]; !fresh || again || version > 1 {
		superseded, err := t.dropMembers(of, version, members)
		if err != nil || superseded {
			return err
		}
	}
	t.wished[of] = struct{}{}
	for _, member := range members {
		rows := &t.rows.members
		if member == store.Whole {
			rows = &t.rows.wants
		}
		rows.add(wantRow{target: target, rid: rid, member: member, version: version, retract: retract, at: t.at, trace: t.trace})
	}
	return nil
}

// dropMembers wants what a version does not have any more as retracted, unless a
// version as high is wanted already. The first version of a resource that this
// batch creates needs neither.
func (t *tx) dropMembers(of wish, version int64, kept []string) (superseded bool, err error) {
	if err := t.direct(); err != nil {
		return false, err
	}
	err = t.row("retract members", dropSQL, []any{of.target, of.rid, version, t.at, kept, t.trace}, &superseded)
	return superseded, err
}

// claimLimit is how long a claim may take once it has begun.
const claimLimit = 10 * time.Second

// whole lets a claim that begins before the context ends run to its end: were it cut off,
// nobody would know what it leased, and that would lie still until the lease runs out.
func whole(ctx context.Context) (context.Context, context.CancelFunc, error) {
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), claimLimit)
	return ctx, cancel, nil
}

// Claim leases deliveries that are due, see store.Deliveries. A claim that a failover
// might undo is none: nothing may be sent that nobody would know of.
func (s *Store) Claim(ctx context.Context, target, owner string, lease time.Duration, limit int) (claimed []store.Delivery, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	ctx, end, err := whole(ctx)
	if err != nil {
		return nil, err
	}
	defer end()
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return nil, wrap("claim deliveries", err)
	}
	defer conn.Release()
	session := conn.Conn().PgConn()
	leftAlone(session) // what a statement before it warned of is another matter
	rows, err := conn.Query(ctx, claimSQL, s.now(), target, max(limit, 0), plain(owner), max(lease.Milliseconds(), 1),
		store.MaxWait.Milliseconds())
	if err == nil {
		claimed, err = scanDeliveries(rows)
	}
	switch {
	case err != nil:
		return nil, wrap("claim deliveries", err)
	case leftAlone(session):
		return nil, fmt.Errorf("%w: claim deliveries: %w", store.ErrUnknownOutcome, errAlone)
	}
	slices.SortStableFunc(claimed, groupcommit.ClaimOrder)
	return claimed, nil
}

// change runs a statement that a lease allows, and gives whether it did.
func (s *Store) change(ctx context.Context, what, query string, args []any) (bool, error) {
	changed, _, err := s.commit(ctx, what, query, args)
	return changed, err
}

// commit is change that also says whether a failover might undo it, see errAlone.
func (s *Store) commit(ctx context.Context, what, query string, args []any) (changed, alone bool, err error) {
	if err := s.enter(); err != nil {
		return false, false, err
	}
	defer s.leave()
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return false, false, wrap(what, err)
	}
	defer conn.Release()
	session := conn.Conn().PgConn()
	leftAlone(session)
	tag, err := conn.Exec(ctx, query, args...)
	return tag.RowsAffected() > 0, leftAlone(session), wrap(what, err)
}

// Begin makes sure that the lease still holds. One that a failover might undo does
// not count, as with Claim.
func (s *Store) Begin(ctx context.Context, d store.Delivery) error {
	begun, alone, err := s.commit(ctx, "begin an attempt", startSQL, s.fenceArgs(d))
	switch {
	case err != nil:
		return err
	case alone:
		return fmt.Errorf("%w: begin an attempt: %w", store.ErrUnknownOutcome, errAlone)
	case !begun:
		return store.ErrLeaseLost
	}
	return nil
}

// Delivery gives the state of one member of a resource at one target.
func (s *Store) Delivery(ctx context.Context, target string, key store.Key, member string) (delivery store.Delivery, err error) {
	err = s.read(ctx, "read a delivery", func(from queryer) (err error) {
		delivery, err = scanDelivery(from.QueryRow(ctx, clockSQL+" SELECT "+deliveryColumns+" FROM deliveries d"+place,
			s.now(), target, indexed(key.Type), indexed(key.ID), member))
		return err
	})
	if err != nil {
		return store.Delivery{}, err
	}
	return delivery, nil
}

// Members gives the state of all members of a resource at one target.
func (s *Store) Members(ctx context.Context, target string, key store.Key) (members []store.Delivery, err error) {
	err = s.read(ctx, "read the members of a delivery", func(from queryer) error {
		rows, err := from.Query(ctx, clockSQL+" SELECT "+deliveryColumns+` FROM deliveries d
			WHERE d.target = $2 AND d.rid = (SELECT rid FROM resource WHERE type = $3 AND id = $4) ORDER BY d.member`,
			s.now(), target, indexed(key.Type), indexed(key.ID))
		if err == nil {
			members, err = scanDeliveries(rows)
		}
		return err
	})
	return members, err
}

// scanDeliveries reads the states of deliveries.
func scanDeliveries(rows pgx.Rows) ([]store.Delivery, error) {
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (store.Delivery, error) { return scanDelivery(row) })
}

// scanDelivery reads the state of a delivery.
func scanDelivery(row pgx.Row) (store.Delivery, error) {
	var d store.Delivery
	var due, since, changed, looked, checked, until int64
	err := row.Scan(&d.Target, &d.Key.Type, &d.Key.ID, &d.Member, &d.Wanted, &d.Delivered, &d.Retract, &d.InDoubt,
		&d.RemoteID, &d.ETag, &d.Attempts, &due, &since, &d.Parked, &d.Reason, &d.Fault, &d.Dropped, &changed,
		&d.Accepted, &d.Repairs, &d.Fresh, &looked, &checked, &d.Owner, &until, &d.Trace)
	d.Due, d.WantedSince, d.Changed, d.LeaseUntil = moment(due), moment(since), moment(changed), moment(until)
	d.Looked, d.Checked = moment(looked), moment(checked)
	return d, err
}

// moment is the reverse of UnixMilli; 0 stands for no time.
func moment(millis int64) time.Time {
	if millis == 0 {
		return time.Time{}
	}
	return time.UnixMilli(millis).UTC()
}

// Backlog counts what is wanted and not yet delivered, by target.
func (s *Store) Backlog(ctx context.Context) (backlogs []store.Backlog, err error) {
	err = s.read(ctx, "count the backlog", func(from queryer) error {
		rows, err := from.Query(ctx, clockSQL+` SELECT d.target,
				count(*) FILTER (WHERE d.parked = 0),
				count(*) FILTER (WHERE d.in_doubt = 1 OR (d.begun = 1 AND d.lease_until <= (SELECT now FROM clock))),
				count(*) FILTER (WHERE d.parked = 1 AND d.dropped <> d.wanted),
				count(*) FILTER (WHERE (d.parked = 0 OR d.dropped <> d.wanted) AND d.wanted_since < (SELECT now FROM clock) - $2::bigint),
				coalesce(min(d.wanted_since) FILTER (WHERE d.parked = 0), 0)
			FROM deliveries d WHERE `+pending+` GROUP BY d.target ORDER BY d.target`, s.now(), store.Promptly.Milliseconds())
		if err != nil {
			return err
		}
		backlogs, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (b store.Backlog, err error) {
			var oldest int64
			err = row.Scan(&b.Target, &b.Pending, &b.InDoubt, &b.Parked, &b.Overdue, &oldest)
			b.Oldest = moment(oldest)
			return b, err
		})
		return err
	})
	return backlogs, err
}

// LastDeliveries tells when each target last held what was wanted.
func (s *Store) LastDeliveries(ctx context.Context) (last map[string]time.Time, err error) {
	err = s.read(ctx, "read the last deliveries", func(from queryer) error {
		last = map[string]time.Time{}
		rows, err := from.Query(ctx, "SELECT target, at FROM last_delivery")
		if err != nil {
			return err
		}
		var target string
		var at int64
		_, err = pgx.ForEachRow(rows, []any{&target, &at}, func() error {
			last[target] = moment(at)
			return nil
		})
		return err
	})
	return last, err
}
