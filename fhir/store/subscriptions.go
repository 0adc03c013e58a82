package store

import (
	"context"
	"time"
)

// Subscription is a webhook as it is kept: what its client asked for, what it
// may be told, and how far it has been told.
type Subscription struct {
	// ID is the logical id of the resource.
	ID string
	// Owner says whose it is; it is compared, never shown.
	Owner string
	// Version counts from 1, LastUpdated is when that was written (meta). The store
	// keeps the count: another status or fault is another version, but how far
	// events have been delivered is not.
	Version     int64
	LastUpdated time.Time
	// Body is the resource without secrets, Private what nobody is shown.
	Body, Private []byte
	SubscriptionState
}

// SubscriptionState is what changes by itself as notifications are sent.
type SubscriptionState struct {
	// Status is that of the resource. While it is Off nothing is recorded.
	Status SubscriptionStatus
	// Fault is Subscription.error, in words without patient data.
	Fault string
	// Events is the number of the newest event, Delivered that of the newest which
	// the endpoint has accepted; both count from 1 without gaps.
	Events, Delivered int64
	// Attempts counts those that failed in a row.
	Attempts int
	// Sent is when something was last accepted, Failing since when nothing was;
	// zero for never and for not.
	Sent, Failing time.Time
	// Due is when a worker has something to do, zero for never.
	Due time.Time
	// Lease names the worker that has claimed it, until LeaseUntil.
	Lease      string
	LeaseUntil time.Time
}

// SubscriptionStatus is a code of http://hl7.org/fhir/subscription-status.
type SubscriptionStatus string

// The statuses of R4.
const (
	SubscriptionRequested SubscriptionStatus = "requested"
	SubscriptionActive    SubscriptionStatus = "active"
	SubscriptionError     SubscriptionStatus = "error"
	SubscriptionOff       SubscriptionStatus = "off"
)

// Event is one event of a subscription: a version of a resource, and its number.
type Event struct {
	Number  int64
	Key     Key
	Version int64
	At      time.Time
	// Trace is that of the request which it comes from, "" for none.
	Trace string
}

// SubscriptionTx is the part of a Tx that is about subscriptions.
type SubscriptionTx interface {
	// Event records that a version of a resource, which the store has, is something
	// that subscriptions may tell of. While all of them are off, nothing is kept.
	Event(key Key, version int64) error
	// Subscription gives one; ErrNotFound if there is none.
	Subscription(id string) (Subscription, error)
	// Subscriptions counts those of an owner.
	Subscriptions(owner string) (int, error)
	// PutSubscription writes the next version; it sets Version and LastUpdated,
	// keeps Events and Delivered, and ends a lease. What was recorded before it was
	// made, or while it was last off, is no event of its own.
	PutSubscription(subscription Subscription) (Subscription, error)
	// DeleteSubscription removes one with its events; ErrNotFound if there is none.
	DeleteSubscription(id string) error
}

// Subscriptions is the part of a store that notifications are sent by. Claims go
// by the clock of the store, and one that was set back keeps nothing waiting:
// what was planned at a time that now lies ahead is due.
type Subscriptions interface {
	// Subscription gives one; ErrNotFound if there is none.
	Subscription(ctx context.Context, id string) (Subscription, error)
	// Subscriptions gives all of some owners in order of id, of anybody if that is
	// nil.
	Subscriptions(ctx context.Context, owners []string) ([]Subscription, error)
	// Events gives those of a subscription from one number to another, both
	// inclusive, in order, at most limit. Events that were delivered long ago may
	// be forgotten.
	Events(ctx context.Context, id string, from, to int64, limit int) ([]Event, error)
	// Distribute takes up to limit events that were recorded, in the order of their
	// commits, and gives each a number in those subscriptions that match finds, by
	// their places in the list; it returns how many were taken. All of it is done
	// once, whoever calls. Match is shown the subscriptions that are not off; it
	// may run more than once, and its get reads any version of a resource.
	Distribute(ctx context.Context, limit int, match Match) (taken int, err error)
	// ClaimSubscription leases one that is due; ErrNotFound if none is.
	ClaimSubscription(ctx context.Context, worker string, lease time.Duration) (Subscription, error)
	// RecordSubscription keeps the State of a claimed subscription and ends its
	// lease; ErrLeaseLost if that has run out and another has claimed it, or it was
	// written meanwhile. Events that came meanwhile are kept, and are due at once
	// unless the last attempt failed. Delivered events older than the time forget
	// are forgotten, at most some hundreds at once.
	RecordSubscription(ctx context.Context, subscription Subscription, forget time.Time) error
}

// Match says which of some subscriptions tell of a version of a resource.
type Match func(resource Resource, among []Subscription, get func(key Key, version int64) (Resource, error)) []int
