package api_test

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// indexed is a store that remembers what each resource is indexed by.
type indexed struct {
	store.Store
	written map[string]store.Index
}

func (s *indexed) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	return s.Store.Write(ctx, keys, func(tx store.Tx) error { return job(&indexedTx{tx, s}) }, ahead...)
}

type indexedTx struct {
	store.Tx
	of *indexed
}

func (t *indexedTx) Put(key store.Key, method string, index store.Index, render store.Render) (store.Resource, error) {
	r, err := t.Tx.Put(key, method, index, render)
	t.of.written[fmt.Sprint(key, "/", r.Version)] = index
	return r, err
}

// reindexed remembers what each resource would be indexed by again.
type reindexed struct {
	store.Store
	t    *testing.T
	made map[string]store.Index
}

func (s *reindexed) Reindex(ctx context.Context, generation int64, index func(store.Resource) (store.Index, bool, error)) error {
	require.Positive(s.t, generation)
	for _, kind := range []string{"QuestionnaireResponse", "Observation", "Provenance", "Other"} {
		err := s.Each(ctx, kind, func(r store.Resource) error {
			made, ok, err := index(r)
			if ok {
				s.made[fmt.Sprint(r.Key, "/", r.Version)] = made
			}
			return err
		})
		require.NoError(s.t, err)
	}
	return nil
}

// sorted makes two indexes comparable: times in UTC, values in order.
func sorted(index store.Index) store.Index {
	index.Start, index.End = index.Start.UTC(), index.End.UTC()
	index.Tokens, index.Numbers = slices.Clone(index.Tokens), slices.Clone(index.Numbers)
	slices.SortFunc(index.Tokens, func(a, b store.Token) int { return strings.Compare(a.Param+a.Value, b.Param+b.Value) })
	slices.SortFunc(index.Numbers, func(a, b store.Number) int { return strings.Compare(a.Param, b.Param) })
	return index
}

// TestReindexFindsWhatWasWritten: from what is stored follows the same index as
// from what was sent, for every shape and status.
func TestReindexFindsWhatWasWritten(t *testing.T) {
	t.Parallel()
	record := &indexed{written: map[string]store.Index{}}
	r := newRig(t, func(o *api.Options) { record.Store = o.Store; o.Store = record })
	clinician, begun, mirren := oona("clinician"), oona("begun"), oona("no total")
	clinician.form, clinician.source = clinicianForm, "Practitioner/ilse-varnholt"
	clinician.members = `,"encounter":{"reference":"Encounter/e"},"basedOn":[{"reference":"CarePlan/c"}]`
	begun.status, begun.authored = "in-progress", ""
	mirren.itch, mirren.patient = "", r.base+"/Patient/mirren-ashby-vale"
	mirren.authored = "2026-03-04T23:30:00-08:00"
	for _, body := range []response{oona("plain"), clinician, begun, mirren} {
		r.create(body.json())
	}
	r.reach("amended", "amended")
	r.reach("entered-in-error", "retracted")
	again := &reindexed{Store: r.store, t: t, made: map[string]store.Index{}}
	require.NoError(t, api.Reindex(context.Background(), again, r.base))
	require.Len(t, again.made, 18, "six responses, five scores, seven statements")
	for key, made := range again.made {
		require.Contains(t, record.written, key)
		require.Equal(t, sorted(record.written[key]), sorted(made), key)
	}
}

// TestReindexServesAnOldDatabase: what a program wrote that indexed less is
// found by all that this one searches by.
func TestReindexServesAnOldDatabase(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	id := r.create(oona("old").json()).id()
	score, err := r.store.Get(context.Background(), store.Key{Type: "Observation", ID: id})
	require.NoError(t, err)
	db, err := sqlite.Open(context.Background(), filepath.Join(t.TempDir(), "old.db"), sqlite.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	require.NoError(t, db.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.Put(score.Key, "POST", store.Index{Patient: "Patient/oona-thistledown", Status: "final"},
			func(int64, time.Time) ([]byte, error) { return score.Body, nil })
		return err
	}))
	old := newRig(t, func(o *api.Options) { o.Store = db })
	const query = "/fhir/Observation?component-code-value-quantity=objective$32.00&method=self-direct&date=2026"
	require.Empty(t, old.found(t, query))
	require.NoError(t, api.Reindex(context.Background(), db, r.base))
	require.Equal(t, []string{id}, old.found(t, query))
}
