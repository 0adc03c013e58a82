package postgres

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
)

// VerifyAudits follows every chain from its beginning, in one snapshot.
func (s *Store) VerifyAudits(ctx context.Context, report func(store.AuditFault)) (checked int64, heads []store.AuditHead, err error) {
	if err := s.enter(); err != nil {
		return 0, nil, err
	}
	defer s.leave()
	err = pgx.BeginTxFunc(ctx, s.pool, snapshot, func(from pgx.Tx) error {
		// It reports between statements, which may take as long as it likes.
		if _, err := from.Exec(ctx, "SET LOCAL idle_in_transaction_session_timeout = 0"); err != nil {
			return err
		}
		checked, heads, err = auditchain.Verify(trail{ctx, from}, report)
		return err
	})
	return checked, heads, wrap("follow the audit chains", err)
}

// trail is the audit trail in a snapshot.
type trail struct {
	ctx  context.Context //nolint:containedctx // lives as long as one call
	from queryer
}

// Chains implements auditchain.Source.
func (t trail) Chains() ([]auditchain.Chain, error) {
	return rowsOf(t, func(row pgx.CollectableRow) (auditchain.Chain, error) { return auditchain.ScanChain(row) },
		"SELECT "+auditchain.ChainColumns+" FROM audit_chain ORDER BY cid")
}

// Given implements auditchain.Source.
func (t trail) Given() (last int64, err error) {
	err = t.from.QueryRow(t.ctx, "SELECT last FROM audit_chains").Scan(&last)
	return last, err
}

// Digest implements auditchain.Source.
func (t trail) Digest(place store.AuditPlace) (digest []byte, err error) {
	err = t.from.QueryRow(t.ctx, `SELECT a.digest FROM audit_chain c JOIN audit a ON a.aid = (c.cid << 40) + $1 WHERE c.name = $2`,
		place.Sequence, place.Chain).Scan(&digest)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return digest, err
}

// verifyPage is how many entries are held at a time.
const verifyPage = 500

// Each implements auditchain.Source.
func (t trail) Each(number int64, visit func(auditchain.Entry)) error {
	for after := auditchain.Key(number, 0); ; {
		page, err := rowsOf(t, entryOf, "SELECT "+auditchain.Columns+` FROM audit a JOIN audit_chain c ON c.cid = $1
			WHERE a.aid > $2 AND a.aid < $3 ORDER BY a.aid LIMIT $4`, number, after, auditchain.Key(number+1, 0), verifyPage)
		if err != nil {
			return err
		}
		for _, e := range page {
			visit(e)
			after = e.Key
		}
		if len(page) < verifyPage {
			return nil
		}
	}
}

// Strays implements auditchain.Source.
func (t trail) Strays() (map[int64]int64, error) {
	counts := map[int64]int64{}
	_, err := rowsOf(t, func(row pgx.CollectableRow) (struct{}, error) {
		var number, count int64
		err := row.Scan(&number, &count)
		counts[number] = count
		return struct{}{}, err
	}, `SELECT aid >> 40, count(*) FROM audit
		WHERE aid >> 40 NOT IN (SELECT cid FROM audit_chain) OR aid & ((1::bigint << 40) - 1) = 0 GROUP BY 1`)
	return counts, err
}

// rowsOf reads all rows of a query.
func rowsOf[T any](t trail, scan pgx.RowToFunc[T], query string, args ...any) ([]T, error) {
	rows, err := t.from.Query(t.ctx, query, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scan)
}
