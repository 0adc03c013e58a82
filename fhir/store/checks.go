package store

import (
	"context"
	"time"
)

// Checks is the part of a store that copies are looked after by: what a target
// was brought to hold is read there from time to time, and compared.
type Checks interface {
	// ClaimChecks leases up to limit deliveries whose copies are to be looked at:
	// the version wanted is delivered, nothing is in doubt, no lease holds it, and
	// nobody has looked for as long as due says at the store's clock. Those looked
	// at longest ago come first, with at least every other place for those that are
	// not fresh. What was looked at more than MaxWait in the future was so while the
	// clock was ahead, and is due as well. Such a lease is no hindrance to Claim,
	// which takes it away once a version is wanted: looking changes nothing at the
	// target.
	ClaimChecks(ctx context.Context, target, owner string, lease time.Duration, due CheckDue, limit int) ([]Delivery, error)
	// RecordCheck keeps what was found and ends the lease. ErrLeaseLost if a
	// delivery or another check took it over, or a version was wanted meanwhile;
	// then nothing is kept.
	RecordCheck(ctx context.Context, check Check) error
	// Copies tells of each target how its copies stand.
	Copies(ctx context.Context) ([]Copies, error)
}

// CheckDue says when a copy is to be looked at: Fresh after it was delivered, and
// then again every Interval.
type CheckDue struct{ Fresh, Interval time.Duration }

// Check is what came of looking at a copy: the delivery as it was claimed, with
// InDoubt, RemoteID, ETag, Reason, Fault, Accepted and Repairs as they are to be
// kept. In doubt it is due at once, and behind from now on. The Fault of one that
// is delivered says how the copy differs, "" for one that does not.
type Check struct {
	Delivery
	// Looked says that the target was asked; otherwise the delivery is given back
	// as it was. Read says that it answered, so that it is known what it holds.
	Looked, Read bool
}

// Copies is how the copies at one target stand.
type Copies struct {
	Target string
	// Differing counts those that were found to be other than what was delivered.
	Differing int
	// Oldest is when the copy that nobody has looked at for longest was delivered
	// or looked at; zero if there is none.
	Oldest time.Time
}
