package sqlite_test

import (
	"context"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// openIdentities opens a store on a file.
func openIdentities(t *testing.T, path string) *sqlite.Store {
	t.Helper()
	s, err := sqlite.Open(context.Background(), path, sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// identityOf looks a key up twice in one job, which must give the same.
func identityOf(t *testing.T, s *sqlite.Store, name string) (identity store.Identity, found bool) {
	t.Helper()
	require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) (err error) {
		if identity, found, err = tx.Identity(name); err != nil {
			return err
		}
		again, foundAgain, err := tx.Identity(name)
		require.Equal(t, identity, again)
		require.Equal(t, found, foundAgain)
		return err
	}))
	return identity, found
}

func TestIdentityFoundFree(t *testing.T) {
	t.Parallel()
	taken := store.Identity{Key: store.Key{Type: "QuestionnaireResponse", ID: "oona-1"}, Digest: "1"}

	t.Run("is asked for again in the next batch, for another process may have taken it", func(t *testing.T) {
		t.Parallel()
		path := filepath.Join(t.TempDir(), "tidemark.db")
		one, other := openIdentities(t, path), openIdentities(t, path)
		_, found := identityOf(t, one, "a")
		require.False(t, found)
		require.NoError(t, other.Write(context.Background(), nil, func(tx store.Tx) error { return tx.PutIdentity("a", taken) }))
		identity, found := identityOf(t, one, "a")
		require.True(t, found)
		require.Equal(t, taken, identity)
	})
	t.Run("is taken once, and changed by whoever took it", func(t *testing.T) {
		t.Parallel()
		s := openIdentities(t, filepath.Join(t.TempDir(), "tidemark.db"))
		changed := store.Identity{Key: taken.Key, Digest: "2"}
		require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
			_, found, err := tx.Identity("a")
			require.NoError(t, err)
			require.False(t, found)
			require.NoError(t, tx.PutIdentity("a", taken))
			require.NoError(t, tx.PutIdentity("a", changed))
			identity, found, err := tx.Identity("a")
			require.True(t, found)
			require.Equal(t, changed, identity)
			return err
		}))
		identity, _ := identityOf(t, s, "a")
		require.Equal(t, changed, identity)
	})
}
