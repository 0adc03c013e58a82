package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
)

// auditRow is an entry to insert.
type auditRow struct{ auditchain.Addition }

func (r auditRow) values(args []any) []any {
	return append(args, r.Key, r.Recorded.UnixMilli(), nullable(r.Patient), r.Client, r.User, nullable(r.Entity),
		r.Type, r.Subtype, r.Action, r.Outcome, r.Packed, r.Digest[:])
}

const auditColumns = "aid, recorded, patient, client, user, entity, type, subtype, action, outcome, event, digest"

// Audit appends an entry to the audit trail.
func (t *tx) Audit(entry store.Audit) error {
	t.audits.add(auditRow{auditchain.Addition{Audit: entry, Packed: t.events.Pack(entry.Event)}})
	return nil
}

// flushAudits gives the entries of the batch their places and inserts them.
func (b *backend) flushAudits() error {
	rows := b.tx.audits.rows
	b.next = b.chain
	if len(rows) == 0 {
		return nil
	}
	if err := b.next.Open(chains{b}, b.tx.now); err != nil {
		return err
	}
	for i := range rows {
		b.next.Append(&rows[i].Addition)
	}
	if err := b.tx.audits.flush(background); err != nil {
		return fmt.Errorf("insert the entries of the audit trail: %w", err)
	}
	_, err := b.stmt.setHead.ExecContext(background, b.next.Sequence, b.next.Digest[:], b.next.Number)
	return err
}

// chains is the table of chains, for the batch under way.
type chains struct{ *backend }

// Head implements auditchain.Chains.
func (c chains) Head(number int64, name string) (sequence int64, digest []byte, err error) {
	err = found(c.stmt.head.QueryRowContext(background, number, name).Scan(&sequence, &digest))
	return sequence, digest, err
}

// Newest implements auditchain.Chains.
func (c chains) Newest() (name string, sequence int64, digest []byte, err error) {
	err = found(c.stmt.lastChain.QueryRowContext(background).Scan(&name, &sequence, &digest))
	return name, sequence, digest, err
}

// Begin implements auditchain.Chains.
func (c chains) Begin(name string, anchor store.AuditHead, genesis store.AuditDigest) (number int64, err error) {
	err = c.stmt.newChain.QueryRowContext(background, name, c.tx.at, anchor.Chain, anchor.Sequence, anchor.Digest[:], genesis[:], genesis[:]).Scan(&number)
	return number, err
}

// found says store.ErrNotFound where there was no row.
func found(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return store.ErrNotFound
	}
	return err
}

// AuditShipped keeps up to where a target has a chain.
func (s *Store) AuditShipped(ctx context.Context, target string, place store.AuditPlace) error {
	return s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		_, err := t.conn.ExecContext(background, `INSERT INTO audit_shipped (target, cid, sequence)
			SELECT ?, cid, ? FROM audit_chain WHERE name = ?
			ON CONFLICT (target, cid) DO UPDATE SET sequence = max(sequence, excluded.sequence)`, target, place.Sequence, place.Chain)
		if err != nil {
			return fmt.Errorf("keep what was shipped: %w", err)
		}
		return nil
	})
}
