package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// wantTail ends the statement that wants versions. A version not above the one
// wanted already changes nothing; a higher one is due at once, and frees a
// delivery that was parked for the sake of an earlier version.
const wantTail = `ON CONFLICT (target, rid, member) DO UPDATE SET
	wanted_since = CASE WHEN delivered < wanted THEN wanted_since ELSE excluded.wanted_since END,
	wanted = excluded.wanted, retract = excluded.retract, due = excluded.due, parked = 0, reason = '', fault = ''
	WHERE excluded.wanted > wanted`

// deliveryColumns are what scanDelivery reads.
const deliveryColumns = `target,
	(SELECT r.type FROM resource r WHERE r.rid = delivery.rid),
	(SELECT r.id FROM resource r WHERE r.rid = delivery.rid),
	member, wanted, delivered, retract, in_doubt, begun, remote_id, etag, attempts, due,
	coalesce(wanted_since, 0), parked, reason, fault, parked = 1 AND dropped = wanted, changed,
	accepted, repairs, fresh, looked, checked, owner, lease_until`

// pending are the deliveries that need something done, as the index
// delivery_due has them.
const pending = "(wanted <> delivered OR in_doubt = 1)"

// claimable begins a query for what may be claimed, unless a lease holds it: one
// that has not run out, that nobody took while the clock was ahead, and that is
// not for a look only.
const claimable = `SELECT target, rid, member FROM delivery
		WHERE target = ?1 AND ` + pending + ` AND parked = 0 AND (lease_until <= ?2 OR lease_until > ?2 + ?3 OR checking = 1)`

// claimSQL leases what is due, and behind that what was put off beyond MaxWait:
// two ranges of the index delivery_due, whose rows are then found by their key. Where an attempt had begun under a lease
// that ran out, nobody knows what became of it.
const claimSQL = `UPDATE delivery
	SET owner = ?4, lease_until = ?5, in_doubt = max(in_doubt, begun), begun = 0, checking = 0
	FROM (
		SELECT * FROM (` + claimable + ` AND due <= ?6 ORDER BY due, rid, member LIMIT ?7)
		UNION ALL SELECT * FROM (` + claimable + ` AND due > max(?6, ?2 + ?3) ORDER BY due LIMIT ?7)
		LIMIT ?7) AS c
	WHERE delivery.target = c.target AND delivery.rid = c.rid AND delivery.member = c.member
	RETURNING ` + deliveryColumns

// place finds a delivery.
const place = ` WHERE target = ? AND rid = (SELECT rid FROM resource WHERE type = ? AND id = ?) AND member = ?`

// fence finds a delivery for the holder of its lease only. Owner and end of the
// lease together tell a lease from every other, even of the same owner.
const fence = place + `
	AND owner = ? AND lease_until = ?`

// startSQL marks that an attempt begins, which only a running lease allows.
const startSQL = "UPDATE delivery SET begun = 1, attempts = attempts + 1" + fence + " AND lease_until > ?"

// leasedSQL reads what a Record starts from.
const leasedSQL = "SELECT rid, wanted, delivered, attempts FROM delivery" + fence

// recordSQL keeps an outcome and ends the lease.
const recordSQL = `UPDATE delivery SET delivered = ?, begun = 0, in_doubt = ?, remote_id = ?, etag = ?,
	attempts = ?, due = ?, parked = ?, reason = ?, fault = ?, changed = ?, accepted = ?, looked = ?, fresh = 1,
	repairs = CASE WHEN ? > delivered THEN 0 ELSE repairs END, dropped = 0, owner = '', lease_until = 0,
	wanted_since = CASE WHEN wanted = ? AND ? = 0 THEN NULL ELSE wanted_since END
	WHERE target = ? AND rid = ? AND member = ?`

// supersededSQL asks whether a version as high is wanted already.
const supersededSQL = "SELECT EXISTS (SELECT 1 FROM delivery WHERE target = ? AND rid = ? AND wanted >= ?)"

// dropSQL wants the members as retracted that a version does not have any more.
const dropSQL = `UPDATE delivery SET
	wanted_since = CASE WHEN delivered < wanted THEN wanted_since ELSE ? END,
	wanted = ?, retract = 1, due = ?, parked = 0, reason = '', fault = ''
	WHERE target = ? AND rid = ? AND retract = 0 AND member NOT IN (SELECT value FROM json_each(?))`

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
		t.rows.wants.add(wantRow{target: target, rid: rid, member: member, version: version, retract: retract, at: t.at})
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
	if err := t.stmt.superseded.QueryRowContext(background, of.target, of.rid, version).Scan(&superseded); err != nil {
		return false, fmt.Errorf("read what is wanted: %w", err)
	}
	if superseded {
		return true, nil
	}
	list, err := json.Marshal(kept)
	if err != nil {
		return false, err
	}
	if _, err := t.stmt.drop.ExecContext(background, t.at, version, t.at, of.target, of.rid, string(list)); err != nil {
		return false, fmt.Errorf("retract members: %w", err)
	}
	return false, nil
}

// Claim leases deliveries that are due, see store.Deliveries.
func (s *Store) Claim(ctx context.Context, target, owner string, lease time.Duration, limit int) ([]store.Delivery, error) {
	var claimed []store.Delivery
	err := s.writer.Do(ctx, nil, func(t *tx) (err error) {
		claimed, err = t.claim(target, owner, lease, limit)
		return err
	})
	if err != nil {
		return nil, err
	}
	return claimed, nil
}

// leaseClock is what leases run by: the clock itself, since t.at stands still
// while the clock is behind what was written once.
func (t *tx) leaseClock() int64 { return t.clock().UnixMilli() }

// claim is the job of Claim.
func (t *tx) claim(target, owner string, lease time.Duration, limit int) ([]store.Delivery, error) {
	if err := t.direct(); err != nil {
		return nil, err
	}
	now := t.leaseClock()
	rows, err := t.stmt.claim.QueryContext(background, target, now, store.MaxWait.Milliseconds(),
		owner, now+max(lease.Milliseconds(), 1), t.at, max(limit, 0))
	if err != nil {
		return nil, fmt.Errorf("claim deliveries: %w", err)
	}
	claimed, err := scanDeliveries(rows, now)
	slices.SortStableFunc(claimed, groupcommit.ClaimOrder)
	return claimed, err
}

// Begin records that an attempt to send starts.
func (s *Store) Begin(ctx context.Context, delivery store.Delivery) error {
	return s.BeginAll(ctx, []store.Delivery{delivery})[0]
}

// BeginAll records it of many, in one job.
func (s *Store) BeginAll(ctx context.Context, deliveries []store.Delivery) []error {
	return s.each(ctx, deliveries, (*tx).start)
}

// each runs a job for each of some deliveries, as one job of the writer. What is
// found out before anything of one is written is the answer to that one; any other
// fault is the answer to all.
func (s *Store) each(ctx context.Context, deliveries []store.Delivery, job func(*tx, store.Delivery) error) []error {
	answers := make([]error, len(deliveries))
	if len(deliveries) == 0 {
		return answers
	}
	err := s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		refused := 0
		for i, d := range deliveries {
			answers[i] = job(t, d)
			var own answer
			switch {
			case errors.As(answers[i], &own):
				answers[i] = own.error
				refused++
			case answers[i] != nil:
				return answers[i]
			}
		}
		if refused == len(deliveries) {
			return errNothing // so that no disk is flushed for it
		}
		return nil
	})
	if err != nil && !errors.Is(err, errNothing) {
		for i := range answers {
			answers[i] = err
		}
	}
	return answers
}

// answer is what a job says of one delivery of several.
type answer struct{ error }

// Unwrap gives what it says.
func (a answer) Unwrap() error { return a.error }

// errNothing says that a job had nothing to write.
var errNothing = errors.New("store: nothing to write")

// start is the part of Begin for one delivery.
func (t *tx) start(d store.Delivery) error {
	result, err := t.stmt.start.ExecContext(background, append(fenceArgs(d), t.leaseClock())...)
	if err != nil {
		return fmt.Errorf("begin an attempt: %w", err)
	}
	begun, err := result.RowsAffected()
	if err == nil && begun == 0 {
		return answer{store.ErrLeaseLost}
	}
	return err
}

// fenceArgs are the values of fence.
func fenceArgs(delivery store.Delivery) []any {
	return []any{delivery.Target, delivery.Key.Type, delivery.Key.ID, delivery.Member, delivery.Owner, delivery.LeaseUntil.UnixMilli()}
}

// Record keeps the outcome of a claimed delivery and ends its lease.
func (s *Store) Record(ctx context.Context, delivery store.Delivery) error {
	return s.RecordAll(ctx, []store.Delivery{delivery})[0]
}

// RecordAll keeps those of many, in one job.
func (s *Store) RecordAll(ctx context.Context, deliveries []store.Delivery) []error {
	return s.each(ctx, deliveries, (*tx).record)
}

// record is the part of Record for one delivery. What was wanted meanwhile is in the row only, not
// in the delivery the worker holds.
func (t *tx) record(d store.Delivery) error {
	var rid, wanted, delivered, attempts int64
	err := t.stmt.leased.QueryRowContext(background, fenceArgs(d)...).Scan(&rid, &wanted, &delivered, &attempts)
	if errors.Is(err, sql.ErrNoRows) {
		return answer{store.ErrLeaseLost}
	}
	if err != nil {
		return fmt.Errorf("read a delivery: %w", err)
	}
	if d.Delivered > wanted {
		return answer{fmt.Errorf("store: version %d delivered, but only %d wanted", d.Delivered, wanted)}
	}
	delivered = max(delivered, d.Delivered)
	reached, moved := d.Delivered >= d.Wanted && !d.InDoubt, wanted > d.Wanted
	if reached {
		attempts = 0
	}
	due := d.Due.UnixMilli()
	if moved && (reached || d.Parked) {
		due = t.at
	}
	_, err = t.stmt.record.ExecContext(background, delivered, d.InDoubt, d.RemoteID, d.ETag,
		attempts, due, d.Parked && !moved, d.Reason, d.Fault, t.at,
		d.Accepted, t.leaseClock(), delivered, delivered, d.InDoubt, d.Target, rid, d.Member)
	if err != nil {
		return fmt.Errorf("record a delivery: %w", err)
	}
	return nil
}

// Delivery gives the state of one member of a resource at one target.
func (s *Store) Delivery(ctx context.Context, target string, key store.Key, member string) (store.Delivery, error) {
	if err := s.enter(); err != nil {
		return store.Delivery{}, err
	}
	defer s.leave()
	row := s.reads.QueryRowContext(ctx, "SELECT "+deliveryColumns+" FROM delivery"+place, target, key.Type, key.ID, member)
	return scanDelivery(row, s.clock().UnixMilli())
}

// Members gives the state of all members of a resource at one target.
func (s *Store) Members(ctx context.Context, target string, key store.Key) (members []store.Delivery, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.reads.QueryContext(ctx, "SELECT "+deliveryColumns+` FROM delivery
		WHERE target = ? AND rid = (SELECT rid FROM resource WHERE type = ? AND id = ?) ORDER BY member`, target, key.Type, key.ID)
	if err != nil {
		return nil, fmt.Errorf("read the members of a delivery: %w", err)
	}
	return scanDeliveries(rows, s.clock().UnixMilli())
}

// scanDeliveries reads the states of deliveries at a time.
func scanDeliveries(rows *sql.Rows, now int64) (all []store.Delivery, err error) {
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		delivery, err := scanDelivery(rows, now)
		if err != nil {
			return nil, err
		}
		all = append(all, delivery)
	}
	return all, rows.Err()
}

// scanDelivery reads the state of a delivery at a time.
func scanDelivery(row scanner, now int64) (store.Delivery, error) {
	var d store.Delivery
	var due, since, changed, looked, checked, until int64
	var begun bool
	err := row.Scan(&d.Target, &d.Key.Type, &d.Key.ID, &d.Member, &d.Wanted, &d.Delivered, &d.Retract, &d.InDoubt, &begun,
		&d.RemoteID, &d.ETag, &d.Attempts, &due, &since, &d.Parked, &d.Reason, &d.Fault, &d.Dropped, &changed,
		&d.Accepted, &d.Repairs, &d.Fresh, &looked, &checked, &d.Owner, &until)
	if errors.Is(err, sql.ErrNoRows) {
		return store.Delivery{}, store.ErrNotFound
	}
	if err != nil {
		return store.Delivery{}, fmt.Errorf("read a delivery: %w", err)
	}
	d.InDoubt = d.InDoubt || begun && until <= now
	d.Due, d.WantedSince, d.Changed, d.LeaseUntil = moment(due), moment(since), moment(changed), moment(until)
	d.Looked, d.Checked = moment(looked), moment(checked)
	return d, nil
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
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	now := s.clock()
	rows, err := s.reads.QueryContext(ctx, `SELECT target,
			sum(parked = 0), sum(in_doubt = 1 OR (begun = 1 AND lease_until <= ?)), sum(parked = 1 AND dropped <> wanted),
			sum((parked = 0 OR dropped <> wanted) AND wanted_since < ?), coalesce(min(wanted_since) FILTER (WHERE parked = 0), 0)
		FROM delivery WHERE `+pending+` GROUP BY target ORDER BY target`, now.UnixMilli(), now.Add(-store.Promptly).UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("count the backlog: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var b store.Backlog
		var oldest int64
		if err := rows.Scan(&b.Target, &b.Pending, &b.InDoubt, &b.Parked, &b.Overdue, &oldest); err != nil {
			return nil, fmt.Errorf("read the backlog: %w", err)
		}
		b.Oldest = moment(oldest)
		backlogs = append(backlogs, b)
	}
	return backlogs, rows.Err()
}
