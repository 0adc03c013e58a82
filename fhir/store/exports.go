package store

import (
	"context"
	"time"
)

// Export is a bulk export as it is kept: what its client asked for, the instant
// that it shows everything at, and how far it has been prepared. No copy of a
// resource is kept for it: every version stays, so that what was there at an
// instant can be read at any time, and is the same each time.
type Export struct {
	ID string
	// Owner says whose it is; it is compared, never shown.
	Owner string
	// Instant is the moment it is of: what was committed up to then belongs to it,
	// and nothing that was committed later. Only the store sets it.
	Instant time.Time
	// Expires is when it is forgotten.
	Expires time.Time
	// Request is what was asked, State what has been found so far; what they say is
	// the caller's.
	Request, State []byte
	Status         ExportStatus
	// Lease names the worker that prepares it, until LeaseUntil.
	Lease      string
	LeaseUntil time.Time
}

// ExportStatus is where an export stands.
type ExportStatus string

// The states of an export. One that was cancelled is gone.
const (
	ExportRunning ExportStatus = "running"
	ExportDone    ExportStatus = "done"
	ExportFailed  ExportStatus = "failed"
)

// ExportTx is the part of a Tx that is about exports.
type ExportTx interface {
	// StartExport keeps a new export as running and sets its Instant: all that the
	// batch of this job and those before it commit belongs to it, and nothing of
	// any later one, whichever process writes it.
	StartExport(export Export) (Export, error)
	// Exports counts those of an owner that are running and not past their time.
	Exports(owner string) (int, error)
	// Export gives one; ErrNotFound if there is none, or it is past its time.
	Export(id string) (Export, error)
	// DeleteExport forgets one; ErrNotFound if there is none.
	DeleteExport(id string) error
}

// Exports is the part of a store that exports are prepared and read by. All of it
// goes by the clock of the store.
type Exports interface {
	// Export gives one; ErrNotFound if there is none, or it is past its time.
	Export(ctx context.Context, id string) (Export, error)
	// ClaimExport leases one that is running, the oldest first; ErrNotFound if there
	// is none that is not leased. A lease that lies further ahead than MaxWait was
	// written while the clock was ahead, and holds nothing up.
	ClaimExport(ctx context.Context, worker string, lease time.Duration) (Export, error)
	// RecordExport keeps State and Status of a claimed export. One that goes on
	// running is leased anew, and given back so; ErrLeaseLost if another has claimed
	// it, or it is gone.
	RecordExport(ctx context.Context, export Export, lease time.Duration) (Export, error)
	// ForgetExports forgets what is past its time, and says how many that were.
	ForgetExports(ctx context.Context) (int, error)
	// Snapshot gives what was there at an instant, in order of id. It is the same
	// however often it is asked, if the instant is that of an export.
	Snapshot(ctx context.Context, query SnapshotQuery) ([]Snapshotted, error)
}

// SnapshotQuery says what of an instant to give.
type SnapshotQuery struct {
	Type string
	// At is the instant: of each resource the newest version that is not later.
	At time.Time
	// Since leaves out versions that are not later than it; zero leaves out none.
	Since time.Time
	// Deleted gives the tombstones instead of the resources.
	Deleted bool
	// Patients are those whose resources to give, as Index has them; nil is anybody.
	// Owned gives only resources that are somebody's.
	Patients []string
	Owned    bool
	// After and Through bound the ids: behind the one, up to and including the
	// other; "" is no bound.
	After, Through string
	// Limit is the most to give.
	Limit int
}

// Snapshotted is a version of an instant, with the patient that its resource is
// found by.
type Snapshotted struct {
	Resource
	Patient string
}
