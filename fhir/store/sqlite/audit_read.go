package sqlite

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// Audit gives one entry.
func (s *Store) Audit(ctx context.Context, place store.AuditPlace) (store.AuditRecord, error) {
	if !auditchain.HasPlace(place.Sequence) {
		return store.AuditRecord{}, store.ErrNotFound
	}
	found, err := s.audits(ctx, "SELECT "+auditchain.Columns+` FROM audit_chain c JOIN audit a ON a.aid = (c.cid << 40) + ?
		WHERE c.name = ?`, place.Sequence, place.Chain)
	if err != nil {
		return store.AuditRecord{}, err
	}
	if len(found) == 0 {
		return store.AuditRecord{}, store.ErrNotFound
	}
	return found[0].AuditRecord, nil
}

// Audits finds entries, newest first.
func (s *Store) Audits(ctx context.Context, query store.AuditQuery) (store.AuditPage, error) {
	where, err := searchsql.Audits(query, s.clock(), searchsql.Dialect{})
	if err != nil || query.Limit <= 0 {
		return store.AuditPage{}, err
	}
	limit := where.Bind(query.Limit + 1)
	found, err := s.audits(ctx, "SELECT "+auditchain.Columns+" FROM "+auditchain.From+" WHERE "+where.String()+
		" ORDER BY a.recorded DESC, a.aid DESC LIMIT "+limit, where.Args...)
	if err != nil {
		return store.AuditPage{}, err
	}
	page := store.AuditPage{Records: auditchain.Records(found[:min(len(found), query.Limit)])}
	if len(found) > query.Limit {
		last := found[query.Limit-1]
		page.Next = searchsql.AuditAfter(last.Recorded.UnixMilli(), last.Key)
	}
	return page, nil
}

// audits reads entries with their events.
func (s *Store) audits(ctx context.Context, query string, args ...any) (found []auditchain.Entry, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	err = eachAudit(ctx, s.reads, func(r auditchain.Entry) error {
		r.Event, err = s.events.Unpack(r.Packed)
		found = append(found, r)
		return err
	}, query, args...)
	return found, err
}

// eachAudit visits the entries that a query finds.
func eachAudit(ctx context.Context, from queryer, visit func(auditchain.Entry) error, query string, args ...any) error {
	return eachRow(ctx, from, func(row scanner) error {
		e, err := auditchain.Scan(row)
		if err != nil {
			return err
		}
		return visit(e)
	}, query, args...)
}

// eachRow visits the rows of a query on the audit trail.
func eachRow(ctx context.Context, from queryer, visit func(scanner) error, query string, args ...any) (err error) {
	rows, err := from.QueryContext(ctx, query, args...)
	if err != nil {
		return fmt.Errorf("search the audit trail: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := visit(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// AuditsAfter gives entries that a target lacks.
func (s *Store) AuditsAfter(ctx context.Context, target string, limit int) ([]store.AuditRecord, error) {
	found, err := s.audits(ctx, "SELECT "+auditchain.Columns+` FROM audit_chain c
		LEFT JOIN audit_shipped s ON s.target = ? AND s.cid = c.cid
		JOIN audit a ON a.aid > (c.cid << 40) + coalesce(s.sequence, 0) AND a.aid <= (c.cid << 40) + c.head
		WHERE c.head > coalesce(s.sequence, 0) ORDER BY a.aid LIMIT ?`, target, max(limit, 0))
	return auditchain.Records(found), err
}

// AuditBacklog counts what a target lacks.
func (s *Store) AuditBacklog(ctx context.Context, target string) (pending int64, oldest time.Time, err error) {
	if err := s.enter(); err != nil {
		return 0, time.Time{}, err
	}
	defer s.leave()
	var since int64
	err = s.reads.QueryRowContext(ctx, `SELECT coalesce(sum(c.head - coalesce(s.sequence, 0)), 0),
			coalesce(min((SELECT a.recorded FROM audit a WHERE a.aid = (c.cid << 40) + coalesce(s.sequence, 0) + 1)), 0)
		FROM audit_chain c LEFT JOIN audit_shipped s ON s.target = ? AND s.cid = c.cid
		WHERE c.head > coalesce(s.sequence, 0)`, target).Scan(&pending, &since)
	if err != nil {
		return 0, time.Time{}, fmt.Errorf("count what was not shipped: %w", err)
	}
	return pending, moment(since), nil
}
