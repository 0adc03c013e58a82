package postgres

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

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
	err = s.read(ctx, "look for what subscriptions are due", func(from queryer) error {
		return from.QueryRow(ctx, query, args...).Scan(&some)
	})
	return some, err
}

// distribute is the job of Distribute.
func (t *tx) distribute(limit int, match store.Match) (int, error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	happened, err := collect(t, "read what has happened", "SELECT seq, rid, version, at, trace FROM happened ORDER BY seq LIMIT $1",
		func(row pgx.CollectableRow) (h happening, err error) {
			return h, row.Scan(&h.seq, &h.rid, &h.version, &h.at, &h.trace)
		}, max(limit, 0))
	if err != nil || len(happened) == 0 {
		return 0, err
	}
	all, err := collect(t, "read subscriptions", "SELECT "+subscriptionColumns+", s.since FROM subscription s WHERE status <> 'off' ORDER BY id",
		func(row pgx.CollectableRow) (l listener, err error) {
			var r subscriptionRow
			err = row.Scan(r.into(&l.since)...)
			l.Subscription = r.subscription()
			l.before = l.Events
			return l, err
		})
	if err != nil {
		return 0, err
	}
	trip := &pgx.Batch{}
	for _, h := range happened {
		if err := t.give(trip, h, all, match); err != nil {
			return 0, err
		}
	}
	for _, l := range all {
		if l.Events > l.before {
			trip.Queue(countEventsSQL, l.Events, t.wall, l.ID)
		}
	}
	trip.Queue("DELETE FROM happened WHERE seq <= $1", happened[len(happened)-1].seq)
	return len(happened), t.lose("give what has happened to the subscriptions", t.send(trip))
}

// listener is a subscription that is not off, behind what it begins, and how many
// events it had before.
type listener struct {
	store.Subscription
	since, before int64
}

// countEventsSQL keeps the number of the newest event, which is due at once
// unless the last attempt failed.
const countEventsSQL = `UPDATE subscription SET events = $1,
	due = CASE WHEN status = 'active' AND attempts = 0 THEN $2 ELSE due END,
	planned = CASE WHEN status = 'active' AND attempts = 0 THEN $2 ELSE planned END WHERE id = $3`

// collect reads all rows of a query.
func collect[T any](t *tx, what, query string, scan pgx.RowToFunc[T], args ...any) (all []T, err error) {
	if t.lost != nil {
		return nil, t.lost
	}
	rows, err := t.conn.Query(t.ctx, query, args...)
	if err == nil {
		all, err = pgx.CollectRows(rows, scan)
	}
	return all, t.lose(what, err)
}

// give gives one thing that happened to the subscriptions that match it.
func (t *tx) give(trip *pgx.Batch, h happening, all []listener, match store.Match) error {
	var among []store.Subscription
	var places []int
	for i, l := range all {
		if l.since < h.seq {
			among, places = append(among, l.Subscription), append(places, i)
		}
	}
	if len(among) == 0 {
		return nil
	}
	resource, err := t.read(`SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid = (r.rid << 20) + $1 WHERE r.rid = $2`, h.version, h.rid)
	if err != nil {
		return err
	}
	for _, at := range match(resource, among, t.version) {
		l := &all[places[at]]
		l.Events++
		trip.Queue("INSERT INTO notification (sid, number, rid, version, at, trace) VALUES ($1, $2, $3, $4, $5, $6)",
			l.ID, l.Events, h.rid, h.version, h.at, h.trace)
	}
	return nil
}

// version reads any version of a resource.
func (t *tx) version(key store.Key, version int64) (store.Resource, error) {
	return t.read(`SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid = (r.rid << 20) + $1
		WHERE r.type = $2 AND r.id = $3`, version, indexed(key.Type), indexed(key.ID))
}

// read reads a version within the transaction.
func (t *tx) read(query string, args ...any) (store.Resource, error) {
	if t.lost != nil {
		return store.Resource{}, t.lost
	}
	resource, err := versionRowOf(t.conn.QueryRow(t.ctx, query, args...))
	if errors.Is(err, pgx.ErrNoRows) {
		return store.Resource{}, store.ErrNotFound
	}
	if err != nil {
		return store.Resource{}, t.lose("read a version", err)
	}
	resource.Body, err = t.codec.Unpack(resource.Body)
	return resource, err
}

// dueSQL finds a subscription that is due at the time of a clock. Planned much
// later than that says that the clock was set back.
const dueSQL = `SELECT d.id FROM subscription d, clock
	WHERE d.due <> 0 AND (d.due <= clock.now OR d.planned > clock.now + $2) AND (d.lease_until <= clock.now OR d.planned > clock.now + $2)
	ORDER BY d.due, d.id LIMIT 1`

// ClaimSubscription leases one that is due. Only where there is one does it
// write.
func (s *Store) ClaimSubscription(ctx context.Context, worker string, lease time.Duration) (claimed store.Subscription, err error) {
	slack := searchsql.ClockSlack.Milliseconds()
	some, err := s.exists(ctx, clockSQL+" SELECT EXISTS ("+dueSQL+")", s.now(), slack)
	if err != nil {
		return store.Subscription{}, err
	}
	if !some {
		return store.Subscription{}, store.ErrNotFound
	}
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		claimed, err = t.oneSubscription("claim a subscription", clockSQL+`
			UPDATE subscription s SET lease = $3, lease_until = (SELECT now FROM clock) + $4::bigint, planned = (SELECT now FROM clock)
			WHERE s.id = (`+dueSQL+`) RETURNING `+subscriptionColumns, s.now(), slack, plain(worker), max(lease.Milliseconds(), 1))
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
	version = version + CASE WHEN status <> $1::text OR fault <> $2::text THEN 1 ELSE 0 END,
	last_updated = CASE WHEN status <> $1::text OR fault <> $2::text THEN $14::bigint ELSE last_updated END,
	status = $1::text, fault = $2::text, delivered = greatest(delivered, least($3::bigint, events)),
	attempts = $4::bigint, sent = $5, failing = $6,
	due = CASE WHEN $1::text = 'active' AND $4::bigint = 0 AND events > $7::bigint THEN $8::bigint ELSE $9::bigint END, planned = $8::bigint,
	lease = '', lease_until = 0
	WHERE id = $10 AND version = $11 AND lease = $12 AND lease_until = $13`

// RecordSubscription keeps the state of a claimed subscription.
func (s *Store) RecordSubscription(ctx context.Context, r store.Subscription, forget time.Time) error {
	return s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		recorded, err := t.exec("record a subscription", recordSubscriptionSQL, string(r.Status), plain(r.Fault), r.Delivered, int64(r.Attempts),
			searchsql.Moment(r.Sent), searchsql.Moment(r.Failing), r.Events, t.wall, searchsql.Moment(r.Due),
			indexed(r.ID), r.Version, plain(r.Lease), r.LeaseUntil.UnixMilli(), t.at)
		if err == nil && recorded == 0 {
			err = store.ErrLeaseLost
		}
		if err != nil {
			return err
		}
		_, err = t.exec("forget old events of a subscription", `DELETE FROM notification WHERE sid = $1 AND number IN (SELECT number FROM notification
			WHERE sid = $1 AND number <= $2 AND at < $3 ORDER BY number LIMIT $4)`, indexed(r.ID), r.Delivered, searchsql.Millis(forget), searchsql.ForgetAtOnce)
		return err
	})
}
