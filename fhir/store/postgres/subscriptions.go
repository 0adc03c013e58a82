package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// subscriptionColumns are what scanSubscription reads, of subscription s.
const subscriptionColumns = `s.id, s.owner, s.version, s.last_updated, s.body, s.private, s.status, s.fault, s.events, s.delivered,
	s.attempts, s.sent, s.failing, s.due, s.lease, s.lease_until`

// subscriptionRow is where a row is read into.
type subscriptionRow struct {
	store.Subscription
	updated, sent, failing, due, until int64
}

// into are the places of the columns.
func (r *subscriptionRow) into(more ...any) []any {
	return append([]any{&r.ID, &r.Owner, &r.Version, &r.updated, &r.Body, &r.Private, &r.Status, &r.Fault, &r.Events, &r.Delivered,
		&r.Attempts, &r.sent, &r.failing, &r.due, &r.Lease, &r.until}, more...)
}

// subscription is what was read.
func (r *subscriptionRow) subscription() store.Subscription {
	s := r.Subscription
	s.LastUpdated, s.Sent, s.Failing, s.Due, s.LeaseUntil = moment(r.updated), moment(r.sent), moment(r.failing), moment(r.due), moment(r.until)
	return s
}

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

// oneSubscription reads one within the transaction.
func (t *tx) oneSubscription(what, query string, args ...any) (store.Subscription, error) {
	if err := t.direct(); err != nil {
		return store.Subscription{}, err
	}
	var row subscriptionRow
	if err := t.row(what, query, args, row.into()...); err != nil {
		return store.Subscription{}, err
	}
	return row.subscription(), nil
}

// Subscription gives one.
func (t *tx) Subscription(id string) (store.Subscription, error) {
	return t.oneSubscription("read a subscription", "SELECT "+subscriptionColumns+" FROM subscription s WHERE id = $1", indexed(id))
}

// Subscriptions counts those of an owner.
func (t *tx) Subscriptions(owner string) (count int, err error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	err = t.row("count subscriptions", "SELECT count(*) FROM subscription WHERE owner = $1", []any{indexed(owner)}, &count)
	return count, err
}

// putSubscriptionSQL writes the next version. What has happened while it was off,
// or before it was, lies before since.
const putSubscriptionSQL = `INSERT INTO subscription AS s (id, owner, version, last_updated, body, private, status, fault, since, attempts, sent, failing, due, planned)
	VALUES ($1, $2, 1, $3, $4, $5, $6, $7, (SELECT coalesce(max(seq), 0) FROM happened), $8, $9, $10, $11, $12)
	ON CONFLICT (id) DO UPDATE SET owner = excluded.owner, version = s.version + 1, last_updated = excluded.last_updated,
		body = excluded.body, private = excluded.private, status = excluded.status, fault = excluded.fault,
		since = CASE WHEN s.status = 'off' THEN excluded.since ELSE s.since END,
		attempts = excluded.attempts, sent = excluded.sent, failing = excluded.failing, due = excluded.due, planned = excluded.planned,
		lease = '', lease_until = 0
	RETURNING ` + subscriptionColumns

// PutSubscription writes the next version of a subscription.
func (t *tx) PutSubscription(s store.Subscription) (store.Subscription, error) {
	if indexed(s.ID) != s.ID || indexed(s.Owner) != s.Owner {
		return store.Subscription{}, errText
	}
	t.live = t.live || s.Status != store.SubscriptionOff
	return t.oneSubscription("write a subscription", putSubscriptionSQL, s.ID, s.Owner, t.at, notNil(s.Body), notNil(s.Private), string(s.Status), plain(s.Fault),
		s.Attempts, searchsql.Moment(s.Sent), searchsql.Moment(s.Failing), searchsql.Moment(s.Due), t.wall)
}

// notNil is what PostgreSQL takes for no bytes.
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
	deleted, err := t.exec("delete a subscription", "DELETE FROM subscription WHERE id = $1", indexed(id))
	if err == nil && deleted == 0 {
		err = store.ErrNotFound
	}
	if err != nil {
		return err
	}
	_, err = t.exec("delete the events of a subscription", "DELETE FROM notification WHERE sid = $1", indexed(id))
	return err
}

// Subscription gives one.
func (s *Store) Subscription(ctx context.Context, id string) (store.Subscription, error) {
	var row subscriptionRow
	err := s.read(ctx, "read a subscription", func(from queryer) error {
		return from.QueryRow(ctx, "SELECT "+subscriptionColumns+" FROM subscription s WHERE id = $1", indexed(id)).Scan(row.into()...)
	})
	if err != nil {
		return store.Subscription{}, err
	}
	return row.subscription(), nil
}

// Subscriptions gives those of some owners.
func (s *Store) Subscriptions(ctx context.Context, owners []string) (found []store.Subscription, err error) {
	names := make([]string, len(owners))
	for i, owner := range owners {
		names[i] = indexed(owner)
	}
	err = s.read(ctx, "read subscriptions", func(from queryer) error {
		rows, err := from.Query(ctx, "SELECT "+subscriptionColumns+" FROM subscription s WHERE $1 OR owner = ANY($2) ORDER BY id", owners == nil, names)
		if err != nil {
			return err
		}
		found, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (store.Subscription, error) {
			var r subscriptionRow
			err := row.Scan(r.into()...)
			return r.subscription(), err
		})
		return err
	})
	return found, err
}

// Events gives events of a subscription by their numbers.
func (s *Store) Events(ctx context.Context, id string, from, to int64, limit int) (events []store.Event, err error) {
	err = s.read(ctx, "read the events of a subscription", func(at queryer) error {
		rows, err := at.Query(ctx, `SELECT n.number, r.type, r.id, n.version, n.at, n.trace
			FROM notification n JOIN resource r ON r.rid = n.rid
			WHERE n.sid = $1 AND n.number BETWEEN $2 AND $3 ORDER BY n.number LIMIT $4`, indexed(id), from, to, max(limit, 0))
		if err != nil {
			return err
		}
		events, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (e store.Event, err error) {
			var at int64
			err = row.Scan(&e.Number, &e.Key.Type, &e.Key.ID, &e.Version, &at, &e.Trace)
			e.At = moment(at)
			return e, err
		})
		return err
	})
	return events, err
}
