package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
)

// replicas opens several stores on one schema.
func replicas(t *testing.T, count int) []*postgres.Store {
	t.Helper()
	address := create(t)
	all := make([]*postgres.Store, count)
	for i := range all {
		all[i] = open(t, address, postgres.Options{})
	}
	return all
}

// together runs a function many times at once on every replica.
func together(all []*postgres.Store, each int, run func(s *postgres.Store, n int) error) error {
	var group sync.WaitGroup
	errs := make([]error, len(all)*each)
	for r, s := range all {
		for i := range each {
			n := r*each + i
			group.Go(func() { errs[n] = run(s, n) })
		}
	}
	group.Wait()
	return errors.Join(errs...)
}

func TestReplicas(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	t.Run("StoreWhatIsSentToAllOfThemOnce", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 3)
		require.NoError(t, together(all, 32, func(s *postgres.Store, n int) error { return write(s, fmt.Sprint(n%8)) }))
		require.Equal(t, 8, total(t, all[0]))
		require.LessOrEqual(t, len(requireSound(t, all[0], 8)), 3)
	})
	t.Run("LockManyKeysInWhateverOrderWithoutDeadlock", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 3)
		require.NoError(t, together(all, 32, func(s *postgres.Store, n int) error {
			keys := []string{"a", "b", "c", fmt.Sprint(n)}
			if n%2 == 1 {
				keys = []string{fmt.Sprint(n), "c", "b", "a"}
			}
			return s.Write(ctx, keys, func(tx store.Tx) error {
				for _, name := range keys {
					if err := tx.PutIdentity(name, store.Identity{Key: key(name), Digest: fmt.Sprint(n)}); err != nil {
						return err
					}
				}
				return nil
			})
		}))
	})
	t.Run("DecideBySearchesOneAfterTheOther", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 3)
		require.NoError(t, together(all, 16, func(s *postgres.Store, n int) error {
			return s.Write(ctx, nil, func(tx store.Tx) error {
				page, err := tx.Search(store.Query{Type: "Observation", Limit: 1, Tokens: []store.TokenQuery{{Param: "identifier", Values: []string{"same"}}}})
				if err != nil || len(page.Resources) > 0 {
					return err
				}
				_, err = tx.Put(key(fmt.Sprint(n)), "POST", store.Index{Tokens: []store.Token{{Param: "identifier", Value: "same"}}}, body)
				return err
			})
		}))
		require.Equal(t, 1, total(t, all[0]), "a conditional create creates once, whichever replica it is sent to")
	})
	t.Run("SeeWhatAnotherWroteSinceTheyLookedAhead", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 2)
		of := store.Heads{Type: "Observation", Patient: "Patient/oona", Until: day, Limit: 100}
		count := func(s *postgres.Store, ahead ...store.Heads) (count int) {
			require.NoError(t, s.Write(ctx, nil, func(tx store.Tx) error {
				found, err := tx.Heads(of)
				count = len(found)
				return err
			}, ahead...))
			return count
		}
		for n := range 3 {
			require.Equal(t, n, count(all[0], of))
			require.NoError(t, all[1].Write(ctx, nil, func(tx store.Tx) error {
				_, err := tx.Put(key(fmt.Sprint(n)), "POST", store.Index{Patient: of.Patient, Start: day, End: day}, body)
				return err
			}))
			require.Equal(t, n+1, count(all[0]))
		}
	})
	t.Run("CountTheVersionsOfOneResourceTogether", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 3)
		require.NoError(t, together(all, 16, func(s *postgres.Store, _ int) error {
			return s.Write(ctx, nil, func(tx store.Tx) error {
				_, err := tx.Put(key("a"), "PUT", store.Index{}, body)
				return err
			})
		}))
		versions, err := all[1].History(ctx, key("a"), 0, 100)
		require.NoError(t, err)
		require.Len(t, versions, 48)
		for i, version := range versions {
			require.EqualValues(t, 48-i, version.Version)
			require.False(t, i > 0 && version.LastUpdated.After(versions[i-1].LastUpdated), "time does not run backwards")
		}
	})
}

func TestFrozenReplica(t *testing.T) {
	t.Parallel()
	address := create(t)
	frozen, other := open(t, with(address, "idle_in_transaction_session_timeout", "300"), postgres.Options{}), open(t, address, postgres.Options{})
	inside, wake, runs := make(chan struct{}), make(chan struct{}), 0
	answer := make(chan error, 1)
	go func() {
		answer <- frozen.Write(context.Background(), []string{"of a"}, func(tx store.Tx) error {
			if runs++; runs == 1 {
				close(inside)
				<-wake
			}
			return submit("a")(tx)
		})
	}()
	<-inside
	began := time.Now()
	require.NoError(t, write(other, "a"), "the server throws the frozen one out")
	require.Less(t, time.Since(began), 2*time.Minute)
	close(wake)
	require.NoError(t, <-answer, "its transaction is run again, and finds the key taken")
	require.Equal(t, 2, runs)
	require.Equal(t, 1, total(t, frozen))
	requireSound(t, other, 1)
}

func TestWorkersOfReplicas(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	t.Run("ShareDeliveriesWithoutOverlap", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 3)
		const count = 60
		for i := range count {
			require.NoError(t, write(all[0], fmt.Sprint(i)))
		}
		var mu sync.Mutex
		claimed := map[store.Key]string{}
		require.NoError(t, together(all, 4, func(s *postgres.Store, n int) error {
			for {
				some, err := s.Claim(ctx, "ehr", fmt.Sprint(n), time.Minute, 3)
				if err != nil || len(some) == 0 {
					return err
				}
				mu.Lock()
				for _, d := range some {
					if owner, twice := claimed[d.Key]; twice {
						err = fmt.Errorf("%s is held by %s and %d", d.Key, owner, n)
					}
					claimed[d.Key] = d.Owner
				}
				mu.Unlock()
				if err != nil {
					return err
				}
			}
		}))
		// A claim passes over what another is just claiming, so that the last ones
		// may be left to the next claim.
		rest, err := all[0].Claim(ctx, "ehr", "last", time.Minute, count)
		require.NoError(t, err)
		require.Equal(t, count, len(claimed)+len(rest))
	})
	t.Run("TakeOverFromOneThatDiedByTheClockOfTheDatabase", func(t *testing.T) {
		t.Parallel()
		all := replicas(t, 2)
		require.NoError(t, write(all[0], "a"))
		dead, err := all[0].Claim(ctx, "ehr", "dead", 5*time.Second, 1) // long enough to begin within it, however busy the machine
		require.NoError(t, err)
		require.Len(t, dead, 1)
		require.NoError(t, all[0].Begin(ctx, dead[0]))
		var taken []store.Delivery
		require.Eventually(t, func() bool {
			taken, err = all[1].Claim(ctx, "ehr", "heir", time.Minute, 1)
			return err == nil && len(taken) == 1
		}, 2*time.Minute, 20*time.Millisecond)
		require.False(t, time.Now().Before(dead[0].LeaseUntil), "the database's clock is ours, and the lease has run until its end")
		require.True(t, taken[0].InDoubt, "an attempt had begun")
		dead[0].Delivered = 1
		require.ErrorIs(t, all[0].Record(ctx, dead[0]), store.ErrLeaseLost, "the one that woke decides nothing")
		require.ErrorIs(t, all[0].Begin(ctx, dead[0]), store.ErrLeaseLost)
	})
	t.Run("PassOverWhatABatchIsJustWriting", func(t *testing.T) {
		t.Parallel()
		address := create(t)
		s := open(t, address, postgres.Options{})
		require.NoError(t, write(s, "a"))
		require.NoError(t, write(s, "b"))
		conn := connect(t, address)
		_, err := conn.Exec(ctx, "BEGIN; SELECT * FROM delivery ORDER BY rid LIMIT 1 FOR UPDATE")
		require.NoError(t, err)
		claimed, err := s.Claim(ctx, "ehr", "w", time.Minute, 5)
		require.NoError(t, err)
		require.Len(t, claimed, 1, "and does not wait for it")
		require.Equal(t, key("b"), claimed[0].Key)
	})
}
