package groupcommit

import (
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// ErrTxOver says that a job kept its transaction and used it after it had
// returned.
var ErrTxOver = errors.New("store: the transaction of this job is over")

// Run runs a job on a transaction. It holds the job to two rules that no
// database can hold it to: the transaction is not used after the job has
// returned, and a job that goes on after a failed write does not count as done,
// for half of its work would be missing.
func Run(tx store.Tx, job store.Job) error {
	g := &guard{tx: tx}
	defer func() { g.over = true }()
	if err := job(g); err != nil {
		return err
	}
	if g.failed != nil {
		return fmt.Errorf("a write of this job failed: %w", g.failed)
	}
	return nil
}

// guard is the transaction as a job sees it.
type guard struct {
	tx     store.Tx
	failed error
	over   bool
}

// open refuses a transaction that is over or has failed.
func (g *guard) open() error {
	if g.over {
		return ErrTxOver
	}
	return g.failed
}

// wrote remembers the failure of a write.
func (g *guard) wrote(err error) error {
	if err != nil {
		g.failed = err
	}
	return err
}

func (g *guard) Now() time.Time { return g.tx.Now() }

func (g *guard) Get(key store.Key) (store.Resource, error) {
	if err := g.open(); err != nil {
		return store.Resource{}, err
	}
	return g.tx.Get(key)
}

func (g *guard) Search(query store.Query) (store.Page, error) {
	if err := g.open(); err != nil {
		return store.Page{}, err
	}
	return g.tx.Search(query)
}

func (g *guard) Heads(of store.Heads) ([]store.Head, error) {
	if err := g.open(); err != nil {
		return nil, err
	}
	return g.tx.Heads(of)
}

func (g *guard) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	if err := g.open(); err != nil {
		return store.Resource{}, err
	}
	resource, err := g.tx.Put(key, method, index, render)
	return resource, g.wrote(err)
}

func (g *guard) Delete(key store.Key) (store.Resource, error) {
	if err := g.open(); err != nil {
		return store.Resource{}, err
	}
	resource, err := g.tx.Delete(key)
	if errors.Is(err, store.ErrNotFound) {
		// That nothing is there to delete is an answer, not a failure.
		return resource, err
	}
	return resource, g.wrote(err)
}

func (g *guard) Identity(name string) (store.Identity, bool, error) {
	if err := g.open(); err != nil {
		return store.Identity{}, false, err
	}
	return g.tx.Identity(name)
}

func (g *guard) PutIdentity(name string, identity store.Identity) error {
	if err := g.open(); err != nil {
		return err
	}
	return g.wrote(g.tx.PutIdentity(name, identity))
}

func (g *guard) Want(target string, key store.Key, version int64, retract bool, members ...string) error {
	if err := g.open(); err != nil {
		return err
	}
	return g.wrote(g.tx.Want(target, key, version, retract, members...))
}

func (g *guard) Release(query store.DeliveryQuery) (int, error) {
	return g.decided(func() (int, error) { return g.tx.Release(query) })
}

func (g *guard) Drop(query store.DeliveryQuery, reason string) (int, error) {
	return g.decided(func() (int, error) { return g.tx.Drop(query, reason) })
}

func (g *guard) decided(decide func() (int, error)) (int, error) {
	if err := g.open(); err != nil {
		return 0, err
	}
	changed, err := decide()
	return changed, g.wrote(err)
}

func (g *guard) Audit(entry store.Audit) error {
	if err := g.open(); err != nil {
		return err
	}
	return g.wrote(g.tx.Audit(entry))
}

func (g *guard) Event(key store.Key, version int64) error {
	if err := g.open(); err != nil {
		return err
	}
	return g.wrote(g.tx.Event(key, version))
}

func (g *guard) Subscription(id string) (store.Subscription, error) {
	if err := g.open(); err != nil {
		return store.Subscription{}, err
	}
	return g.tx.Subscription(id)
}

func (g *guard) Subscriptions(owner string) (int, error) {
	if err := g.open(); err != nil {
		return 0, err
	}
	return g.tx.Subscriptions(owner)
}

func (g *guard) PutSubscription(subscription store.Subscription) (store.Subscription, error) {
	if err := g.open(); err != nil {
		return store.Subscription{}, err
	}
	put, err := g.tx.PutSubscription(subscription)
	return put, g.wrote(err)
}

func (g *guard) DeleteSubscription(id string) error {
	if err := g.open(); err != nil {
		return err
	}
	err := g.tx.DeleteSubscription(id)
	if errors.Is(err, store.ErrNotFound) {
		return err // an answer, as for Delete
	}
	return g.wrote(err)
}
