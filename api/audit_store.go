package api

import (
	"context"
	"net/http"

	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/store"
)

// auditedStore notes on the trail of a request whatever the store gives out for
// it, and writes the audit of a write in the write's own transaction. So no
// handler can forget to.
type auditedStore struct {
	store.Store
	server *Server
}

// Get implements store.Store.
func (a *auditedStore) Get(ctx context.Context, key store.Key) (store.Resource, error) {
	r, err := a.Store.Get(ctx, key)
	if err == nil {
		trailOf(ctx).note(r)
	}
	return r, err
}

// Version implements store.Store.
func (a *auditedStore) Version(ctx context.Context, key store.Key, version int64) (store.Resource, error) {
	r, err := a.Store.Version(ctx, key, version)
	if err == nil {
		trailOf(ctx).note(r)
	}
	return r, err
}

// History implements store.Store.
func (a *auditedStore) History(ctx context.Context, key store.Key, before int64, limit int) ([]store.Resource, error) {
	all, err := a.Store.History(ctx, key, before, limit)
	trailOf(ctx).note(all...)
	return all, err
}

// Search implements store.Store.
func (a *auditedStore) Search(ctx context.Context, query store.Query) (store.Page, error) {
	page, err := a.Store.Search(ctx, query)
	trailOf(ctx).note(page.Resources...)
	return page, err
}

// Write implements store.Store.
func (a *auditedStore) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	t := trailOf(ctx)
	if t == nil || t.done {
		return a.Store.Write(ctx, keys, job, ahead...)
	}
	var events []audit.Event
	err := a.Store.Write(ctx, keys, func(tx store.Tx) error {
		w := &auditedTx{Tx: tx, read: map[store.Key]store.Resource{}}
		if err := job(w); err != nil {
			return err
		}
		events = w.events(a.server, t)
		for i := range events {
			if err := tx.Audit(entryOf(&events[i])); err != nil {
				return err
			}
		}
		return nil
	}, ahead...)
	if err == nil {
		t.committed = true
		a.server.metrics.audited(events)
	}
	return err
}

// auditedTx notes what a job writes and reads.
type auditedTx struct {
	store.Tx
	wrote []written
	read  map[store.Key]store.Resource
	order []store.Key
}

// written is one version that a job wrote.
type written struct {
	key         store.Key
	version     int64
	interaction string
	patient     string
	// derived says that nobody asked for it: it follows from something else that
	// the job wrote, and its Provenance says from what.
	derived bool
}

// Get implements store.Tx.
func (w *auditedTx) Get(key store.Key) (store.Resource, error) {
	r, err := w.Tx.Get(key)
	if err == nil {
		w.note(r)
	}
	return r, err
}

// Search implements store.Tx.
func (w *auditedTx) Search(query store.Query) (store.Page, error) {
	page, err := w.Tx.Search(query)
	for _, r := range page.Resources {
		w.note(r)
	}
	return page, err
}

func (w *auditedTx) note(r store.Resource) {
	if _, known := w.read[r.Key]; !known {
		w.order = append(w.order, r.Key)
	}
	w.read[r.Key] = r
}

// interactions are those of the verbs behind versions.
var interactions = map[string]string{http.MethodPost: "create", http.MethodPut: "update", http.MethodDelete: "delete"}

// Put implements store.Tx.
func (w *auditedTx) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	r, err := w.Tx.Put(key, method, index, render)
	if err == nil {
		w.wrote = append(w.wrote, written{key, r.Version, interactions[method], index.Patient, key.Type != "QuestionnaireResponse"})
	}
	return r, err
}

// Delete implements store.Tx.
func (w *auditedTx) Delete(key store.Key) (store.Resource, error) {
	r, err := w.Tx.Delete(key)
	if err == nil {
		w.wrote = append(w.wrote, written{key: key, version: r.Version, interaction: "delete"})
	}
	return r, err
}

// askedFor says that a version was written because the sender sent it.
func askedFor(tx store.Tx, key store.Key) {
	w, ok := tx.(*auditedTx)
	if !ok {
		return
	}
	for i := range w.wrote {
		if w.wrote[i].key == key {
			w.wrote[i].derived = false
		}
	}
}

// events are those of a job that succeeded: one for each version that was asked
// for, one for each response that was here already and is answered with, and one
// for the request itself if it is more than either.
func (w *auditedTx) events(s *Server, t *trail) []audit.Event {
	var events []audit.Event
	add := func(interaction, entity, patient string) {
		e := s.event(t)
		e.Interaction, e.Entity, e.Patient = interaction, entity, patient
		events = append(events, e)
	}
	changed := map[store.Key]bool{}
	for _, v := range w.wrote {
		changed[v.key] = true
		if !v.derived {
			add(v.interaction, versioned(store.Resource{Key: v.key, Version: v.version}), w.patient(s, v))
		}
	}
	for _, key := range w.order {
		if key.Type == "QuestionnaireResponse" && !changed[key] {
			add(repeated(t.interaction), versioned(w.read[key]), w.patient(s, written{key: key}))
		}
	}
	if len(events) == 0 || t.interaction == "transaction" || t.interaction == "operation" {
		add(t.interaction, t.entity, "")
		last := &events[len(events)-1]
		last.Query = t.query
	}
	return events
}

// repeated is what it is called to answer with what is here already: what was
// asked for, or a read where several things were.
func repeated(interaction string) string {
	switch interaction {
	case "create", "update", "delete":
		return interaction
	}
	return "read"
}

// patient is whose a version is: as its index has it, or as what was read before
// says. A statement is about the patient of whatever else the job touched.
func (w *auditedTx) patient(s *Server, v written) string {
	if v.patient != "" {
		return v.patient
	}
	keys := []store.Key{v.key}
	if v.key.Type == "Provenance" {
		keys = w.order
		for _, other := range w.wrote {
			if other.patient != "" {
				return other.patient
			}
		}
	}
	for _, key := range keys {
		if r := w.read[key]; len(r.Body) > 0 {
			if patient, _, err := s.compartment(r.Body); err == nil && patient != "" {
				return patient
			}
		}
	}
	return ""
}
