package sandbox

import (
	"fmt"
	"net/http"
)

// Issue codes of http://hl7.org/fhir/issue-type that this server answers with (R4 codesystem-issue-type).
const (
	codeStructure    = "structure"
	codeRequired     = "required"
	codeValue        = "value"
	codeNotFound     = "not-found"
	codeDeleted      = "deleted"
	codeConflict     = "conflict"
	codeMultiple     = "multiple-matches"
	codeNotSupported = "not-supported"
	codeInvalid      = "invalid"
	codeTooLong      = "too-long"
	codeThrottled    = "throttled"
	codeTransient    = "transient"
	codeException    = "exception"
	codeLogin        = "login"
	codeForbidden    = "forbidden"
	codeDuplicate    = "duplicate"
	codeBusinessRule = "business-rule"
	codeProcessing   = "processing"

	codeInformational = "informational"
)

// problem is a refusal: the HTTP status, the FHIR issue code and one sentence for the client. Its text never quotes
// the body, which may hold patient data.
type problem struct {
	status     int
	code       string
	text       string
	expression string
}

// Error makes a problem an error, so that every interaction can simply return it.
func (p *problem) Error() string { return fmt.Sprintf("%d %s: %s", p.status, p.code, p.text) }

func refuse(status int, code, format string, args ...any) *problem {
	return &problem{status: status, code: code, text: fmt.Sprintf(format, args...)}
}

// answer is the outcome as it goes over the wire.
func (p *problem) answer() answer {
	a := answer{status: p.status, header: http.Header{}, body: encode(outcome("error", p.code, p.text, p.expression))}
	a.header.Set("Content-Type", contentType)
	if p.status == http.StatusUnauthorized {
		a.header.Set("WWW-Authenticate", "Bearer")
	}
	return a
}

// outcome builds an OperationOutcome with one issue.
func outcome(severity, code, text, expression string) *object {
	issue := obj("severity", severity, "code", code, "details", obj("text", text))
	if expression != "" {
		issue.set("expression", []any{expression})
	}
	return obj("resourceType", "OperationOutcome", "issue", []any{issue})
}

// usualCode is the issue code that fits a bare HTTP status best (R4 codesystem-issue-type).
func usualCode(status int) string {
	codes := map[int]string{
		400: codeStructure, 401: codeLogin, 403: codeForbidden, 404: codeNotFound, 405: codeNotSupported,
		409: codeDuplicate, 410: codeDeleted, 412: codeConflict, 413: codeTooLong, 415: codeNotSupported,
		422: codeBusinessRule, 429: codeThrottled, 502: codeTransient, 503: codeTransient, 504: codeTransient,
	}
	if code, ok := codes[status]; ok {
		return code
	}
	return codeException
}
