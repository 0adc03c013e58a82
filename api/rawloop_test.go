//go:build unix

package api_test

import (
	"context"
	"database/sql"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store/sqlite"
)

// rawRow is one row of a table, with all its columns and the statement that
// inserts it.
type rawRow struct {
	table, insert string
	values        []any
}

// rawTables are the tables that a submission writes to, each with the column
// that says whose row it is: a row number, shifted in the key of a version.
var rawTables = []struct{ name, rid string }{
	{"resource", "rid"}, {"resource_version", "vid >> 20"}, {"token", "rid"}, {"number", "rid"},
	{"identity", "(SELECT rid FROM resource r WHERE r.type = t.type AND r.id = t.id)"}, {"delivery", "rid"},
}

// readRows gives all rows of a database by submission, without the first ones.
// Each submission has three resources, with row numbers one after the other.
func readRows(tb testing.TB, db *sql.DB, without int) [][]rawRow {
	tb.Helper()
	var submissions [][]rawRow
	for _, table := range rawTables {
		insert := ""
		readTable(tb, db, table.name, table.rid, 3*without, func(rid int64, values []any) {
			at := int(rid-1)/3 - without
			for len(submissions) <= at {
				submissions = append(submissions, nil)
			}
			if insert == "" {
				insert = "INSERT INTO " + table.name + " VALUES (?" + strings.Repeat(", ?", len(values)-1) + ")"
			}
			submissions[at] = append(submissions[at], rawRow{table.name, insert, values})
		})
	}
	return submissions
}

// readTable visits the rows of a table whose row numbers are above one.
func readTable(tb testing.TB, db *sql.DB, table, rid string, above int, visit func(rid int64, values []any)) {
	tb.Helper()
	rows, err := db.QueryContext(context.Background(), "SELECT "+rid+" AS whose, t.* FROM "+table+" t WHERE whose > ?", above)
	require.NoError(tb, err)
	defer rows.Close()
	columns, err := rows.Columns()
	require.NoError(tb, err)
	for rows.Next() {
		values := make([]any, len(columns))
		into := make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		require.NoError(tb, rows.Scan(into...))
		visit(values[0].(int64), values[1:])
	}
	require.NoError(tb, rows.Err())
}

// openRaw opens a database without the store, as the store's writer does.
func openRaw(tb testing.TB, path string) *sql.DB {
	tb.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=synchronous(FULL)&_pragma=temp_store(MEMORY)&_pragma=cache_size(-65536)&_pragma=wal_autocheckpoint(4000)")
	require.NoError(tb, err)
	db.SetMaxOpenConns(1)
	tb.Cleanup(func() { require.NoError(tb, db.Close()) })
	return db
}

// rawLoop inserts rows one by one with prepared statements.
type rawLoop struct {
	tb       testing.TB
	db       *sql.DB
	prepared map[string]*sql.Stmt
}

// newRawLoop makes one on a new database of the store's schema.
func newRawLoop(tb testing.TB, path string) *rawLoop {
	tb.Helper()
	store, err := sqlite.Open(context.Background(), path, sqlite.Options{})
	require.NoError(tb, err)
	require.NoError(tb, store.Close())
	return &rawLoop{tb: tb, db: openRaw(tb, path), prepared: map[string]*sql.Stmt{}}
}

// run inserts submissions and commits as many at a time as there are clients.
func (l *rawLoop) run(submissions [][]rawRow) {
	for i, submission := range submissions {
		if i%ingestClients == 0 {
			l.exec("BEGIN IMMEDIATE")
		}
		for _, row := range submission {
			l.exec(row.insert, row.values...)
		}
		if i%ingestClients == ingestClients-1 || i == len(submissions)-1 {
			l.exec("COMMIT")
		}
	}
}

// exec runs a statement, prepared the first time.
func (l *rawLoop) exec(text string, values ...any) {
	statement := l.prepared[text]
	if statement == nil {
		var err error
		statement, err = l.db.PrepareContext(context.Background(), text)
		require.NoError(l.tb, err)
		l.prepared[text] = statement
	}
	if _, err := statement.ExecContext(context.Background(), values...); err != nil {
		l.tb.Fatal(err)
	}
}
