package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"runtime"
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// amended is the status of a score that was changed after it was final.
const amended = "amended"

// Rescoring is a plan to compute every stored score again from the same answers.
type Rescoring struct {
	// Algorithm is the version of the arithmetic; "" keeps for each score the one
	// it was computed by.
	Algorithm string
	// Bands is the set that scores are interpreted by.
	Bands scoring.BandSet
}

// Rescored is what a plan comes to for one score. It holds no value, so that it can
// be shown to whoever runs the server.
type Rescored struct {
	Key store.Key
	// Version is that of the stored score.
	Version int64
	// Differs are what another result would change: value, parts, band, band set.
	Differs []string
	// Cause says why the score cannot be computed again and is left alone, "" if it
	// can.
	Cause string
	// From and To are the codes of its bands, for counting how many move; none
	// where there is no total.
	From, To string
	// Amended is the version that was written, 0 if none was.
	Amended int64
}

// noBand counts scores without a total.
const noBand = "none"

// Amendments are written by so many jobs at once, which share commits; a score
// that is changed while it is amended is looked at again a few times.
const (
	amendTogether = 64
	amendAttempts = 5
)

// operator is how the audit trail names whoever runs the program's commands.
const operator = "operator-command"

// ErrNoAlgorithm says that a version of the arithmetic is not known.
var ErrNoAlgorithm = errors.New("api: there is no such version of the algorithm")

// Rescore reports what a plan comes to for every stored score, in order of their
// ids, and changes nothing. What was entered in error is passed over.
func (s *Server) Rescore(ctx context.Context, plan Rescoring, report func(Rescored) error) error {
	return s.rescore(ctx, plan, runtime.GOMAXPROCS(0), report, func(ctx context.Context, r *rescorer, stored store.Resource) (Rescored, error) {
		planned, err := r.evaluate(ctx, stored)
		if planned == nil || err != nil {
			return Rescored{}, err
		}
		defer planned.release()
		return planned.Rescored, nil
	})
}

// Amend writes what a plan changes, each score as a new version that targets and
// subscribers get. It may be ended and run again at any time: what is written
// already does not differ any more.
func (s *Server) Amend(ctx context.Context, plan Rescoring, report func(Rescored) error) error {
	return s.rescore(ctx, plan, amendTogether, report, func(ctx context.Context, r *rescorer, stored store.Resource) (Rescored, error) {
		return r.amend(ctx, stored)
	})
}

func (s *Server) rescore(ctx context.Context, plan Rescoring, workers int, report func(Rescored) error,
	work func(context.Context, *rescorer, store.Resource) (Rescored, error)) error {
	if err := s.options.Forms.Load(ctx); err != nil {
		return err
	}
	r := &rescorer{server: s, replayer: replayer{s.raw, s.options.Forms, s.options.Algorithms}, bands: plan.Bands}
	if plan.Algorithm != "" {
		algorithm, ok := s.options.Algorithms.ByVersion(plan.Algorithm)
		if !ok {
			return ErrNoAlgorithm
		}
		r.algorithm = &algorithm
	}
	one := func(ctx context.Context, stored store.Resource) (Rescored, error) {
		found, err := work(ctx, r, stored)
		if err != nil {
			return Rescored{}, fmt.Errorf("api: rescoring %s: %w", stored.Key, err)
		}
		return found, nil
	}
	return inOrder(ctx, workers, scoresOf(s.raw), one, func(found Rescored) error {
		if found.Key.ID == "" {
			return nil
		}
		return report(found)
	})
}

// rescorer holds stored scores to a plan.
type rescorer struct {
	replayer
	server *Server
	// algorithm is nil where each score keeps its own.
	algorithm *scoring.Algorithm
	bands     scoring.BandSet
}

// planned is what a plan comes to for one score, ready to be written.
type planned struct {
	Rescored
	server *Server
	// replay is nil where the score cannot be computed again.
	replay *replay
	// response is read by the version of the plan; input is the amended score.
	response questionnaire.Response
	input    observation.Input
	stale    bool
}

func (p *planned) release() {
	if p.replay != nil {
		p.replay.release()
	}
}

// evaluate works out what the plan comes to; nil for a score that was taken back.
func (r *rescorer) evaluate(ctx context.Context, stored store.Resource) (*planned, error) {
	p := &planned{Rescored: Rescored{Key: stored.Key, Version: stored.Version}, server: r.server}
	if stored.Deleted {
		return nil, nil
	}
	document, err := fhir.Decode(stored.Body)
	if err != nil {
		p.Cause = "the stored Observation is not valid"
		return p, nil
	}
	defer document.Release()
	score := document.Root()
	if score.Get("status").Is(retracted) {
		return nil, nil
	}
	if p.replay, p.Cause, err = r.replay(ctx, score); err != nil || p.Cause != "" {
		return p, err
	}
	if p.Cause = p.replay.explains(score); p.Cause == "" {
		err = p.compute(r, score)
	}
	return p, err
}

// explains says why a stored score is not what its answers lead to by the version
// and the band set it names, "" if it is. What is not explained is never amended:
// nobody would see any more that it was wrong.
func (r *replay) explains(score fhir.Node) string {
	bands, ok := observation.BandSetOf(score)
	if !ok {
		return "it names no band set that this program has"
	}
	r.input.Bands = &bands
	again, err := fhir.Decode(observation.Append(nil, &r.input))
	if err != nil {
		return "what its answers lead to is not valid"
	}
	defer again.Release()
	return compare(score, again.Root())
}

// compute makes the amended score and says what it would change.
func (p *planned) compute(r *rescorer, score fhir.Node) (err error) {
	p.response = p.replay.response
	if r.algorithm != nil {
		if p.response, err = p.replay.catalog.By(*r.algorithm).Read(p.replay.document.Root()); err != nil {
			p.Cause = "its answers cannot be scored by that version of the algorithm"
			return nil
		}
	}
	p.input = p.replay.input
	p.input.Response, p.input.Bands, p.input.Status, p.input.Rescored = &p.response, &r.bands, amended, true
	document, err := fhir.Decode(observation.Append(nil, &p.input))
	if err != nil {
		return fmt.Errorf("the amended Observation is not valid: %w", err)
	}
	defer document.Release()
	next := document.Root()
	p.From, p.To = bandOf(score), bandOf(next)
	differs := func(what string, found bool) {
		if found {
			p.Differs = append(p.Differs, what)
		}
	}
	differs("value", !same(score, next, "valueQuantity") || !same(score, next, "dataAbsentReason"))
	differs("parts", !same(score, next, "component"))
	differs("band", p.From != p.To)
	differs("band set", !same(score, next, "referenceRange"))
	return nil
}

// bandOf is the code of the band of a score.
func bandOf(score fhir.Node) string {
	if code := score.Get("interpretation").Get("coding").Get("code"); code.Exists() {
		return code.Text()
	}
	return noBand
}

// amend writes the amended score, if it differs.
func (r *rescorer) amend(ctx context.Context, stored store.Resource) (Rescored, error) {
	for range amendAttempts {
		p, err := r.evaluate(ctx, stored)
		if p == nil || err != nil {
			return Rescored{}, err
		}
		if len(p.Differs) > 0 {
			err = r.store.Write(ctx, nil, p.apply)
		}
		p.release()
		if err != nil || !p.stale {
			return p.Rescored, err
		}
		if stored, err = r.store.Get(ctx, stored.Key); err != nil {
			return Rescored{}, err
		}
	}
	return Rescored{Key: stored.Key, Version: stored.Version, Cause: "it was changed by others again and again; run the command again"}, nil
}

// apply is the job that writes one amended score and all that follows from it.
func (p *planned) apply(tx store.Tx) error {
	p.stale, p.Amended = false, 0
	current, err := tx.Get(p.Key)
	if err != nil {
		return err
	}
	if current.Version != p.Version {
		p.stale = true
		return nil
	}
	reference, _ := fhir.ParseReference([]byte(p.input.DerivedFrom)) // replay has parsed it
	sub := &submission{server: p.server, response: p.response, id: p.Key.ID}
	index := sub.observationIndex(store.Resource{Key: store.Key{Type: reference.Type, ID: reference.ID}})
	index.Status = amended
	written, err := tx.Put(p.Key, http.MethodPut, index, func(version int64, at time.Time) ([]byte, error) {
		p.input.ID, p.input.Version, p.input.LastUpdated, p.input.Issued = p.Key.ID, version, at, at
		return observation.Append(make([]byte, 0, 16<<10), &p.input), nil
	})
	if err != nil {
		return err
	}
	reference.Base = ""
	err = writeProvenance(tx, &observation.ProvenanceInput{
		Performer: p.response.Performer, Activity: observation.Update, Entity: reference.String(), Form: p.response.Form, Algorithm: p.response.Algorithm,
		Rescored: &observation.Rescored{Bands: p.input.Bands.Name, Before: p.Key.String() + "/_history/" + strconv.FormatInt(p.Version, 10)},
	}, written, index.Patient)
	if err != nil {
		return err
	}
	if err := p.server.follow(tx, written, false, func() []string { return observation.Parts(&p.response) }); err != nil {
		return err
	}
	p.Amended = written.Version
	event := p.server.event(&trail{interaction: "update", agent: audit.Agent{Client: operator, Issuer: p.server.options.BaseURL}})
	event.Entity, event.Patient = versioned(written), index.Patient
	return tx.Audit(entryOf(&event))
}
