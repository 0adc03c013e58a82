package store

import (
	"errors"
	"slices"
	"time"
)

// DeliveryState is where a delivery stands. The values are those that people
// filter by.
type DeliveryState string

// The states, of which each delivery is in one.
const (
	// Pending: the target lacks the version wanted, and gets it when it is due.
	Pending DeliveryState = "pending"
	// InDoubt: an attempt has an unknown outcome, and the target will be read.
	InDoubt DeliveryState = "in-doubt"
	// Parked: nothing more is tried until someone decides.
	Parked DeliveryState = "parked"
	// Dropped: someone gave the version wanted up; a later one is tried again.
	Dropped DeliveryState = "dropped"
	// Differs: the version wanted was delivered, but the target's copy was found to
	// be another, or gone; the Fault says how. Nothing is tried until someone decides.
	Differs DeliveryState = "differs"
	// Delivered: the target holds the version wanted, or needs nothing.
	Delivered DeliveryState = "delivered"
)

// DeliveryStates are all of them, in the order of what to look at first.
var DeliveryStates = []DeliveryState{Parked, InDoubt, Differs, Pending, Dropped, Delivered}

// State tells where the delivery stands.
func (d *Delivery) State() DeliveryState {
	switch {
	case d.Wanted == d.Delivered && !d.InDoubt && d.Fault != "":
		return Differs
	case d.Wanted == d.Delivered && !d.InDoubt:
		return Delivered
	case d.Dropped:
		return Dropped
	case d.Parked:
		return Parked
	case d.InDoubt:
		return InDoubt
	}
	return Pending
}

// Modified is when the delivery last changed, zero for one that an earlier
// program changed last.
func (d *Delivery) Modified() time.Time {
	if d.WantedSince.After(d.Changed) {
		return d.WantedSince
	}
	return d.Changed
}

// DeliveryQuery says which deliveries to list, release or drop. Every condition
// set must hold.
type DeliveryQuery struct {
	// Target is one target; "" for all.
	Target string
	// Keys are the resources, nil for all; Member is the member of them, nil for
	// all.
	Keys   []Key
	Member *string
	// States are those to find them in; nil for all.
	States []DeliveryState
	// Fault is that of the last attempt; "" for any.
	Fault string
	// Limit is the most to return; 0 means none, only the total.
	Limit int
	// After continues where another page ended: its Next.
	After string
	// Total asks for the number of all matches.
	Total bool
}

// DeliveryPage is one page of a list, ordered by target and then by the age of
// the resource.
type DeliveryPage struct {
	Deliveries []Delivery
	// Next is the After of the following page, "" at the end.
	Next string
	// Total is the number of all matches when the query asked for it.
	Total int
}

// Decisions are what people decide about deliveries, within a transaction, so
// that what is audited of it is on disk when it is. Each gives how many
// deliveries it changed. After, Limit and Total of the query do not count.
type Decisions interface {
	// Release makes parked deliveries due at once; dropped ones too, if States
	// name them, and so those whose copies differ, which are in doubt then, so that
	// the target is read and gets what it lacks.
	Release(query DeliveryQuery) (int, error)
	// Drop gives parked deliveries up: they are not tried again until a higher
	// version is wanted, or they are released. The reason is kept with each, and
	// must hold no patient data; ErrReason if there is none.
	Drop(query DeliveryQuery, reason string) (int, error)
}

// ErrReason says that a delivery is not given up without a reason.
var ErrReason = errors.New("store: a delivery is given up for a reason only")

// Released is the query of a Release.
func (q DeliveryQuery) Released() DeliveryQuery {
	q.After = ""
	if q.States == nil {
		q.States = []DeliveryState{Parked}
	}
	q.States = slices.DeleteFunc(slices.Clone(q.States), func(s DeliveryState) bool { return s != Parked && s != Dropped && s != Differs })
	return q
}

// DroppedBy is the query of a Drop.
func (q DeliveryQuery) DroppedBy() DeliveryQuery {
	q.After, q.States = "", []DeliveryState{Parked}
	return q
}
