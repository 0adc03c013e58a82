package writeback

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"strings"
	"sync"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
)

// A score must reach the chart of its patient and no other. Where the target
// calls patients by other references than the senders of responses, the subject
// is brought to the target's before anything is written; where that is not
// certain, the delivery is parked, and what the target holds stays as it is.

// Match is how the patient of a score is found at a target.
type Match string

// The ways; the zero value is Keep.
const (
	// Keep leaves the reference as the sender wrote it.
	Keep Match = "keep"
	// ByIdentifier looks for the one patient with the identifier in the reference.
	ByIdentifier Match = "identifier"
	// ByReference puts another base in place of the reference's own.
	ByReference Match = "reference"
)

// Subject is how the patients of a target are found.
type Subject struct {
	Match Match
	// System is the identifier system that the target knows patients by, for
	// ByIdentifier.
	System string
	// Bases are the bases of references, each with the one in its place, for
	// ByReference. Relative references stay as they are.
	Bases map[string]string
}

// check refuses what cannot work.
func (s Subject) check() error {
	switch {
	case s.Match == "" || s.Match == Keep:
		return nil
	case s.Match == ByIdentifier && s.System != "", s.Match == ByReference && len(s.Bases) > 0:
		return nil
	case s.Match == ByIdentifier:
		return errors.New("writeback: to match patients by identifier needs the system")
	case s.Match == ByReference:
		return errors.New("writeback: to match patients by reference needs the bases")
	}
	return fmt.Errorf("writeback: there is no match of patients %q", s.Match)
}

// errUnlocated says that the delivery has ended, since its patient was not found.
var errUnlocated = errors.New("writeback: the patient of the score was not found at the target")

// located gives the body of a score with the patient as the target calls it.
// After errUnlocated the delivery has ended, and its reason is set.
func (s *delivering) located(ctx context.Context, body []byte) ([]byte, error) {
	how := s.w.subject
	if how.Match == "" || how.Match == Keep {
		return body, nil
	}
	members, err := membersOf(body)
	if err != nil {
		return nil, err
	}
	var sent, found map[string]any
	for i, m := range members {
		if m.name != "subject" {
			continue
		}
		if err := json.Unmarshal(m.raw, &sent); err != nil {
			return nil, fmt.Errorf("writeback: the stored subject is no Reference: %w", err)
		}
		if found, err = s.locate(ctx, sent); err != nil {
			return nil, err
		}
		if members[i].raw, err = json.Marshal(found); err != nil {
			return nil, err
		}
	}
	if found == nil {
		s.fail(Refused, FaultSubject)
		return nil, errUnlocated
	}
	for i, m := range members {
		if m.name != "performer" {
			continue
		}
		if members[i].raw, err = s.performers(m.raw, sent, found); err != nil {
			return nil, err
		}
	}
	return encodeMembers(members), nil
}

// locate gives the reference by which the target calls a patient.
func (s *delivering) locate(ctx context.Context, sent map[string]any) (map[string]any, error) {
	found := maps.Clone(sent)
	literal, _ := sent["reference"].(string)
	if s.w.subject.Match == ByReference {
		mapped, ok := s.w.rebased(literal)
		if literal != "" && !ok {
			s.fail(Refused, FaultSubject)
			return nil, errUnlocated
		}
		if literal != "" {
			found["reference"] = mapped
		}
		return found, nil
	}
	if id, own := s.w.ownPatient(literal); own {
		found["reference"] = "Patient/" + id
		return found, nil
	}
	value, named := subjectIdentifier(sent, s.w.subject.System)
	if !named {
		s.fail(Refused, FaultSubject)
		return nil, errUnlocated
	}
	id, ok := s.w.known.get(value, s.w.clock.Now())
	if !ok {
		if id, ok = s.search(ctx, value); !ok {
			return s.asHeld(ctx)
		}
		s.w.known.put(value, id, s.w.clock.Now())
	}
	found["reference"] = "Patient/" + id
	return found, nil
}

// subjectIdentifier is the value of the identifier within a reference, if it is
// of a system.
func subjectIdentifier(reference map[string]any, system string) (value string, ok bool) {
	identifier, _ := reference["identifier"].(map[string]any)
	value, _ = identifier["value"].(string)
	return value, identifier["system"] == system && value != ""
}

// ownPatient is the id of a patient that is named by the target's own base.
func (w *Worker) ownPatient(literal string) (id string, own bool) {
	reference, ok := fhir.ParseReference([]byte(literal))
	return reference.ID, ok && reference.Base == w.client.base && reference.Type == "Patient"
}

// rebased is a literal reference by the target's base; false if nothing says
// what its own base means there.
func (w *Worker) rebased(literal string) (string, bool) {
	reference, ok := fhir.ParseReference([]byte(literal))
	if !ok {
		return literal, false
	}
	reference.Version = ""
	switch to, mapped := w.subject.Bases[reference.Base]; {
	case mapped:
		reference.Base = strings.TrimSuffix(to, "/")
	case reference.Base != "" && reference.Base != w.client.base:
		return literal, false
	}
	if reference.Base == w.client.base {
		reference.Base = ""
	}
	return reference.String(), true
}

// performers brings the persons who answered to what the target knows: the
// patient as the subject, others by their base. A relative reference to somebody
// else would name whoever has that id at the target, so that only what else is
// said of them is left.
func (s *delivering) performers(raw []byte, sent, found map[string]any) ([]byte, error) {
	var all []map[string]any
	if err := json.Unmarshal(raw, &all); err != nil {
		return nil, fmt.Errorf("writeback: a stored performer is no Reference: %w", err)
	}
	for i, person := range all {
		literal, _ := person["reference"].(string)
		if literal == "" {
			continue
		}
		if literal == sent["reference"] {
			person["reference"] = found["reference"]
			continue
		}
		reference, ok := fhir.ParseReference([]byte(literal))
		if s.w.subject.Match == ByReference {
			if mapped, ok := s.w.rebased(literal); ok {
				person["reference"] = mapped
			}
		} else if ok && reference.Base == "" {
			all[i] = unnamed(person, reference.Type)
		}
	}
	return json.Marshal(all)
}

// unnamed is a reference without its literal.
func unnamed(person map[string]any, kind string) map[string]any {
	person = maps.Clone(person)
	delete(person, "reference")
	person["type"] = kind
	if person["identifier"] == nil && person["display"] == nil {
		person["display"] = kind + " known to the sender"
	}
	return person
}

// search asks the target for the one patient with an identifier. It is a search
// by POST, since an address is kept in logs on the way. Without exactly one the
// delivery has ended.
func (s *delivering) search(ctx context.Context, value string) (id string, ok bool) {
	s.next = searching
	if !s.begin(ctx) {
		return "", false
	}
	form := url.Values{"identifier": {escapeToken(s.w.subject.System) + "|" + escapeToken(value)}}
	a, err := s.ask(ctx, exchange{action: searching, url: s.w.client.base + "/Patient/_search", form: form.Encode()})
	if err != nil {
		s.fail(Released, FaultNone)
		return "", false
	}
	if kind, _ := a.resource["resourceType"].(string); a.class == done && kind != "Bundle" {
		a.unproved(searching, FaultNotFHIR)
	}
	s.attempt.Status, s.verdict, s.wait, s.issues = a.status, a.verdict, a.wait, a.issues
	switch a.class {
	case done:
		return s.onePatient(a.resource, value)
	case refused, absent:
		s.fail(Refused, FaultPatientSearch)
	default:
		s.fail(Retry, a.fault)
	}
	return "", false
}

// onePatient is the one match of a search. One that another has replaced (R4
// patient.html, Patient.link) is none. An entry without the identifier shows that
// the target did not search for it.
func (s *delivering) onePatient(bundle map[string]any, value string) (id string, ok bool) {
	patients, err := matches(bundle, "Patient", identifier{s.w.subject.System, value})
	if err != nil {
		s.fail(Refused, FaultPatientSearch)
		return "", false
	}
	var current []string
	for _, patient := range patients {
		id, _ := patient["id"].(string)
		if !replaced(patient) && fhir.IsID(id) {
			current = append(current, id)
		}
	}
	switch {
	case len(current) > 1, hasNext(bundle):
		s.fail(Refused, FaultPatients)
		return "", false
	case len(current) == 0:
		s.fail(Refused, FaultPatient)
		return "", false
	}
	return current[0], true
}

// replaced says whether a patient's record was merged into another.
func replaced(patient map[string]any) bool {
	links, _ := patient["link"].([]any)
	for _, each := range links {
		if link, _ := each.(map[string]any); link["type"] == "replaced-by" {
			return true
		}
	}
	return false
}

// hasNext says whether a searchset goes on on another page.
func hasNext(bundle map[string]any) bool {
	links, _ := bundle["link"].([]any)
	for _, each := range links {
		if link, _ := each.(map[string]any); link["relation"] == "next" {
			return true
		}
	}
	return false
}

// asHeld is the subject of what the target holds already. A result that is taken
// back must not stay because its patient is not found any more; it keeps the one
// that the target has it under. All else ends where it stood.
func (s *delivering) asHeld(ctx context.Context) (map[string]any, error) {
	if !s.d.Retract || s.d.RemoteID == "" || !s.d.Parked {
		return nil, errUnlocated
	}
	failed := *s
	s.next = reading
	a, err := s.ask(ctx, exchange{action: reading, url: s.w.client.instance(s.kind(), s.d.RemoteID)})
	subject, _ := a.resource["subject"].(map[string]any)
	if err != nil || a.class != done || a.resource["resourceType"] != s.kind() || subject == nil {
		requests := s.attempt.Requests
		*s = failed
		s.attempt.Requests = requests
		return nil, errUnlocated
	}
	s.d.Parked, s.d.Reason, s.d.Fault = false, failed.d.Reason, ""
	s.attempt.Outcome, s.attempt.Fault = "", ""
	return subject, nil
}

// kind is the type of resource that the delivery is at the target.
func (s *delivering) kind() string { return observation.MemberType(s.d.Member) }

// aboutSubject says whether a refusal names the patient, and gives the fault.
func (s *delivering) aboutSubject(fault Fault) Fault {
	if fault != FaultContent {
		return fault
	}
	for _, issue := range s.issues {
		if strings.HasSuffix(issue, ".subject") || strings.HasSuffix(issue, ".subject.reference") {
			s.w.known.clear()
			return FaultPatientRefused
		}
	}
	return fault
}

// patientMemory is how long it is known which patient has an identifier, and
// maxPatients of how many.
const (
	patientMemory = time.Minute
	maxPatients   = 10_000
)

// patients is what is known of a target's patients for a while.
type patients struct {
	mu    sync.Mutex
	known map[string]knownPatient
}

type knownPatient struct {
	id    string
	until time.Time
}

func (p *patients) get(value string, now time.Time) (id string, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	known, ok := p.known[value]
	return known.id, ok && known.until.After(now)
}

func (p *patients) put(value, id string, now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.known == nil || len(p.known) >= maxPatients {
		p.known = map[string]knownPatient{}
	}
	p.known[value] = knownPatient{id, now.Add(patientMemory)}
}

func (p *patients) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.known = nil
}
