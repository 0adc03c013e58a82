package sqlite

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// happening is something that happened, as Distribute takes it.
type happening struct {
	seq, rid, version, at int64
	trace                 string
}

// Distribute gives what has happened to the subscriptions, see
// store.Subscriptions. Only where there is something to do does it write.
func (s *Store) Distribute(ctx context.Context, limit int, match store.Match) (taken int, err error) {
	if some, err := s.exists(ctx, "SELECT EXISTS (SELECT 1 FROM happened)"); err != nil || !some {
		return 0, err
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		taken, err = t.distribute(limit, match)
		return err
	})
	if err != nil {
		return 0, err
	}
	return taken, nil
}

// exists asks whether there is something to do.
func (s *Store) exists(ctx context.Context, query string, args ...any) (some bool, err error) {
	if err := s.enter(); err != nil {
		return false, err
	}
	defer s.leave()
	if err := s.reads.QueryRowContext(ctx, query, args...).Scan(&some); err != nil {
		return false, fmt.Errorf("look for what subscriptions are due: %w", err)
	}
	return some, nil
}

// distribute is the job of Distribute.
func (t *tx) distribute(limit int, match store.Match) (int, error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	happened, err := t.happened(limit)
	if err != nil || len(happened) == 0 {
		return 0, err
	}
	all, since, err := t.listening()
	if err != nil {
		return 0, err
	}
	before := make([]int64, len(all))
	for i := range all {
		before[i] = all[i].Events
	}
	for _, h := range happened {
		if err := t.give(h, all, since, match); err != nil {
			return 0, err
		}
	}
	for i, s := range all {
		if s.Events == before[i] {
			continue
		}
		if err := t.countEvents(s); err != nil {
			return 0, err
		}
	}
	if _, err := t.conn.ExecContext(background, "DELETE FROM happened WHERE seq <= ?", happened[len(happened)-1].seq); err != nil {
		return 0, fmt.Errorf("forget what has happened: %w", err)
	}
	return len(happened), nil
}

// happened reads what has happened, the oldest first.
func (t *tx) happened(limit int) (found []happening, err error) {
	rows, err := t.conn.QueryContext(background, "SELECT seq, rid, version, at, trace FROM happened ORDER BY seq LIMIT ?", max(limit, 0))
	if err != nil {
		return nil, fmt.Errorf("read what has happened: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var h happening
		if err := rows.Scan(&h.seq, &h.rid, &h.version, &h.at, &h.trace); err != nil {
			return nil, fmt.Errorf("read what has happened: %w", err)
		}
		found = append(found, h)
	}
	return found, rows.Err()
}

// listening are the subscriptions that are not off, and behind what each begins.
func (t *tx) listening() (all []store.Subscription, since []int64, err error) {
	rows, err := t.conn.QueryContext(background, "SELECT "+subscriptionColumns+", since FROM subscription WHERE status <> 'off' ORDER BY id")
	if err != nil {
		return nil, nil, fmt.Errorf("read subscriptions: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var from int64
		s, err := scanSubscription(rows, &from)
		if err != nil {
			return nil, nil, err
		}
		all, since = append(all, s), append(since, from)
	}
	return all, since, rows.Err()
}

// give gives one thing that happened to the subscriptions that match it.
func (t *tx) give(h happening, all []store.Subscription, since []int64, match store.Match) error {
	var among []store.Subscription
	var places []int
	for i, s := range all {
		if since[i] < h.seq {
			among, places = append(among, s), append(places, i)
		}
	}
	if len(among) == 0 {
		return nil
	}
	resource, err := t.codec.scanVersion(t.conn.QueryRowContext(background, `SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid = (r.rid << 20) + ? WHERE r.rid = ?`, h.version, h.rid))
	if err != nil {
		return err
	}
	for _, at := range match(resource, among, t.version) {
		s := &all[places[at]]
		s.Events++
		_, err := t.conn.ExecContext(background, "INSERT INTO notification (sid, number, rid, version, at, trace) VALUES (?, ?, ?, ?, ?, ?)",
			s.ID, s.Events, h.rid, h.version, h.at, h.trace)
		if err != nil {
			return fmt.Errorf("keep an event: %w", err)
		}
	}
	return nil
}

// version reads any version of a resource.
func (t *tx) version(key store.Key, version int64) (store.Resource, error) {
	return t.codec.scanVersion(t.conn.QueryRowContext(background, `SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid = (r.rid << 20) + ?
		WHERE r.type = ? AND r.id = ?`, version, key.Type, key.ID))
}

// countEvents keeps the number of the newest event, which is due at once unless
// the last attempt failed.
func (t *tx) countEvents(s store.Subscription) error {
	now := t.clock().UnixMilli()
	_, err := t.conn.ExecContext(background, `UPDATE subscription SET events = ?,
		due = CASE WHEN status = 'active' AND attempts = 0 THEN ? ELSE due END,
		planned = CASE WHEN status = 'active' AND attempts = 0 THEN ? ELSE planned END WHERE id = ?`, s.Events, now, now, s.ID)
	if err != nil {
		return fmt.Errorf("count the events of a subscription: %w", err)
	}
	return nil
}

// dueSQL finds a subscription that is due at a time. Planned much later than that
// says that the clock was set back.
const dueSQL = `SELECT id FROM subscription
	WHERE due <> 0 AND (due <= ? OR planned > ?) AND (lease_until <= ? OR planned > ?) ORDER BY due, id LIMIT 1`

// dueArgs are the values of dueSQL.
func dueArgs(now int64) []any {
	ahead := now + searchsql.ClockSlack.Milliseconds()
	return []any{now, ahead, now, ahead}
}

// ClaimSubscription leases one that is due. Only where there is one does it
// write.
func (s *Store) ClaimSubscription(ctx context.Context, worker string, lease time.Duration) (claimed store.Subscription, err error) {
	some, err := s.exists(ctx, "SELECT EXISTS ("+dueSQL+")", dueArgs(s.clock().UnixMilli())...)
	if err != nil {
		return store.Subscription{}, err
	}
	if !some {
		return store.Subscription{}, store.ErrNotFound
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		now := t.clock().UnixMilli()
		args := append([]any{worker, now + max(lease.Milliseconds(), 1), now}, dueArgs(now)...)
		claimed, err = scanSubscription(t.conn.QueryRowContext(background, `UPDATE subscription SET lease = ?, lease_until = ?, planned = ?
			WHERE id = (`+dueSQL+`) RETURNING `+subscriptionColumns, args...))
		return err
	})
	if err != nil {
		return store.Subscription{}, err
	}
	return claimed, nil
}

// recordSubscriptionSQL keeps the state of a claimed subscription. What came
// meanwhile is in the row only, and due at once unless the attempt failed.
const recordSubscriptionSQL = `UPDATE subscription SET
	version = version + (status <> ?1 OR fault <> ?2), last_updated = CASE WHEN status <> ?1 OR fault <> ?2 THEN ?3 ELSE last_updated END,
	status = ?1, fault = ?2, delivered = max(delivered, min(?4, events)), attempts = ?5, sent = ?6, failing = ?7,
	due = CASE WHEN ?1 = 'active' AND ?5 = 0 AND events > ?8 THEN ?9 ELSE ?10 END, planned = ?9, lease = '', lease_until = 0
	WHERE id = ?11 AND version = ?12 AND lease = ?13 AND lease_until = ?14`

// RecordSubscription keeps the state of a claimed subscription.
func (s *Store) RecordSubscription(ctx context.Context, r store.Subscription, forget time.Time) error {
	return s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		t.changed()
		now := t.clock().UnixMilli()
		result, err := t.conn.ExecContext(background, recordSubscriptionSQL, r.Status, r.Fault, t.at, r.Delivered, r.Attempts,
			searchsql.Moment(r.Sent), searchsql.Moment(r.Failing), r.Events, now, searchsql.Moment(r.Due),
			r.ID, r.Version, r.Lease, r.LeaseUntil.UnixMilli())
		if err != nil {
			return fmt.Errorf("record a subscription: %w", err)
		}
		if recorded, err := result.RowsAffected(); err != nil || recorded == 0 {
			return errors.Join(err, store.ErrLeaseLost)
		}
		_, err = t.conn.ExecContext(background, `DELETE FROM notification WHERE sid = ? AND number IN (SELECT number FROM notification
			WHERE sid = ? AND number <= ? AND at < ? ORDER BY number LIMIT ?)`, r.ID, r.ID, r.Delivered, searchsql.Millis(forget), searchsql.ForgetAtOnce)
		if err != nil {
			return fmt.Errorf("forget old events of a subscription: %w", err)
		}
		return nil
	})
}
