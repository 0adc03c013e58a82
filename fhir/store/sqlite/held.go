package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// held keeps the rows of one table back until the end of the batch, to insert
// many of them with one statement. It follows the savepoints of the jobs: the
// rows of a job that fails are forgotten, and rows of its neighbours that were
// inserted behind its savepoint, and so are rolled back with it, are inserted
// again.
type held[T any] struct {
	rows []T
	// inserted of the rows are in the database already.
	inserted int
	// markRows and markInserted are both counts at the last savepoint.
	markRows, markInserted int

	values     func(row T, args []any) []any
	statements []rowsStatement
	args       []any
}

// rowsStatement inserts a fixed number of rows.
type rowsStatement struct {
	rows      int
	statement *sql.Stmt
}

// heldSizes are the numbers of rows a statement is prepared for, largest first.
var heldSizes = []int{64, 16, 4, 1}

// prepare makes the statements: head, VALUES, as many groups of placeholders as
// there are rows, tail. Values appends
// the values of a row.
func (h *held[T]) prepare(ctx context.Context, conn *lasting, values func(row T, args []any) []any, head, group, tail string) error {
	h.values = values
	for _, rows := range heldSizes {
		text := head + " VALUES " + strings.Repeat(group+", ", rows-1) + group + " " + tail
		statement, err := conn.PrepareContext(ctx, text)
		if err != nil {
			return fmt.Errorf("prepare %s: %w", head, err)
		}
		h.statements = append(h.statements, rowsStatement{rows: rows, statement: statement})
	}
	return nil
}

// begin forgets everything, for a new transaction.
func (h *held[T]) begin() {
	clear(h.rows)
	h.rows = h.rows[:0]
	h.inserted, h.markRows, h.markInserted = 0, 0, 0
}

// add holds a row back.
func (h *held[T]) add(row T) { h.rows = append(h.rows, row) }

// savepoint remembers where a job began.
func (h *held[T]) savepoint() { h.markRows, h.markInserted = len(h.rows), h.inserted }

// current are the rows of the job that runs.
func (h *held[T]) current() []T { return h.rows[h.markRows:] }

// waiting are the rows that are not in the database yet.
func (h *held[T]) waiting() []T { return h.rows[h.inserted:] }

// rollbackTo returns to where the job began.
func (h *held[T]) rollbackTo() {
	clear(h.rows[h.markRows:])
	h.rows, h.inserted = h.rows[:h.markRows], h.markInserted
}

// flush inserts what is not in the database yet.
func (h *held[T]) flush(ctx context.Context) error {
	for _, size := range h.statements {
		for len(h.rows)-h.inserted >= size.rows {
			h.args = h.args[:0]
			for _, row := range h.rows[h.inserted : h.inserted+size.rows] {
				h.args = h.values(row, h.args)
			}
			if _, err := size.statement.ExecContext(ctx, h.args...); err != nil {
				return err
			}
			h.inserted += size.rows
		}
	}
	clear(h.args)
	return nil
}
