package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// wantTail ends the statement that wants versions. A version not above the one
// wanted already changes nothing; a higher one is due at once, and frees a
// delivery that was parked for the sake of an earlier version.
const wantTail = `ON CONFLICT (target, rid, member) DO UPDATE SET
	wanted_since = CASE WHEN delivered < wanted THEN wanted_since ELSE excluded.wanted_since END,
	wanted = excluded.wanted, retract = excluded.retract, due = excluded.due, parked = 0, reason = '', fault = '', trace = excluded.trace
	WHERE excluded.wanted > wanted`

// deliveryColumns are what scanDelivery reads.
const deliveryColumns = `target,
	(SELECT r.type FROM resource r WHERE r.rid = delivery.rid),
	(SELECT r.id FROM resource r WHERE r.rid = delivery.rid), ` + deliveryState

// deliveryState are those of them behind the key.
const deliveryState = `member, wanted, delivered, retract, in_doubt, begun, remote_id, etag, attempts, due,
	coalesce(wanted_since, 0), parked, reason, fault, parked = 1 AND dropped = wanted, changed,
	accepted, repairs, fresh, looked, checked, owner, lease_until, trace`

// pending are the deliveries that need something done, as the index
// delivery_due has them.
const pending = "(wanted <> delivered OR in_doubt = 1)"

// place finds a delivery.
const place = ` WHERE target = ? AND rid = (SELECT rid FROM resource WHERE type = ? AND id = ?) AND member = ?`

// supersededSQL asks whether a version as high is wanted already.
const supersededSQL = "SELECT EXISTS (SELECT 1 FROM delivery WHERE target = ? AND rid = ? AND wanted >= ?)"

// dropSQL wants the members as retracted that a version does not have any more.
const dropSQL = `UPDATE delivery SET
	wanted_since = CASE WHEN delivered < wanted THEN wanted_since ELSE ? END,
	wanted = ?, retract = 1, due = ?, parked = 0, reason = '', fault = '', trace = ?
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
		t.rows.wants.add(wantRow{target: target, rid: rid, member: member, version: version, retract: retract, at: t.at, trace: t.trace})
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
	if _, err := t.stmt.drop.ExecContext(background, t.at, version, t.at, t.trace, of.target, of.rid, string(list)); err != nil {
		return false, fmt.Errorf("retract members: %w", err)
	}
	return false, nil
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
func scanDelivery(row scanner, now int64) (d store.Delivery, err error) {
	var begun bool
	var due, since, changed, looked, checked, until int64
	err = row.Scan(&d.Target, &d.Key.Type, &d.Key.ID, &d.Member, &d.Wanted, &d.Delivered, &d.Retract, &d.InDoubt, &begun,
		&d.RemoteID, &d.ETag, &d.Attempts, &due, &since, &d.Parked, &d.Reason, &d.Fault, &d.Dropped, &changed,
		&d.Accepted, &d.Repairs, &d.Fresh, &looked, &checked, &d.Owner, &until, &d.Trace)
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

// LastDeliveries tells when each target last held what was wanted.
func (s *Store) LastDeliveries(ctx context.Context) (last map[string]time.Time, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.reads.QueryContext(ctx, "SELECT target, at FROM last_delivery")
	if err != nil {
		return nil, fmt.Errorf("read the last deliveries: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	last = map[string]time.Time{}
	for rows.Next() {
		var target string
		var at int64
		if err := rows.Scan(&target, &at); err != nil {
			return nil, fmt.Errorf("read a last delivery: %w", err)
		}
		last[target] = moment(at)
	}
	return last, rows.Err()
}
