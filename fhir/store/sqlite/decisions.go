package sqlite

import (
	"context"
	"fmt"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// deliveriesAt is the table of deliveries at a time.
func deliveriesAt(now int64, before ...any) searchsql.Deliveries {
	return searchsql.Deliveries{Table: "delivery", Now: func(w *searchsql.Where) string { return w.Bind(now) }, Before: before}
}

// Deliveries lists the state of many.
func (s *Store) Deliveries(ctx context.Context, query store.DeliveryQuery) (store.DeliveryPage, error) {
	if err := s.enter(); err != nil {
		return store.DeliveryPage{}, err
	}
	defer s.leave()
	now, total := s.clock().UnixMilli(), 0
	if query.Total {
		all := query
		all.After = ""
		where, err := deliveriesAt(now).Where(all)
		if err == nil {
			err = s.reads.QueryRowContext(ctx, "SELECT count(*) FROM delivery WHERE "+where.String(), where.Args...).Scan(&total)
		}
		if err != nil {
			return store.DeliveryPage{}, fmt.Errorf("count deliveries: %w", err)
		}
	}
	where, err := deliveriesAt(now).Where(query)
	if err != nil {
		return store.DeliveryPage{}, err
	}
	if query.Limit <= 0 {
		return store.DeliveryPage{Total: total}, nil
	}
	text := "SELECT " + deliveryColumns + " FROM delivery WHERE " + where.String() + searchsql.DeliveryOrder + " LIMIT " + where.Bind(query.Limit+1)
	rows, err := s.reads.QueryContext(ctx, text, where.Args...)
	if err != nil {
		return store.DeliveryPage{}, fmt.Errorf("list deliveries: %w", err)
	}
	found, err := scanDeliveries(rows, now)
	if err != nil {
		return store.DeliveryPage{}, err
	}
	return searchsql.DeliveryPage(found, query.Limit, total), nil
}

// Release makes parked and dropped deliveries due.
func (t *tx) Release(query store.DeliveryQuery) (int, error) {
	return t.decide(query.Released(), searchsql.Released+", parked = 0, dropped = 0, attempts = 0, due = ?, changed = ?", t.at, t.leaseClock(), t.at)
}

// Drop gives parked deliveries up.
func (t *tx) Drop(query store.DeliveryQuery, reason string) (int, error) {
	if reason == "" {
		return 0, store.ErrReason
	}
	return t.decide(query.DroppedBy(), "dropped = wanted, reason = ?, changed = ?", reason, t.at)
}

// decide changes the deliveries of a query.
func (t *tx) decide(query store.DeliveryQuery, change string, values ...any) (int, error) {
	if err := t.direct(); err != nil {
		return 0, err
	}
	where, err := deliveriesAt(t.at, values...).Where(query)
	if err != nil {
		return 0, err
	}
	result, err := t.conn.ExecContext(background, "UPDATE delivery SET "+change+" WHERE "+where.String(), where.Args...)
	if err != nil {
		return 0, fmt.Errorf("decide about deliveries: %w", err)
	}
	changed, err := result.RowsAffected()
	return int(changed), err
}
