package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"time"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir/store"
)

// A subscription is its owner's, whatever patients it is about: the guard shows
// each request those of its own, and says whose a new one is.

// owned are those whose subscriptions a request may see.
func (g *guardedStore) owned(ctx context.Context) []string {
	a := accessOf(ctx)
	if a == nil {
		return []string{}
	}
	does := auth.Read
	if at := slices.IndexFunc(a.needs, func(n auth.Need) bool { return n.Type == "Subscription" }); at >= 0 {
		does = a.needs[at].Does
	}
	return owners(a.grant, does)
}

// Subscription implements store.Store.
func (g *guardedStore) Subscription(ctx context.Context, id string) (store.Subscription, error) {
	found, err := g.Store.Subscription(ctx, id)
	if err == nil && !slices.Contains(g.owned(ctx), found.Owner) {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Subscription{}, err
	}
	return found, nil
}

// Subscriptions implements store.Store: of all owners, those of the request.
func (g *guardedStore) Subscriptions(ctx context.Context, _ []string) ([]store.Subscription, error) {
	return g.Store.Subscriptions(ctx, g.owned(ctx))
}

// Events implements store.Store.
func (g *guardedStore) Events(ctx context.Context, id string, from, to int64, limit int) ([]store.Event, error) {
	if _, err := g.Subscription(ctx, id); err != nil {
		return nil, err
	}
	return g.Store.Events(ctx, id, from, to, limit)
}

// Distribute implements store.Store: no request delivers.
func (g *guardedStore) Distribute(context.Context, int, store.Match) (int, error) {
	return 0, insufficient()
}

// ClaimSubscription implements store.Store: no request delivers.
func (g *guardedStore) ClaimSubscription(context.Context, string, time.Duration) (store.Subscription, error) {
	return store.Subscription{}, insufficient()
}

// RecordSubscription implements store.Store: no request delivers.
func (g *guardedStore) RecordSubscription(context.Context, store.Subscription, time.Time) error {
	return insufficient()
}

// owned are those whose subscriptions the step may be about.
func (g *guardedTx) owned() []string {
	a := accessOf(g.ctx)
	if a == nil || g.rule.Type != "Subscription" {
		return nil
	}
	return owners(a.grant, g.rule.Does)
}

// Subscription implements store.Tx.
func (g *guardedTx) Subscription(id string) (store.Subscription, error) {
	found, err := g.Tx.Subscription(id)
	if err == nil && !slices.Contains(g.owned(), found.Owner) {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Subscription{}, err
	}
	return found, nil
}

// Subscriptions implements store.Tx: those of the owner that a new one would have.
func (g *guardedTx) Subscriptions(string) (int, error) {
	owned := g.owned()
	if len(owned) == 0 {
		return 0, insufficient(g.rule)
	}
	return g.Tx.Subscriptions(owned[0])
}

// PutSubscription implements store.Tx. What is there keeps its owner.
func (g *guardedTx) PutSubscription(s store.Subscription) (store.Subscription, error) {
	owned := g.owned()
	if len(owned) == 0 {
		return store.Subscription{}, insufficient(g.rule)
	}
	s.Owner = owned[0]
	switch before, err := g.Tx.Subscription(s.ID); {
	case errors.Is(err, store.ErrNotFound):
	case err != nil:
		return store.Subscription{}, err
	case !slices.Contains(owned, before.Owner):
		return store.Subscription{}, insufficient(g.rule)
	default:
		s.Owner = before.Owner
	}
	return g.Tx.PutSubscription(s)
}

// DeleteSubscription implements store.Tx.
func (g *guardedTx) DeleteSubscription(id string) error {
	if _, err := g.Subscription(id); err != nil {
		return err
	}
	return g.Tx.DeleteSubscription(id)
}

// PutSubscription implements store.Tx, for the audit.
func (w *auditedTx) PutSubscription(s store.Subscription) (store.Subscription, error) {
	put, err := w.Tx.PutSubscription(s)
	if err == nil {
		method := http.MethodPut
		if put.Version == 1 {
			method = http.MethodPost
		}
		w.wrote = append(w.wrote, written{key: store.Key{Type: "Subscription", ID: put.ID}, version: put.Version, interaction: interactions[method]})
	}
	return put, err
}

// DeleteSubscription implements store.Tx, for the audit.
func (w *auditedTx) DeleteSubscription(id string) error {
	before, err := w.Tx.Subscription(id)
	if err == nil {
		err = w.Tx.DeleteSubscription(id)
	}
	if err == nil {
		w.wrote = append(w.wrote, written{key: store.Key{Type: "Subscription", ID: id}, version: before.Version, interaction: "delete"})
	}
	return err
}
