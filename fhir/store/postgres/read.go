package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
)

// versionColumns are what scanVersion reads, of resource r and its version v.
const versionColumns = "r.type, r.id, v.vid - (r.rid << 20), v.at, v.method, v.deleted = 1, v.body"

// currentVersion joins resource r with its current version v.
const currentVersion = "resource r JOIN resource_version v ON v.vid = (r.rid << 20) + r.version"

// queryer is a pool, a connection or a transaction.
type queryer interface {
	Query(ctx context.Context, query string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, query string, args ...any) pgx.Row
}

// read runs a read on the pool, the unpacking of what it reads included: behind
// it the store may be closed. Where its connection was lost it runs once more,
// for reading twice does no harm, and a pool may hold a connection that died.
func (s *Store) read(ctx context.Context, what string, run func(from queryer) error) error {
	if err := s.enter(); err != nil {
		return err
	}
	defer s.leave()
	err := run(s.pool)
	if isLost(err) && ctx.Err() == nil {
		err = run(s.pool)
	}
	return notFound(what, err)
}

// versionRowOf scans the row of a version, its body still packed.
func versionRowOf(row pgx.Row, more ...any) (resource store.Resource, err error) {
	var at int64
	into := append([]any{&resource.Type, &resource.ID, &resource.Version, &at, &resource.Method, &resource.Deleted, &resource.Body}, more...)
	err = row.Scan(into...)
	resource.LastUpdated = time.UnixMilli(at).UTC()
	return resource, err
}

// unpack unpacks the bodies of some versions.
func (s *Store) unpack(found []store.Resource) (err error) {
	for i := range found {
		if found[i].Body, err = s.codec.Unpack(found[i].Body); err != nil {
			return err
		}
	}
	return nil
}

// Get gives the current version, a tombstone included.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Resource, error) {
	return s.one(ctx, `SELECT `+versionColumns+`
		FROM `+currentVersion+`
		WHERE r.type = $1 AND r.id = $2`, key.Type, key.ID)
}

// Version gives one version.
func (s *Store) Version(ctx context.Context, key store.Key, version int64) (store.Resource, error) {
	if version <= 0 || version >= 1<<versionBits {
		version = 0 // of which there is none
	}
	return s.one(ctx, `SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid = (r.rid << 20) + $3
		WHERE r.type = $1 AND r.id = $2`, key.Type, key.ID, version)
}

// wantedSQL reads versions by their keys, each with its place among them.
const wantedSQL = `SELECT ` + versionColumns + `, w.place
	FROM unnest($1::text[], $2::text[], $3::bigint[]) WITH ORDINALITY AS w (type, id, version, place)
	JOIN resource r ON r.type = w.type AND r.id = w.id
	JOIN resource_version v ON v.vid = (r.rid << 20) + w.version`

// WantedVersions reads the version wanted of each of many deliveries.
func (s *Store) WantedVersions(ctx context.Context, deliveries []store.Delivery) (found []store.Resource, err error) {
	types, ids, versions := make([]string, len(deliveries)), make([]string, len(deliveries)), make([]int64, len(deliveries))
	for i, d := range deliveries {
		types[i], ids[i] = indexed(d.Key.Type), indexed(d.Key.ID)
		if d.Wanted < 1<<versionBits {
			versions[i] = max(d.Wanted, 0) // 0, of which there is none
		}
	}
	err = s.read(ctx, "read versions", func(from queryer) error {
		found = make([]store.Resource, len(deliveries))
		rows, err := from.Query(ctx, wantedSQL, types, ids, versions)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			var place int64
			resource, err := versionRowOf(rows, &place)
			if err != nil {
				return err
			}
			found[place-1] = resource
		}
		if err := rows.Err(); err != nil {
			return err
		}
		return s.unpack(found)
	})
	if err != nil {
		return nil, err
	}
	return found, nil
}

// one reads one version.
func (s *Store) one(ctx context.Context, query string, args ...any) (resource store.Resource, err error) {
	err = s.read(ctx, "read a version", func(from queryer) (err error) {
		if resource, err = versionRowOf(from.QueryRow(ctx, query, asked(args)...)); err == nil {
			resource.Body, err = s.codec.Unpack(resource.Body)
		}
		return err
	})
	if err != nil {
		return store.Resource{}, err
	}
	return resource, nil
}

// History gives versions, newest first.
func (s *Store) History(ctx context.Context, key store.Key, before int64, limit int) ([]store.Resource, error) {
	if before <= 0 || before > 1<<versionBits {
		before = 1 << versionBits
	}
	versions, err := s.many(ctx, `SELECT `+versionColumns+`
		FROM resource r JOIN resource_version v ON v.vid > (r.rid << 20) AND v.vid < (r.rid << 20) + $1
		WHERE r.type = $2 AND r.id = $3
		ORDER BY v.vid DESC LIMIT $4`, before, key.Type, key.ID, max(limit, 0))
	if err != nil || len(versions) > 0 {
		return versions, err
	}
	if _, err := s.Get(ctx, key); err != nil {
		return nil, err
	}
	return nil, nil
}

// many reads versions.
func (s *Store) many(ctx context.Context, query string, args ...any) (found []store.Resource, err error) {
	err = s.read(ctx, "read versions", func(from queryer) error {
		rows, err := from.Query(ctx, query, asked(args)...)
		if err != nil {
			return err
		}
		found, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (store.Resource, error) { return versionRowOf(row) })
		if err != nil {
			return err
		}
		return s.unpack(found)
	})
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return found, nil
}

// eachPage is how many resources Each holds at a time.
const eachPage = 100

// Each calls visit with every current resource of a type in order of id. It
// reads page by page, so that a slow visitor does not hold a snapshot, behind
// which nothing could be cleaned up; a resource written meanwhile may or may not
// be met.
func (s *Store) Each(ctx context.Context, resourceType string, visit func(store.Resource) error) error {
	for after := ""; ; {
		page, err := s.many(ctx, `SELECT `+versionColumns+`
			FROM `+currentVersion+`
			WHERE r.type = $1 AND r.id > $2 AND r.deleted = 0
			ORDER BY r.id LIMIT $3`, resourceType, after, eachPage)
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
