package postgres

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// dialect is how PostgreSQL writes placeholders.
var dialect = searchsql.Dialect{Numbered: true}

// snapshot is a transaction whose statements all see the same.
var snapshot = pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}

// Search finds current resources, page and total in one snapshot.
func (s *Store) Search(ctx context.Context, query store.Query) (page store.Page, err error) {
	err = s.read(ctx, "search", func(from queryer) (err error) {
		if !query.Total || query.Limit <= 0 {
			page, err = search(ctx, from, query, s.asker()) // one statement is its own snapshot
		} else {
			err = pgx.BeginTxFunc(ctx, s.pool, snapshot, func(from pgx.Tx) (err error) {
				page, err = search(ctx, from, query, s.asker())
				return err
			})
		}
		if err != nil {
			return err
		}
		return s.unpack(page.Resources)
	})
	if err != nil {
		return store.Page{}, err
	}
	return page, nil
}

// Search finds as Store.Search does, the job's own writes included.
func (t *tx) Search(query store.Query) (store.Page, error) {
	if err := t.direct(); err != nil {
		return store.Page{}, err
	}
	page, err := search(t.ctx, t.conn, query, t.now)
	if err == nil {
		for i := range page.Resources {
			if page.Resources[i].Body, err = t.codec.Unpack(page.Resources[i].Body); err != nil {
				return store.Page{}, err
			}
		}
		return page, nil
	}
	if isRequest(err) {
		return store.Page{}, err
	}
	return store.Page{}, t.lose("search", err)
}

// search runs a query within whatever snapshot it is given; the bodies it finds
// are still packed.
func search(ctx context.Context, from queryer, query store.Query, now time.Time) (page store.Page, err error) {
	if query.Total {
		where := searchsql.Conditions(query, now, dialect)
		err := from.QueryRow(ctx, "SELECT count(*) FROM resource r WHERE "+where.String(), asked(where.Args)...).Scan(&page.Total)
		if err != nil {
			return store.Page{}, err
		}
	}
	if query.Limit <= 0 {
		return page, nil
	}
	statement, err := searchsql.Select(versionColumns+", "+searchsql.RowColumns, currentVersion, query, now, dialect)
	if err != nil {
		return store.Page{}, &badRequest{err}
	}
	rows, err := from.Query(ctx, statement.Text, asked(statement.Args)...)
	if err != nil {
		return store.Page{}, err
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r searchsql.Row, err error) {
		r.Resource, err = versionRowOf(row, &r.Start, &r.Status)
		return r, err
	})
	if err != nil || len(found) == 0 {
		return page, err
	}
	return turn(page, found, query, statement.Backward)
}

// turn puts the rows found into a page, in the order asked for, with the places
// of the pages around it.
func turn(page store.Page, found []searchsql.Row, query store.Query, backward bool) (store.Page, error) {
	more := len(found) > query.Limit
	found = found[:min(len(found), query.Limit)]
	if backward {
		slices.Reverse(found)
	}
	for _, row := range found {
		page.Resources = append(page.Resources, row.Resource)
	}
	err := searchsql.Links(&page, query, found[0], found[len(found)-1], backward, more)
	return page, err
}
