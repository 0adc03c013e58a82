package postgres

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// serverError is an error of the server without what it may know of a patient:
// its message and detail can hold values of rows.
type serverError struct{ cause *pgconn.PgError }

// Error names the condition and, where one was violated, the constraint.
func (e *serverError) Error() string {
	text := "PostgreSQL answers SQLSTATE " + e.cause.Code
	if harmless(e.cause.Code) {
		text += ": " + e.cause.Message
	}
	if e.cause.ConstraintName != "" {
		text += ", constraint " + e.cause.ConstraintName
	}
	return text
}

// Unwrap gives the server's own error, for errors.As.
func (e *serverError) Unwrap() error { return e.cause }

// harmless says whether the messages of a class of conditions are about the
// server, its tables or the session, and never about a value.
func harmless(code string) bool {
	for _, class := range []string{"08", "25", "28", "3D", "3F", "40", "42", "53", "55", "57", "58", "F0", "XX"} {
		if strings.HasPrefix(code, class) {
			return true
		}
	}
	return false
}

// wrap says what was being done when the database failed.
func wrap(what string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", what, clean(err))
}

// clean takes from an error what it must not tell.
func clean(err error) error {
	var known *serverError
	if errors.As(err, &known) {
		return err
	}
	var fault *pgconn.PgError
	if errors.As(err, &fault) {
		return &serverError{fault}
	}
	return err
}

// code is the SQLSTATE of an error, empty if the server did not answer.
func code(err error) string {
	var fault *pgconn.PgError
	if errors.As(err, &fault) {
		return fault.Code
	}
	return ""
}

// The conditions that are told apart (PostgreSQL, Appendix A).
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	readOnly             = "25006"
	idleInTransaction    = "25P03"
	uniqueViolation      = "23505"
)

// isLost says whether the connection is gone, or of no use any more: a server
// that was demoted still answers, but takes no writes.
func isLost(err error) bool {
	var network net.Error
	switch c := code(err); {
	case err == nil:
		return false
	case c != "":
		return strings.HasPrefix(c, "08") || strings.HasPrefix(c, "57P") || c == readOnly || c == idleInTransaction
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return false
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed), errors.As(err, &network):
		return true
	default:
		return pgconn.SafeToRetry(err) || strings.Contains(err.Error(), "conn closed")
	}
}

// again marks the error of a transaction that was lost to something outside it,
// so that running it again may help: to others that wrote at the same time, or
// with its connection.
func again(err error) error {
	switch c := code(err); {
	case err == nil:
		return nil
	case c == serializationFailure, c == deadlockDetected, c == uniqueViolation, isLost(err):
		return fmt.Errorf("%w: %w", groupcommit.ErrAgain, err)
	default:
		return err
	}
}

// notFound makes the absence of a row the store's own error.
func notFound(what string, err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return store.ErrNotFound
	}
	return wrap(what, err)
}

// badRequest is an error of the search asked for, which costs no transaction.
type badRequest struct{ error }

// Unwrap gives what is wrong with it.
func (b *badRequest) Unwrap() error { return b.error }

func isRequest(err error) bool {
	var bad *badRequest
	return errors.As(err, &bad)
}
