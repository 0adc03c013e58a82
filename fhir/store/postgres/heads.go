package postgres

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// headsSQL finds what some patients have, and reads nothing but a range of the index
// resource_patient for each. The type is compared in rows that begin with the patient,
// so that no other index serves: a plan made while the table was small took
// resource_period for as good, and then read past the resources of all patients until
// the next ANALYZE. The arrays stand in selects, so that their lengths, which differ,
// are not what a plan is made for, each time again.
const headsSQL = `SELECT place, id, version, period_start
	FROM unnest((SELECT $1::text[]), (SELECT $2::text[]), (SELECT $3::bigint[]), (SELECT $4::bigint[]))
		WITH ORDINALITY AS a (patient, type, until, most, place)
	CROSS JOIN LATERAL (SELECT id, version, period_start FROM resource r
		WHERE r.patient = a.patient AND (r.patient, r.type) >= (a.patient, a.type)
			AND (r.patient, r.type, r.period_start) <= (a.patient, a.type, a.until) AND deleted = 0
		ORDER BY r.type DESC, period_start DESC, id DESC LIMIT a.most) AS had
	ORDER BY place, period_start DESC, id DESC`

// headsArgs are the arguments of headsSQL.
func headsArgs(of []store.Heads) []any {
	return []any{
		column(of, func(h *store.Heads) string { return indexed(h.Patient) }), column(of, func(h *store.Heads) string { return indexed(h.Type) }),
		column(of, func(h *store.Heads) int64 { return searchsql.Millis(h.Until) }), column(of, func(h *store.Heads) int { return max(h.Limit, 0) }),
	}
}

// scanHeads reads what headsSQL finds: for each of what was asked, in its order.
func scanHeads(of []store.Heads, rows pgx.Rows) ([][]store.Head, error) {
	defer rows.Close()
	found := make([][]store.Head, len(of))
	for rows.Next() {
		var place int
		var head store.Head
		var start int64
		if err := rows.Scan(&place, &head.ID, &head.Version, &start); err != nil {
			return nil, err
		}
		head.Type, head.Start = of[place-1].Type, time.UnixMilli(start).UTC()
		found[place-1] = append(found[place-1], head)
	}
	return found, rows.Err()
}

func heads(ctx context.Context, from queryer, of []store.Heads) ([][]store.Head, error) {
	rows, err := from.Query(ctx, headsSQL, headsArgs(of)...)
	if err != nil {
		return nil, err
	}
	return scanHeads(of, rows)
}

// Heads finds what a patient has of a type, together with what others ask.
func (s *Store) Heads(ctx context.Context, of store.Heads) ([]store.Head, error) {
	return s.heads.one(ctx, of)
}

// readHeads finds what some patients have. It is done for many callers, none of whom
// may end it.
func (s *Store) readHeads(of []store.Heads) (found [][]store.Head, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), batchLimit)
	defer cancel()
	err = s.read(ctx, "read what patients have", func(from queryer) (err error) {
		found, err = heads(ctx, from, of)
		return err
	})
	return found, err
}

// compartment is what a patient has of a type.
type compartment struct{ kind, patient string }

func compartmentOf(of store.Heads) compartment {
	return compartment{of.Type, indexed(of.Patient)}
}

// foreseen is an answer that was found as the batch began.
type foreseen struct {
	until int64
	limit int
	found []store.Head
}

// queueHeads finds what the jobs of a batch said that they would ask for. Of several
// about the same compartment the last is kept.
func (t *tx) queueHeads(trip *pgx.Batch, of []store.Heads) {
	if len(of) == 0 {
		return
	}
	trip.Queue(headsSQL, headsArgs(of)...).Query(func(rows pgx.Rows) error {
		all, err := scanHeads(of, rows)
		for i, found := range all {
			t.foreseen[compartmentOf(of[i])] = foreseen{searchsql.Millis(of[i].Until), of[i].Limit, found}
		}
		return err
	})
}

// outdate forgets the answers that a write may have changed: those of the compartment
// that the resource is in now, and those that it was found in before. A patient of
// nil is in none.
func (t *tx) outdate(key store.Key, patient *string, version int64) {
	if patient != nil {
		delete(t.foreseen, compartment{key.Type, *patient})
	}
	if version > 1 {
		maps.DeleteFunc(t.foreseen, func(_ compartment, answer foreseen) bool {
			return slices.ContainsFunc(answer.found, func(h store.Head) bool { return h.Key == key })
		})
	}
}

// Heads finds as Store.Heads does, the job's own writes included. What is held back
// is inserted only if it is of that patient and type.
func (t *tx) Heads(of store.Heads) ([]store.Head, error) {
	if t.lost != nil {
		return nil, t.lost
	}
	at := compartmentOf(of)
	if answer, known := t.foreseen[at]; known && answer.until == searchsql.Millis(of.Until) && answer.limit == of.Limit {
		return slices.Clone(answer.found), nil
	}
	held := slices.ContainsFunc(t.rows.resources.waiting(), func(r resourceRow) bool {
		return r.key.Type == of.Type && r.patient != nil && *r.patient == at.patient
	})
	if held {
		if err := t.direct(); err != nil {
			return nil, err
		}
	}
	all, err := heads(t.ctx, t.conn, []store.Heads{of})
	if err := t.lose("read what a patient has", err); err != nil {
		return nil, err
	}
	return all[0], nil
}
