package sqlite

import (
	"context"
	"errors"
	"fmt"

	"tidemark.example/tidemark/fhir/store"
)

// rows are all rows of a batch that are held back, in the order in which they
// are inserted.
type rows struct {
	resources  held[resourceRow]
	versions   held[versionRow]
	tokens     held[tokenRow]
	numbers    held[numberRow]
	identities held[identityRow]
	wants      held[wantRow]
	happened   held[happenedRow]
}

// prepare makes the statements that insert them.
func (r *rows) prepare(ctx context.Context, conn *lasting) error {
	return errors.Join(
		r.resources.prepare(ctx, conn, resourceRow.values, `INSERT INTO resource
			(rid, type, id, version, deleted, last_updated, patient, status, period_start, period_end)`,
			"(?, ?, ?, 1, 0, ?, ?, ?, ?, ?)", ""),
		r.versions.prepare(ctx, conn, versionRow.values, "INSERT INTO resource_version (vid, at, method, deleted, body)", "(?, ?, ?, ?, ?)", ""),
		r.tokens.prepare(ctx, conn, tokenRow.values, "INSERT INTO token (param, value, rid, version)", "(?, ?, ?, ?)", "ON CONFLICT DO NOTHING"),
		r.numbers.prepare(ctx, conn, numberRow.values, "INSERT INTO number (rid, version, param, value)", "(?, ?, ?, ?)", "ON CONFLICT DO NOTHING"),
		r.identities.prepare(ctx, conn, identityRow.values, "INSERT INTO identity (name, type, id, digest)", "(?, ?, ?, ?)", ""),
		r.wants.prepare(ctx, conn, wantRow.values, "INSERT INTO delivery (target, rid, member, wanted, retract, due, wanted_since, trace)", "(?, ?, ?, ?, ?, ?, ?, ?)", wantTail),
		r.happened.prepare(ctx, conn, happenedRow.values, "INSERT INTO happened (rid, version, at, trace)", "(?, ?, ?, ?)", ""),
	)
}

// begin forgets everything, for a new transaction.
func (r *rows) begin() {
	r.resources.begin()
	r.versions.begin()
	r.tokens.begin()
	r.numbers.begin()
	r.identities.begin()
	r.wants.begin()
	r.happened.begin()
}

// savepoint remembers where a job began.
func (r *rows) savepoint() {
	r.resources.savepoint()
	r.versions.savepoint()
	r.tokens.savepoint()
	r.numbers.savepoint()
	r.identities.savepoint()
	r.wants.savepoint()
	r.happened.savepoint()
}

// rollbackTo forgets what a failed job held back.
func (r *rows) rollbackTo() {
	r.resources.rollbackTo()
	r.versions.rollbackTo()
	r.tokens.rollbackTo()
	r.numbers.rollbackTo()
	r.identities.rollbackTo()
	r.wants.rollbackTo()
	r.happened.rollbackTo()
}

// flush inserts what is not in the database yet.
func (r *rows) flush() error {
	err := errors.Join(
		r.resources.flush(background),
		r.versions.flush(background),
		r.tokens.flush(background),
		r.numbers.flush(background),
		r.identities.flush(background),
		r.wants.flush(background),
		r.happened.flush(background))
	if err != nil {
		return fmt.Errorf("insert the rows held back: %w", err)
	}
	return nil
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
	patient, status any
	start           int64
	end             any
}

func (r resourceRow) values(args []any) []any {
	return append(args, r.rid, r.key.Type, r.key.ID, r.at, r.patient, r.status, r.start, r.end)
}

// versionRow is one row of resource_version.
type versionRow struct {
	vid, at int64
	method  string
	deleted bool
	body    []byte
}

func (r versionRow) values(args []any) []any {
	return append(args, r.vid, r.at, r.method, r.deleted, r.body)
}

// versionBits is how much of a version's key is its number.
const versionBits = 20

// vid is the key of a version.
func vid(rid, version int64) int64 { return rid<<versionBits + version }

// tokenRow is one row of token.
type tokenRow struct {
	store.Token
	rid, version int64
}

func (r tokenRow) values(args []any) []any {
	return append(args, r.Param, r.Value, r.rid, r.version)
}

// numberRow is one row of number.
type numberRow struct {
	store.Number
	rid, version int64
}

func (r numberRow) values(args []any) []any {
	return append(args, r.rid, r.version, r.Param, r.Value)
}

// identityRow is a row of identity whose name is known to be free.
type identityRow struct {
	name string
	store.Identity
}

func (r identityRow) values(args []any) []any {
	return append(args, r.name, r.Key.Type, r.Key.ID, r.Digest)
}

// wantRow is one row of delivery as Want writes it.
type wantRow struct {
	target, member string
	rid, version   int64
	retract        bool
	at             int64
	trace          string
}

func (r wantRow) values(args []any) []any {
	return append(args, r.target, r.rid, r.member, r.version, r.retract, r.at, r.at, r.trace)
}

// happenedRow is one row of happened.
type happenedRow struct {
	rid, version, at int64
	trace            string
}

func (r happenedRow) values(args []any) []any { return append(args, r.rid, r.version, r.at, r.trace) }
