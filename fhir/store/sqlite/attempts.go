package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"tidemark.example/tidemark/fhir/store"
)

// fence is the condition that only the holder of a lease meets. Owner and end of the
// lease together tell it from every other, even of the same owner.
const fence = ` AS w WHERE delivery.target = w.target AND delivery.rid = w.rid AND delivery.member = w.member
		AND delivery.owner = w.owner AND delivery.lease_until = w.lease_until`

// fenced begins the source of a statement for some deliveries of one lease, whose
// target, owner and end are its values from that number on. The row of a resource is
// looked up where it is not remembered.
func fenced(lease int) string {
	return fmt.Sprintf(` FROM (SELECT ?%d AS target, ?%d AS owner, ?%d AS lease_until,
		coalesce(column1, (SELECT rid FROM resource WHERE type = column2 AND id = column3)) AS rid, column4 AS member`, lease, lease+1, lease+2)
}

// leased are some steps of one lease.
type leased struct {
	target, owner string
	until         int64
	steps         []*store.Step
}

// values are those that fenced takes.
func (l *leased) values(before ...any) []any { return append(before, l.target, l.owner, l.until) }

// leases are the steps of some leases, each lease once. There are few.
type leases []leased

// add adds a step.
func (all *leases) add(step *store.Step) {
	d := &step.Delivery
	until := d.LeaseUntil.UnixMilli()
	for i := range *all {
		if l := &(*all)[i]; l.until == until && l.owner == d.Owner && l.target == d.Target {
			l.steps = append(l.steps, step)
			return
		}
	}
	*all = append(*all, leased{d.Target, d.Owner, until, []*store.Step{step}})
}

// values is as many groups of placeholders as there are rows.
func values(rows int, group string) string {
	return " FROM (VALUES " + strings.Repeat(group+", ", rows-1) + group + "))"
}

// startSQL marks what the claim marked, which only running leases allow.
func startSQL(rows int) string {
	return "UPDATE delivery SET begun = 1" + fenced(1) + values(rows, "(?, ?, ?, ?)") + fence +
		" AND delivery.lease_until > ?"
}

// mostRemembered bounds what is remembered.
const mostRemembered = 1 << 13

// remembered are the rows of some resources, which never change, for when the version
// that a delivery wants is read, and when something is told of it.
type remembered struct {
	mu   sync.Mutex
	rids map[store.Key]int64
}

// keep remembers the rows of what was claimed, once that is on disk.
func (r *remembered) keep(claimed []store.Delivery, rids []int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.rids)+len(claimed) > mostRemembered {
		clear(r.rids)
	}
	for i := range claimed {
		r.rids[claimed[i].Key] = rids[i]
	}
}

// args are a row, and the type and id to look it up by: of a resource either the one
// or the other.
func (r *remembered) args(args []any, key store.Key) []any {
	r.mu.Lock()
	defer r.mu.Unlock()
	if rid, known := r.rids[key]; known {
		return append(args, rid, nil, nil)
	}
	return append(args, nil, key.Type, key.ID)
}

// fenceArgs are the values of a fence that differ between the deliveries of a lease.
func (b *backend) fenceArgs(args []any, step *store.Step) []any {
	return append(b.rids.args(args, step.Delivery.Key), step.Delivery.Member)
}

// recordSQL keeps outcomes and ends the leases, at a time ?1 by a clock at ?2. What
// was wanted meanwhile is in the row only, not in the delivery that the worker
// holds.
func recordSQL(rows int) string {
	return `UPDATE delivery SET
		delivered = max(delivery.delivered, w.delivered), begun = 0, in_doubt = w.in_doubt, remote_id = w.remote_id, etag = w.etag,
		attempts = iif(w.delivered >= w.wanted AND w.in_doubt = 0, 0, max(attempts - w.unsent, 0)),
		due = iif(delivery.wanted > w.wanted AND (w.delivered >= w.wanted AND w.in_doubt = 0 OR w.parked = 1), ?2, w.due),
		parked = iif(delivery.wanted > w.wanted, 0, w.parked), reason = w.reason, fault = w.fault, dropped = 0, changed = ?1,
		accepted = w.accepted, looked = ?2, fresh = 1, repairs = iif(w.delivered > delivery.delivered, 0, repairs),
		owner = '', lease_until = 0,
		wanted_since = iif(delivery.wanted = max(delivery.delivered, w.delivered) AND w.in_doubt = 0, NULL, wanted_since)` +
		fenced(3) + `, column5 AS delivered, column6 AS in_doubt, column7 AS remote_id, column8 AS etag, column9 AS wanted,
		column10 AS due, column11 AS parked, column12 AS reason, column13 AS fault, column14 AS accepted, column15 AS unsent` +
		values(rows, "(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)") + fence + " AND w.delivered <= delivery.wanted"
}

// recordArgs are the values of one outcome.
func (b *backend) recordArgs(args []any, step *store.Step) []any {
	d := &step.Delivery
	return append(b.fenceArgs(args, step), d.Delivered, d.InDoubt, d.RemoteID, d.ETag, d.Wanted,
		d.DueBy(b.clock()).UnixMilli(), d.Parked, d.Reason, d.Fault, d.Accepted, step.Unsent)
}

// wantedOfSQL reads what is wanted of a leased delivery.
const wantedOfSQL = "SELECT wanted FROM delivery" + place + " AND owner = ? AND lease_until = ?"

// lastDeliverySQL notes at ?2 that a target holds what was wanted, unless that is
// noted for the second before; a time ahead of the clock is put right.
const lastDeliverySQL = `INSERT INTO last_delivery (target, at) VALUES (?1, ?2)
	ON CONFLICT (target) DO UPDATE SET at = excluded.at WHERE last_delivery.at NOT BETWEEN excluded.at - 999 AND excluded.at`

// several are the statements that do the same to 64 rows, to 16, to 4 or to one.
type several []rowsStatement

// prepare makes them.
func (s *several) prepare(ctx context.Context, conn *lasting, text func(rows int) string) error {
	for _, rows := range heldSizes {
		statement, err := conn.PrepareContext(ctx, text(rows))
		if err != nil {
			return fmt.Errorf("prepare to change %d deliveries: %w", rows, err)
		}
		*s = append(*s, rowsStatement{rows: rows, statement: statement})
	}
	return nil
}

// errRefused says that not all of several rows could be changed.
var errRefused = errors.New("store: not all deliveries are leased")

// change changes the rows of some deliveries. The values of each lie between those that
// come first and last.
func (s several) change(first []any, values func([]any, *store.Step) []any, last []any, steps []*store.Step) error {
	args := make([]any, 0, 5+15*min(len(steps), heldSizes[0]))
	for _, size := range s {
		for len(steps) >= size.rows {
			args = append(args[:0], first...)
			for _, step := range steps[:size.rows] {
				args = values(args, step)
			}
			result, err := size.statement.ExecContext(background, append(args, last...)...)
			if err != nil {
				return fmt.Errorf("change deliveries: %w", err)
			}
			if changed, err := result.RowsAffected(); err != nil || changed != int64(size.rows) {
				return errors.Join(errRefused, err)
			}
			steps = steps[size.rows:]
		}
	}
	return nil
}

// Begin records that an attempt to send starts.
func (s *Store) Begin(ctx context.Context, delivery store.Delivery) error {
	return s.Advance(ctx, []store.Step{{Delivery: delivery, Begins: true}})[0]
}

// Record keeps the outcome of a claimed delivery and ends its lease.
func (s *Store) Record(ctx context.Context, delivery store.Delivery) error {
	return s.Advance(ctx, []store.Step{{Delivery: delivery}})[0]
}

// Advance is Begin and Record of many, as one job of the writer: by a few
// statements, or, if one of them is refused, by one for each.
func (s *Store) Advance(ctx context.Context, steps []store.Step) []error {
	answers := make([]error, len(steps))
	if len(steps) == 0 {
		return answers
	}
	err := s.writer.Do(ctx, nil, func(t *tx) error { return t.advanceAll(steps) })
	if errors.Is(err, errRefused) {
		err = s.writer.Do(ctx, nil, func(t *tx) error { return t.advanceEach(steps, answers) })
	}
	if err != nil && !errors.Is(err, errNothing) {
		for i := range answers {
			answers[i] = err
		}
	}
	return answers
}

// advanceAll takes all steps; errRefused if it cannot take one of them.
func (t *tx) advanceAll(steps []store.Step) error {
	if err := t.direct(); err != nil {
		return err
	}
	var begun, done leases
	for i := range steps {
		if steps[i].Begins {
			begun.add(&steps[i])
		} else {
			done.add(&steps[i])
		}
	}
	now := t.leaseClock()
	for _, l := range begun {
		if err := t.stmt.start.change(l.values(), t.fenceArgs, []any{now}, l.steps); err != nil {
			return err
		}
	}
	for _, l := range done {
		if err := t.stmt.record.change(l.values(t.at, now), t.recordArgs, nil, l.steps); err != nil {
			return err
		}
		if err := t.noteDelivered(l, now); err != nil {
			return err
		}
	}
	return nil
}

// noteDelivered keeps when the target of a lease last took what was wanted.
func (t *tx) noteDelivered(l leased, now int64) error {
	if !slices.ContainsFunc(l.steps, func(s *store.Step) bool { return s.Delivery.Delivered >= s.Delivery.Wanted && !s.Delivery.InDoubt }) {
		return nil
	}
	if _, err := t.stmt.lastDelivery.ExecContext(background, l.target, now); err != nil {
		return fmt.Errorf("note a delivery: %w", err)
	}
	return nil
}

// errNothing says that a job had nothing to write, so that no disk is flushed for
// it.
var errNothing = errors.New("store: nothing to write")

// advanceEach takes the steps that it can take, and answers the others.
func (t *tx) advanceEach(steps []store.Step, answers []error) error {
	refused := 0
	for i := range steps {
		answers[i] = t.advanceAll(steps[i : i+1])
		if errors.Is(answers[i], errRefused) {
			answers[i] = t.refusal(steps[i])
			refused++
		}
		if answers[i] != nil && !errors.Is(answers[i], store.ErrLeaseLost) && !errors.Is(answers[i], errTooMuch) {
			return answers[i]
		}
	}
	if refused == len(steps) {
		return errNothing
	}
	return nil
}

// errTooMuch says that more is said to be delivered than was wanted.
var errTooMuch = errors.New("store: delivered is more than was wanted")

// refusal is the reason why a step cannot be taken.
func (t *tx) refusal(step store.Step) error {
	d := step.Delivery
	var wanted int64
	err := t.stmt.wantedOf.QueryRowContext(background, d.Target, d.Key.Type, d.Key.ID, d.Member, d.Owner, d.LeaseUntil.UnixMilli()).Scan(&wanted)
	switch {
	case errors.Is(err, sql.ErrNoRows), err == nil && step.Begins:
		return store.ErrLeaseLost
	case err != nil:
		return fmt.Errorf("read a delivery: %w", err)
	}
	return fmt.Errorf("%w: version %d, but only %d wanted", errTooMuch, d.Delivered, wanted)
}
