package store

import (
	"context"
	"errors"
	"time"
)

// Faults every database reports in the same way; test with errors.Is.
var (
	// ErrNotFound says that no such resource or version was ever stored.
	ErrNotFound = errors.New("store: not found")
	// ErrUnknownOutcome says that the commit itself failed: the write may or
	// may not be on disk. The identity key settles it when the sender repeats.
	ErrUnknownOutcome = errors.New("store: outcome of the commit is unknown")
	// ErrClosed says that the store is shutting down and took nothing.
	ErrClosed = errors.New("store: closed")
	// ErrLeaseLost says that another worker has taken the delivery over.
	ErrLeaseLost = errors.New("store: lease of the delivery lost")
	// ErrIdentityTaken says that an identity key belongs to another resource.
	ErrIdentityTaken = errors.New("store: identity key belongs to another resource")
	// ErrPage says that the After of a query is not a page of that search.
	ErrPage = errors.New("store: no page of this search")
)

// Key names a resource: its FHIR type and logical id.
type Key struct{ Type, ID string }

// String gives the relative reference, such as "Observation/17".
func (k Key) String() string { return k.Type + "/" + k.ID }

// Resource is one version of a resource as kept.
type Resource struct {
	Key
	// Version counts from 1 for each resource (meta.versionId).
	Version int64
	// LastUpdated is the time of the writing transaction, in UTC, to the
	// millisecond (meta.lastUpdated).
	LastUpdated time.Time
	// Method is the HTTP verb behind the version: POST, PUT or DELETE, as a
	// history Bundle must tell.
	Method string
	// Deleted marks a tombstone, whose Body is empty.
	Deleted bool
	// Body is the resource as JSON, meta included. It is the caller's to keep
	// and must not be changed.
	Body []byte
}

// Head is a resource as the index of its patient has it: which version is current,
// and when its time begins (see Index.Start).
type Head struct {
	Key
	Version int64
	Start   time.Time
}

// Heads asks for the resources of a type that belong to a patient and begin at a
// time or before it, at most Limit: the latest first, and of those that begin
// together the one with the higher id. Deleted ones are not there.
type Heads struct {
	Type, Patient string
	Until         time.Time
	Limit         int
}

// Index is what searches can find a resource by; it describes the current
// version only and replaces what was there.
type Index struct {
	// Patient is the reference of the compartment, such as "Patient/oona".
	Patient string
	// Status is the resource's status code.
	Status string
	// Start and End bound the time the resource is about (authored, effective),
	// both inclusive, kept to the millisecond, rounded down. One of them zero is
	// an open bound; both zero means that it is about no time, so that no
	// condition on time finds it, and it comes before all others in order of time.
	Start, End time.Time
	// Tokens are further search values by parameter, such as "identifier" or
	// "derived-from"; a value is written the way a search asks for it.
	Tokens []Token
	// Numbers are the values of quantity parameters.
	Numbers []Number
}

// Token is one value of a token, reference or uri search parameter.
type Token struct{ Param, Value string }

// Number is one value of a quantity parameter, in fiftieths of its unit, so
// that it stays exact.
type Number struct {
	Param string
	Value int64
}

// Render writes the body of a version once its number and time are known.
type Render func(version int64, at time.Time) ([]byte, error)

// Identity ties an identity key to the resource it created and to a digest of
// what was sent, so that a repeated request can be told from a changed one.
type Identity struct {
	Key    Key
	Digest string
}

// Tx is what a job may do within the transaction of its batch. It is valid
// only until the job returns.
type Tx interface {
	// Now is the time of the transaction, UTC, to the millisecond.
	Now() time.Time
	// Get gives the current version, a tombstone included; ErrNotFound if none.
	Get(key Key) (Resource, error)
	// Search finds as Store.Search does, and sees the job's own writes.
	Search(query Query) (Page, error)
	// Heads finds as Store.Heads does, and sees the job's own writes. It costs a
	// fraction of a search, so that what was read before the transaction can be held
	// against what is there now.
	Heads(of Heads) ([]Head, error)
	// Put writes the next version of a resource, a deleted one included. The
	// method is the HTTP verb.
	Put(key Key, method string, index Index, render Render) (Resource, error)
	// Delete writes a tombstone, which no search finds; ErrNotFound if none. Of the
	// index the Patient stays, so that an export knows whose it was. What is deleted
	// already stays as it is, and its tombstone is returned.
	Delete(key Key) (Resource, error)
	// Identity looks an identity key up; found is false if it is free.
	Identity(name string) (identity Identity, found bool, err error)
	// PutIdentity takes an identity key or changes its digest;
	// ErrIdentityTaken if it belongs to another resource.
	PutIdentity(name string, identity Identity) error
	// Want records that a target should hold this version of a resource, as these
	// members; none stands for the one member Whole. ErrNotFound if the resource
	// was never stored. Retract says that the version takes a result back, so that
	// a target that never had it needs nothing. A member that was wanted before and
	// is not any more is wanted as retracted by this version, unless it is already.
	// A version not above the one wanted already changes nothing. A higher one is
	// due at once and frees a parked delivery, whose fault was that of an earlier
	// version.
	Want(target string, key Key, version int64, retract bool, members ...string) error
	// Audit appends an entry to the audit trail, which is on disk when the job's
	// other effects are.
	Audit(entry Audit) error

	SubscriptionTx
	ExportTx
	Decisions
}

// Job is one request's part of a batch. It may run more than once (a failed
// batch is replayed job by job), so it must hold no effects outside the Tx and
// must set its results afresh each time. After a write that failed, the job
// fails as a whole, even if it returns nil.
type Job func(Tx) error

// Query says which current resources of one type to find. Every condition set
// must hold; within a list any one suffices.
type Query struct {
	Type     string
	IDs      []string
	Patients []string
	Statuses []string
	// NotStatuses are statuses that a resource must not have.
	NotStatuses []string
	// Times and LastUpdated are ranges that must all hold.
	Times       []TimeRange
	LastUpdated []TimeRange
	// Tokens: each element is one parameter, any of whose values will do.
	Tokens []TokenQuery
	// Numbers: each element is one condition that must hold.
	Numbers []NumberQuery
	// Sort is the order, Then what orders those alike in it.
	Sort Sort
	Then []Sort
	// Limit is the most to return; 0 means none, only the total.
	Limit int
	// After continues where another page ended: its Next, Prev or Last.
	After string
	// Total asks for the number of all matches.
	Total bool
	// Limits, unless nil, are what the asker may see: what is found or counted is
	// within one of them, so that none at all find nothing.
	Limits []Limit
}

// Limit is one part of what may be seen: the resources of a patient, or of
// anybody if that is "", which all of the conditions hold for.
type Limit struct {
	Patient string
	Tokens  []TokenQuery
}

// TimeRange compares the period a resource is about, or the moment it was last
// updated, with the two ends of a date given in a search (R4 search.html
// 3.1.1.4.7): Low is the first instant of that date, High the last.
type TimeRange struct {
	Prefix    Prefix
	Low, High time.Time
}

// TokenQuery asks for a parameter to have one of the values; with Not, none.
type TokenQuery struct {
	Param  string
	Values []string
	Not    bool
	// Rare says that few resources have such a value, so that a search may begin
	// with them. It changes how long a search takes, not what it finds.
	Rare bool
}

// NumberQuery asks for a number within any of the ranges; with Not, for none.
type NumberQuery struct {
	Any []NumberRange
	Not bool
}

// NumberRange asks for a parameter to have a value within inclusive bounds, in
// fiftieths; with Not, outside them. A parameter that ends in a bar stands for
// all that begin with it.
type NumberRange struct {
	Param     string
	Low, High int64
	Not       bool
}

// Prefix is a comparison of R4 search for ordered values.
type Prefix string

// The prefixes of R4 search.html 3.1.1.4.5; the empty one is Equal.
const (
	Equal          Prefix = "eq"
	NotEqual       Prefix = "ne"
	GreaterThan    Prefix = "gt"
	LessThan       Prefix = "lt"
	GreaterOrEqual Prefix = "ge"
	LessOrEqual    Prefix = "le"
	StartsAfter    Prefix = "sa"
	EndsBefore     Prefix = "eb"
	Approximately  Prefix = "ap"
)

// Sort is the order of a page. Ties are broken by id, so pages are stable.
type Sort uint8

// The orders offered; the zero value is newest update first.
const (
	ByLastUpdatedDesc Sort = iota
	ByLastUpdated
	ByTimeDesc
	ByTime
	ByID
	ByIDDesc
	ByStatus
	ByStatusDesc
)

// Page is one page of a search.
type Page struct {
	Resources []Resource
	// Next is the After of the following page, empty at the end; Prev that of the
	// page before, empty at the beginning; Last that of the last page, empty where
	// there is but one. They are opaque, and hold nothing but the place.
	Next, Prev, Last string
	// Total is the number of all matches when the query asked for it.
	Total int
}

// Store is a database that keeps the promises of the package.
type Store interface {
	// Write runs a job in the next batch and returns after its commit. Jobs
	// that name the same identity keys do not run at the same time in any
	// replica. The job's own error is returned as it is, and nothing of that
	// job is kept; ErrUnknownOutcome if the commit failed. A context that ends
	// before the job was taken up withdraws it; afterwards the commit is awaited.
	// What the job wants is wanted in the trace of the context. Ahead are Heads that
	// the job will ask for, so that a database can find those of all jobs of a batch
	// together; they change how long a job takes, not what it finds.
	Write(ctx context.Context, keys []string, job Job, ahead ...Heads) error
	// Get gives the current version, a tombstone included.
	Get(ctx context.Context, key Key) (Resource, error)
	// Version gives one version.
	Version(ctx context.Context, key Key, version int64) (Resource, error)
	// History gives versions, newest first: at most limit, those below the
	// version "before" unless that is 0; ErrNotFound if there never were any.
	History(ctx context.Context, key Key, before int64, limit int) ([]Resource, error)
	// Search finds current resources; deleted ones are not found. ErrPage if
	// After is not a page of this search.
	Search(ctx context.Context, query Query) (Page, error)
	// Heads finds what a patient has of a type, without bodies.
	Heads(ctx context.Context, of Heads) ([]Head, error)
	// Each calls visit with every current resource of a type in order of id,
	// in flat memory, and stops at the first error.
	Each(ctx context.Context, resourceType string, visit func(Resource) error) error
	// Reindex brings the index of what is stored to a generation: index gives
	// what a current version is to be found by, ok false to leave it. What is found
	// at a generation at least as high already is left alone, and an end before
	// the last is made good by the next call. A resource written meanwhile keeps
	// the index it was written with. Tokens and numbers are added to those there.
	Reindex(ctx context.Context, generation int64, index func(Resource) (index Index, ok bool, err error)) error
	// Secret gives the random bytes of a name, made when first asked for, the same
	// in every process on this database.
	Secret(ctx context.Context, name string) ([]byte, error)
	// Once records a name until a time, and says whether it was not recorded yet,
	// by any process on this database. What is past its time is forgotten.
	Once(ctx context.Context, name string, until time.Time) (fresh bool, err error)
	// Usage tells how much the database takes and how many jobs wait; the latter
	// also with an error, since it is known here.
	Usage(ctx context.Context) (Usage, error)
	// Ping says whether the database answers a write and a read.
	Ping(ctx context.Context) error
	// Close finishes the batch under way, answers its jobs and releases all.
	Close() error

	Deliveries
	Audits
	Subscriptions
	Exports
}
