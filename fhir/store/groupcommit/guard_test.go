package groupcommit_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// stubTx answers every method with one error.
type stubTx struct{ err error }

func (s stubTx) Now() time.Time { return time.Unix(7, 0) }

func (s stubTx) Get(store.Key) (store.Resource, error) { return store.Resource{Version: 1}, s.err }

func (s stubTx) Search(store.Query) (store.Page, error) { return store.Page{Total: 1}, s.err }

func (s stubTx) Heads(store.Heads) ([]store.Head, error) { return []store.Head{{Version: 1}}, s.err }

func (s stubTx) Put(store.Key, string, store.Index, store.Render) (store.Resource, error) {
	return store.Resource{Version: 2}, s.err
}

func (s stubTx) Delete(store.Key) (store.Resource, error) { return store.Resource{Version: 3}, s.err }

func (s stubTx) Identity(string) (store.Identity, bool, error) {
	return store.Identity{Digest: "d"}, true, s.err
}

func (s stubTx) PutIdentity(string, store.Identity) error { return s.err }

func (s stubTx) Audit(store.Audit) error { return s.err }

func (s stubTx) Release(store.DeliveryQuery) (int, error) { return 4, s.err }

func (s stubTx) Drop(store.DeliveryQuery, string) (int, error) { return 5, s.err }

func (s stubTx) Want(string, store.Key, int64, bool, ...string) error { return s.err }

func (s stubTx) Event(store.Key, int64) error { return s.err }

func (s stubTx) Subscription(string) (store.Subscription, error) {
	return store.Subscription{Version: 4}, s.err
}

func (s stubTx) Subscriptions(string) (int, error) { return 5, s.err }

func (s stubTx) PutSubscription(store.Subscription) (store.Subscription, error) {
	return store.Subscription{Version: 6}, s.err
}

func (s stubTx) DeleteSubscription(string) error { return s.err }

func (s stubTx) StartExport(store.Export) (store.Export, error) {
	return store.Export{ID: "seven"}, s.err
}

func (s stubTx) Exports(string) (int, error) { return 8, s.err }

func (s stubTx) Export(string) (store.Export, error) { return store.Export{ID: "nine"}, s.err }

func (s stubTx) DeleteExport(string) error { return s.err }

// methods are those of a transaction that can fail; writes says which of them
// write.
var methods = map[string]struct {
	call   func(store.Tx) error
	writes bool
}{
	"Get":                {func(tx store.Tx) error { _, err := tx.Get(store.Key{}); return err }, false},
	"Search":             {func(tx store.Tx) error { _, err := tx.Search(store.Query{}); return err }, false},
	"Heads":              {func(tx store.Tx) error { _, err := tx.Heads(store.Heads{}); return err }, false},
	"Identity":           {func(tx store.Tx) error { _, _, err := tx.Identity(""); return err }, false},
	"Put":                {func(tx store.Tx) error { _, err := tx.Put(store.Key{}, "", store.Index{}, nil); return err }, true},
	"Delete":             {func(tx store.Tx) error { _, err := tx.Delete(store.Key{}); return err }, true},
	"PutIdentity":        {func(tx store.Tx) error { return tx.PutIdentity("", store.Identity{}) }, true},
	"Audit":              {func(tx store.Tx) error { return tx.Audit(store.Audit{}) }, true},
	"Event":              {func(tx store.Tx) error { return tx.Event(store.Key{}, 1) }, true},
	"Subscription":       {func(tx store.Tx) error { _, err := tx.Subscription(""); return err }, false},
	"Subscriptions":      {func(tx store.Tx) error { _, err := tx.Subscriptions(""); return err }, false},
	"PutSubscription":    {func(tx store.Tx) error { _, err := tx.PutSubscription(store.Subscription{}); return err }, true},
	"DeleteSubscription": {func(tx store.Tx) error { return tx.DeleteSubscription("") }, true},
	"StartExport":        {func(tx store.Tx) error { _, err := tx.StartExport(store.Export{}); return err }, true},
	"Exports":            {func(tx store.Tx) error { _, err := tx.Exports(""); return err }, false},
	"Export":             {func(tx store.Tx) error { _, err := tx.Export(""); return err }, false},
	"DeleteExport":       {func(tx store.Tx) error { return tx.DeleteExport("") }, true},
	"Want":               {func(tx store.Tx) error { return tx.Want("", store.Key{}, 1, false) }, true},
	"Release":            {func(tx store.Tx) error { _, err := tx.Release(store.DeliveryQuery{}); return err }, true},
	"Drop":               {func(tx store.Tx) error { _, err := tx.Drop(store.DeliveryQuery{}, ""); return err }, true},
}

func TestRun(t *testing.T) {
	t.Parallel()
	for name, method := range methods {
		t.Run(name+"PassesItsErrorOn", func(t *testing.T) {
			t.Parallel()
			require.NoError(t, groupcommit.Run(stubTx{}, method.call))
			require.Equal(t, errBroken, groupcommit.Run(stubTx{errBroken}, method.call))
		})
		t.Run(name+"FailingUnheededFailsTheJobIfItWrites", func(t *testing.T) {
			t.Parallel()
			err := groupcommit.Run(stubTx{errBroken}, func(tx store.Tx) error {
				require.ErrorIs(t, method.call(tx), errBroken)
				return nil
			})
			if method.writes {
				require.ErrorIs(t, err, errBroken)
			} else {
				require.NoError(t, err)
			}
		})
		t.Run(name+"IsRefusedAfterTheJob", func(t *testing.T) {
			t.Parallel()
			var kept store.Tx
			require.NoError(t, groupcommit.Run(stubTx{}, func(tx store.Tx) error { kept = tx; return nil }))
			require.ErrorIs(t, method.call(kept), groupcommit.ErrTxOver)
		})
		t.Run(name+"IsRefusedAfterAFailedWrite", func(t *testing.T) {
			t.Parallel()
			require.ErrorIs(t, groupcommit.Run(stubTx{errBroken}, func(tx store.Tx) error {
				_ = tx.Want("", store.Key{}, 1, false)
				require.ErrorIs(t, method.call(tx), errBroken)
				return nil
			}), errBroken)
		})
	}
	t.Run("NothingToDeleteIsNoFailure", func(t *testing.T) {
		t.Parallel()
		require.NoError(t, groupcommit.Run(stubTx{store.ErrNotFound}, func(tx store.Tx) error {
			_, err := tx.Delete(store.Key{})
			require.ErrorIs(t, err, store.ErrNotFound)
			require.ErrorIs(t, tx.DeleteSubscription(""), store.ErrNotFound)
			return nil
		}))
	})
	t.Run("NothingToWantIsAFailure", func(t *testing.T) {
		t.Parallel()
		require.ErrorIs(t, groupcommit.Run(stubTx{store.ErrNotFound}, func(tx store.Tx) error {
			_ = tx.Want("", store.Key{}, 1, false)
			return nil
		}), store.ErrNotFound)
	})
	t.Run("ResultsArePassedOn", func(t *testing.T) {
		t.Parallel()
		require.NoError(t, groupcommit.Run(stubTx{}, func(tx store.Tx) error {
			require.Equal(t, time.Unix(7, 0), tx.Now())
			resource, _ := tx.Get(store.Key{})
			require.EqualValues(t, 1, resource.Version)
			resource, _ = tx.Put(store.Key{}, "", store.Index{}, nil)
			require.EqualValues(t, 2, resource.Version)
			resource, _ = tx.Delete(store.Key{})
			require.EqualValues(t, 3, resource.Version)
			subscription, _ := tx.Subscription("")
			require.EqualValues(t, 4, subscription.Version)
			count, _ := tx.Subscriptions("")
			require.Equal(t, 5, count)
			subscription, _ = tx.PutSubscription(store.Subscription{})
			require.EqualValues(t, 6, subscription.Version)
			page, _ := tx.Search(store.Query{})
			require.Equal(t, 1, page.Total)
			released, _ := tx.Release(store.DeliveryQuery{})
			require.Equal(t, 4, released)
			dropped, _ := tx.Drop(store.DeliveryQuery{}, "")
			require.Equal(t, 5, dropped)
			identity, found, _ := tx.Identity("")
			require.True(t, found)
			require.Equal(t, "d", identity.Digest)
			return nil
		}))
	})
}
