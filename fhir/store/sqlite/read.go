package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// versionColumns are what scanVersion reads, of resource r and its version v.
const versionColumns = "r.type, r.id, v.vid - (r.rid << 20), v.at, v.method, v.deleted, v.body"

// currentVersion joins resource r with its current version v.
const currentVersion = "resource r JOIN resource_version v ON v.vid = (r.rid << 20) + r.version"

// scanner is a row, or the current one of several.
type scanner interface{ Scan(into ...any) error }

// scanVersion reads one version of a resource.
func (c *codec) scanVersion(row scanner) (store.Resource, error) {
	var resource store.Resource
	var at int64
	var packed []byte
	var lent sql.RawBytes
	body := any(&packed)
	if _, several := row.(*sql.Rows); several {
		body = &lent // unpacked before the next row
	}
	err := row.Scan(&resource.Type, &resource.ID, &resource.Version, &at, &resource.Method, &resource.Deleted, body)
	if errors.Is(err, sql.ErrNoRows) {
		return store.Resource{}, store.ErrNotFound
	}
	if err != nil {
		return store.Resource{}, fmt.Errorf("read a version: %w", err)
	}
	resource.LastUpdated = time.UnixMilli(at).UTC()
	if packed == nil {
		packed = lent
	}
	resource.Body, err = c.Unpack(packed)
	return resource, err
}

// one are the statements that read one version, what wantedAtOnce
// deliveries want, or what a patient has, prepared once: parsing them takes longer
// than running them.
type one struct{ current, version, wanted, heads *sql.Stmt }

// wantedAtOnce is how many versions one statement reads.
const wantedAtOnce = 32

// wantedSQL reads versions by the rows of their resources, which are looked up where
// they are not remembered, each with its place among them. The rows come first, or a
// planner without statistics might go through all versions.
var wantedSQL = `SELECT w.column5, v.at, v.method, v.deleted, v.body
	FROM (VALUES ` + strings.Repeat("(?, ?, ?, ?, ?), ", wantedAtOnce-1) + `(?, ?, ?, ?, ?)) AS w
	CROSS JOIN resource_version v
	ON v.vid = (coalesce(w.column1, (SELECT rid FROM resource WHERE type = w.column2 AND id = w.column3)) << 20) + w.column4`

// prepare makes them; they end with the pool.
func (o *one) prepare(ctx context.Context, reads *sql.DB) (err error) {
	o.current, err = reads.PrepareContext(ctx, `SELECT `+versionColumns+`
		FROM `+currentVersion+`
		WHERE r.type = ? AND r.id = ?`)
	if err != nil {
		return err
	}
	o.version, err = reads.PrepareContext(ctx, `SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid = (r.rid << 20) + ?
		WHERE r.type = ? AND r.id = ?`)
	if err != nil {
		return err
	}
	o.wanted, err = reads.PrepareContext(ctx, wantedSQL)
	if err != nil {
		return err
	}
	o.heads, err = reads.PrepareContext(ctx, headsSQL)
	return err
}

// Get gives the current version, a tombstone included.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Resource, error) {
	return s.read(ctx, s.one.current, key.Type, key.ID)
}

// Version gives one version.
func (s *Store) Version(ctx context.Context, key store.Key, version int64) (store.Resource, error) {
	if version <= 0 || version >= 1<<versionBits {
		return store.Resource{}, store.ErrNotFound
	}
	return s.read(ctx, s.one.version, version, key.Type, key.ID)
}

// WantedVersions reads the version wanted of each of many deliveries.
func (s *Store) WantedVersions(ctx context.Context, deliveries []store.Delivery) ([]store.Resource, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	found := make([]store.Resource, len(deliveries))
	for from := 0; from < len(deliveries); from += wantedAtOnce {
		to := min(from+wantedAtOnce, len(deliveries))
		if err := s.wanted(ctx, deliveries[from:to], found[from:to]); err != nil {
			return nil, err
		}
	}
	return found, nil
}

// wanted reads those of one statement; what it has too many keys for are none.
func (s *Store) wanted(ctx context.Context, deliveries []store.Delivery, found []store.Resource) (err error) {
	const each = 5
	args := make([]any, 0, each*wantedAtOnce)
	for i, d := range deliveries {
		if d.Wanted > 0 && d.Wanted < 1<<versionBits {
			args = append(s.backend.rids.args(args, d.Key), d.Wanted, i)
		}
	}
	args = args[:each*wantedAtOnce]
	rows, err := s.one.wanted.QueryContext(ctx, args...)
	if err != nil {
		return fmt.Errorf("read versions: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var i int
		var at int64
		var resource store.Resource
		var packed sql.RawBytes // unpacked before the next row
		if err := rows.Scan(&i, &at, &resource.Method, &resource.Deleted, &packed); err != nil {
			return fmt.Errorf("read a version: %w", err)
		}
		resource.Key, resource.Version, resource.LastUpdated = deliveries[i].Key, deliveries[i].Wanted, time.UnixMilli(at).UTC()
		if resource.Body, err = s.codec.Unpack(packed); err != nil {
			return err
		}
		found[i] = resource
	}
	return rows.Err()
}

// read reads one version.
func (s *Store) read(ctx context.Context, statement *sql.Stmt, args ...any) (store.Resource, error) {
	if err := s.enter(); err != nil {
		return store.Resource{}, err
	}
	defer s.leave()
	return s.codec.scanVersion(statement.QueryRowContext(ctx, args...))
}

// History gives versions, newest first.
func (s *Store) History(ctx context.Context, key store.Key, before int64, limit int) ([]store.Resource, error) {
	if before <= 0 || before > 1<<versionBits {
		before = 1 << versionBits
	}
	versions, err := s.many(ctx, s.reads, `SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid > (r.rid << 20) AND v.vid < (r.rid << 20) + ?
		WHERE r.type = ? AND r.id = ?
		ORDER BY v.vid DESC LIMIT ?`, before, key.Type, key.ID, max(limit, 0))
	if err != nil || len(versions) > 0 {
		return versions, err
	}
	if _, err := s.Get(ctx, key); err != nil {
		return nil, err
	}
	return nil, nil
}

// queryer is a pool, a connection or a transaction.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// many reads versions from the pool.
func (s *Store) many(ctx context.Context, from queryer, query string, args ...any) ([]store.Resource, error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	return s.codec.versions(ctx, from, query, args...)
}

// versions reads all rows of a query.
func (c *codec) versions(ctx context.Context, from queryer, query string, args ...any) (found []store.Resource, err error) {
	rows, err := from.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		resource, err := c.scanVersion(rows)
		if err != nil {
			return nil, err
		}
		found = append(found, resource)
	}
	return found, rows.Err()
}

// eachPage is how many resources Each holds at a time.
const eachPage = 100

// Each calls visit with every current resource of a type in order of id. It
// reads page by page, so that a slow visitor does not hold a snapshot, behind
// which the log could only grow; a resource written meanwhile may or may not be
// met.
func (s *Store) Each(ctx context.Context, resourceType string, visit func(store.Resource) error) error {
	for after := ""; ; {
		page, err := s.many(ctx, s.reads, `SELECT `+versionColumns+`
			FROM `+currentVersion+`
			WHERE r.type = ? AND r.id > ? AND r.deleted = 0
			ORDER BY r.id LIMIT ?`, resourceType, after, eachPage)
		if err != nil {
			return err
		}
		for _, resource := range page {
			if err := visit(resource); err != nil {
				return err
			}
			after = resource.ID
		}
		if len(page) < eachPage {
			return nil
		}
	}
}
