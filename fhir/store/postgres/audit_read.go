package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/auditchain"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// entryOf reads an entry of the audit trail.
func entryOf(row pgx.CollectableRow) (auditchain.Entry, error) { return auditchain.Scan(row) }

// Audit gives one entry.
func (s *Store) Audit(ctx context.Context, place store.AuditPlace) (store.AuditRecord, error) {
	if !auditchain.HasPlace(place.Sequence) {
		return store.AuditRecord{}, store.ErrNotFound
	}
	found, err := s.audits(ctx, "SELECT "+auditchain.Columns+` FROM audit_chain c JOIN audit a ON a.aid = (c.cid << 40) + $1
		WHERE c.name = $2`, place.Sequence, plain(place.Chain))
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
	where, err := searchsql.Audits(query, s.asker(), dialect)
	if err != nil || query.Limit <= 0 {
		return store.AuditPage{}, err
	}
	limit := where.Bind(query.Limit + 1)
	for i, arg := range where.Args {
		if text, ok := arg.(string); ok {
			where.Args[i] = plain(text)
		}
	}
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
	err = s.read(ctx, "search the audit trail", func(from queryer) error {
		rows, err := from.Query(ctx, query, args...)
		if err != nil {
			return err
		}
		found, err = pgx.CollectRows(rows, entryOf)
		for i := range found {
			if err == nil {
				found[i].Event, err = s.events.Unpack(found[i].Packed)
			}
		}
		return err
	})
	return found, err
}

// AuditsAfter gives entries that a target lacks.
func (s *Store) AuditsAfter(ctx context.Context, target string, limit int) ([]store.AuditRecord, error) {
	found, err := s.audits(ctx, "SELECT "+auditchain.Columns+` FROM audit_chain c
		LEFT JOIN audit_shipped s ON s.target = $1 AND s.cid = c.cid
		JOIN audit a ON a.aid > (c.cid << 40) + coalesce(s.sequence, 0) AND a.aid <= (c.cid << 40) + c.head
		WHERE c.head > coalesce(s.sequence, 0) ORDER BY a.aid LIMIT $2`, target, max(limit, 0))
	return auditchain.Records(found), err
}

// AuditBacklog counts what a target lacks.
func (s *Store) AuditBacklog(ctx context.Context, target string) (pending int64, oldest time.Time, err error) {
	var since int64
	err = s.read(ctx, "count what was not shipped", func(from queryer) error {
		return from.QueryRow(ctx, `SELECT coalesce(sum(c.head - coalesce(s.sequence, 0)), 0)::bigint,
				coalesce(min((SELECT a.recorded FROM audit a WHERE a.aid = (c.cid << 40) + coalesce(s.sequence, 0) + 1)), 0)
			FROM audit_chain c LEFT JOIN audit_shipped s ON s.target = $1 AND s.cid = c.cid
			WHERE c.head > coalesce(s.sequence, 0)`, target).Scan(&pending, &since)
	})
	return pending, moment(since), err
}
