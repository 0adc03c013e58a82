package sqlite

import (
	"context"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store/searchsql"
)

// forgetAtOnce is how many names that are past their time go with each new one,
// so that the table does not grow and no call has much to do.
const forgetAtOnce = 16

// Once records a name, see store.Store.
func (s *Store) Once(ctx context.Context, name string, until time.Time) (fresh bool, err error) {
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		fresh, err = t.once(name, until)
		return err
	})
	return fresh && err == nil, err
}

func (t *tx) once(name string, until time.Time) (fresh bool, err error) {
	if err := t.direct(); err != nil {
		return false, err
	}
	if _, err := t.conn.ExecContext(background, `DELETE FROM once WHERE name IN (
		SELECT name FROM once WHERE until <= ? ORDER BY until LIMIT ?) OR name = ? AND until <= ?`, t.at, forgetAtOnce, name, t.at); err != nil {
		return false, fmt.Errorf("forget names past their time: %w", err)
	}
	result, err := t.conn.ExecContext(background, "INSERT INTO once (name, until) VALUES (?, ?) ON CONFLICT DO NOTHING", name, searchsql.Millis(until))
	if err != nil {
		return false, fmt.Errorf("record a name: %w", err)
	}
	recorded, err := result.RowsAffected()
	return recorded == 1, err
}
