package api

import (
	"context"
	"errors"
	"slices"
	"strings"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// guardedStore is the one place where what is kept is held to what a request may
// see and write. Everything that handlers do with the store goes through it, so
// that no path is without. What a request may not see is not found, as if it had
// never been there; searches are narrowed before they count. Nothing is given to
// a context that carries no access.
type guardedStore struct {
	store.Store
	server *Server
}

// ourOwn marks what the server reads for itself, after it was judged.
type ourOwn struct{}

func asServer(ctx context.Context) context.Context { return context.WithValue(ctx, ourOwn{}, true) }

// restriction is what a request may see of a type: by the need of its route, or
// else by what the call is.
func (g *guardedStore) restriction(ctx context.Context, resource string, usual auth.Interaction) auth.Restriction {
	if ctx.Value(ourOwn{}) != nil {
		return auth.Restriction{{}}
	}
	a := accessOf(ctx)
	if a == nil {
		return nil
	}
	if made, ok := ctx.Value(madeFrom{}).(making); ok && resource == made.from {
		resource = made.as
	}
	if at := slices.IndexFunc(a.needs, func(n auth.Need) bool { return n.Type == resource }); at >= 0 {
		usual = a.needs[at].Does
	}
	return a.grant.Restriction(resource, usual)
}

// Get implements store.Store.
func (g *guardedStore) Get(ctx context.Context, key store.Key) (store.Resource, error) {
	return g.judged(ctx, key.Type)(g.Store.Get(ctx, key))
}

// Version implements store.Store.
func (g *guardedStore) Version(ctx context.Context, key store.Key, version int64) (store.Resource, error) {
	return g.judged(ctx, key.Type)(g.Store.Version(ctx, key, version))
}

// judged gives a version on if the request may see it.
func (g *guardedStore) judged(ctx context.Context, resource string) func(store.Resource, error) (store.Resource, error) {
	return func(found store.Resource, err error) (store.Resource, error) {
		if err != nil {
			return store.Resource{}, err
		}
		if err := g.judge(ctx, g.restriction(ctx, resource, auth.Read), found, true); err != nil {
			return store.Resource{}, err
		}
		return found, nil
	}
}

// History implements store.Store. All versions of a resource are of one patient
// and one form, so that they are judged by the newest of those asked for.
func (g *guardedStore) History(ctx context.Context, key store.Key, before int64, limit int) ([]store.Resource, error) {
	found, err := g.Store.History(ctx, key, before, limit)
	if err != nil || len(found) == 0 {
		return found, err
	}
	if err := g.judge(ctx, g.restriction(ctx, key.Type, auth.Read), found[0], true); err != nil {
		return nil, err
	}
	return found, nil
}

// Search implements store.Store.
func (g *guardedStore) Search(ctx context.Context, query store.Query) (store.Page, error) {
	query.Limits = g.server.limits(query.Type, g.restriction(ctx, query.Type, auth.Search))
	return g.Store.Search(ctx, query)
}

// Each implements store.Store: no request may have everything.
func (g *guardedStore) Each(context.Context, string, func(store.Resource) error) error {
	return insufficient()
}

// Audit implements store.Store: only an auditor may see what was done.
func (g *guardedStore) Audit(ctx context.Context, place store.AuditPlace) (store.AuditRecord, error) {
	if !g.restriction(ctx, "AuditEvent", auth.Read).Unrestricted() {
		return store.AuditRecord{}, store.ErrNotFound
	}
	return g.Store.Audit(ctx, place)
}

// Audits implements store.Store.
func (g *guardedStore) Audits(ctx context.Context, query store.AuditQuery) (store.AuditPage, error) {
	if !g.restriction(ctx, "AuditEvent", auth.Search).Unrestricted() {
		return store.AuditPage{}, nil
	}
	return g.Store.Audits(ctx, query)
}

// Write implements store.Store.
func (g *guardedStore) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	return g.Store.Write(ctx, keys, func(tx store.Tx) error {
		return job(&guardedTx{Tx: tx, guard: g, ctx: ctx})
	}, ahead...)
}

// judge is nil if a resource is within a restriction, and else says that there
// is none. Codings says whether those of the resource count.
func (g *guardedStore) judge(ctx context.Context, restriction auth.Restriction, r store.Resource, codings bool) error {
	return judge(restriction, r, codings, factsOf(ctx, g.Store, g.server.options.BaseURL))
}

// factsOf are the facts of what a store has.
func factsOf(ctx context.Context, s store.Store, base string) facts {
	return facts{base, func(key store.Key) (store.Resource, error) { return s.Get(ctx, key) },
		func(r store.Resource) (store.Resource, error) { return before(ctx, s, r) }}
}

// before is the version that a deletion took away.
func before(ctx context.Context, from store.Store, tombstone store.Resource) (store.Resource, error) {
	versions, err := from.History(ctx, tombstone.Key, tombstone.Version, chunk)
	for _, v := range versions {
		if !v.Deleted {
			return v, err
		}
	}
	return store.Resource{}, errors.Join(err, store.ErrNotFound)
}

// facts is where to find what resources are judged by.
type facts struct {
	base   string
	get    func(store.Key) (store.Resource, error)
	before func(tombstone store.Resource) (store.Resource, error)
}

func judge(restriction auth.Restriction, r store.Resource, codings bool, from facts) error {
	switch {
	case restriction.Unrestricted():
		return nil
	case len(restriction) == 0:
		return store.ErrNotFound
	}
	r, err := from.undeleted(r)
	if err != nil {
		return err
	}
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return &fault{"a stored resource does not decode", err}
	}
	defer document.Release()
	patient, err := from.patient(document.Root())
	if err != nil {
		return err
	}
	of := auth.Facts{Patient: patientID(patient)}
	if codings {
		of.Codings = func(param string) []auth.Coding { return codingsOf(document.Root(), param) }
	}
	if !restriction.Permits(of) {
		return store.ErrNotFound
	}
	return nil
}

func (f facts) undeleted(r store.Resource) (store.Resource, error) {
	if r.Deleted {
		return f.before(r)
	}
	return r, nil
}

// patient is what the patient of a resource is found by; a Provenance is about
// that of its targets, if they are all of one.
func (f facts) patient(root fhir.Node) (string, error) {
	if root.Type() != "Provenance" {
		return patientKey(root.Get("subject"), f.base), nil
	}
	found := ""
	for target := range root.Each("target") {
		kind, id, _ := strings.Cut(localReference(target.Get("reference").Text(), f.base), "/")
		patient, err := f.patientOf(store.Key{Type: kind, ID: id})
		if err != nil || found != "" && found != patient {
			return "", err
		}
		found = patient
	}
	return found, nil
}

// patientOf is that of a resource that is named; "" if it is not here.
func (f facts) patientOf(key store.Key) (string, error) {
	r, err := f.get(key)
	if err == nil {
		r, err = f.undeleted(r)
	}
	if errors.Is(err, store.ErrNotFound) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return "", &fault{"a stored resource does not decode", err}
	}
	defer document.Release()
	return patientKey(document.Root().Get("subject"), f.base), nil
}

// patientID takes the id out of what a patient is found by; "" for a patient of
// another server, or one known by an identifier alone, whom no token speaks of.
func patientID(key string) string {
	if id, ok := strings.CutPrefix(key, "Patient/"); ok && fhir.IsID(id) {
		return id
	}
	return ""
}

// codingsOf are those of category or code.
func codingsOf(root fhir.Node, param string) []auth.Coding {
	var all []auth.Coding
	for concept := range root.Each(param) {
		for coding := range concept.Each("coding") {
			all = append(all, auth.Coding{System: coding.Get("system").Text(), Code: coding.Get("code").Text()})
		}
	}
	return all
}

// limits are a restriction as a search holds it; nil for none.
func (s *Server) limits(resource string, restriction auth.Restriction) []store.Limit {
	if restriction.Unrestricted() {
		return nil
	}
	limits := []store.Limit{}
	for _, one := range restriction {
		limit := store.Limit{}
		if one.Patient != "" {
			limit.Patient = "Patient/" + one.Patient
		}
		possible := true
		for _, filter := range one.Filters {
			tokens, some := s.filtered(resource, filter)
			limit.Tokens, possible = append(limit.Tokens, tokens...), possible && some
		}
		if possible {
			limits = append(limits, limit)
		}
	}
	return limits
}

// filtered is a restriction by category or code as the search parameter of that
// name has it; false if nothing can be within.
func (s *Server) filtered(resource string, filter auth.Filter) ([]store.TokenQuery, bool) {
	param := paramNamed(resource, filter.Param)
	if param == nil {
		return nil, false
	}
	values := make([]string, len(filter.Tokens))
	for i, token := range filter.Tokens {
		if values[i] = escaped(token.Code); !token.AnySystem {
			values[i] = escaped(token.System) + "|" + values[i]
		}
	}
	p := parsed{resource: resource}
	if err := param.apply(s, &p, criterion{param: param, value: strings.Join(values, ",")}); err != nil {
		return nil, false
	}
	return p.query.Tokens, !p.none
}

// escaped writes a text as one alternative of a search (R4 search.html
// 3.1.1.4.0.1).
func escaped(text string) string {
	return strings.NewReplacer(`\`, `\\`, ",", `\,`, "$", `\$`).Replace(text)
}
