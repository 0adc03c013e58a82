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

// Search finds current resources, page and total in one snapshot.
func (s *Store) Search(ctx context.Context, query store.Query) (page store.Page, err error) {
	if err := s.enter(); err != nil {
		return store.Page{}, err
	}
	defer s.leave()
	snapshot, err := s.reads.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return store.Page{}, fmt.Errorf("begin a snapshot: %w", err)
	}
	defer func() {
		if undo := snapshot.Rollback(); !errors.Is(undo, sql.ErrTxDone) {
			err = errors.Join(err, undo)
		}
	}()
	return s.codec.search(ctx, snapshot, query, s.clock())
}

// Search finds as Store.Search does, the job's own writes included.
func (t *tx) Search(query store.Query) (store.Page, error) {
	if err := t.direct(); err != nil {
		return store.Page{}, err
	}
	return t.codec.search(background, t.conn, query, t.now)
}

// search runs a query within whatever snapshot it is given.
func (c *codec) search(ctx context.Context, from queryer, query store.Query, now time.Time) (store.Page, error) {
	var page store.Page
	if query.Total {
		where := searchsql.Conditions(query, now, searchsql.Dialect{})
		total := from.QueryRowContext(ctx, "SELECT count(*) FROM resource r WHERE "+where.String(), where.Args...)
		if err := total.Scan(&page.Total); err != nil {
			return store.Page{}, fmt.Errorf("count matches: %w", err)
		}
	}
	if query.Limit <= 0 {
		return page, nil
	}
	statement, err := searchsql.Select(versionColumns+", "+searchsql.RowColumns, currentVersion, query, now, searchsql.Dialect{})
	if err != nil {
		return store.Page{}, err
	}
	found, err := c.rows(ctx, from, statement)
	if err != nil {
		return store.Page{}, err
	}
	more := len(found) > query.Limit
	found = found[:min(len(found), query.Limit)]
	if len(found) == 0 {
		return page, nil
	}
	if statement.Backward {
		slices.Reverse(found)
	}
	for _, row := range found {
		page.Resources = append(page.Resources, row.Resource)
	}
	err = searchsql.Links(&page, query, found[0], found[len(found)-1], statement.Backward, more)
	return page, err
}

// rows reads one page, and the one row more that says whether there is another.
func (c *codec) rows(ctx context.Context, from queryer, statement searchsql.Statement) (found []searchsql.Row, err error) {
	rows, err := from.QueryContext(ctx, statement.Text, statement.Args...)
	if err != nil {
		return nil, fmt.Errorf("search: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var row searchsql.Row
		if row.Resource, err = c.scanVersion(with(rows, &row.Start, &row.Status)); err != nil {
			return nil, err
		}
		found = append(found, row)
	}
	return found, rows.Err()
}

// extra scans further columns behind those of a version.
type extra struct {
	scanner
	columns []any
}

func with(row scanner, columns ...any) scanner { return extra{scanner: row, columns: columns} }

// Scan reads the columns of a version and the further ones.
func (e extra) Scan(into ...any) error { return e.scanner.Scan(append(into, e.columns...)...) }
