package writeback

import (
	"fmt"
	"strings"
	"time"

	"go.opentelemetry.io/otel/trace"
)

// Outcome is what became of a claimed delivery. The values serve as labels.
type Outcome string

// The outcomes.
const (
	// Delivered: the target holds the version wanted.
	Delivered Outcome = "delivered"
	// Withdrawn: a result was taken back that the target never had, so that
	// nothing was sent.
	Withdrawn Outcome = "withdrawn"
	// Retry: the target took nothing; it will be tried again.
	Retry Outcome = "retry"
	// Refused: the delivery is parked until someone decides.
	Refused Outcome = "refused"
	// InDoubt: the target may or may not have taken it and will be read.
	InDoubt Outcome = "in-doubt"
	// Waiting: a panel is not sent before its members; nothing was tried.
	Waiting Outcome = "waiting"
	// Released: the worker gave the delivery back without an attempt.
	Released Outcome = "released"
	// Lost: another worker took it over.
	Lost Outcome = "lost"
)

// Fault is the kind of what went wrong, a closed set that serves as label.
type Fault string

// The faults.
const (
	FaultNone           Fault = "none"
	FaultName           Fault = "name"
	FaultConnect        Fault = "connect"
	FaultCertificate    Fault = "certificate"
	FaultNotSent        Fault = "not-sent"
	FaultTimeout        Fault = "timeout"
	FaultConnection     Fault = "connection"
	FaultNotFHIR        Fault = "not-fhir"
	FaultTooLarge       Fault = "too-large"
	FaultRedirect       Fault = "redirect"
	FaultLogin          Fault = "login"
	FaultForbidden      Fault = "forbidden"
	FaultThrottled      Fault = "throttled"
	FaultBusy           Fault = "busy"
	FaultServer         Fault = "server"
	FaultAccepted       Fault = "accepted"
	FaultConflict       Fault = "conflict"
	FaultGone           Fault = "gone"
	FaultContent        Fault = "content"
	FaultUnsupported    Fault = "unsupported"
	FaultType           Fault = "type"
	FaultRequest        Fault = "request"
	FaultAmbiguous      Fault = "ambiguous"
	FaultForeign        Fault = "foreign"
	FaultAhead          Fault = "ahead"
	FaultSettling       Fault = "settling"
	FaultUnretracted    Fault = "not-retracted"
	FaultChanged        Fault = "changed"
	FaultLost           Fault = "lost"
	FaultUnsearchable   Fault = "unsearchable"
	FaultSubject        Fault = "subject"
	FaultPatient        Fault = "patient"
	FaultPatients       Fault = "patients"
	FaultPatientSearch  Fault = "patient-search"
	FaultPatientRefused Fault = "patient-refused"
	FaultStore          Fault = "store"
	FaultTime           Fault = "time"
	FaultStopped        Fault = "stopped"
)

// sentences say what a fault means and, where someone must act, what to do.
var sentences = map[Fault]string{
	FaultName:           "The target's host name could not be resolved.",
	FaultConnect:        "The target could not be connected to.",
	FaultCertificate:    "TLS with the target failed; check its certificate.",
	FaultNotSent:        "Nothing could be sent to the target, as when no access token can be had for it; the log says why.",
	FaultTimeout:        "The target did not answer in time.",
	FaultConnection:     "The connection to the target broke before its answer.",
	FaultNotFHIR:        "The answer is no FHIR resource; check that the base URL is that of the FHIR server and that no gateway answers in its place.",
	FaultTooLarge:       "The answer is larger than this service reads.",
	FaultRedirect:       "The target redirects to another address; configure that address as its base URL.",
	FaultLogin:          "The target does not accept this service's credentials, or gives no access token for them.",
	FaultForbidden:      "The target forbids this; it needs permission to read, search, create and update Observations.",
	FaultThrottled:      "The target asks for fewer requests.",
	FaultBusy:           "The target is not available.",
	FaultServer:         "The target reports an error of its own.",
	FaultAccepted:       "The target has accepted it for later.",
	FaultConflict:       "The resource keeps changing at the target, or the target refuses the change as a conflict.",
	FaultGone:           "The resource is no longer at the target.",
	FaultContent:        "The target refuses the content.",
	FaultUnsupported:    "The target does not offer this interaction; it must allow read, search, create and update, or transactions.",
	FaultType:           "The target has no such resource type; check its base URL.",
	FaultRequest:        "The target refuses the request.",
	FaultAmbiguous:      "More than one resource at the target carries the score's identifier; remove all but one.",
	FaultForeign:        "The resource that the target keeps under the known id does not carry the score's identifier.",
	FaultAhead:          "The target holds a later version than this service has; was the database restored from a backup?",
	FaultSettling:       "A request may still be on its way to the target, which will be looked at again.",
	FaultUnretracted:    "The result was taken back, but the target's copy does not say that it was entered in error.",
	FaultChanged:        "The target's copy is not what was delivered any more.",
	FaultLost:           "The target's copy is gone.",
	FaultUnsearchable:   "The target does not search by identifier, so that it cannot be known what it holds.",
	FaultSubject:        "The response does not name its patient in the way that patients of this target are matched by; send it with that identifier or reference, or change how they are matched.",
	FaultPatient:        "The target has no current patient with the identifier in the response; once the patient is registered there, try again.",
	FaultPatients:       "The target has several patients with the identifier in the response; once they are one, try again.",
	FaultPatientSearch:  "The target does not search for patients by identifier by POST; it must, or patients must be matched in another way.",
	FaultPatientRefused: "The target does not know the patient of the score, or takes no results about them; once that is changed there, try again.",
	FaultStore:          "The stored version cannot be delivered.",
	FaultTime:           "The time for this delivery ran out.",
	FaultStopped:        "This service was stopped before the target answered.",
}

// Attempt is what became of one claimed delivery, for metrics. It holds nothing
// about the patient.
type Attempt struct {
	Target string
	// Trace is what it was part of; not valid if it was of none.
	Trace   trace.SpanContext
	Outcome Outcome
	Fault   Fault
	// Status is the HTTP status that decided, 0 if there was none.
	Status int
	// Requests is how many requests were made.
	Requests int
	// Latency is the time from the first request to the last answer.
	Latency time.Duration
	// Age is how long the target had been behind; it is that of a success only.
	Age time.Duration
	// ReadBack is what the target kept of what was sent.
	ReadBack ReadBack
}

// Checked is what came of looking at a copy, for metrics.
type Checked struct {
	Target string
	// Finding is how the copy differs: FaultChanged, FaultLost, FaultUnretracted,
	// FaultAmbiguous, FaultForeign or FaultAhead; FaultNone if it does not.
	Finding Fault
	// New says that it did not differ so when it was looked at before.
	New bool
	// Read says that the copy could be read; Finding is FaultNone otherwise.
	Read bool
	// Repair says that the copy is to be written again.
	Repair bool
}

// Pause is a time in which nothing is sent to a target at all.
type Pause struct {
	Target string
	Fault  Fault
	// Failures counts the faults in a row that concern the whole target.
	Failures int
	Until    time.Time
}

// Observer is told what happens, for metrics. Its methods are called by several
// goroutines and must be quick.
type Observer interface {
	// Attempted is called once for every delivery claimed.
	Attempted(Attempt)
	// Paused is called when a fault of the whole target stops the sending.
	Paused(Pause)
	// Resumed is called when a target that was paused answers again.
	Resumed(target string)
	// Checked is called for every copy that was looked at.
	Checked(Checked)
	// Chosen is called when the mode that a target is written to in is known, and
	// whenever it or its reason changes.
	Chosen(Choice)
}

// unobserved is the observer nobody asked for.
type unobserved struct{}

func (unobserved) Attempted(Attempt) {}
func (unobserved) Paused(Pause)      {}
func (unobserved) Resumed(string)    {}
func (unobserved) Checked(Checked)   {}
func (unobserved) Chosen(Choice)     {}

// explain writes the reason that is kept with a delivery.
func explain(fault Fault, status int, issues []string) string {
	text := sentences[fault]
	if status != 0 {
		text += fmt.Sprintf(" (HTTP status %d)", status)
	}
	if len(issues) > 0 {
		text += " It names: " + strings.Join(issues, ", ") + "."
	}
	return text
}

// explainReadBack is the reason that is kept with a success, "" if everything
// was kept or nothing is known.
func explainReadBack(r ReadBack) string {
	var parts []string
	if len(r.Dropped) > 0 {
		parts = append(parts, "dropped: "+shortened(r.Dropped))
	}
	if len(r.Changed) > 0 {
		parts = append(parts, "changed: "+shortened(r.Changed))
	}
	if len(parts) == 0 {
		return ""
	}
	return "Delivered, but the target has " + strings.Join(parts, "; ") + "."
}

// shortened lists names, but no more than can be read.
func shortened(names []string) string {
	const most = 8
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}
