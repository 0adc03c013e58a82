package postgres_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
)

// TestTextsThatPostgreSQLDoesNotTake: SQLite keeps any text of any length, and so
// must what is kept here be found by it.
func TestTextsThatPostgreSQLDoesNotTake(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, create(t), postgres.Options{})
	for name, text := range map[string]string{
		"longer than an entry of an index": strings.Repeat("a long identifier ", 500),
		"with a NUL":                       "a\x00b",
		"not UTF-8":                        "c\xffd",
	} {
		t.Run(name, func(t *testing.T) {
			index := store.Index{Patient: text, Status: text, Tokens: []store.Token{{Param: "identifier", Value: text}}}
			require.NoError(t, s.Write(ctx, []string{text}, func(tx store.Tx) error {
				if _, err := tx.Put(key("a"), "PUT", index, body); err != nil {
					return err
				}
				return tx.PutIdentity(text, store.Identity{Key: key("a"), Digest: text})
			}))
			query := store.Query{Type: "Observation", Limit: 1, Patients: []string{text}, Statuses: []string{text},
				Tokens: []store.TokenQuery{{Param: "identifier", Values: []string{text}}}}
			page, err := s.Search(ctx, query)
			require.NoError(t, err)
			require.Len(t, page.Resources, 1)
			query.Tokens[0].Values[0] += "x"
			page, err = s.Search(ctx, query)
			require.NoError(t, err)
			require.Empty(t, page.Resources)
			for _, keys := range [][]string{nil, {text}} {
				require.NoError(t, s.Write(ctx, keys, func(tx store.Tx) error {
					_, found, err := tx.Identity(text)
					require.True(t, found)
					return err
				}))
			}
			_, err = s.Get(ctx, key(text))
			require.ErrorIs(t, err, store.ErrNotFound)
			require.Error(t, s.Write(ctx, nil, func(tx store.Tx) error {
				_, err := tx.Put(key(text), "PUT", index, body)
				return err
			}), "no resource has such an id")
			fresh, err := s.Once(ctx, text, time.Now().Add(time.Hour))
			require.NoError(t, err)
			require.True(t, fresh)
			require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
				return tx.Audit(store.Audit{Recorded: tx.Now(), Event: []byte("{}"), Patient: text, Entity: text})
			}))
			found, err := s.Audits(ctx, store.AuditQuery{Patients: []string{text}, Limit: 5})
			require.NoError(t, err)
			require.Len(t, found.Records, 1)
		})
	}
	requireSound(t, s, 3)
	t.Run("of a target's headers are kept as far as they can be", func(t *testing.T) {
		require.NoError(t, write(s, "b"))
		claimed, err := s.Claim(ctx, "ehr", "w", time.Minute, 1)
		require.NoError(t, err)
		require.Len(t, claimed, 1)
		claimed[0].ETag, claimed[0].RemoteID, claimed[0].Delivered = "W/\"\xff\"", "a\x00", 1
		require.NoError(t, s.Record(ctx, claimed[0]))
		d, err := s.Delivery(ctx, "ehr", key("b"), store.Whole)
		require.NoError(t, err)
		require.Equal(t, "W/\"\uFFFD\"", d.ETag)
	})
}
