package export

import (
	"encoding/json"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Plan is what an export is of, as the store keeps it (store.Export.Request).
type Plan struct {
	// Research asks for the de-identified export.
	Research bool `json:"research,omitempty"`
	// URL is the address that it was asked for at.
	URL   string   `json:"url"`
	Types []string `json:"types"`
	// Since leaves out what was not changed after it.
	Since time.Time `json:"since,omitzero"`
	// Elements are those that were asked for, nil for all.
	Elements []string `json:"elements,omitempty"`
	// Patients are those it is of, where Named says that some were named. Owned
	// leaves out what is nobody's.
	Named    bool     `json:"named,omitempty"`
	Patients []string `json:"patients,omitempty"`
	Owned    bool     `json:"owned,omitempty"`
	// Rights say by type what its client may see; only who judges reads them.
	Rights map[string]json.RawMessage `json:"rights,omitempty"`
	// Key is that of the pseudonyms.
	Key []byte `json:"key,omitempty"`
	// Notes are what the client is to be told, each a warning.
	Notes []string `json:"notes,omitempty"`
}

// Step is one walk: all of a type that was there, or what of it was deleted.
type Step struct {
	Type    string
	Deleted bool
}

// Steps are the walks of a plan, in order. What was deleted is told only to who
// has had it before.
func (p *Plan) Steps() []Step {
	var all []Step
	for _, kind := range p.Types {
		all = append(all, Step{kind, false})
	}
	if p.Since.IsZero() || p.Research {
		return all
	}
	for _, kind := range p.Types {
		all = append(all, Step{kind, true})
	}
	return all
}

// query walks a step at the instant of an export, between two ids.
func (p *Plan) query(step Step, at time.Time, after, through string) store.SnapshotQuery {
	q := store.SnapshotQuery{Type: step.Type, Deleted: step.Deleted, At: at, Since: p.Since, Owned: p.Owned, After: after, Through: through, Limit: page}
	if p.Named {
		q.Patients = append([]string{}, p.Patients...)
	}
	return q
}

// State is how far an export is, as the store keeps it (store.Export.State).
type State struct {
	Files []File `json:"files,omitempty"`
	// Step is the walk that it is in, After the id that it is behind.
	Step  int    `json:"step"`
	After string `json:"after,omitempty"`
	// Found counts the lines.
	Found int64 `json:"found"`
	// People are pseudonyms of those it is about, up to SmallGroup of them, in an
	// export for research.
	People []string `json:"people,omitempty"`
}

// File is a part of a walk, small enough to be downloaded again if that breaks off.
type File struct {
	Step
	// After and Through are the ids that bound it, as in store.SnapshotQuery.
	After   string `json:"after,omitempty"`
	Through string `json:"through"`
	Count   int    `json:"count"`
}

// Read gives what the store has of an export.
func Read(e store.Export) (*Plan, *State, error) {
	plan, state := &Plan{}, &State{}
	if err := json.Unmarshal(e.Request, plan); err != nil {
		return nil, nil, Unreadable("what was asked for", err)
	}
	if len(e.State) > 0 {
		if err := json.Unmarshal(e.State, state); err != nil {
			return nil, nil, Unreadable("how far it is", err)
		}
	}
	return plan, state, nil
}
