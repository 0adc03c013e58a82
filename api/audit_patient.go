package api

import (
	"context"
	"errors"
	"strconv"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// maxTargets bounds how far a chain of Provenances is followed to a patient.
const maxTargets = 4

// patientOf is the patient whose compartment a stored version is in, "" if it is
// in none: its subject, that of its last version before it was deleted, or of
// what a Provenance speaks of.
func (s *Server) patientOf(ctx context.Context, r store.Resource) (string, error) {
	for range maxTargets {
		if r.Deleted {
			before, err := s.raw.Version(ctx, r.Key, r.Version-1)
			if err != nil {
				return "", absent(err)
			}
			r = before
		}
		patient, target, err := s.compartment(r.Body)
		if err != nil || target == nil {
			return patient, err
		}
		if r, err = s.raw.Get(ctx, *target); err != nil {
			return "", absent(err)
		}
	}
	return "", nil
}

// absent takes what is not there for no error.
func absent(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	return err
}

// compartment reads the patient of a resource, or where else to look for it.
func (s *Server) compartment(body []byte) (patient string, target *store.Key, err error) {
	document, err := fhir.Decode(body)
	if err != nil {
		return "", nil, &fault{"a stored resource does not decode", err}
	}
	defer document.Release()
	root := document.Root()
	if root.Type() == "Patient" {
		return "Patient/" + root.Get("id").Text(), nil, nil
	}
	for _, member := range []string{"subject", "patient"} {
		if subject := root.Get(member); subject.Exists() && (subject.Get("reference").Exists() || subject.Get("identifier").Exists()) {
			return patientKey(subject, s.options.BaseURL), nil, nil
		}
	}
	if root.Type() != "Provenance" {
		return "", nil, nil
	}
	reference, ok := fhir.ParseReference([]byte(localReference(root.Get("target").Get("reference").Text(), s.options.BaseURL)))
	if !ok || reference.Base != "" {
		return "", nil, nil
	}
	return "", &store.Key{Type: reference.Type, ID: reference.ID}, nil
}

// versioned is the reference to a version.
func versioned(r store.Resource) string {
	if r.Version == 0 {
		return r.Key.String()
	}
	return r.Key.String() + "/_history/" + strconv.FormatInt(r.Version, 10)
}
