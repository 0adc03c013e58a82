package api

import (
	"errors"
	"net/http"
	"strconv"
	"time"

	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// statusOf is the status of the score of a completed or amended response.
func statusOf(response questionnaire.Status) string {
	if response == questionnaire.Amended {
		return amended
	}
	return "final"
}

func (sub *submission) writeScore(tx store.Tx, response store.Resource) error {
	defer ownWork(tx)()
	source := response.Key.String() + "/_history/" + strconv.FormatInt(response.Version, 10)
	status, activity := statusOf(sub.response.Status), observation.Create
	before := store.Resource{}
	if response.Version > 1 {
		var err error
		if before, err = tx.Get(sub.observationKey()); err == nil {
			activity = observation.Update
		}
	}
	remarks, err := sub.remarks(tx, before)
	if err != nil {
		return err
	}
	bands := sub.server.options.Bands
	index := sub.observationIndex(response)
	written, err := tx.Put(sub.observationKey(), http.MethodPut, index, func(version int64, at time.Time) ([]byte, error) {
		return observation.Append(make([]byte, 0, 16<<10), &observation.Input{
			Response: &sub.response, ID: sub.id, Version: version, LastUpdated: at, Base: sub.server.options.BaseURL,
			Identifier: sub.scoreIdentifier(), Status: status, Issued: at, Bands: &bands,
			DerivedFrom: sub.server.options.BaseURL + "/" + source, Remarks: remarks,
		}), nil
	})
	if err != nil {
		return err
	}
	if total := sub.response.Result.Scorad; total.Answered {
		sub.result.scored = bands.Band(total.Value).String()
	} else {
		sub.result.scored = "none"
	}
	if err := writeProvenance(tx, &observation.ProvenanceInput{Performer: sub.response.Performer, Activity: activity, Entity: source, Form: sub.response.Form}, written, index.Patient); err != nil {
		return err
	}
	sub.result.followed = true
	return sub.server.follow(tx, written, false, func() []string { return observation.Parts(&sub.response) })
}

// retraction is why a score is taken back.
type retraction struct {
	// id is that of the response and of its score.
	id string
	// performer is who answered, if known; source the version of the response
	// that takes the score back, or that was deleted.
	performer fhir.Node
	source    string
	// derived says that the score now derives from source; role is what source
	// was to it, "" for its source.
	derived bool
	role    observation.EntityRole
}

// retract takes back the score of a response, if there is one, and says whether
// that made a version of it.
func (s *Server) retract(tx store.Tx, r retraction) (followed bool, err error) {
	defer ownWork(tx)()
	key, options := store.Key{Type: "Observation", ID: r.id}, &s.options
	current, err := tx.Get(key)
	if errors.Is(err, store.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	document, err := fhir.Decode(current.Body)
	if err != nil {
		return false, &fault{"a stored Observation does not decode", err}
	}
	defer document.Release()
	if document.Root().Get("status").Is("entered-in-error") {
		return false, nil
	}
	index := observationIndexOf(document.Root(), options.BaseURL)
	index.Status = "entered-in-error"
	derivedFrom := ""
	if r.derived {
		derivedFrom = options.BaseURL + "/" + r.source
	}
	written, err := tx.Put(key, http.MethodPut, index, func(version int64, at time.Time) ([]byte, error) {
		return observation.AppendRetracted(nil, document.Root(), fhir.Stamp{ID: key.ID, Version: version, LastUpdated: at}, derivedFrom), nil
	})
	if err != nil {
		return false, err
	}
	err = writeProvenance(tx, &observation.ProvenanceInput{Performer: r.performer, Activity: observation.Nullify, Entity: r.source, EntityRole: r.role}, written, index.Patient)
	if err != nil {
		return false, err
	}
	return true, s.follow(tx, written, true, func() []string { return observation.PartsOf(document.Root()) })
}

// follow records what is to be done about a version of a score: the targets
// should hold it, and those who subscribed hear of it.
func (s *Server) follow(tx store.Tx, written store.Resource, retract bool, parts func() []string) error {
	if err := s.want(tx, written, retract, parts); err != nil {
		return err
	}
	return s.notified(tx, written)
}

// want asks for a version of a score at every target, as the members that each
// takes of these parts.
func (s *Server) want(tx store.Tx, written store.Resource, retract bool, parts func() []string) error {
	for _, target := range s.options.Targets {
		if err := target.want(tx, written, retract, parts); err != nil {
			return err
		}
	}
	return nil
}

// writeProvenance writes the Provenance of a version of a score, of which the
// caller knows all but id, time and target. It belongs to the patient of the
// score.
func writeProvenance(tx store.Tx, in *observation.ProvenanceInput, target store.Resource, patient string) error {
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	in.Target = target.Key.String() + "/_history/" + strconv.FormatInt(target.Version, 10)
	key := store.Key{Type: "Provenance", ID: id.String()}
	index := store.Index{Patient: patient, Tokens: []store.Token{{Param: "target", Value: target.Key.String()}}}
	_, err = tx.Put(key, http.MethodPost, index, func(_ int64, at time.Time) ([]byte, error) {
		in.ID, in.Recorded = key.ID, at
		return observation.AppendProvenance(make([]byte, 0, 2<<10), in), nil
	})
	return err
}
