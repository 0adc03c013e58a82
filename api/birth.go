package api

import (
	"context"
	"sync/atomic"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// A birth date serves to judge one score as it comes in, and is gone with the
// request: it is not stored, logged or counted. It is that of the Patient beside
// the response; where there is none, a hospital's server is asked, if that is
// configured.

// BirthDate asks for the birth date of the patient that a subject refers to, as FHIR
// writes dates, "" if the patient has none; found is false if there is no such
// patient. An error never holds anything of the patient.
type BirthDate func(ctx context.Context, subject fhir.Node) (date string, found bool, err error)

// Bounds of asking (common practice): a sender waits for it, so that it takes little
// time, and a server that does not answer is left alone for a while.
const (
	birthPatience = time.Second
	birthPause    = 10 * time.Second
	birthsAtOnce  = 16
)

// births asks a hospital's server for birth dates.
type births struct {
	ask BirthDate
	// slots has a place for each that is asked for at once; until is when it may be
	// asked again after a failure, in milliseconds.
	slots chan struct{}
	until atomic.Int64
}

func newBirths(ask BirthDate) *births {
	if ask == nil {
		return nil
	}
	return &births{ask: ask, slots: make(chan struct{}, birthsAtOnce)}
}

// What became of asking, as the metric has it.
const (
	birthFound   = "found"
	birthUnknown = "without-date"
	birthNobody  = "no-patient"
	birthFailed  = "failed"
	birthSkipped = "skipped"
)

var birthOutcomes = []string{birthFound, birthUnknown, birthNobody, birthFailed, birthSkipped}

// askBirth finds out when the patient of a score was born, unless it is known. What
// cannot be found out is not remarked on; it never keeps a response from being taken.
func (s *Server) askBirth(ctx context.Context, sub *submission) {
	if s.births == nil || sub.born.Asked {
		return
	}
	date, outcome := s.births.look(ctx, sub.response.Subject)
	s.metrics.births.WithLabelValues(outcome).Inc()
	if outcome == birthFound || outcome == birthUnknown {
		sub.born = born(date, sub.response.Authored)
	}
}

// look asks for one date, if there is a place and the server answered lately.
func (b *births) look(ctx context.Context, subject fhir.Node) (date, outcome string) {
	if time.Now().UnixMilli() < b.until.Load() {
		return "", birthSkipped
	}
	select {
	case b.slots <- struct{}{}:
		defer func() { <-b.slots }()
	default:
		return "", birthSkipped
	}
	limited, cancel := context.WithTimeout(ctx, birthPatience)
	defer cancel()
	date, found, err := b.ask(limited, subject)
	switch {
	case err != nil && ctx.Err() == nil:
		b.until.Store(time.Now().Add(birthPause).UnixMilli())
		return "", birthFailed
	case err != nil:
		return "", birthFailed
	case !found:
		return "", birthNobody
	case date == "":
		return "", birthUnknown
	}
	return date, birthFound
}

// bornOf is what a Patient says of its birth; nothing if there is no Patient.
func bornOf(patient fhir.Node, on fhir.DateTime) questionnaire.Born {
	if !patient.Exists() {
		return questionnaire.Born{}
	}
	return born(patient.Get("birthDate").Text(), on)
}

// born is a birth date, as seen on the day of a rating.
func born(date string, on fhir.DateTime) questionnaire.Born {
	b := questionnaire.Born{Asked: true}
	parsed, err := fhir.ParseDateTime([]byte(date))
	if err != nil || parsed.Precision > fhir.ToDay {
		return b
	}
	first, last := parsed.Range()
	b.Known, b.First, b.Last = true, dayOf(first), dayOf(last)
	b.AgeGroup = ageGroupOn(parsed, on.Time)
	return b
}

// patientOf is the Patient in a transaction that the response of an entry is about;
// it does not exist if the patient is not there.
func (t *transaction) patientOf(index int) fhir.Node {
	subject := t.entries[index].sub.response.Subject
	var entries []fhir.Node
	for node := range t.original.Root().Each("entry") {
		entries = append(entries, node)
	}
	text := entries[index].Get("resource").Get("subject").Get("reference").Text()
	if to, _, found := t.links.entries.Resolve(index, text); found && entries[to].Get("resource").Type() == "Patient" {
		return entries[to].Get("resource")
	}
	for i, node := range entries {
		patient := node.Get("resource")
		if patient.Type() == "Patient" && (text != "" && t.entries[i].path == text || hasIdentifier(patient, subject.Get("identifier"))) {
			return patient
		}
	}
	return fhir.Node{}
}

// hasIdentifier says whether a resource has an identifier, by system and value.
func hasIdentifier(resource, wanted fhir.Node) bool {
	if !wanted.Get("value").Exists() {
		return false
	}
	for identifier := range resource.Each("identifier") {
		if identifier.Get("system").Text() == wanted.Get("system").Text() && identifier.Get("value").Text() == wanted.Get("value").Text() {
			return true
		}
	}
	return false
}
