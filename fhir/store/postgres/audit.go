package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
)

const insertAudits = `INSERT INTO audit (aid, recorded, patient, client, "user", entity, type, subtype, action, outcome, event, digest)
	SELECT * FROM unnest($1::bigint[], $2::bigint[], $3::text[], $4::text[], $5::text[], $6::text[],
		$7::text[], $8::text[], $9::text[], $10::text[], $11::bytea[], $12::bytea[])`

// Audit appends an entry to the audit trail.
func (t *tx) Audit(entry store.Audit) error {
	for _, text := range []*string{&entry.Patient, &entry.Client, &entry.User, &entry.Entity,
		&entry.Type, &entry.Subtype, &entry.Action, &entry.Outcome} {
		*text = plain(*text)
	}
	t.audits.add(auditchain.Addition{Audit: entry, Packed: t.events.Pack(entry.Event)})
	return nil
}

// queueAudits gives the entries of the batch their places and adds the
// statements that insert them.
func (b *backend) queueAudits(trip *pgx.Batch) error {
	n := b.tx.audits.take()
	b.next = b.chain
	if len(n) == 0 {
		return nil
	}
	if err := b.next.Open(chains{b}, b.tx.now); err != nil {
		return err
	}
	for i := range n {
		b.next.Append(&n[i])
	}
	trip.Queue(insertAudits, column(n, func(r *auditchain.Addition) int64 { return r.Key }), column(n, func(r *auditchain.Addition) int64 { return r.Recorded.UnixMilli() }),
		column(n, func(r *auditchain.Addition) *string { return nullable(r.Patient) }), column(n, func(r *auditchain.Addition) string { return r.Client }),
		column(n, func(r *auditchain.Addition) string { return r.User }), column(n, func(r *auditchain.Addition) *string { return nullable(r.Entity) }),
		column(n, func(r *auditchain.Addition) string { return r.Type }), column(n, func(r *auditchain.Addition) string { return r.Subtype }),
		column(n, func(r *auditchain.Addition) string { return r.Action }), column(n, func(r *auditchain.Addition) string { return r.Outcome }),
		column(n, func(r *auditchain.Addition) []byte { return r.Packed }), column(n, func(r *auditchain.Addition) []byte { return r.Digest[:] }))
	trip.Queue("UPDATE audit_chain SET head = $1, head_digest = $2 WHERE cid = $3", b.next.Sequence, b.next.Digest[:], b.next.Number)
	return nil
}

// chains is the table of chains, for the batch under way.
type chains struct{ *backend }

// Head implements auditchain.Chains.
func (c chains) Head(number int64, name string) (sequence int64, digest []byte, err error) {
	err = c.tx.row("read a chain", "SELECT head, head_digest FROM audit_chain WHERE cid = $1 AND name = $2", []any{number, name}, &sequence, &digest)
	return sequence, digest, err
}

// Newest implements auditchain.Chains.
func (c chains) Newest() (name string, sequence int64, digest []byte, err error) {
	err = c.tx.row("read a chain", "SELECT name, head, head_digest FROM audit_chain ORDER BY cid DESC LIMIT 1", nil, &name, &sequence, &digest)
	return name, sequence, digest, err
}

// Begin implements auditchain.Chains.
func (c chains) Begin(name string, anchor store.AuditHead, genesis store.AuditDigest) (number int64, err error) {
	err = c.tx.row("add a chain", `WITH number AS (UPDATE audit_chains SET last = last + 1 RETURNING last)
		INSERT INTO audit_chain (cid, name, started, anchor_chain, anchor_sequence, anchor_digest, genesis, head, head_digest)
		SELECT last, $1, $2, $3, $4, $5, $6, 0, $6 FROM number RETURNING cid`,
		[]any{name, c.tx.at, anchor.Chain, anchor.Sequence, anchor.Digest[:], genesis[:]}, &number)
	return number, err
}

// AuditShipped keeps up to where a target has a chain.
func (s *Store) AuditShipped(ctx context.Context, target string, place store.AuditPlace) error {
	return s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		_, err := t.exec("keep what was shipped", `INSERT INTO audit_shipped AS s (target, cid, sequence)
			SELECT $1, cid, $2 FROM audit_chain WHERE name = $3
			ON CONFLICT (target, cid) DO UPDATE SET sequence = greatest(s.sequence, excluded.sequence)`, target, place.Sequence, place.Chain)
		return err
	})
}
