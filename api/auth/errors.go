package auth

import (
	"net/http"
	"strings"

	"tidemark.example/tidemark/fhir"
)

// The error codes of RFC 6750 section 3.1.
const (
	CodeInvalidRequest    = "invalid_request"
	CodeInvalidToken      = "invalid_token"
	CodeInsufficientScope = "insufficient_scope"
)

// Error is a refusal, with all that the sender is told. Nothing in it but the
// cause comes from a token, and the cause is for the log of an operator who
// asks for it, never for the sender.
type Error struct {
	// Status is the HTTP status: 400, 401, 403 or 503.
	Status int
	// Code is that of RFC 6750 3.1; "" when no token was sent, which is no
	// error yet, or when the issuer cannot be reached (503).
	Code string
	// Issue is the code of the OperationOutcome.
	Issue fhir.IssueType
	// Text says what is wrong and what to do, in US-ASCII without quotes.
	Text string
	// Scope is what would have been enough, with insufficient_scope.
	Scope string
	// Reason is a word of a closed list, for metrics and audit.
	Reason Reason
	// Realm is that of the challenge; "" means fhir.
	Realm string
	cause error
}

// Reason names why a token or a request was refused. The list is closed, so
// that it can be a label of a metric.
type Reason string

// The reasons.
const (
	ReasonMissing     Reason = "missing"
	ReasonRequest     Reason = "request"
	ReasonTooLong     Reason = "too-long"
	ReasonForm        Reason = "form"
	ReasonHeader      Reason = "header"
	ReasonAlgorithm   Reason = "algorithm"
	ReasonType        Reason = "type"
	ReasonKey         Reason = "key"
	ReasonSignature   Reason = "signature"
	ReasonIssuer      Reason = "issuer"
	ReasonAudience    Reason = "audience"
	ReasonExpired     Reason = "expired"
	ReasonLifetime    Reason = "lifetime"
	ReasonNotYet      Reason = "not-yet"
	ReasonClaims      Reason = "claims"
	ReasonInactive    Reason = "inactive"
	ReasonScope       Reason = "scope"
	ReasonReplay      Reason = "replay"
	ReasonUnreachable Reason = "unreachable"
)

// Error says what was refused, and why in more detail than the sender is told.
func (e *Error) Error() string {
	text := "auth: " + string(e.Reason) + ": " + e.Text
	if e.cause != nil {
		text += ": " + e.cause.Error()
	}
	return text
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.cause }

// WWWAuthenticate is the header of the answer (RFC 6750 section 3); "" for a
// status that has none.
func (e *Error) WWWAuthenticate() string {
	if e.Status == http.StatusServiceUnavailable {
		return ""
	}
	realm := e.Realm
	if realm == "" {
		realm = "fhir"
	}
	if e.Code == "" {
		return `Bearer realm="` + realm + `"`
	}
	var b strings.Builder
	b.WriteString(`Bearer realm="` + realm + `", error="` + e.Code + `", error_description="` + e.Text + `"`)
	if e.Scope != "" {
		b.WriteString(`, scope="` + e.Scope + `"`)
	}
	return b.String()
}

// missing is the answer to a request without a token.
func missing() *Error {
	return &Error{Status: http.StatusUnauthorized, Issue: fhir.IssueLogin, Reason: ReasonMissing,
		Text: "The request carries no access token; send one as Authorization: Bearer."}
}

func badRequest(text string) *Error {
	return &Error{Status: http.StatusBadRequest, Code: CodeInvalidRequest, Issue: fhir.IssueLogin, Reason: ReasonRequest, Text: text}
}

// refuse is the answer to a token that is not accepted. All say the same to
// the sender, so that trying teaches little; expired ones say so, because a
// client acts on that by getting a new token.
func refuse(reason Reason, cause error) *Error {
	e := &Error{Status: http.StatusUnauthorized, Code: CodeInvalidToken, Issue: fhir.IssueUnknown, Reason: reason,
		Text: "The access token is not accepted; get one from the authorization server of this service.", cause: cause}
	if reason == ReasonExpired {
		e.Issue, e.Text = fhir.IssueExpired, "The access token has expired; get a new one."
	}
	return e
}

// unreachable is the answer while an issuer cannot be asked: the token may be
// good, so that it is no 401.
func unreachable(cause error) *Error {
	return &Error{Status: http.StatusServiceUnavailable, Issue: fhir.IssueTransient, Reason: ReasonUnreachable,
		Text: "The issuer of the access token cannot be reached to check it; repeat the request shortly.", cause: cause}
}

// insufficient is the answer to a good token whose scopes do not cover what is
// asked.
func insufficient(scope string) *Error {
	return &Error{Status: http.StatusForbidden, Code: CodeInsufficientScope, Issue: fhir.IssueForbidden, Reason: ReasonScope, Scope: scope,
		Text: "The scopes of the access token do not cover this request."}
}
