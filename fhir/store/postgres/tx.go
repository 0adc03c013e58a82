package postgres

import (
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// tx is the transaction as jobs see it. It is one for the life of the backend,
// begun afresh for each batch.
//
// What a submission mostly writes, resources and identity keys that are new, it
// only holds back, and no statement is run for it before the end of the batch.
// Whatever needs the database to be as the job left it calls direct first.
type tx struct {
	*backend
	now  time.Time
	at   int64
	rows rows
	// audits are the entries of the audit trail, held back until the batch ends.
	audits held[auditchain.Addition]
	// trusting says that a resource created with POST is taken to be new, since
	// its id is the server's, and so is what the same job makes of it under the same
	// id, as its score. Where that is wrong the batch is lost, and its jobs are
	// replayed one by one, not trusting.
	trusting bool
	// marked says that the database has a savepoint of the current job.
	marked bool
	// lost says why the batch as a whole cannot go on: PostgreSQL takes nothing
	// more in a transaction one of whose statements failed.
	lost error
	// fresh are the resources, taken the identity keys, held back in this batch;
	// known are the keys that were looked up when it began, those found free too, and
	// foreseen the heads, until a write may have changed them.
	fresh    map[store.Key]struct{}
	taken    map[string]store.Identity
	known    map[string]lookedUp
	foreseen map[compartment]foreseen
	// trace is that of the current job, "" for none.
	trace string
	// wished is what was wanted in this batch.
	wished map[wish]struct{}
	// Of the current job: the resources it wrote with their row numbers, the ids
	// that are taken to be new, and the identity keys it found free.
	written map[store.Key]int64
	minted  map[string]struct{}
	free    map[string]struct{}
}

// lookedUp is what is known of an identity key.
type lookedUp struct {
	store.Identity
	found bool
}

// newTx makes the transaction of a backend.
func newTx(b *backend) *tx {
	return &tx{
		backend:  b,
		fresh:    make(map[store.Key]struct{}),
		taken:    make(map[string]store.Identity),
		known:    make(map[string]lookedUp),
		foreseen: make(map[compartment]foreseen),
		wished:   make(map[wish]struct{}),
		written:  make(map[store.Key]int64),
		minted:   make(map[string]struct{}),
		free:     make(map[string]struct{}),
	}
}

// forget makes room for what a new batch looks up.
func (t *tx) forget() {
	clear(t.known)
	clear(t.foreseen)
}

// begin starts a new batch at a time.
func (t *tx) begin(now time.Time, trusting bool) {
	t.now, t.at, t.trusting = now, now.UnixMilli(), trusting
	t.lost = nil
	t.rows.each(part.begin)
	t.audits.begin()
	clear(t.fresh)
	clear(t.taken)
	clear(t.wished)
	t.savepoint()
}

// savepoint begins a job. The database gets its savepoint only if it is needed.
func (t *tx) savepoint() {
	t.marked = false
	t.rows.each(part.savepoint)
	t.audits.savepoint()
	clear(t.written)
	clear(t.minted)
	clear(t.free)
}

// lose remembers that a statement failed, and with it the transaction.
func (t *tx) lose(what string, err error) error {
	err = wrap(what, err)
	if err != nil && t.lost == nil {
		t.lost = err
	}
	return err
}

// direct lets the job work on the database itself: it sets the savepoint that
// the job falls back to, and inserts what is held back, in one trip.
func (t *tx) direct() error {
	if t.lost != nil {
		return t.lost
	}
	trip := &pgx.Batch{}
	if !t.marked {
		trip.Queue("SAVEPOINT job")
		t.marked = true
	}
	t.rows.queue(trip)
	return t.lose("insert the rows held back", t.send(trip))
}

// release ends a job that succeeded.
func (t *tx) release() error {
	if t.lost != nil || !t.marked {
		return t.lost
	}
	_, err := t.conn.Exec(t.ctx, "RELEASE job")
	return t.lose("release a savepoint", err)
}

// rollbackTo ends a job that failed.
func (t *tx) rollbackTo() error {
	for _, row := range t.rows.resources.current() {
		delete(t.fresh, row.key)
	}
	for _, row := range t.rows.identities.current() {
		delete(t.taken, row.name)
	}
	t.rows.each(part.rollbackTo)
	t.audits.rollbackTo()
	for _, row := range t.rows.identities.waiting() {
		t.taken[row.name] = row.Identity
	}
	if t.lost != nil || !t.marked {
		return t.lost
	}
	_, err := t.conn.Exec(t.ctx, "ROLLBACK TO job; RELEASE job")
	return t.lose("roll back to a savepoint", err)
}

// Now is the time of the transaction.
func (t *tx) Now() time.Time { return t.now }

// head is the row of a resource, without its body.
type head struct {
	rid, version, updated int64
	deleted               bool
}

// row reads one row.
func (t *tx) row(what, query string, args []any, into ...any) error {
	if t.lost != nil {
		return t.lost
	}
	err := t.conn.QueryRow(t.ctx, query, args...).Scan(into...)
	if errors.Is(err, pgx.ErrNoRows) {
		return store.ErrNotFound
	}
	return t.lose(what, err)
}

// exec runs a statement and gives the number of rows that it changed.
func (t *tx) exec(what, query string, args ...any) (int64, error) {
	if t.lost != nil {
		return 0, t.lost
	}
	tag, err := t.conn.Exec(t.ctx, query, args...)
	return tag.RowsAffected(), t.lose(what, err)
}

// lookup finds the row of a resource.
func (t *tx) lookup(key store.Key) (head, error) {
	if _, held := t.fresh[key]; held {
		if err := t.direct(); err != nil {
			return head{}, err
		}
	}
	var h head
	err := t.row("look a resource up", "SELECT rid, version, deleted = 1, last_updated FROM resource WHERE type = $1 AND id = $2",
		[]any{indexed(key.Type), indexed(key.ID)}, &h.rid, &h.version, &h.deleted, &h.updated)
	return h, err
}

// Get gives the current version, this job's own writes included.
func (t *tx) Get(key store.Key) (store.Resource, error) {
	h, err := t.lookup(key)
	if err != nil {
		return store.Resource{}, err
	}
	if h.updated == t.at {
		// Its body may still be held back.
		if err := t.direct(); err != nil {
			return store.Resource{}, err
		}
	}
	resource := store.Resource{Key: key, Version: h.version, LastUpdated: time.UnixMilli(h.updated).UTC(), Deleted: h.deleted}
	var packed []byte
	err = t.row("read a version", "SELECT method, body FROM resource_version WHERE vid = $1",
		[]any{vid(h.rid, h.version)}, &resource.Method, &packed)
	if err != nil {
		return store.Resource{}, fmt.Errorf("read a version: %w", err)
	}
	resource.Body, err = t.codec.Unpack(packed)
	return resource, err
}

// Put writes the next version of a resource.
func (t *tx) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	columns := columnsOf(index)
	rid, version, err := t.putRow(key, method, columns)
	if err != nil {
		return store.Resource{}, err
	}
	t.outdate(key, columns.patient, version)
	body, err := render(version, t.now)
	if err != nil {
		return store.Resource{}, err
	}
	t.rows.versions.add(versionRow{vid: vid(rid, version), at: t.at, method: method, body: t.codec.Pack(body)})
	t.addIndex(index, rid, version)
	t.written[key] = rid
	return store.Resource{Key: key, Version: version, LastUpdated: t.now, Method: method, Body: body}, nil
}

// errText says that a key is one that PostgreSQL cannot hold.
var errText = errors.New("store: the type or id of a resource is too long or not UTF-8")

// putRow gives a new resource a row, held back, or changes that of an old one.
func (t *tx) putRow(key store.Key, method string, columns columns) (rid, version int64, err error) {
	if indexed(key.Type) != key.Type || indexed(key.ID) != key.ID {
		return 0, 0, errText
	}
	if !t.isNew(key, method) {
		h, err := t.lookup(key)
		if err == nil {
			return t.updateRow(h, columns)
		}
		if !errors.Is(err, store.ErrNotFound) {
			return 0, 0, err
		}
	}
	t.rid++
	t.rows.resources.add(resourceRow{rid: t.rid, key: key, at: t.at, columns: columns})
	t.fresh[key] = struct{}{}
	return t.rid, 1, nil
}

// isNew says that a resource is taken to be new without looking for it.
func (t *tx) isNew(key store.Key, method string) bool {
	_, held := t.fresh[key]
	if held || !t.trusting {
		return false
	}
	if method == methodPost {
		t.minted[key.ID] = struct{}{}
	}
	_, minted := t.minted[key.ID]
	return minted
}

// updateRow changes the row of a resource.
func (t *tx) updateRow(h head, columns columns) (rid, version int64, err error) {
	version, err = next(h)
	if err != nil {
		return 0, 0, err
	}
	if err := t.direct(); err != nil {
		return 0, 0, err
	}
	_, err = t.exec("update a resource", `UPDATE resource SET version = $1, deleted = 0, last_updated = $2,
		patient = $3, status = $4, period_start = $5, period_end = $6 WHERE rid = $7`,
		version, t.at, columns.patient, columns.status, columns.start, columns.end, h.rid)
	return h.rid, version, err
}

// next is the number of the version that follows. That a resource has a million
// of them means that a client writes in a circle.
func next(h head) (int64, error) {
	if h.version+1 >= 1<<versionBits {
		return 0, fmt.Errorf("store: a resource has %d versions and can have no more", h.version)
	}
	return h.version + 1, nil
}

// The verbs that the store itself knows.
const (
	methodPost   = "POST"
	methodDelete = "DELETE"
)

// Delete writes a tombstone; a tombstone that is there already is returned as
// it is.
func (t *tx) Delete(key store.Key) (store.Resource, error) {
	h, err := t.lookup(key)
	if err != nil {
		return store.Resource{}, err
	}
	if h.deleted {
		return t.Get(key)
	}
	version, err := next(h)
	if err != nil {
		return store.Resource{}, err
	}
	if err := t.direct(); err != nil {
		return store.Resource{}, err
	}
	_, err = t.exec("delete a resource", `UPDATE resource SET version = $1, deleted = 1, last_updated = $2,
		status = NULL, period_start = $3, period_end = NULL WHERE rid = $4`, version, t.at, searchsql.MinMillis, h.rid)
	if err != nil {
		return store.Resource{}, err
	}
	t.outdate(key, nil, version)
	t.rows.versions.add(versionRow{vid: vid(h.rid, version), at: t.at, method: methodDelete, deleted: true, body: t.codec.Pack(nil)})
	t.written[key] = h.rid
	return store.Resource{Key: key, Version: version, LastUpdated: t.now, Method: methodDelete, Deleted: true}, nil
}
