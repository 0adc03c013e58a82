package sqlite

import (
	"context"
	"database/sql"
	"errors"
)

// lasting is a connection with the statements that were prepared on it. Package
// database/sql leaves it to us to close those of a connection taken out of its
// pool, and as long as one is open, SQLite keeps the file open after all.
type lasting struct {
	*sql.Conn
	statements []*sql.Stmt
}

// PrepareContext prepares a statement that ends with the connection.
func (l *lasting) PrepareContext(ctx context.Context, query string) (*sql.Stmt, error) {
	statement, err := l.Conn.PrepareContext(ctx, query)
	if err == nil {
		l.statements = append(l.statements, statement)
	}
	return statement, err
}

// Close ends the statements and gives the connection back.
func (l *lasting) Close() error {
	var errs []error
	for _, statement := range l.statements {
		errs = append(errs, statement.Close())
	}
	return errors.Join(append(errs, l.Conn.Close())...)
}
