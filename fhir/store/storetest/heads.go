package storetest

import (
	"context"
	"fmt"
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
