package store

import (
	"context"
	"errors"
	"slices"
	"time"
)

// MaxWait is the longest that a delivery may have to wait, for its time or for
// the end of a lease. What says to wait longer was written while the clock was
// ahead, and would lie still until the clock was there again. A wait that was written
// while the clock was ahead by less is known as one; a lease is not, since its length is
// its worker's own affair: what a process held that died while the clock was ahead lies
// still for as much longer.
const MaxWait = 2 * time.Hour

// Deliveries is the part of a store that the write-back worker reconciles by.
type Deliveries interface {
	// Claim leases up to limit deliveries of a target that are due at the
	// store's clock: wanted differs from delivered, or the outcome is in doubt,
	// and neither parked nor leased but for a check, MaxWait being the longest that either counts
	// for. What was put off, or wanted, while the clock was ahead is due once it no longer is;
	// a doubt among that has no Reason then. Those due longest come first. With the claim an attempt begins, and is
	// counted: nothing else need be on disk before something is sent. So a lease that
	// has run out may be claimed by another, and the delivery is InDoubt then.
	Claim(ctx context.Context, target, owner string, lease time.Duration, limit int) ([]Delivery, error)
	// WantedVersions reads the version wanted of each of many deliveries at once, in
	// their order; where there is none, the zero Resource. Each Body is the caller's
	// alone, who may write over it.
	WantedVersions(ctx context.Context, deliveries []Delivery) ([]Resource, error)
	// Begin makes sure that the lease still holds, before something is sent longer
	// after the claim than it may be trusted; ErrLeaseLost if it has run out or is
	// another's.
	Begin(ctx context.Context, delivery Delivery) error
	// Record keeps the outcome of a claimed delivery and ends its lease;
	// ErrLeaseLost if another claim has followed. It takes Delivered (which never
	// goes backwards), InDoubt, RemoteID, ETag, Due, Parked, Reason, Fault and
	// Accepted from the delivery. The copy is fresh then, and not looked at yet.
	// A version that was not delivered before begins to count Repairs anew. A lease that ran out unclaimed may still be recorded: what is
	// known is better than a doubt. Where a higher version was wanted meanwhile,
	// the delivery stays pending, unparked, and due at once unless the attempt
	// failed.
	Record(ctx context.Context, delivery Delivery) error
	// Advance is Begin and Record of many at once, which share what the disk costs.
	// Each has its own answer, in the order of the steps.
	Advance(ctx context.Context, steps []Step) []error
	// Backlog counts what is wanted and not yet delivered, by target.
	Backlog(ctx context.Context) ([]Backlog, error)
	// LastDeliveries tells of each target that ever held what was wanted when that
	// was recorded last, to the second by the store's clock, whoever delivered it.
	LastDeliveries(ctx context.Context) (map[string]time.Time, error)
	// Delivery gives the state of one member of a resource at one target;
	// ErrNotFound if it was never wanted.
	Delivery(ctx context.Context, target string, key Key, member string) (Delivery, error)
	// Members gives the state of all members of a resource that a target was ever
	// wanted to hold, in order of their names.
	Members(ctx context.Context, target string, key Key) ([]Delivery, error)
	// Deliveries lists the state of many, page by page.
	Deliveries(ctx context.Context, query DeliveryQuery) (DeliveryPage, error)

	Checks
}

// Step is what is told of a claimed delivery: that something is about to be sent, as
// by Begin, or else its outcome.
type Step struct {
	Delivery Delivery
	Begins   bool
	// Unsent says of an outcome that nothing was sent, so that the attempt which
	// the claim began does not count.
	Unsent bool
}

// Whole is the member that is the resource itself, whether it is the only one or
// has others beside it.
const Whole = ""

// Delivery is the state of one member of a resource at one target, each of which
// is delivered by itself. The version delivered follows the version wanted;
// nothing is queued in between.
type Delivery struct {
	Target string
	Key    Key
	// Member is which of the resources it is that the target takes for the one
	// stored; Whole where it is the only one.
	Member string
	// Wanted and Delivered are versions of the resource; Delivered is 0 before
	// the first success.
	Wanted, Delivered int64
	// Retract says that the wanted version takes the result back, or that it has no
	// such member any more.
	Retract bool
	// InDoubt says that an attempt began whose outcome is not known, so the
	// target must be read before anything is decided.
	InDoubt bool
	// RemoteID and ETag are the target's own id and version tag, kept from the
	// last success.
	RemoteID, ETag string
	// Trace is that of the request which wanted the version, "" for none.
	Trace string
	// Attempts counts those begun since the last success, that of the claim among
	// them; the store keeps the count, whatever a worker writes here.
	Attempts int
	// Due is when the next attempt may be made.
	Due time.Time
	// WantedSince is when the target first fell behind.
	WantedSince time.Time
	// Parked says that no further attempt is made until someone decides;
	// Reason says why in words without patient data, and Fault in one of a few.
	Parked        bool
	Reason, Fault string
	// Dropped says that someone gave the version wanted up, for the Reason; it is
	// then Parked as well.
	Dropped bool
	// Changed is when something was last recorded, released or dropped; zero
	// before. Only the store sets it.
	Changed time.Time
	// Accepted is a digest of the copy that the target was seen to make of what it
	// took, "" if it was not seen.
	Accepted string
	// Fresh says that nobody has looked at the copy since it was delivered; Looked
	// is when that was, or when somebody looked last, and Checked when the copy was
	// read last. Zero before.
	Fresh           bool
	Looked, Checked time.Time
	// Repairs counts how often a copy of the version delivered was to be written
	// again since it differed.
	Repairs int
	// Owner holds the lease until LeaseUntil.
	Owner      string
	LeaseUntil time.Time
}

// Usage is how full a store is.
type Usage struct {
	// Bytes is what the database takes on its disk.
	Bytes int64
	// Queued is how many jobs wait to be taken up, Queue how many may.
	Queued, Queue int
}

// Promptly is how soon a version that is wanted should be at its target.
const Promptly = 5 * time.Minute

// Backlog is what one target still lacks: Pending counts what is not parked,
// InDoubt what of all is in doubt.
type Backlog struct {
	Target                   string
	Pending, InDoubt, Parked int
	// Overdue counts those of Pending and Parked that were wanted longer than
	// Promptly ago.
	Overdue int
	// Oldest is the earliest WantedSince of those pending, zero if none.
	Oldest time.Time
}

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

// DueBy is when the next attempt may be made by a clock that shows now. A time that was
// measured on this machine carries a reading of the clock that does not jump (package
// time, Monotonic Clocks): the wait holds, whatever the date was when it was measured.
func (d *Delivery) DueBy(now time.Time) time.Time {
	if d.Due == d.Due.Round(0) {
		return d.Due
	}
	return now.Add(time.Until(d.Due))
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
