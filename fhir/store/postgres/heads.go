package postgres

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// headsSQL reads nothing but the index resource_patient. The type is written so that
// no other index serves: a plan made while the table was small took resource_period
// for as good, and then read past the resources of all patients until the next ANALYZE.
const headsSQL = `SELECT id, version, period_start FROM resource
	WHERE patient = $1 AND type || '' = $2 AND period_start <= $3 AND deleted = 0
	ORDER BY period_start DESC, id DESC LIMIT $4`

// Heads finds what a patient has of a type.
func (s *Store) Heads(ctx context.Context, of store.Heads) (found []store.Head, err error) {
	err = s.read(ctx, "read what a patient has", func(from queryer) (err error) {
		found, err = heads(ctx, from, of)
		return err
	})
	return found, err
}

// Heads finds as Store.Heads does, the job's own writes included. What is held back
// is inserted only if it is of that patient and type.
func (t *tx) Heads(of store.Heads) ([]store.Head, error) {
	patient := nullable(indexed(of.Patient))
	held := slices.ContainsFunc(t.rows.resources.waiting(), func(r resourceRow) bool {
		return r.key.Type == of.Type && r.patient != nil && patient != nil && *r.patient == *patient
	})
	if held {
		if err := t.direct(); err != nil {
			return nil, err
		}
	}
	if t.lost != nil {
		return nil, t.lost
	}
	found, err := heads(t.ctx, t.conn, of)
	return found, t.lose("read what a patient has", err)
}

func heads(ctx context.Context, from queryer, of store.Heads) ([]store.Head, error) {
	rows, err := from.Query(ctx, headsSQL, indexed(of.Patient), indexed(of.Type), searchsql.Millis(of.Until), max(of.Limit, 0))
	if err != nil {
		return nil, err
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (store.Head, error) {
		head, start := store.Head{Key: store.Key{Type: of.Type}}, int64(0)
		err := row.Scan(&head.ID, &head.Version, &start)
		head.Start = time.UnixMilli(start).UTC()
		return head, err
	})
	if len(found) == 0 {
		return nil, err // as a search that finds nothing
	}
	return found, err
}
