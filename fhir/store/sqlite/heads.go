package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// headsSQL reads nothing but the index resource_patient.
const headsSQL = `SELECT id, version, period_start FROM resource
	WHERE patient = ? AND type = ? AND period_start <= ? AND deleted = 0
	ORDER BY period_start DESC, id DESC LIMIT ?`

// Heads finds what a patient has of a type.
func (s *Store) Heads(ctx context.Context, of store.Heads) ([]store.Head, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	return heads(ctx, s.one.heads, of)
}

// Heads finds as Store.Heads does, the job's own writes included. What is held back
// is inserted only if it is of that patient and type.
func (t *tx) Heads(of store.Heads) ([]store.Head, error) {
	if slices.ContainsFunc(t.rows.resources.waiting(), func(r resourceRow) bool { return r.key.Type == of.Type && r.patient == of.Patient }) {
		if err := t.direct(); err != nil {
			return nil, err
		}
	}
	return heads(background, t.stmt.heads, of)
}

func heads(ctx context.Context, statement *sql.Stmt, of store.Heads) (found []store.Head, err error) {
	rows, err := statement.QueryContext(ctx, of.Patient, of.Type, searchsql.Millis(of.Until), max(of.Limit, 0))
	if err != nil {
		return nil, fmt.Errorf("read what a patient has: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		head, start := store.Head{Key: store.Key{Type: of.Type}}, int64(0)
		if err := rows.Scan(&head.ID, &head.Version, &start); err != nil {
			return nil, fmt.Errorf("read what a patient has: %w", err)
		}
		head.Start = time.UnixMilli(start).UTC()
		found = append(found, head)
	}
	return found, rows.Err()
}
