package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
)

// VerifyAudits follows every chain from its beginning, in one snapshot.
func (s *Store) VerifyAudits(ctx context.Context, report func(store.AuditFault)) (checked int64, heads []store.AuditHead, err error) {
	if err := s.enter(); err != nil {
		return 0, nil, err
	}
	defer s.leave()
	snapshot, err := s.reads.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return 0, nil, fmt.Errorf("begin a snapshot: %w", err)
	}
	checked, heads, err = auditchain.Verify(trail{ctx, snapshot}, report)
	if undo := snapshot.Rollback(); !errors.Is(undo, sql.ErrTxDone) {
		err = errors.Join(err, undo)
	}
	return checked, heads, err
}

// trail is the audit trail in a snapshot.
type trail struct {
	ctx  context.Context //nolint:containedctx // lives as long as one call
	from queryer
}

// Chains implements auditchain.Source.
func (t trail) Chains() (all []auditchain.Chain, err error) {
	err = eachRow(t.ctx, t.from, func(row scanner) error {
		c, err := auditchain.ScanChain(row)
		all = append(all, c)
		return err
	}, "SELECT "+auditchain.ChainColumns+" FROM audit_chain ORDER BY cid")
	return all, err
}

// Given implements auditchain.Source.
func (t trail) Given() (last int64, err error) {
	err = t.from.QueryRowContext(t.ctx, "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'audit_chain'").Scan(&last)
	return last, err
}

// Digest implements auditchain.Source.
func (t trail) Digest(place store.AuditPlace) (digest []byte, err error) {
	err = t.from.QueryRowContext(t.ctx, `SELECT a.digest FROM audit_chain c JOIN audit a ON a.aid = (c.cid << 40) + ? WHERE c.name = ?`,
		place.Sequence, place.Chain).Scan(&digest)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return digest, err
}

// Each implements auditchain.Source.
func (t trail) Each(number int64, visit func(auditchain.Entry)) error {
	return eachAudit(t.ctx, t.from, func(e auditchain.Entry) error {
		visit(e)
		return nil
	}, "SELECT "+auditchain.Columns+" FROM audit a JOIN audit_chain c ON c.cid = ? WHERE a.aid > ? AND a.aid < ? ORDER BY a.aid",
		number, auditchain.Key(number, 0), auditchain.Key(number+1, 0))
}

// Strays implements auditchain.Source.
func (t trail) Strays() (map[int64]int64, error) {
	counts := map[int64]int64{}
	err := eachRow(t.ctx, t.from, func(row scanner) error {
		var number, count int64
		err := row.Scan(&number, &count)
		counts[number] = count
		return err
	}, `SELECT aid >> 40, count(*) FROM audit
		WHERE aid >> 40 NOT IN (SELECT cid FROM audit_chain) OR aid & ((1 << 40) - 1) = 0 GROUP BY 1`)
	return counts, err
}
