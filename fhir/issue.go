package fhir

import (
	"strconv"
	"strings"
)

// IssueType is a code of http://hl7.org/fhir/issue-type.
type IssueType string

// The issue types in use (R4 codesystem-issue-type.html).
const (
	IssueStructure       IssueType = "structure"
	IssueRequired        IssueType = "required"
	IssueValue           IssueType = "value"
	IssueInvariant       IssueType = "invariant"
	IssueInvalid         IssueType = "invalid"
	IssueSecurity        IssueType = "security"
	IssueLogin           IssueType = "login"
	IssueUnknown         IssueType = "unknown"
	IssueExpired         IssueType = "expired"
	IssueForbidden       IssueType = "forbidden"
	IssueSuppressed      IssueType = "suppressed"
	IssueProcessing      IssueType = "processing"
	IssueNotSupported    IssueType = "not-supported"
	IssueDuplicate       IssueType = "duplicate"
	IssueMultipleMatches IssueType = "multiple-matches"
	IssueNotFound        IssueType = "not-found"
	IssueDeleted         IssueType = "deleted"
	IssueTooLong         IssueType = "too-long"
	IssueCodeInvalid     IssueType = "code-invalid"
	IssueExtension       IssueType = "extension"
	IssueTooCostly       IssueType = "too-costly"
	IssueBusinessRule    IssueType = "business-rule"
	IssueConflict        IssueType = "conflict"
	IssueTransient       IssueType = "transient"
	IssueNoStore         IssueType = "no-store"
	IssueException       IssueType = "exception"
	IssueTimeout         IssueType = "timeout"
	IssueThrottled       IssueType = "throttled"
	IssueIncomplete      IssueType = "incomplete"
	IssueInformational   IssueType = "informational"
)

// Severity is a code of http://hl7.org/fhir/issue-severity.
type Severity string

// The severities (R4 valueset-issue-severity.html).
const (
	Fatal       Severity = "fatal"
	Error       Severity = "error"
	Warning     Severity = "warning"
	Information Severity = "information"
)

// Class says how deep a fault lies, which decides the HTTP status.
type Class uint8

// The classes: what breaks only a rule of the form or the business (422) is
// told from what is not valid FHIR (400).
const (
	// Rule is a fault against the form, a profile or a business rule.
	Rule Class = iota
	// Malformed is a fault against JSON or FHIR itself.
	Malformed
)

// Issue is one thing wrong with what was sent, or worth knowing about it. Its
// text must never carry a value that was sent, which may be patient data.
type Issue struct {
	Severity Severity
	Code     IssueType
	Class    Class
	// Expression is the FHIRPath of the one element at fault, "" for none.
	Expression string
	// LinkID is the item of the form that the issue is about, if it is.
	LinkID string
	// Detail is a code of our own for the kind of issue, with its system in
	// DetailSystem; "" for none.
	Detail, DetailSystem string
	// Text says what is wrong and what to change.
	Text string
}

// Issues is everything wrong with one input. As an error it reads as its
// first fault and the number of the others.
type Issues []Issue

// Error makes the issues an error.
func (i Issues) Error() string {
	var faults []string
	for _, issue := range i {
		if issue.Severity == Error || issue.Severity == Fatal {
			faults = append(faults, strings.TrimSpace(issue.Expression+": "+issue.Text))
		}
	}
	switch len(faults) {
	case 0:
		return "no fault"
	case 1:
		return faults[0]
	default:
		return faults[0] + " (and " + strconv.Itoa(len(faults)-1) + " more)"
	}
}

// Refused says whether any of the issues is an error.
func (i Issues) Refused() bool {
	for _, issue := range i {
		if issue.Severity == Error || issue.Severity == Fatal {
			return true
		}
	}
	return false
}

// Malformed says whether any error is a fault against JSON or FHIR itself.
func (i Issues) Malformed() bool {
	for _, issue := range i {
		if issue.Class == Malformed && (issue.Severity == Error || issue.Severity == Fatal) {
			return true
		}
	}
	return false
}
