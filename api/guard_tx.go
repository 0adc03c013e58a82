package api

import (
	"context"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir/store"
)

// guardedTx holds what a job does to what its request may. What it reads and
// writes is judged by the rule in force, which each step sets; without a rule
// nothing is found and nothing may be written.
type guardedTx struct {
	store.Tx
	guard *guardedStore
	ctx   context.Context
	rule  auth.Need
	// own says that the server is at work on what follows from the request, as a
	// score does from a response.
	own bool
}

// guardOf finds the guard of a transaction, nil if requests are not authorised.
func guardOf(tx store.Tx) *guardedTx {
	for {
		switch t := tx.(type) {
		case *guardedTx:
			return t
		case interface{ inner() store.Tx }:
			tx = t.inner()
		default:
			return nil
		}
	}
}

// inner lets guardOf through.
func (w *auditedTx) inner() store.Tx { return w.Tx }

// acting begins a step: what the sender may do of it, it may by this need. End
// the step by what is returned; it fails if the scopes allow no such thing.
func acting(tx store.Tx, resource string, does auth.Interaction) (end func(), err error) {
	g := guardOf(tx)
	if g == nil {
		return func() {}, nil
	}
	rule, own := g.rule, g.own
	end = func() { g.rule, g.own = rule, own }
	need := auth.Need{Type: resource, Does: does}
	if a := accessOf(g.ctx); a == nil || !a.grant.Allows(resource, does) {
		return end, insufficient(need)
	}
	g.rule, g.own = need, false
	return end, nil
}

// ownWork begins what the server does by itself.
func ownWork(tx store.Tx) (end func()) {
	g := guardOf(tx)
	if g == nil {
		return func() {}
	}
	own := g.own
	g.own = true
	return func() { g.own = own }
}

// restriction is that of the rule in force.
func (g *guardedTx) restriction() auth.Restriction {
	a := accessOf(g.ctx)
	switch {
	case g.own:
		return auth.Restriction{{}}
	case a == nil:
		return nil
	}
	return a.grant.Restriction(g.rule.Type, g.rule.Does)
}

// admit refuses content that is not the sender's to write, whatever is stored.
// Patient is what its index has.
func admit(tx store.Tx, patient string) error {
	g := guardOf(tx)
	if g == nil || g.restriction().Permits(auth.Facts{Patient: patientID(patient)}) {
		return nil
	}
	return insufficient(g.rule)
}

// Get implements store.Tx.
func (g *guardedTx) Get(key store.Key) (store.Resource, error) {
	found, err := g.Tx.Get(key)
	if err != nil {
		return store.Resource{}, err
	}
	if err := g.judge(found); err != nil {
		return store.Resource{}, err
	}
	return found, nil
}

// judge holds a resource to the rule in force. The codes that scopes may name
// are those of the type that the rule is about.
func (g *guardedTx) judge(r store.Resource) error {
	return judge(g.restriction(), r, r.Type == g.rule.Type, facts{g.guard.server.options.BaseURL, g.Tx.Get,
		func(r store.Resource) (store.Resource, error) { return before(g.ctx, g.guard.Store, r) }})
}

// Search implements store.Tx.
func (g *guardedTx) Search(query store.Query) (store.Page, error) {
	var restriction auth.Restriction
	if a := accessOf(g.ctx); a != nil {
		restriction = a.grant.Restriction(query.Type, auth.Search)
	}
	if g.own {
		restriction = auth.Restriction{{}}
	}
	query.Limits = g.guard.server.limits(query.Type, restriction)
	return g.Tx.Search(query)
}

// Put implements store.Tx.
func (g *guardedTx) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	if !g.own && key.Type != g.rule.Type {
		return store.Resource{}, insufficient(g.rule)
	}
	if err := admit(g, index.Patient); err != nil {
		return store.Resource{}, err
	}
	return g.Tx.Put(key, method, index, render)
}

// Delete implements store.Tx.
func (g *guardedTx) Delete(key store.Key) (store.Resource, error) {
	if !g.own && !g.restriction().Unrestricted() {
		if _, err := g.Get(key); err != nil {
			return store.Resource{}, err
		}
	}
	return g.Tx.Delete(key)
}
