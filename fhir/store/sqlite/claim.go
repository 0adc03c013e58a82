package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// claimable are the deliveries that may be claimed, unless a lease holds them: one
// that has not run out, that nobody took while the clock was ahead, and that is
// not for a look only.
const claimable = " WHERE target = ?1 AND " + pending + " AND parked = 0 AND (lease_until <= ?2 OR lease_until > ?2 + ?3 OR checking = 1)"

// dueDeliveriesSQL finds what is due, and lateDeliveriesSQL what was put off beyond MaxWait: two ranges
// of the index delivery_due, in its order. Each delivery comes with its row.
const (
	dueDeliveriesSQL  = deliveriesSQL + " AND due <= ?2" + deliveryOrder
	lateDeliveriesSQL = deliveriesSQL + " AND due > ?2 + ?3" + deliveryOrder

	deliveriesSQL = "SELECT " + claimColumns + " FROM delivery CROSS JOIN resource r ON r.rid = delivery.rid" + claimable
	deliveryOrder = " ORDER BY due, delivery.rid, member LIMIT ?4"
)

// putRightSQL makes due what only a clock that was ahead made late, within MaxWait: what
// was due at once when it was written, which has no reason to wait, and what was put off
// after the time it is now. A doubt loses its reason, since nobody waited for what may
// still be on its way. Only while the clock is behind what was written is there any.
const putRightSQL = "UPDATE delivery SET due = ?2, reason = iif(in_doubt, '', reason) FROM (SELECT target, rid, member FROM delivery" + claimable +
	` AND due > ?2 AND due <= ?2 + ?3 AND (reason = '' OR looked > ?2) ORDER BY due LIMIT ?4) AS l
	WHERE delivery.target = l.target AND delivery.rid = l.rid AND delivery.member = l.member`

// claimColumns are what find reads; the last says whether the rest of the row is as
// it is before the first attempt. Each column of each row takes its time, and most
// deliveries are claimed once.
const claimColumns = `r.rid, r.type, r.id, member, wanted, retract, in_doubt, begun, due, coalesce(wanted_since, 0), trace,
	attempts = 0 AND delivered = 0 AND changed = 0 AND reason = '' AND fault = '' AND remote_id = ''`

// wholeSQL reads the whole of a delivery.
const wholeSQL = "SELECT target, ?2, ?3, " + deliveryState + " FROM delivery WHERE target = ?1 AND rid = ?4 AND member = ?5"

// leaseSQL leases what one of these found, which is all of its kind between the
// first and the last, and begins the attempts. Nothing of the index is written. Where
// an attempt had begun under a lease that ran out, nobody knows what became of it:
// those are doubtSQL's, which goes first.
const (
	spanned  = claimable + " AND (due, rid, member) >= (?6, ?7, ?8) AND (due, rid, member) <= (?9, ?10, ?11)"
	attempt  = "UPDATE delivery SET owner = ?4, lease_until = ?5, checking = 0, attempts = attempts + 1, "
	leaseSQL = attempt + "begun = 1" + spanned + " AND begun = 0"
	doubtSQL = attempt + "in_doubt = 1" + spanned + " AND begun = 1"
)

// Claim leases deliveries that are due, see store.Deliveries.
func (s *Store) Claim(ctx context.Context, target, owner string, lease time.Duration, limit int) ([]store.Delivery, error) {
	var claimed []store.Delivery
	var rids []int64
	err := s.writer.Do(ctx, nil, func(t *tx) (err error) {
		claimed, rids, err = t.claim(target, owner, lease, max(limit, 0))
		return err
	})
	if err != nil {
		return nil, err
	}
	s.backend.rids.keep(claimed, rids)
	slices.SortStableFunc(claimed, groupcommit.ClaimOrder)
	return claimed, nil
}

// leaseClock is what leases run by: the clock itself, since t.at stands still
// while the clock is behind what was written once.
func (t *tx) leaseClock() int64 { return t.clock().UnixMilli() }

// claim is the job of Claim; it gives the rows of the resources too.
func (t *tx) claim(target, owner string, lease time.Duration, limit int) (claimed []store.Delivery, rids []int64, err error) {
	if err := t.direct(); err != nil {
		return nil, nil, err
	}
	now := t.leaseClock()
	until := now + max(lease.Milliseconds(), 1)
	claimed, rids, err = t.claimFound(t.stmt.due, target, owner, now, until, limit)
	if err != nil || len(claimed) >= limit {
		return claimed, rids, err
	}
	late, rows, err := t.claimFound(t.stmt.late, target, owner, now, until, limit-len(claimed))
	claimed, rids = append(claimed, late...), append(rids, rows...)
	if err != nil || len(claimed) >= limit || t.at <= now {
		return claimed, rids, err
	}
	if _, err := t.stmt.putRight.ExecContext(background, target, now, store.MaxWait.Milliseconds(), limit-len(claimed)); err != nil {
		return nil, nil, fmt.Errorf("put deliveries right: %w", err)
	}
	late, rows, err = t.claimFound(t.stmt.due, target, owner, now, until, limit-len(claimed))
	return append(claimed, late...), append(rids, rows...), err
}

// claimFound leases what a statement finds.
func (t *tx) claimFound(find *sql.Stmt, target, owner string, now, until int64, limit int) ([]store.Delivery, []int64, error) {
	wait := store.MaxWait.Milliseconds()
	all, err := t.find(find, target, now, wait, limit)
	if err != nil || len(all) == 0 {
		return nil, nil, err
	}
	claimed, rids, doubts := make([]store.Delivery, len(all)), make([]int64, len(all)), int64(0)
	for i := range all {
		f := &all[i]
		if !f.first {
			if err := t.complete(f, now); err != nil {
				return nil, nil, err
			}
		}
		if f.begun {
			doubts++
		}
		f.Owner, f.LeaseUntil = owner, moment(until)
		f.Attempts++
		claimed[i], rids[i] = f.Delivery, f.rid
	}
	first, last := claimed[0], claimed[len(claimed)-1]
	between := []any{target, now, wait, owner, until, first.Due.UnixMilli(), rids[0], first.Member, last.Due.UnixMilli(), rids[len(rids)-1], last.Member}
	return claimed, rids, errors.Join(
		t.leaseThose(t.stmt.doubt, between, doubts),
		t.leaseThose(t.stmt.lease, between, int64(len(claimed))-doubts))
}

// candidate is a delivery that may be claimed.
type candidate struct {
	store.Delivery
	rid int64
	// begun says that an attempt had begun, and first that the row is otherwise as it
	// is before the first one.
	begun, first bool
}

// find reads deliveries that may be claimed.
func (t *tx) find(find *sql.Stmt, target string, now, wait int64, limit int) (all []candidate, err error) {
	rows, err := find.QueryContext(background, target, now, wait, limit)
	if err != nil {
		return nil, fmt.Errorf("find deliveries: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		all = append(all, candidate{Delivery: store.Delivery{Target: target}})
		f := &all[len(all)-1]
		var due, since int64
		err := rows.Scan(&f.rid, &f.Key.Type, &f.Key.ID, &f.Member, &f.Wanted, &f.Retract, &f.InDoubt, &f.begun, &due, &since, &f.Trace, &f.first)
		if err != nil {
			return nil, fmt.Errorf("read a delivery: %w", err)
		}
		f.Due, f.WantedSince, f.InDoubt = moment(due), moment(since), f.InDoubt || f.begun
	}
	return all, rows.Err()
}

// complete reads the rest of a delivery that was found.
func (t *tx) complete(f *candidate, now int64) (err error) {
	doubt := f.InDoubt
	f.Delivery, err = scanDelivery(t.stmt.whole.QueryRowContext(background, f.Target, f.Key.Type, f.Key.ID, f.rid, f.Member), now)
	f.InDoubt = doubt
	return err
}

// leaseThose leases that many. Others would be deliveries leased that nobody works
// on, or worked on without a lease.
func (t *tx) leaseThose(lease *sql.Stmt, between []any, many int64) error {
	if many == 0 {
		return nil
	}
	result, err := lease.ExecContext(background, between...)
	if err != nil {
		return fmt.Errorf("lease deliveries: %w", err)
	}
	if leased, err := result.RowsAffected(); err != nil || leased != many {
		return fmt.Errorf("lease deliveries: %d instead of the %d found: %w", leased, many, err)
	}
	return nil
}
