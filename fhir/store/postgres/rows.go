package postgres

import (
	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
)

// held keeps the rows of one table back until the end of the batch, to insert
// them with one statement. It follows the savepoints of the jobs: the rows of a
// job that fails are forgotten, and rows of its neighbours that were inserted
// behind its savepoint, and so are rolled back with it, are inserted again.
type held[T any] struct {
	rows []T
	// inserted of the rows are in the database already.
	inserted int
	// markRows and markInserted are both counts at the last savepoint.
	markRows, markInserted int
}

// begin forgets everything, for a new transaction.
func (h *held[T]) begin() {
	clear(h.rows)
	h.rows = h.rows[:0]
	h.inserted, h.markRows, h.markInserted = 0, 0, 0
}

// add holds a row back.
func (h *held[T]) add(row T) { h.rows = append(h.rows, row) }

// savepoint remembers where a job began.
func (h *held[T]) savepoint() { h.markRows, h.markInserted = len(h.rows), h.inserted }

// current are the rows of the job that runs.
func (h *held[T]) current() []T { return h.rows[h.markRows:] }

// waiting are the rows that are not in the database yet.
func (h *held[T]) waiting() []T { return h.rows[h.inserted:] }

// rollbackTo returns to where the job began.
func (h *held[T]) rollbackTo() {
	clear(h.rows[h.markRows:])
	h.rows, h.inserted = h.rows[:h.markRows], h.markInserted
}

// take gives the rows that wait, which count as inserted from now on: if the
// statement fails, the whole batch is lost.
func (h *held[T]) take() []T {
	waiting := h.waiting()
	h.inserted = len(h.rows)
	return waiting
}

// rows are all rows of a batch that are held back, in the order in which they
// are inserted.
type rows struct {
	resources  held[resourceRow]
	versions   held[versionRow]
	tokens     held[tokenRow]
	numbers    held[numbersRow]
	identities held[identityRow]
	// wants are those of whole scores, members those of their members.
	wants, members held[wantRow]
	happened       held[happenedRow]
}

// part is what the rows of any table do.
type part interface {
	begin()
	savepoint()
	rollbackTo()
}

// each calls a method on every table.
func (r *rows) each(call func(part)) {
	call(&r.resources)
	call(&r.versions)
	call(&r.tokens)
	call(&r.numbers)
	call(&r.identities)
	call(&r.wants)
	call(&r.members)
	call(&r.happened)
}

// The statements that insert rows, a column of each as an array.
const (
	insertResources = `INSERT INTO resource (rid, type, id, version, deleted, last_updated, patient, status, period_start, period_end)
		SELECT rid, type, id, 1, 0, at, patient, status, first, last
		FROM unnest($1::bigint[], $2::text[], $3::text[], $4::bigint[], $5::text[], $6::text[], $7::bigint[], $8::bigint[])
			AS n (rid, type, id, at, patient, status, first, last)`
	insertVersions = `INSERT INTO resource_version (vid, at, method, deleted, body)
		SELECT * FROM unnest($1::bigint[], $2::bigint[], $3::text[], $4::smallint[], $5::bytea[])`
	// Without ON CONFLICT, which looks into the index twice and writes each row
	// twice: what is held back is of new versions, and no token is there twice.
	insertTokens = `INSERT INTO token (param, value, rid, version)
		SELECT * FROM unnest($1::text[], $2::text[], $3::bigint[], $4::bigint[])`
	insertNumbers = `INSERT INTO numbers (rid, version, params, vals)
		SELECT rid, version, params::text[], vals::bigint[]
		FROM unnest($1::bigint[], $2::bigint[], $3::text[], $4::text[]) AS n (rid, version, params, vals)`
	insertIdentities = `INSERT INTO identity (name, type, id, digest)
		SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::text[])`
	insertWants = `INSERT INTO delivery AS d (target, rid, wanted, retract, due, wanted_since, trace)
		SELECT target, rid, wanted, retract, at, at, trace
		FROM unnest($1::text[], $2::bigint[], $3::bigint[], $4::smallint[], $5::bigint[], $6::text[]) AS n (target, rid, wanted, retract, at, trace)
		ORDER BY target, rid
		ON CONFLICT (target, rid)` + wantTail
	insertMemberWants = `INSERT INTO delivery_member AS d (target, rid, wanted, retract, due, wanted_since, trace, member)
		SELECT target, rid, wanted, retract, at, at, trace, member
		FROM unnest($1::text[], $2::bigint[], $3::bigint[], $4::smallint[], $5::bigint[], $6::text[], $7::text[])
			AS n (target, rid, wanted, retract, at, trace, member)
		ORDER BY target, rid, member
		ON CONFLICT (target, rid, member)` + wantTail
	// A version not above the one wanted already changes nothing; a higher one is
	// due at once, and frees a delivery that was parked for an earlier one's sake.
	wantTail = ` DO UPDATE SET
			wanted_since = CASE WHEN d.delivered < d.wanted THEN d.wanted_since ELSE excluded.wanted_since END,
			wanted = excluded.wanted, retract = excluded.retract, due = excluded.due, parked = 0, reason = '', fault = '', trace = excluded.trace
		WHERE excluded.wanted > d.wanted`
	insertHappened = `INSERT INTO happened (rid, version, at, trace)
		SELECT rid, version, at, trace FROM unnest($1::bigint[], $2::bigint[], $3::bigint[], $4::text[])
			WITH ORDINALITY AS n (rid, version, at, trace, place) ORDER BY place`
)

// column gives one column of some rows.
func column[T, V any](rows []T, value func(*T) V) []V {
	values := make([]V, len(rows))
	for i := range rows {
		values[i] = value(&rows[i])
	}
	return values
}

// queue adds the statements for what is not in the database yet.
func (r *rows) queue(trip *pgx.Batch) {
	if n := r.resources.take(); len(n) > 0 {
		trip.Queue(insertResources, column(n, func(r *resourceRow) int64 { return r.rid }),
			column(n, func(r *resourceRow) string { return r.key.Type }), column(n, func(r *resourceRow) string { return r.key.ID }),
			column(n, func(r *resourceRow) int64 { return r.at }), column(n, func(r *resourceRow) *string { return r.patient }),
			column(n, func(r *resourceRow) *string { return r.status }), column(n, func(r *resourceRow) int64 { return r.start }),
			column(n, func(r *resourceRow) *int64 { return r.end }))
	}
	if n := r.versions.take(); len(n) > 0 {
		trip.Queue(insertVersions, column(n, func(r *versionRow) int64 { return r.vid }), column(n, func(r *versionRow) int64 { return r.at }),
			column(n, func(r *versionRow) string { return r.method }), column(n, func(r *versionRow) int16 { return bit(r.deleted) }),
			column(n, func(r *versionRow) []byte { return r.body }))
	}
	if n := r.tokens.take(); len(n) > 0 {
		trip.Queue(insertTokens, tokenColumns(n)...)
	}
	if n := r.numbers.take(); len(n) > 0 {
		trip.Queue(insertNumbers, numberColumns(n)...)
	}
	if n := r.identities.take(); len(n) > 0 {
		trip.Queue(insertIdentities, column(n, func(r *identityRow) string { return indexed(r.name) }), column(n, func(r *identityRow) string { return r.Key.Type }),
			column(n, func(r *identityRow) string { return r.Key.ID }), column(n, func(r *identityRow) string { return plain(r.Digest) }))
	}
	queueWants(trip, insertWants, r.wants.take())
	if n := r.members.take(); len(n) > 0 {
		queueWants(trip, insertMemberWants, n, column(n, func(r *wantRow) string { return r.member }))
	}
	if n := r.happened.take(); len(n) > 0 {
		trip.Queue(insertHappened, column(n, func(r *happenedRow) int64 { return r.rid }),
			column(n, func(r *happenedRow) int64 { return r.version }), column(n, func(r *happenedRow) int64 { return r.at }),
			column(n, func(r *happenedRow) string { return r.trace }))
	}
}

// queueWants adds the statement for wants, with the columns that it has besides.
func queueWants(trip *pgx.Batch, statement string, n []wantRow, more ...any) {
	if len(n) > 0 {
		trip.Queue(statement, append([]any{column(n, func(r *wantRow) string { return r.target }), column(n, func(r *wantRow) int64 { return r.rid }),
			column(n, func(r *wantRow) int64 { return r.version }), column(n, func(r *wantRow) int16 { return bit(r.retract) }),
			column(n, func(r *wantRow) int64 { return r.at }), column(n, func(r *wantRow) string { return r.trace })}, more...)...)
	}
}

// resourceRow is the row of a new resource.
type resourceRow struct {
	rid int64
	key store.Key
	at  int64
	columns
}

// columns are what the index of a resource puts into its row.
type columns struct {
	patient, status *string
	start           int64
	end             *int64
}

// versionRow is one row of resource_version.
type versionRow struct {
	vid, at int64
	method  string
	deleted bool
	body    []byte
}

// versionBits is how much of a version's key is its number.
const versionBits = 20

// vid is the key of a version.
func vid(rid, version int64) int64 { return rid<<versionBits + version }

// identityRow is a row of identity whose name is known to be free.
type identityRow struct {
	name string
	store.Identity
}

// wantRow is one row of delivery as Want writes it.
type wantRow struct {
	target, member string
	rid, version   int64
	retract        bool
	at             int64
	trace          string
}

// happenedRow is one row of happened.
type happenedRow struct {
	rid, version, at int64
	trace            string
}
