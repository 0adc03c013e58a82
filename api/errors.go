package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// failure is an error with its HTTP status and everything to tell the sender.
type failure struct {
	status int
	issues fhir.Issues
}

func (f *failure) Error() string { return strconv.Itoa(f.status) + " " + f.issues.Error() }

// fail makes a failure of one issue.
func fail(status int, code fhir.IssueType, text string) error {
	return failures(status, fhir.Issue{Severity: fhir.Error, Code: code, Text: text})
}

func failures(status int, issues ...fhir.Issue) error { return &failure{status, issues} }

// fault is a failure of this program, or something stored that it cannot read.
// It does not unwrap: the issues of what is stored are not the sender's.
type fault struct {
	text  string
	cause error
}

func (f *fault) Error() string { return "api: " + f.text + ": " + f.cause.Error() }

// outage is what the database failed with.
type outage struct{ error }

func (o *outage) Unwrap() error { return o.error }

// stored marks what a call of the store returned, unless it failed because the
// request has ended.
func stored(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if ended := ctx.Err(); ended != nil {
		return fmt.Errorf("%w: %w", ended, err)
	}
	return &outage{err}
}

// classify is the one mapping from errors to what the sender is told. What is
// not known is told nothing but that it failed; the log has the cause.
func classify(err error) *failure {
	var f *failure
	var issues fhir.Issues
	var tooLarge *http.MaxBytesError
	var own *fault
	var out *outage
	var unauthorised *auth.Error
	switch {
	case errors.As(err, &unauthorised):
		return one(unauthorised.Status, unauthorised.Issue, unauthorised.Text)
	case errors.As(err, &f):
		return f
	case errors.As(err, &issues):
		return classifyIssues(issues)
	case errors.As(err, &tooLarge):
		return one(http.StatusRequestEntityTooLarge, fhir.IssueTooLong, "The body is larger than "+strconv.FormatInt(tooLarge.Limit, 10)+" bytes; send less at once.")
	case errors.Is(err, store.ErrNotFound):
		return one(http.StatusNotFound, fhir.IssueNotFound, "There is no such resource.")
	case errors.Is(err, store.ErrPage), errors.Is(err, store.ErrAuditPage):
		return one(http.StatusBadRequest, fhir.IssueValue, "The page asked for is not one of this search; follow the links of a search as they are, or begin again.")
	case errors.Is(err, store.ErrIdentityTaken):
		return one(http.StatusConflict, fhir.IssueDuplicate, "Another response is stored under this identifier.")
	case errors.Is(err, store.ErrUnknownOutcome):
		return one(http.StatusServiceUnavailable, fhir.IssueNoStore, "It is not known whether the request was stored. Repeat it unchanged: if it was, you will get the first answer.")
	case errors.Is(err, store.ErrClosed):
		return one(http.StatusServiceUnavailable, fhir.IssueTransient, "The server is shutting down and stored nothing; repeat the request shortly.")
	case errors.As(err, &own), errors.Is(err, groupcommit.ErrPanic):
		return one(http.StatusInternalServerError, fhir.IssueException, textFailed)
	case errors.As(err, &out):
		return one(http.StatusServiceUnavailable, fhir.IssueNoStore, "The server cannot reach its database and stored nothing; repeat the request shortly.")
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled), isTimeout(err):
		return one(http.StatusRequestTimeout, fhir.IssueTimeout, "The request took too long to arrive; repeat it.")
	default:
		return one(http.StatusInternalServerError, fhir.IssueException, textFailed)
	}
}

const textFailed = "The server failed; the request id leads its operator to the cause."

func one(status int, code fhir.IssueType, text string) *failure {
	return &failure{status, fhir.Issues{{Severity: fhir.Error, Code: code, Text: text}}}
}

func isTimeout(err error) bool {
	var timeout interface{ Timeout() bool }
	return errors.As(err, &timeout) && timeout.Timeout()
}

// classifyIssues tells what is not valid FHIR (400) from what breaks a rule (422).
func classifyIssues(issues fhir.Issues) *failure {
	status := http.StatusUnprocessableEntity
	if issues.Malformed() {
		status = http.StatusBadRequest
	}
	return &failure{status, issues}
}

// reason is the label a refusal is counted under: its status class and first
// code, both from closed lists.
func (f *failure) reason() string {
	for _, issue := range f.issues {
		if issue.Severity == fhir.Error || issue.Severity == fhir.Fatal {
			return string(issue.Code)
		}
	}
	return strings.ToLower(http.StatusText(f.status))
}
