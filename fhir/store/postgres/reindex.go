package postgres

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"

	"tidemark.example/tidemark/fhir/store"
)

// Reindex brings the index to a generation, see store.Store: page by page, each
// in one job, so that others may write in between. Replicas that start at the
// same time do the same twice, which changes nothing.
func (s *Store) Reindex(ctx context.Context, generation int64, index func(store.Resource) (store.Index, bool, error)) error {
	reached, err := s.generation(ctx)
	if err != nil || reached >= generation {
		return err
	}
	for after := (store.Key{}); ; {
		page, err := s.many(ctx, `SELECT `+versionColumns+`
			FROM `+currentVersion+`
			WHERE (r.type, r.id) > ($1, $2) AND r.deleted = 0
			ORDER BY r.type, r.id LIMIT $3`, after.Type, after.ID, eachPage)
		if err != nil {
			return fmt.Errorf("read what is to be indexed: %w", err)
		}
		if err := s.reindex(ctx, page, index); err != nil {
			return err
		}
		if len(page) < eachPage {
			break
		}
		after = page[len(page)-1].Key
	}
	return s.writer.Do(ctx, nil, func(t *tx) error { return t.setGeneration(generation) })
}

// generation reads how far the index is.
func (s *Store) generation(ctx context.Context) (reached int64, err error) {
	err = s.read(ctx, "read the generation of the index", func(from queryer) error {
		return from.QueryRow(ctx, "SELECT generation FROM index_state").Scan(&reached)
	})
	return reached, err
}

// reindex indexes one page again.
func (s *Store) reindex(ctx context.Context, page []store.Resource, index func(store.Resource) (store.Index, bool, error)) error {
	var all []store.Index
	var resources []store.Resource
	for _, resource := range page {
		made, ok, err := index(resource)
		if err != nil {
			return fmt.Errorf("index %s: %w", resource.Key, err)
		}
		if ok {
			all, resources = append(all, made), append(resources, resource)
		}
	}
	return s.writer.Do(ctx, nil, func(t *tx) error {
		for i, resource := range resources {
			if err := t.reindex(resource, all[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

// reindex gives the current version of a resource another index, unless it is
// no longer the current one.
func (t *tx) reindex(resource store.Resource, index store.Index) error {
	h, err := t.lookup(resource.Key)
	if err != nil {
		return err
	}
	if h.version != resource.Version {
		return nil
	}
	if err := t.direct(); err != nil {
		return err
	}
	c := columnsOf(index)
	_, err = t.exec("update an index", `UPDATE resource SET patient = $1, status = $2, period_start = $3, period_end = $4
		WHERE rid = $5`, c.patient, c.status, c.start, c.end, h.rid)
	if n := tokenRows(index.Tokens, h.rid, h.version); err == nil && len(n) > 0 {
		_, err = t.exec("add to an index", addTokens, tokenColumns(n)...)
	}
	if err == nil && len(index.Numbers) > 0 {
		_, err = t.exec("add to an index", addNumbers, numberColumns([]numbersRow{{h.rid, h.version, index.Numbers}})...)
	}
	return err
}

// setGeneration records how far the index is; it never goes back.
func (t *tx) setGeneration(generation int64) error {
	if err := t.direct(); err != nil {
		return err
	}
	_, err := t.exec("record the generation of the index", "UPDATE index_state SET generation = greatest(generation, $1)", generation)
	return err
}

// secretSize is how many bytes a secret has: a key of AES-256.
const secretSize = 32

// Secret gives the random bytes of a name, see store.Store.
func (s *Store) Secret(ctx context.Context, name string) ([]byte, error) {
	fresh := make([]byte, secretSize)
	if _, err := rand.Read(fresh); err != nil {
		return nil, fmt.Errorf("store: no random bytes: %w", err)
	}
	var secret []byte
	err := s.writer.Do(ctx, nil, func(t *tx) error {
		if err := t.direct(); err != nil {
			return err
		}
		_, err := t.exec("make a secret", "INSERT INTO secret (name, value) VALUES ($1, $2) ON CONFLICT DO NOTHING", name, fresh)
		return errors.Join(err, t.row("read a secret", "SELECT value FROM secret WHERE name = $1", []any{name}, &secret))
	})
	if err != nil {
		return nil, fmt.Errorf("store: reading a secret: %w", err)
	}
	return secret, nil
}
