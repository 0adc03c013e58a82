package postgres

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
)

// recordSQL keeps outcomes and ends their leases, and gives the places of those it
// kept. What was wanted meanwhile is in the row only, not in the delivery that the
// worker holds. That a target holds what was wanted is noted once a second, by whoever
// comes first: others do not wait for that row. How the rows are locked is what differs
// between one outcome and several, see record and recordAll.
func recordSQL(lock string) string {
	return clockSQL + `, held AS MATERIALIZED (
		SELECT g.*, d.rid FROM unnest($2::text[], $3::text[], $4::text[], $5::text[], $6::text[], $7::bigint[], $8::bigint[], $9::smallint[],
			$10::text[], $11::text[], $12::bigint[], $13::bigint[], $14::smallint[], $15::text[], $16::text[], $17::text[], $18::smallint[])
			WITH ORDINALITY AS g (target, type, id, member, owner, lease_until, delivered, in_doubt,
				remote_id, etag, wanted, due, parked, reason, fault, accepted, unsent, place)
		JOIN resource r ON r.type = g.type AND r.id = g.id
		JOIN deliveries d ON d.target = g.target AND d.rid = r.rid AND d.member = g.member
			AND d.owner = g.owner AND d.lease_until = g.lease_until AND g.delivered <= d.wanted
		` + lock + `),
	recorded AS (UPDATE deliveries d SET
		delivered = greatest(d.delivered, h.delivered), begun = 0, in_doubt = h.in_doubt, remote_id = h.remote_id, etag = h.etag,
		attempts = CASE WHEN h.delivered >= h.wanted AND h.in_doubt = 0 THEN 0 ELSE greatest(d.attempts - h.unsent, 0) END,
		due = CASE WHEN d.wanted > h.wanted AND (h.delivered >= h.wanted AND h.in_doubt = 0 OR h.parked = 1) THEN (SELECT now FROM clock) ELSE h.due END,
		parked = CASE WHEN d.wanted > h.wanted THEN 0 ELSE h.parked END, reason = h.reason, fault = h.fault, dropped = 0,
		accepted = h.accepted, looked = (SELECT now FROM clock), fresh = 1, repairs = CASE WHEN h.delivered > d.delivered THEN 0 ELSE d.repairs END,
		changed = (SELECT written FROM clock), owner = '', lease_until = 0,
		wanted_since = CASE WHEN d.wanted = greatest(d.delivered, h.delivered) AND h.in_doubt = 0 THEN NULL ELSE d.wanted_since END
		FROM held h WHERE d.target = h.target AND d.rid = h.rid AND d.member = h.member
		RETURNING h.place, h.target, h.delivered >= h.wanted AND h.in_doubt = 0 AS done),
	known AS (SELECT l.target FROM last_delivery l WHERE l.target IN (SELECT target FROM recorded WHERE done)
		AND l.at NOT BETWEEN (SELECT now FROM clock) - 999 AND (SELECT now FROM clock) FOR UPDATE SKIP LOCKED),
	noted AS (UPDATE last_delivery l SET at = (SELECT now FROM clock) FROM known WHERE l.target = known.target),
	first AS (INSERT INTO last_delivery (target, at) SELECT DISTINCT target, (SELECT now FROM clock) FROM recorded
		WHERE done AND NOT EXISTS (SELECT 1 FROM last_delivery l WHERE l.target = recorded.target) ON CONFLICT DO NOTHING)
	SELECT place FROM recorded`
}

// The two ways to record. Several are locked in passing: a transaction that held some
// rows and waited for others could wait in a circle with a batch of the writer.
var (
	recordOneSQL  = recordSQL("FOR UPDATE OF d")
	recordManySQL = recordSQL("FOR UPDATE OF d SKIP LOCKED")
)

// recordArgs are the values of outcomes, a column of each as an array.
func (s *Store) recordArgs(steps []store.Step) []any {
	now := s.asker()
	return []any{
		s.now(),
		column(steps, func(s *store.Step) string { return s.Delivery.Target }),
		column(steps, func(s *store.Step) string { return indexed(s.Delivery.Key.Type) }),
		column(steps, func(s *store.Step) string { return indexed(s.Delivery.Key.ID) }),
		column(steps, func(s *store.Step) string { return s.Delivery.Member }),
		column(steps, func(s *store.Step) string { return plain(s.Delivery.Owner) }),
		column(steps, func(s *store.Step) int64 { return s.Delivery.LeaseUntil.UnixMilli() }),
		column(steps, func(s *store.Step) int64 { return s.Delivery.Delivered }),
		column(steps, func(s *store.Step) int16 { return bit(s.Delivery.InDoubt) }),
		column(steps, func(s *store.Step) string { return plain(s.Delivery.RemoteID) }),
		column(steps, func(s *store.Step) string { return plain(s.Delivery.ETag) }),
		column(steps, func(s *store.Step) int64 { return s.Delivery.Wanted }),
		column(steps, func(s *store.Step) int64 { return s.Delivery.DueBy(now).UnixMilli() }),
		column(steps, func(s *store.Step) int16 { return bit(s.Delivery.Parked) }),
		column(steps, func(s *store.Step) string { return plain(s.Delivery.Reason) }),
		column(steps, func(s *store.Step) string { return plain(s.Delivery.Fault) }),
		column(steps, func(s *store.Step) string { return plain(s.Delivery.Accepted) }),
		column(steps, func(s *store.Step) int16 { return bit(s.Unsent) }),
	}
}

// recordAtOnce is how many outcomes one statement keeps.
const recordAtOnce = 128

// Advance keeps what outcomes it can in few statements. Whatever they leave, since
// somebody else is just at it or the lease is lost, and all beginnings, have
// transactions of their own, side by side, so that they share the flushes of the server.
func (s *Store) Advance(ctx context.Context, steps []store.Step) []error {
	answers := make([]error, len(steps))
	var outcomes, rest []int
	for i := range steps {
		if steps[i].Begins {
			rest = append(rest, i)
		} else {
			outcomes = append(outcomes, i)
		}
	}
	for some := range slices.Chunk(outcomes, recordAtOnce) {
		if len(some) > 1 {
			some = s.recordAll(ctx, steps, some, answers)
		}
		rest = append(rest, some...)
	}
	var next atomic.Int64
	var running sync.WaitGroup
	for range min(len(rest), int(s.pool.Config().MaxConns)) {
		running.Go(func() {
			for k := next.Add(1) - 1; k < int64(len(rest)); k = next.Add(1) - 1 {
				if i := rest[k]; steps[i].Begins {
					answers[i] = s.Begin(ctx, steps[i].Delivery)
				} else {
					answers[i] = s.record(ctx, steps[i])
				}
			}
		})
	}
	running.Wait()
	return answers
}

// recordAll keeps those outcomes that it can, and gives the others.
func (s *Store) recordAll(ctx context.Context, steps []store.Step, some []int, answers []error) (left []int) {
	outcomes := make([]store.Step, len(some))
	for k, i := range some {
		outcomes[k] = steps[i]
	}
	recorded, err := s.recordPlaces(ctx, recordManySQL, outcomes)
	for k, i := range some {
		switch {
		case err != nil:
			answers[i] = err
		case !slices.Contains(recorded, int64(k+1)):
			left = append(left, i)
		}
	}
	return left
}

// recordPlaces keeps outcomes, and gives the places of those it kept.
func (s *Store) recordPlaces(ctx context.Context, statement string, steps []store.Step) ([]int64, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.pool.Query(ctx, statement, s.recordArgs(steps)...)
	if err != nil {
		return nil, wrap("record deliveries", err)
	}
	places, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	return places, wrap("record deliveries", err)
}

// Record keeps the outcome of a claimed delivery and ends its lease. An outcome that
// a failover undoes leaves the delivery in doubt, which is then the truth.
func (s *Store) Record(ctx context.Context, d store.Delivery) error {
	return s.record(ctx, store.Step{Delivery: d})
}

func (s *Store) record(ctx context.Context, step store.Step) error {
	d := step.Delivery
	recorded, err := s.recordPlaces(ctx, recordOneSQL, []store.Step{step})
	if err != nil || len(recorded) > 0 {
		return err
	}
	current, err := s.Delivery(ctx, d.Target, d.Key, d.Member)
	if err == nil && d.Delivered > current.Wanted && current.Owner == d.Owner && current.LeaseUntil.Equal(d.LeaseUntil) {
		return fmt.Errorf("store: version %d delivered, but only %d wanted", d.Delivered, current.Wanted)
	}
	if err == nil || errors.Is(err, store.ErrNotFound) {
		return store.ErrLeaseLost
	}
	return err
}
