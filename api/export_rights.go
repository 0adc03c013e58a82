package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/export"
	"tidemark.example/tidemark/fhir/store"
)

// An export is prepared behind its request and downloaded by later ones. What its
// client may see is settled as it is started and kept with it; each line is judged
// by that, and a later request must still have the same rights.

// exportRights are those of a request to a type. Those that are bound to one
// patient count for Patient/$export only: everything is nobody's own.
func exportRights(ctx context.Context, kind string, ofPatients bool) auth.Restriction {
	a := accessOf(ctx)
	if a == nil {
		return auth.Restriction{{}} // requests are not authorised
	}
	rights := a.grant.Restriction(kind, auth.Read|auth.Search)
	if !ofPatients {
		rights = slices.DeleteFunc(slices.Clone(rights), func(l auth.Limit) bool { return l.Patient != "" })
	}
	return rights
}

// rightsText writes rights in an order of their own, so that they can be compared.
func rightsText(rights auth.Restriction) json.RawMessage {
	parts := make([]string, len(rights))
	for i, limit := range rights {
		text, err := json.Marshal(limit)
		if err != nil {
			panic("api: " + err.Error()) // texts only
		}
		parts[i] = string(text)
	}
	slices.Sort(parts)
	return json.RawMessage("[" + strings.Join(slices.Compact(parts), ",") + "]")
}

// sameRights refuses a request that may not see the same as the one that started
// the export: less must not be shown more, and more would make other files.
func sameRights(ctx context.Context, plan *export.Plan) error {
	for kind, then := range plan.Rights {
		if bytes.Equal(then, rightsText(exportRights(ctx, kind, true))) || bytes.Equal(then, rightsText(exportRights(ctx, kind, false))) {
			continue
		}
		return insufficient(auth.Need{Type: kind, Does: auth.Read | auth.Search})
	}
	return nil
}

// ExportLines makes the lines of exports, for the worker that counts them and for
// the download that writes them.
type ExportLines struct {
	// Store is where what a resource refers to is looked up, Base the FHIR base.
	Store store.Store
	Base  string
}

// Line implements export.Line.
func (l ExportLines) Line(ctx context.Context, plan *export.Plan, version store.Snapshotted) ([]byte, bool, error) {
	if len(version.Body) == 0 && !version.Deleted {
		return nil, false, nil // the guard has kept it back
	}
	var rights auth.Restriction
	if err := json.Unmarshal(plan.Rights[version.Type], &rights); err != nil {
		return nil, false, export.Unreadable("the rights of an export", err)
	}
	err := judge(rights, version.Resource, true, factsOf(ctx, l.Store, l.Base))
	var bad *fault
	switch {
	case errors.Is(err, store.ErrNotFound):
		return nil, false, nil
	case errors.As(err, &bad):
		return nil, false, export.Unreadable(version.Key.String(), err)
	case err != nil:
		return nil, false, err
	case version.Deleted:
		return gone(version.Key), true, nil
	}
	line, ok, err := l.line(plan, version)
	if err != nil {
		return nil, false, export.Unreadable(version.Key.String(), err)
	}
	return line, ok, nil
}

// line writes what may be seen.
func (l ExportLines) line(plan *export.Plan, version store.Snapshotted) ([]byte, bool, error) {
	if plan.Research {
		document, err := fhir.Decode(version.Body)
		if err != nil {
			return nil, false, err
		}
		defer document.Release()
		return export.Research(make([]byte, 0, len(version.Body)), plan.Key, version.Patient, document.Root())
	}
	body := version.Body
	if names := elementsOf(plan.Elements, version.Type); names != nil {
		p := parsed{resource: version.Type}
		var err error
		if body, err = p.shaped(body, names); err != nil {
			return nil, false, err
		}
	}
	line, err := compacted(body)
	return line, err == nil, err
}

// compacted puts a resource on one line, and changes no number and no string.
func compacted(body []byte) ([]byte, error) {
	var line bytes.Buffer
	line.Grow(len(body))
	err := json.Compact(&line, body)
	return line.Bytes(), err
}

// gone tells that a resource is no more (Bulk Data Access, manifest.deleted).
func gone(key store.Key) []byte {
	return []byte(`{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"DELETE","url":"` + key.String() + `"}}]}`)
}

// elementsOf are the elements asked for of a type, nil for all of them.
func elementsOf(asked []string, kind string) (names []string) {
	for _, name := range asked {
		of, element, typed := strings.Cut(name, ".")
		switch {
		case !typed:
			names = append(names, name)
		case of == kind:
			names = append(names, element)
		}
	}
	return names
}

// Export implements store.Store: each client sees its own.
func (g *guardedStore) Export(ctx context.Context, id string) (store.Export, error) {
	found, err := g.Store.Export(ctx, id)
	if err == nil && (accessOf(ctx) == nil || found.Owner != exportOwner(ctx)) {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Export{}, err
	}
	return found, nil
}

// Snapshot implements store.Store: each version is held to the rights of the
// request, whatever was settled before. Of what it may not see nothing is left but
// the id, which says where the next page begins.
func (g *guardedStore) Snapshot(ctx context.Context, query store.SnapshotQuery) ([]store.Snapshotted, error) {
	found, err := g.Store.Snapshot(ctx, query)
	if err != nil {
		return nil, err
	}
	restriction := g.restriction(ctx, query.Type, auth.Read|auth.Search)
	for i := range found {
		switch err := g.judge(ctx, restriction, found[i].Resource, true); {
		case errors.Is(err, store.ErrNotFound):
			found[i] = store.Snapshotted{Resource: store.Resource{Key: found[i].Key}}
		case err != nil:
			return nil, err
		}
	}
	return found, nil
}

// ClaimExport implements store.Store: no request prepares.
func (g *guardedStore) ClaimExport(context.Context, string, time.Duration) (store.Export, error) {
	return store.Export{}, insufficient()
}

// RecordExport implements store.Store: no request prepares.
func (g *guardedStore) RecordExport(context.Context, store.Export, time.Duration) (store.Export, error) {
	return store.Export{}, insufficient()
}

// ForgetExports implements store.Store: no request prepares.
func (g *guardedStore) ForgetExports(context.Context) (int, error) { return 0, insufficient() }

// Exports implements store.Tx: those of the request's own client.
func (g *guardedTx) Exports(string) (int, error) { return g.Tx.Exports(exportOwner(g.ctx)) }

// Export implements store.Tx.
func (g *guardedTx) Export(id string) (store.Export, error) {
	found, err := g.Tx.Export(id)
	if err == nil && (accessOf(g.ctx) == nil || found.Owner != exportOwner(g.ctx)) {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Export{}, err
	}
	return found, nil
}

// StartExport implements store.Tx: it is the request's own client's.
func (g *guardedTx) StartExport(e store.Export) (store.Export, error) {
	if accessOf(g.ctx) == nil {
		return store.Export{}, insufficient()
	}
	e.Owner = exportOwner(g.ctx)
	return g.Tx.StartExport(e)
}

// DeleteExport implements store.Tx.
func (g *guardedTx) DeleteExport(id string) error {
	if _, err := g.Export(id); err != nil {
		return err
	}
	return g.Tx.DeleteExport(id)
}
