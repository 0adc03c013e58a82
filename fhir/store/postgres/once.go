package postgres

import (
	"context"
	"time"

	"tidemark.example/tidemark/fhir/store/searchsql"
)

// forgetAtOnce is how many names that are past their time go with each new one,
// so that the table does not grow and no call has much to do.
const forgetAtOnce = 16

// Once records a name, see store.Store.
func (s *Store) Once(ctx context.Context, name string, until time.Time) (fresh bool, err error) {
	err = s.writer.Do(ctx, nil, func(t *tx) error {
		fresh, err = t.once(indexed(name), until)
		return err
	})
	return fresh && err == nil, err
}

func (t *tx) once(name string, until time.Time) (fresh bool, err error) {
	if err := t.direct(); err != nil {
		return false, err
	}
	if _, err := t.exec("forget names past their time", `DELETE FROM once WHERE name IN (
		SELECT name FROM once WHERE until <= $1 ORDER BY until LIMIT $2) OR name = $3 AND until <= $1`, t.at, forgetAtOnce, name); err != nil {
		return false, err
	}
	recorded, err := t.exec("record a name", "INSERT INTO once (name, until) VALUES ($1, $2) ON CONFLICT DO NOTHING", name, searchsql.Millis(until))
	return recorded == 1, err
}
