package audit

import (
	"strconv"
	"time"
)

// Interactions that stand beside the codes of
// http://hl7.org/fhir/restful-interaction.
const (
	// Unknown is a request that named nothing the server offers.
	Unknown = ""
	// Login is the use of a token that was refused, or one that was not given.
	Login = "login"
)

// Event is what happened.
type Event struct {
	// Interaction is a code of http://hl7.org/fhir/restful-interaction, such as
	// create or search-type, or one of the constants.
	Interaction string
	// Recorded is the time, Status what was answered (HTTP), Reason the code of
	// the first fault if it was refused.
	Recorded time.Time
	Status   int
	Reason   string
	Agent    Agent
	// Base is the server's FHIR base, Observer the reference to the Device that
	// it is.
	Base, Observer string
	// Entity is the resource concerned, as Observation/17/_history/2.
	Entity string
	// Patient is whose it is: a reference, or "identifier:system|value".
	Patient string
	// Query is what a search or an operation asked, as Observation?patient=oona.
	Query string
	// Request is the X-Request-Id.
	Request string
	// Count is for how many alike this event stands: 0 and 1 are one.
	Count int64
	// Since is when the first of them was.
	Since time.Time
}

// Outcome is AuditEvent.outcome: 0 success, 4 the request was at fault, 8 the
// server was, 12 it could do nothing at all.
func (e *Event) Outcome() string {
	switch {
	case e.Status == 503:
		return "12"
	case e.Status >= 500:
		return "8"
	case e.Status >= 400:
		return "4"
	}
	return "0"
}

// pattern is how one kind of interaction is written.
type pattern struct {
	// action is C, R, U, D or E (http://hl7.org/fhir/audit-event-action), profile
	// the name of the pattern, "" for none.
	action, profile string
	// subtypes are the codings of subtype, most general first.
	subtypes []coding
	// client and server are the roles of the agents.
	client, server coding
	// user is the role of a person.
	user coding
}

// coding is a code with its display.
type coding struct{ system, code, display string }

// Code systems.
const (
	systemType        = "http://terminology.hl7.org/CodeSystem/audit-event-type"
	systemInteraction = "http://hl7.org/fhir/restful-interaction"
	systemDICOM       = "http://dicom.nema.org/resources/ontology/DCM"
	systemParticipant = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
)

var (
	source      = coding{systemDICOM, "110153", "Source Role ID"}
	destination = coding{systemDICOM, "110152", "Destination Role ID"}
	application = coding{systemDICOM, "110150", "Application"}
	custodian   = coding{"http://terminology.hl7.org/CodeSystem/provenance-participant-type", "custodian", "Custodian"}
	recipient   = coding{systemParticipant, "IRCP", "information recipient"}
	author      = coding{systemParticipant, "AUT", "author (originator)"}
)

func interaction(code, display string) coding { return coding{systemInteraction, code, display} }

// patterns are those of all interactions of R4 that the server offers.
var patterns = map[string]pattern{
	"create":           {"C", "Create", []coding{interaction("create", "create")}, source, destination, author},
	"read":             {"R", "Read", []coding{interaction("read", "read")}, destination, source, recipient},
	"vread":            {"R", "Read", []coding{interaction("read", "read"), interaction("vread", "vread")}, destination, source, recipient},
	"history-instance": {"R", "", []coding{interaction("history-instance", "history-instance")}, destination, source, recipient},
	"history-type":     {"R", "", []coding{interaction("history-type", "history-type")}, destination, source, recipient},
	"history-system":   {"R", "", []coding{interaction("history-system", "history-system")}, destination, source, recipient},
	"update":           {"U", "Update", []coding{interaction("update", "update")}, source, destination, author},
	"patch":            {"U", "Update", []coding{interaction("patch", "patch")}, source, destination, author},
	"delete":           {"D", "Delete", []coding{interaction("delete", "delete")}, application, custodian, author},
	"search-type":      {"E", "Query", []coding{interaction("search", "search"), interaction("search-type", "search-type")}, source, destination, recipient},
	"search-system":    {"E", "Query", []coding{interaction("search", "search"), interaction("search-system", "search-system")}, source, destination, recipient},
	"operation":        {"E", "", []coding{interaction("operation", "operation")}, source, destination, recipient},
	"transaction":      {"E", "", []coding{interaction("transaction", "transaction")}, source, destination, author},
	"batch":            {"E", "", []coding{interaction("batch", "batch")}, source, destination, author},
	"capabilities":     {"R", "", []coding{interaction("capabilities", "capabilities")}, destination, source, recipient},
	Login:              {"E", "", []coding{{systemDICOM, "110122", "Login"}}, source, destination, recipient},
	Unknown:            {"E", "", nil, source, destination, recipient},
}

// Known says whether events of an interaction can be written.
func Known(interaction string) bool {
	_, ok := patterns[interaction]
	return ok
}

func (e *Event) pattern() pattern {
	p, ok := patterns[e.Interaction]
	if !ok {
		p = patterns[Unknown]
	}
	return p
}

// Action is AuditEvent.action.
func (e *Event) Action() string { return e.pattern().action }

// Type is the code of AuditEvent.type.
func (e *Event) Type() string { return e.kind().code }

func (e *Event) kind() coding {
	if e.Interaction == Login {
		return coding{systemDICOM, "110114", "User Authentication"}
	}
	return coding{systemType, "rest", "RESTful Operation"}
}

// Subtype is the most special code of AuditEvent.subtype, "" if there is none.
func (e *Event) Subtype() string {
	if all := e.pattern().subtypes; len(all) > 0 {
		return all[len(all)-1].code
	}
	return ""
}

// description is outcomeDesc: status and code of a refusal, from closed lists.
func (e *Event) description() string {
	if e.Status < 400 && e.Count < 2 {
		return ""
	}
	text := "HTTP " + strconv.Itoa(e.Status)
	if e.Reason != "" {
		text += " " + e.Reason
	}
	if e.Count > 1 {
		text = strconv.FormatInt(e.Count, 10) + " requests since " + e.Since.UTC().Format(time.RFC3339) + " are recorded by this event alone; the last: " + text
	}
	return text
}
