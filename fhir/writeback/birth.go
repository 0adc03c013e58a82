package writeback

import (
	"context"
	"errors"
	"net/url"
	"time"

	"tidemark.example/tidemark/fhir"
)

// errBirth says that a target did not answer what was asked; it says nothing of whom.
var errBirth = errors.New("writeback: the target gave no patient")

// BirthDate asks the target when the patient that a subject refers to was born: the
// patient is found as for a delivery, by what Target.Subject says. The date is as the
// target has it, "" if it has none; found is false if the target would not know who
// is meant. Only what is needed is asked for, nothing is kept, and what fails is not
// tried again: whoever asks goes on without.
func (w *Worker) BirthDate(ctx context.Context, subject fhir.Node) (date string, found bool, err error) {
	literal := subject.Get("reference").Text()
	if w.subject.Match == ByReference {
		var mapped bool
		if literal, mapped = w.rebased(literal); !mapped {
			return "", false, nil
		}
	}
	if id, ok := w.patientHere(literal); ok {
		return w.readBirth(ctx, id)
	}
	identifier := subject.Get("identifier")
	if w.subject.Match == ByIdentifier && identifier.Get("system").Is(w.subject.System) && identifier.Get("value").Text() != "" {
		return w.searchBirth(ctx, identifier.Get("value").Text())
	}
	return "", false, nil
}

// patientHere is the id of the patient that a reference names at the target. A
// relative one names somebody there only if it is written to the target as it is.
func (w *Worker) patientHere(literal string) (id string, ok bool) {
	if id, ok := w.ownPatient(literal); ok {
		return id, true
	}
	reference, ok := fhir.ParseReference([]byte(literal))
	return reference.ID, ok && reference.Type == "Patient" && reference.Base == "" && w.subject.Match != ByIdentifier
}

func (w *Worker) readBirth(ctx context.Context, id string) (date string, found bool, err error) {
	a := w.client.do(ctx, exchange{action: reading, url: w.client.instance("Patient", id) + "?_elements=birthDate"}, time.Minute)
	if a.class == absent {
		return "", false, nil
	}
	if a.class != done || a.resource["resourceType"] != "Patient" || a.resource["id"] != id {
		return "", false, errBirth
	}
	date, _ = a.resource["birthDate"].(string)
	return date, true, nil
}

// searchBirth asks by POST, since an address is kept in logs on the way. More than one
// patient is nobody.
func (w *Worker) searchBirth(ctx context.Context, value string) (date string, found bool, err error) {
	form := url.Values{"identifier": {escapeToken(w.subject.System) + "|" + escapeToken(value)}, "_elements": {"identifier,birthDate,link"}}
	a := w.client.do(ctx, exchange{action: searching, url: w.client.base + "/Patient/_search", form: form.Encode()}, time.Minute)
	if a.class != done {
		return "", false, errBirth
	}
	patients, err := matches(a.resource, "Patient", identifier{w.subject.System, value})
	if err != nil {
		return "", false, err
	}
	var current []map[string]any
	for _, patient := range patients {
		if !replaced(patient) {
			current = append(current, patient)
		}
	}
	if len(current) != 1 || hasNext(a.resource) {
		return "", false, nil
	}
	date, _ = current[0]["birthDate"].(string)
	return date, true, nil
}
