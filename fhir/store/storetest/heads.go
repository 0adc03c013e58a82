package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
)

// testHeads: what a patient has is told as a search tells it, in and out of a
// transaction.
func testHeads(t *testing.T, driver Driver) {
	ctx := context.Background()
	of := store.Heads{Type: "Observation", Patient: "Patient/oona", Until: NewClock().Now().AddDate(1, 0, 0), Limit: 10}
	oona := store.Index{Patient: "Patient/oona", Start: NewClock().Now(), End: NewClock().Now()}
	driver.subtest(t, "SeeTheWritesOfTheirJobAndItsBatch", func(t *testing.T, s store.Store, _ *Clock) {
		put(t, s, observation("a"), oona)
		write(t, s, func(tx store.Tx) error {
			_, err := tx.Put(observation("b"), "PUT", oona, body)
			require.NoError(t, err)
			found, err := tx.Heads(of)
			require.NoError(t, err)
			require.Equal(t, []store.Head{{Key: observation("b"), Version: 1, Start: oona.Start}, {Key: observation("a"), Version: 1, Start: oona.Start}}, found)
			_, err = tx.Put(observation("a"), "PUT", oona, body)
			require.NoError(t, err)
			found, err = tx.Heads(of)
			require.NoError(t, err)
			require.Equal(t, []store.Head{{Key: observation("b"), Version: 1, Start: oona.Start}, {Key: observation("a"), Version: 2, Start: oona.Start}}, found)
			return nil
		})
	})
	driver.subtest(t, "ForgetWhatAFailedJobWrote", func(t *testing.T, s store.Store, _ *Clock) {
		err := s.Write(ctx, nil, func(tx store.Tx) error {
			_, err := tx.Put(observation("a"), "PUT", oona, body)
			require.NoError(t, err)
			found, err := tx.Heads(of)
			require.NoError(t, err)
			require.Len(t, found, 1)
			return errRefused
		})
		require.ErrorIs(t, err, errRefused)
		found, err := s.Heads(ctx, of)
		require.NoError(t, err)
		require.Empty(t, found)
	})
	driver.subtest(t, "AreAsASearchHasThem", testHeadsAreASearch)
	driver.subtest(t, "SaidAheadAreAsAskedForOne", testHeadsAhead)
	driver.subtest(t, "OfManyAtOnceAreEachTheirOwn", testHeadsAtOnce)
}

// headStep is what a job does with what patients have: it writes, deletes, or asks.
type headStep struct {
	key     store.Key
	index   store.Index
	deletes bool
	asks    *store.Heads
}

// do gives an error too where the heads are not what a search finds.
func (h headStep) do(tx store.Tx) error {
	switch {
	case h.asks != nil:
		return headsAreASearch(tx, *h.asks)
	case h.deletes:
		if _, err := tx.Delete(h.key); !errors.Is(err, store.ErrNotFound) {
			return err
		}
		return nil
	}
	_, err := tx.Put(h.key, "PUT", h.index, body)
	return err
}

func headsAreASearch(tx store.Tx, of store.Heads) error {
	heads, err := tx.Heads(of)
	if err != nil {
		return err
	}
	page, err := tx.Search(store.Query{Type: of.Type, Patients: []string{of.Patient}, Limit: of.Limit,
		Sort: store.ByTimeDesc, Then: []store.Sort{store.ByIDDesc}, Times: []store.TimeRange{{Prefix: store.LessOrEqual, Low: of.Until, High: of.Until}}})
	if err != nil {
		return err
	}
	same := slices.EqualFunc(heads, page.Resources, func(h store.Head, r store.Resource) bool { return h.Key == r.Key && h.Version == r.Version })
	if !same {
		return fmt.Errorf("%+v: the heads are %v, a search finds %v", of, heads, ids(page.Resources))
	}
	return nil
}

// testHeadsAhead holds what jobs of one batch find against a search, whatever they and
// those before them write, and though some of them fail. What they ask for first they
// have said ahead.
func testHeadsAhead(t *testing.T, s store.Store, clock *Clock) {
	patients, kinds := []string{"Patient/oona", "Patient/casper", ""}, []string{"Observation", "QuestionnaireResponse"}
	at := rapid.Custom(func(t *rapid.T) time.Time {
		return clock.Now().Add(time.Duration(rapid.IntRange(-3, 3).Draw(t, "hour")) * time.Hour)
	})
	asked := rapid.Custom(func(t *rapid.T) store.Heads {
		return store.Heads{Type: rapid.SampledFrom(kinds).Draw(t, "type"), Patient: rapid.SampledFrom(patients[:2]).Draw(t, "patient"),
			Until: at.Draw(t, "until"), Limit: rapid.IntRange(1, 4).Draw(t, "limit")}
	})
	step := rapid.Custom(func(t *rapid.T) headStep {
		if rapid.IntRange(0, 2).Draw(t, "asks") == 0 {
			of := asked.Draw(t, "of")
			return headStep{asks: &of}
		}
		start := at.Draw(t, "start")
		return headStep{
			key:     store.Key{Type: rapid.SampledFrom(kinds).Draw(t, "kind"), ID: fmt.Sprint("r", rapid.IntRange(0, 9).Draw(t, "id"))},
			index:   store.Index{Patient: rapid.SampledFrom(patients).Draw(t, "whose"), Start: start, End: start},
			deletes: rapid.IntRange(0, 3).Draw(t, "deletes") == 0,
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		var jobs []func() error
		for range rapid.IntRange(2, 6).Draw(t, "jobs") {
			of, steps, fails := asked.Draw(t, "ahead"), rapid.SliceOfN(step, 0, 3).Draw(t, "steps"), rapid.IntRange(0, 3).Draw(t, "fails") == 0
			jobs = append(jobs, func() error {
				err := s.Write(context.Background(), nil, func(tx store.Tx) error {
					for _, step := range append([]headStep{{asks: &of}}, steps...) {
						if err := step.do(tx); err != nil {
							return err
						}
					}
					if fails {
						return errRefused
					}
					return nil
				}, of)
				if errors.Is(err, errRefused) {
					return nil
				}
				return err
			})
		}
		for _, err := range inOneBatch(t, s, jobs) {
			require.NoError(t, err)
		}
	})
}

// inOneBatch makes some calls that write while the writer is held up, so that their
// jobs come into one batch.
func inOneBatch(t tester, s store.Store, calls []func() error) []error {
	running, release, held := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		held <- s.Write(context.Background(), nil, func(store.Tx) error {
			close(running)
			<-release
			return errRefused
		})
	}()
	<-running
	errs := make([]error, len(calls))
	var all sync.WaitGroup
	for i, call := range calls {
		all.Go(func() { errs[i] = call() })
	}
	for queued := 0; queued < len(calls); {
		usage, err := s.Usage(context.Background())
		require.NoError(t, err)
		queued = usage.Queued
	}
	close(release)
	all.Wait()
	require.ErrorIs(t, <-held, errRefused)
	return errs
}

// testHeadsAtOnce has many ask at once, each about another patient.
func testHeadsAtOnce(t *testing.T, s store.Store, clock *Clock) {
	write(t, s, func(tx store.Tx) error {
		for writer := range writers {
			index := store.Index{Patient: fmt.Sprint("Patient/", writer), Start: clock.Now(), End: clock.Now()}
			if _, err := tx.Put(observation(fmt.Sprint("o", writer)), "PUT", index, body); err != nil {
				return err
			}
		}
		return nil
	})
	errs := make([]error, writers)
	together(func(writer int) {
		of := store.Heads{Type: "Observation", Patient: fmt.Sprint("Patient/", writer), Until: clock.Now(), Limit: 2}
		want := []store.Head{{Key: observation(fmt.Sprint("o", writer)), Version: 1, Start: clock.Now()}}
		for range 30 {
			found, err := s.Heads(context.Background(), of)
			if err == nil && !slices.Equal(found, want) {
				err = fmt.Errorf("found %v", found)
			}
			if err != nil {
				errs[writer] = err
				return
			}
		}
	})
	require.NoError(t, errors.Join(errs...))
}

// testHeadsAreASearch holds heads against the search that says the same, whatever
// is written.
func testHeadsAreASearch(t *testing.T, s store.Store, clock *Clock) {
	patients, kinds := []string{"Patient/oona", "Patient/casper", "identifier:urn:x|\x00long", ""}, []string{"Observation", "QuestionnaireResponse"}
	rapid.Check(t, func(t *rapid.T) {
		of := store.Heads{Type: rapid.SampledFrom(kinds).Draw(t, "type"), Patient: rapid.SampledFrom(patients[:3]).Draw(t, "patient"),
			Until: clock.Now().Add(time.Duration(rapid.IntRange(-3, 3).Draw(t, "until")) * time.Hour), Limit: rapid.IntRange(0, 4).Draw(t, "limit")}
		var within []store.Head
		write(t, s, func(tx store.Tx) (err error) {
			for i := range rapid.IntRange(0, 3).Draw(t, "writes") {
				key := store.Key{Type: rapid.SampledFrom(kinds).Draw(t, "kind"), ID: fmt.Sprint("r", rapid.IntRange(0, 12).Draw(t, "id"))}
				start := clock.Now().Add(time.Duration(rapid.IntRange(-3, 3).Draw(t, "start")) * time.Hour)
				index := store.Index{Patient: rapid.SampledFrom(patients).Draw(t, "whose"), Start: start, End: start}
				if _, err := tx.Put(key, rapid.SampledFrom([]string{"PUT", "POST"}).Draw(t, "method"), index, body); err != nil {
					return err
				}
				if i == 1 && rapid.Bool().Draw(t, "delete") {
					if _, err := tx.Delete(key); err != nil {
						return err
					}
				}
			}
			within, err = tx.Heads(of)
			return err
		})
		page, err := s.Search(context.Background(), store.Query{Type: of.Type, Patients: []string{of.Patient}, Limit: of.Limit,
			Sort: store.ByTimeDesc, Then: []store.Sort{store.ByIDDesc}, Times: []store.TimeRange{{Prefix: store.LessOrEqual, Low: of.Until, High: of.Until}}})
		require.NoError(t, err)
		outside, err := s.Heads(context.Background(), of)
		require.NoError(t, err)
		require.Equal(t, within, outside)
		require.Len(t, outside, len(page.Resources))
		for i, r := range page.Resources {
			require.Equal(t, r.Key, outside[i].Key)
			require.Equal(t, r.Version, outside[i].Version)
			require.False(t, outside[i].Start.After(of.Until))
		}
	})
}
