package postgres

import (
	"errors"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/searchsql"
)

// queueKeys looks up the identity keys that the jobs of a batch read or take.
func (t *tx) queueKeys(trip *pgx.Batch, keys []string) {
	if len(keys) == 0 {
		return
	}
	names := make([]string, len(keys))
	asked := make(map[string]string, len(keys))
	for i, key := range keys {
		names[i] = indexed(key)
		asked[names[i]] = key
		t.known[key] = lookedUp{}
	}
	trip.Queue("SELECT name, type, id, digest FROM identity WHERE name = ANY($1)", names).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var name string
			var identity store.Identity
			if err := rows.Scan(&name, &identity.Key.Type, &identity.Key.ID, &identity.Digest); err != nil {
				return err
			}
			t.known[asked[name]] = lookedUp{identity, true}
		}
		return rows.Err()
	})
}

// Identity looks an identity key up. Those that the batch announced were read
// when it began; nobody else can have taken them since.
func (t *tx) Identity(name string) (identity store.Identity, found bool, err error) {
	if identity, found := t.taken[name]; found {
		return identity, true, nil
	}
	if _, free := t.free[name]; free {
		return store.Identity{}, false, nil
	}
	if known, announced := t.known[name]; announced {
		if !known.found {
			t.free[name] = struct{}{}
		}
		return known.Identity, known.found, nil
	}
	err = t.row("look an identity key up", "SELECT type, id, digest FROM identity WHERE name = $1",
		[]any{indexed(name)}, &identity.Key.Type, &identity.Key.ID, &identity.Digest)
	if errors.Is(err, store.ErrNotFound) {
		t.free[name] = struct{}{}
		return store.Identity{}, false, nil
	}
	return identity, err == nil, err
}

// PutIdentity takes an identity key or changes its digest.
func (t *tx) PutIdentity(name string, identity store.Identity) error {
	if _, free := t.free[name]; free {
		delete(t.free, name)
		t.rows.identities.add(identityRow{name: name, Identity: identity})
		t.taken[name] = identity
		return nil
	}
	if err := t.direct(); err != nil {
		return err
	}
	taken, err := t.exec("take an identity key", `INSERT INTO identity AS i (name, type, id, digest) VALUES ($1, $2, $3, $4)
		ON CONFLICT (name) DO UPDATE SET digest = excluded.digest
		WHERE i.type = excluded.type AND i.id = excluded.id`, indexed(name), identity.Key.Type, identity.Key.ID, plain(identity.Digest))
	if err != nil {
		return err
	}
	if taken == 0 {
		return store.ErrIdentityTaken
	}
	delete(t.taken, name)
	delete(t.known, name)
	return nil
}

// columnsOf gives the columns that an index fills: no end if the resource is
// about no time, the ends of the integers where a bound is open.
func columnsOf(index store.Index) columns {
	c := columns{patient: nullable(indexed(index.Patient)), status: nullable(indexed(index.Status)), start: searchsql.MinMillis}
	if index.Start.IsZero() && index.End.IsZero() {
		return c
	}
	end := searchsql.MaxMillis
	if !index.Start.IsZero() {
		c.start = searchsql.Millis(index.Start)
	}
	if !index.End.IsZero() {
		end = searchsql.Millis(index.End)
	}
	c.end = &end
	return c
}
