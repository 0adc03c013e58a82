package postgres

import (
	"context"
	"strings"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// deliveriesAt is the table of deliveries; time writes the time of the store,
// and before are the values that stand in front.
func deliveriesAt(time string, before ...any) searchsql.Deliveries {
	return searchsql.Deliveries{Dialect: dialect, Table: "deliveries", Now: func(*searchsql.Where) string { return time }, Before: before}
}

// Deliveries lists the state of many.
func (s *Store) Deliveries(ctx context.Context, query store.DeliveryQuery) (page store.DeliveryPage, err error) {
	now := deliveriesAt("(SELECT now FROM clock)", s.now())
	where, err := now.Where(query)
	if err != nil {
		return store.DeliveryPage{}, err
	}
	err = s.read(ctx, "list deliveries", func(from queryer) error {
		total := 0
		if query.Total {
			all := query
			all.After = ""
			every, err := now.Where(all)
			if err == nil {
				err = from.QueryRow(ctx, clockSQL+" SELECT count(*) FROM deliveries d WHERE "+every.String(), asked(every.Args)...).Scan(&total)
			}
			if err != nil {
				return err
			}
		}
		var found []store.Delivery
		if query.Limit > 0 {
			text := clockSQL + " SELECT " + deliveryColumns + " FROM deliveries d WHERE " + where.String() + searchsql.DeliveryOrder +
				" LIMIT " + where.Bind(query.Limit+1)
			rows, err := from.Query(ctx, text, asked(where.Args)...)
			if err != nil {
				return err
			}
			if found, err = scanDeliveries(rows); err != nil {
				return err
			}
		}
		page = searchsql.DeliveryPage(found, query.Limit, total)
		return nil
	})
	return page, err
}

// Release makes parked and dropped deliveries due.
func (t *tx) Release(query store.DeliveryQuery) (int, error) {
	return t.decide(query.Released(), strings.ReplaceAll(searchsql.Released, "?", "$1")+", parked = 0, dropped = 0, attempts = 0, due = $2, changed = $1", t.at, t.wall)
}

// Drop gives parked deliveries up.
func (t *tx) Drop(query store.DeliveryQuery, reason string) (int, error) {
	if reason == "" {
		return 0, store.ErrReason
	}
	return t.decide(query.DroppedBy(), "dropped = d.wanted, reason = $2, changed = $1", t.at, plain(reason))
}

// decide changes the deliveries of a query.
func (t *tx) decide(query store.DeliveryQuery, change string, values ...any) (int, error) {
	where, err := deliveriesAt("$1", values...).Where(query)
	if err != nil {
		return 0, err
	}
	if err := t.direct(); err != nil {
		return 0, err
	}
	asked(where.Args[len(values):])
	changed, err := t.exec("decide about deliveries", "UPDATE deliveries d SET "+change+" WHERE "+where.String(), where.Args...)
	return int(changed), err
}
