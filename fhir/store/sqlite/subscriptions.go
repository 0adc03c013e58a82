package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// subscriptionColumns are what scanSubscription reads.
const subscriptionColumns = `id, owner, version, last_updated, body, private, status, fault, events, delivered,
	attempts, sent, failing, due, lease, lease_until`

// scanSubscription reads a subscription, and what else a row has.
func scanSubscription(row scanner, more ...any) (store.Subscription, error) {
	var s store.Subscription
	var updated, sent, failing, due, until int64
	err := row.Scan(append([]any{&s.ID, &s.Owner, &s.Version, &updated, &s.Body, &s.Private, &s.Status, &s.Fault, &s.Events, &s.Delivered,
		&s.Attempts, &sent, &failing, &due, &s.Lease, &until}, more...)...)
	if errors.Is(err, sql.ErrNoRows) {
		return store.Subscription{}, store.ErrNotFound
	}
	if err != nil {
		return store.Subscription{}, fmt.Errorf("read a subscription: %w", err)
	}
	s.LastUpdated, s.Sent, s.Failing, s.Due, s.LeaseUntil = moment(updated), moment(sent), moment(failing), moment(due), moment(until)
	return s, nil
}

// changed makes the next batch look again for subscriptions that are not off.
func (b *backend) changed() { b.seen = -1 }

// Event records that a version is something that subscriptions may tell of.
func (t *tx) Event(key store.Key, version int64) error {
	rid, known := t.written[key]
	if !known {
		h, err := t.lookup(key)
		if err != nil {
			return err
		}
		rid = h.rid
	}
	if t.live {
		t.rows.happened.add(happenedRow{rid: rid, version: version, at: t.at, trace: t.trace})
	}
	return nil
}

// Subscription gives one.
func (t *tx) Subscription(id string) (store.Subscription, error) {
	if err := t.direct(); err != nil {
		return store.Subscription{}, err
	}
	return scanSubscription(t.conn.QueryRowContext(background, "SELECT "+subscriptionColumns+" FROM subscription WHERE id = ?", id))
}

// Subscriptions counts those of an owner.
func (t *tx) Subscriptions(owner string) (count int, err error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	err = t.conn.QueryRowContext(background, "SELECT count(*) FROM subscription WHERE owner = ?", owner).Scan(&count)
	return count, err
}

// putSubscriptionSQL writes the next version. What has happened while it was off,
// or before it was, lies before since.
const putSubscriptionSQL = `INSERT INTO subscription (id, owner, version, last_updated, body, private, status, fault, since, attempts, sent, failing, due, planned)
	VALUES (?, ?, 1, ?, ?, ?, ?, ?, (SELECT coalesce(max(seq), 0) FROM happened), ?, ?, ?, ?, ?)
	ON CONFLICT (id) DO UPDATE SET owner = excluded.owner, version = version + 1, last_updated = excluded.last_updated,
		body = excluded.body, private = excluded.private, status = excluded.status, fault = excluded.fault,
		since = CASE WHEN status = 'off' THEN excluded.since ELSE since END,
		attempts = excluded.attempts, sent = excluded.sent, failing = excluded.failing, due = excluded.due, planned = excluded.planned,
		lease = '', lease_until = 0
	RETURNING ` + subscriptionColumns

// PutSubscription writes the next version of a subscription.
func (t *tx) PutSubscription(s store.Subscription) (store.Subscription, error) {
	if err := t.direct(); err != nil {
		return store.Subscription{}, err
	}
	t.changed()
	t.live = t.live || s.Status != store.SubscriptionOff
	return scanSubscription(t.conn.QueryRowContext(background, putSubscriptionSQL, s.ID, s.Owner, t.at, notNil(s.Body), notNil(s.Private), s.Status, s.Fault,
		s.Attempts, searchsql.Moment(s.Sent), searchsql.Moment(s.Failing), searchsql.Moment(s.Due), t.clock().UnixMilli()))
}

// notNil is what SQLite takes for no bytes; nil would be NULL.
func notNil(data []byte) []byte {
	if data == nil {
		return []byte{}
	}
	return data
}

// DeleteSubscription removes one with its events.
func (t *tx) DeleteSubscription(id string) error {
	if err := t.direct(); err != nil {
		return err
	}
	t.changed()
	result, err := t.conn.ExecContext(background, "DELETE FROM subscription WHERE id = ?", id)
	if err != nil {
		return fmt.Errorf("delete a subscription: %w", err)
	}
	if deleted, err := result.RowsAffected(); err != nil || deleted == 0 {
		return errors.Join(err, store.ErrNotFound)
	}
	if _, err := t.conn.ExecContext(background, "DELETE FROM notification WHERE sid = ?", id); err != nil {
		return fmt.Errorf("delete the events of a subscription: %w", err)
	}
	return nil
}

// Subscription gives one.
func (s *Store) Subscription(ctx context.Context, id string) (store.Subscription, error) {
	if err := s.enter(); err != nil {
		return store.Subscription{}, err
	}
	defer s.leave()
	return scanSubscription(s.reads.QueryRowContext(ctx, "SELECT "+subscriptionColumns+" FROM subscription WHERE id = ?", id))
}

// Subscriptions gives those of some owners.
func (s *Store) Subscriptions(ctx context.Context, owners []string) ([]store.Subscription, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	where, args := "", make([]any, len(owners))
	for i, owner := range owners {
		args[i] = owner
	}
	if owners != nil {
		where = " WHERE owner IN (" + strings.TrimPrefix(strings.Repeat(", ?", len(owners)), ", ") + ")"
	}
	return subscriptionsOf(s.reads.QueryContext(ctx, "SELECT "+subscriptionColumns+" FROM subscription"+where+" ORDER BY id", args...))
}

// subscriptionsOf reads all rows of a query.
func subscriptionsOf(rows *sql.Rows, err error) (found []store.Subscription, _ error) {
	if err != nil {
		return nil, fmt.Errorf("read subscriptions: %w", err)
	}
	for rows.Next() {
		subscription, err := scanSubscription(rows)
		if err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		found = append(found, subscription)
	}
	return found, errors.Join(rows.Err(), rows.Close())
}

// Events gives events of a subscription by their numbers.
func (s *Store) Events(ctx context.Context, id string, from, to int64, limit int) (events []store.Event, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.reads.QueryContext(ctx, `SELECT n.number, r.type, r.id, n.version, n.at, n.trace
		FROM notification n JOIN resource r ON r.rid = n.rid
		WHERE n.sid = ? AND n.number BETWEEN ? AND ? ORDER BY n.number LIMIT ?`, id, from, to, max(limit, 0))
	if err != nil {
		return nil, fmt.Errorf("read the events of a subscription: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var event store.Event
		var at int64
		if err := rows.Scan(&event.Number, &event.Key.Type, &event.Key.ID, &event.Version, &at, &event.Trace); err != nil {
			return nil, fmt.Errorf("read an event of a subscription: %w", err)
		}
		event.At = moment(at)
		events = append(events, event)
	}
	return events, rows.Err()
}
