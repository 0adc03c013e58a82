package writeback

import "tidemark.example/tidemark/fhir/store"

// heldKey is what a lease is of.
type heldKey struct {
	key    store.Key
	member string
}

func heldOf(d *store.Delivery) heldKey { return heldKey{d.Key, d.Member} }

// hold remembers the leases of what was claimed. A delivery that is claimed again while
// it is worked on, since the store's clock jumped, is so under another lease.
func (w *Worker) hold(claimed []store.Delivery) {
	for i := range claimed {
		w.held.Store(heldOf(&claimed[i]), claimed[i].LeaseUntil.UnixMilli())
	}
}

// holds says that the lease of a delivery is the last that this worker has of it.
func (w *Worker) holds(d *store.Delivery) bool {
	last, known := w.held.Load(heldOf(d))
	return known && last == d.LeaseUntil.UnixMilli()
}

// drop forgets the lease of what is recorded.
func (w *Worker) drop(d *store.Delivery) {
	w.held.CompareAndDelete(heldOf(d), d.LeaseUntil.UnixMilli())
}
