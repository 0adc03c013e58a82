package storetest

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// testIdentity: an identity key belongs to one resource for ever.
func testIdentity(t *testing.T, driver Driver) {
	ctx := context.Background()
	take := func(s store.Store, name string, identity store.Identity) error {
		return s.Write(ctx, []string{name}, func(tx store.Tx) error { return tx.PutIdentity(name, identity) })
	}
	look := func(t *testing.T, s store.Store, name string) (identity store.Identity, found bool) {
		write(t, s, func(tx store.Tx) (err error) {
			identity, found, err = tx.Identity(name)
			return err
		})
		return identity, found
	}
	mine := store.Identity{Key: observation("o1"), Digest: "d1"}

	driver.subtest(t, "IsFreeUntilTaken", func(t *testing.T, s store.Store, _ *Clock) {
		_, found := look(t, s, "k")
		require.False(t, found)
		require.NoError(t, take(s, "k", mine))
		identity, found := look(t, s, "k")
		require.True(t, found)
		require.Equal(t, mine, identity)
		_, found = look(t, s, "K")
		require.False(t, found, "keys are case sensitive")
	})
	driver.subtest(t, "ChangesItsDigestForTheSameResource", func(t *testing.T, s store.Store, _ *Clock) {
		require.NoError(t, take(s, "k", mine))
		changed := store.Identity{Key: mine.Key, Digest: "d2"}
		require.NoError(t, take(s, "k", changed))
		identity, _ := look(t, s, "k")
		require.Equal(t, changed, identity)
	})
	driver.subtest(t, "IsRefusedToAnotherResource", func(t *testing.T, s store.Store, _ *Clock) {
		require.NoError(t, take(s, "k", mine))
		for _, other := range []store.Key{observation("o2"), {Type: "Provenance", ID: "o1"}} {
			require.ErrorIs(t, take(s, "k", store.Identity{Key: other, Digest: "d1"}), store.ErrIdentityTaken)
		}
		identity, _ := look(t, s, "k")
		require.Equal(t, mine, identity)
	})
	driver.subtest(t, "OutlivesTheDeletionOfItsResource", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, mine.Key, store.Index{})
		require.NoError(t, take(s, "k", mine))
		remove(t, s, mine.Key)
		identity, found := look(t, s, "k")
		require.True(t, found)
		require.Equal(t, mine, identity)
	})
	driver.subtest(t, "OfAFailedJobIsFree", func(t *testing.T, s store.Store, _ *Clock) {
		require.ErrorIs(t, s.Write(ctx, []string{"k"}, func(tx store.Tx) error {
			require.NoError(t, tx.PutIdentity("k", mine))
			return errRefused
		}), errRefused)
		require.NoError(t, take(s, "k", store.Identity{Key: observation("o2")}))
	})
}
