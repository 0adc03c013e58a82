package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
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
	audits held[auditRow]
	// trusting says that a resource created with POST is taken to be new, since
	// its id is the server's. Where that is wrong the batch is lost, and its jobs
	// are replayed one by one, not trusting.
	trusting bool
	// marked says that the database has a savepoint of the current job.
	marked bool
	// lost says why the batch as a whole cannot go on: rows that were held back
	// could not be inserted, and they may be those of another job.
	lost error
	// fresh are the resources, taken the identity keys, held back in this batch.
	fresh map[store.Key]struct{}
	taken map[string]store.Identity
	// trace is that of the current job, "" for none.
	trace string
	// wished is what was wanted in this batch.
	wished map[wish]struct{}
	// Of the current job: the resources it wrote with their row numbers, and the
	// identity keys it found free.
	written map[store.Key]int64
	free    map[string]struct{}
}

// newTx makes the transaction of a backend.
func newTx(ctx context.Context, b *backend) (*tx, error) {
	t := &tx{
		backend: b,
		fresh:   make(map[store.Key]struct{}),
		taken:   make(map[string]store.Identity),
		wished:  make(map[wish]struct{}),
		written: make(map[store.Key]int64),
		free:    make(map[string]struct{}),
	}
	err := t.audits.prepare(ctx, b.conn, auditRow.values, "INSERT INTO audit ("+auditColumns+")", "(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", "")
	return t, errors.Join(err, t.rows.prepare(ctx, b.conn))
}

// begin starts a new batch at a time.
func (t *tx) begin(now time.Time, trusting bool) {
	t.now, t.at, t.trusting = now, now.UnixMilli(), trusting
	t.lost = nil
	t.rows.begin()
	t.audits.begin()
	clear(t.fresh)
	clear(t.taken)
	clear(t.wished)
	t.savepoint()
}

// savepoint begins a job. The database gets its savepoint only if it is needed.
func (t *tx) savepoint() {
	t.marked = false
	t.rows.savepoint()
	t.audits.savepoint()
	clear(t.written)
	clear(t.free)
}

// direct lets the job work on the database itself: it sets the savepoint that
// the job falls back to, and inserts what is held back.
func (t *tx) direct() error {
	if !t.marked {
		if err := exec(t.stmt.savepoint); err != nil {
			return fmt.Errorf("set a savepoint: %w", err)
		}
		t.marked = true
	}
	if t.lost == nil {
		t.lost = t.rows.flush()
	}
	return t.lost
}

// release ends a job that succeeded.
func (t *tx) release() error {
	if t.lost != nil || !t.marked {
		return t.lost
	}
	return exec(t.stmt.release)
}

// rollbackTo ends a job that failed.
func (t *tx) rollbackTo() error {
	for _, row := range t.rows.resources.current() {
		delete(t.fresh, row.key)
	}
	for _, row := range t.rows.identities.current() {
		delete(t.taken, row.name)
	}
	t.rows.rollbackTo()
	t.audits.rollbackTo()
	for _, row := range t.rows.identities.waiting() {
		t.taken[row.name] = row.Identity
	}
	if t.lost != nil || !t.marked {
		return t.lost
	}
	if err := exec(t.stmt.rollbackTo); err != nil {
		return err
	}
	return exec(t.stmt.release)
}

// Now is the time of the transaction.
func (t *tx) Now() time.Time { return t.now }

// head is the row of a resource, without its body.
type head struct {
	rid, version, updated int64
	deleted               bool
}

// lookup finds the row of a resource.
func (t *tx) lookup(key store.Key) (head, error) {
	if _, held := t.fresh[key]; held {
		if err := t.direct(); err != nil {
			return head{}, err
		}
	}
	var h head
	err := t.stmt.current.QueryRowContext(background, key.Type, key.ID).
		Scan(&h.rid, &h.version, &h.deleted, &h.updated)
	if errors.Is(err, sql.ErrNoRows) {
		return h, store.ErrNotFound
	}
	if err != nil {
		return h, fmt.Errorf("look a resource up: %w", err)
	}
	return h, nil
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
	if err := t.stmt.body.QueryRowContext(background, vid(h.rid, h.version)).Scan(&resource.Method, &packed); err != nil {
		return store.Resource{}, fmt.Errorf("read a version: %w", err)
	}
	resource.Body, err = t.codec.Unpack(packed)
	return resource, err
}

// Put writes the next version of a resource.
func (t *tx) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	rid, version, err := t.putRow(key, method, columnsOf(index))
	if err != nil {
		return store.Resource{}, err
	}
	body, err := render(version, t.now)
	if err != nil {
		return store.Resource{}, err
	}
	t.rows.versions.add(versionRow{vid: vid(rid, version), at: t.at, method: method, body: t.codec.Pack(body)})
	t.addIndex(index, rid, version)
	t.written[key] = rid
	return store.Resource{Key: key, Version: version, LastUpdated: t.now, Method: method, Body: body}, nil
}

// addIndex adds the search values of a version.
func (t *tx) addIndex(index store.Index, rid, version int64) {
	for _, token := range index.Tokens {
		t.rows.tokens.add(tokenRow{Token: token, rid: rid, version: version})
	}
	for _, number := range index.Numbers {
		t.rows.numbers.add(numberRow{Number: number, rid: rid, version: version})
	}
}

// putRow gives a new resource a row, held back, or changes that of an old one.
func (t *tx) putRow(key store.Key, method string, columns columns) (rid, version int64, err error) {
	_, held := t.fresh[key]
	if held || !t.trusting || method != methodPost {
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

// updateRow changes the row of a resource.
func (t *tx) updateRow(h head, columns columns) (rid, version int64, err error) {
	version, err = next(h)
	if err != nil {
		return 0, 0, err
	}
	if err := t.direct(); err != nil {
		return 0, 0, err
	}
	_, err = t.stmt.updateResource.ExecContext(background, version, t.at,
		columns.patient, columns.status, columns.start, columns.end, h.rid)
	if err != nil {
		return 0, 0, fmt.Errorf("update a resource: %w", err)
	}
	return h.rid, version, nil
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
	if _, err := t.stmt.deleteResource.ExecContext(background, version, t.at, searchsql.MinMillis, h.rid); err != nil {
		return store.Resource{}, fmt.Errorf("delete a resource: %w", err)
	}
	t.rows.versions.add(versionRow{
		vid: vid(h.rid, version), at: t.at, method: methodDelete, deleted: true, body: t.codec.Pack(nil),
	})
	t.written[key] = h.rid
	return store.Resource{Key: key, Version: version, LastUpdated: t.now, Method: methodDelete, Deleted: true}, nil
}

// Identity looks an identity key up.
func (t *tx) Identity(name string) (identity store.Identity, found bool, err error) {
	if identity, found := t.taken[name]; found {
		return identity, true, nil
	}
	if _, free := t.free[name]; free {
		return store.Identity{}, false, nil
	}
	err = t.stmt.identity.QueryRowContext(background, name).
		Scan(&identity.Key.Type, &identity.Key.ID, &identity.Digest)
	if errors.Is(err, sql.ErrNoRows) {
		t.free[name] = struct{}{}
		return store.Identity{}, false, nil
	}
	if err != nil {
		return store.Identity{}, false, fmt.Errorf("look an identity key up: %w", err)
	}
	return identity, true, nil
}

// PutIdentity takes an identity key or changes its digest.
func (t *tx) PutIdentity(name string, identity store.Identity) error {
	if _, free := t.free[name]; free {
		delete(t.free, name)
		t.rows.identities.add(identityRow{name: name, Identity: identity})
		t.taken[name] = identity
		return nil
	}
	if err := t.direct(); err != nil {
		return err
	}
	result, err := t.stmt.putIdentity.ExecContext(background, name, identity.Key.Type, identity.Key.ID, identity.Digest)
	if err != nil {
		return fmt.Errorf("take an identity key: %w", err)
	}
	taken, err := result.RowsAffected()
	if err != nil {
		return err
	}
	if taken == 0 {
		return store.ErrIdentityTaken
	}
	delete(t.taken, name)
	return nil
}

// columnsOf gives the columns that an index fills: no end if the resource is
// about no time, the ends of the integers where a bound is open.
func columnsOf(index store.Index) columns {
	c := columns{patient: nullable(index.Patient), status: nullable(index.Status), start: searchsql.MinMillis}
	if index.Start.IsZero() && index.End.IsZero() {
		return c
	}
	c.end = searchsql.MaxMillis
	if !index.Start.IsZero() {
		c.start = searchsql.Millis(index.Start)
	}
	if !index.End.IsZero() {
		c.end = searchsql.Millis(index.End)
	}
	return c
}

// nullable is nil for an empty text, so that indexes leave it out.
func nullable(text string) any {
	if text == "" {
		return nil
	}
	return text
}
