package storetest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store"
)

// sorts are all orders.
var sorts = []store.Sort{store.ByLastUpdatedDesc, store.ByLastUpdated, store.ByTimeDesc, store.ByTime,
	store.ByID, store.ByIDDesc, store.ByStatus, store.ByStatusDesc}

// walk follows the pages of a query to the end.
func walk(t require.TestingT, search func(store.Query) (store.Page, error), query store.Query) []store.Resource {
	found := []store.Resource{}
	for range 100 {
		page, err := search(query)
		require.NoError(t, err)
		require.LessOrEqual(t, len(page.Resources), query.Limit)
		found = append(found, page.Resources...)
		if page.Next == "" {
			return found
		}
		require.Len(t, page.Resources, query.Limit, "a page with a next one is full")
		query.After = page.Next
	}
	require.Fail(t, "the pages do not end")
	return nil
}

// walkBack follows the pages of a query from the last to the first, and gives
// what they hold in the order asked for.
func walkBack(t require.TestingT, search func(store.Query) (store.Page, error), query store.Query) []store.Resource {
	found := []store.Resource{}
	page, err := search(query)
	require.NoError(t, err)
	require.Empty(t, page.Prev, "of the first page")
	if page.Last == "" {
		return append(found, page.Resources...)
	}
	for query.After = page.Last; query.After != ""; query.After = page.Prev {
		page, err = search(query)
		require.NoError(t, err)
		found = append(slices.Clone(page.Resources), found...)
		require.Less(t, len(found), 1000, "the pages do not end")
	}
	return found
}

// testSearchPages: pages follow each other without gap or repetition, and stay
// where they are while others write.
func testSearchPages(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "FollowEachOtherInEveryOrder", func(t *testing.T, s store.Store, clock *Clock) {
		model := reference{entries: map[store.Key]entry{}}
		for i := range 11 {
			key := observation(fmt.Sprint("id", i*7%11))
			index := store.Index{}
			if i%4 != 0 {
				index.Start = clock.Now().Add(time.Duration(i/3) * time.Hour)
			}
			model.entries[key] = entry{put(t, s, key, index), index}
			if i%3 == 0 {
				clock.Add(time.Millisecond)
			}
		}
		search := func(query store.Query) (store.Page, error) { return s.Search(ctx, query) }
		for _, sort := range sorts {
			for limit := 1; limit <= 12; limit++ {
				query := store.Query{Type: "Observation", Sort: sort, Limit: limit}
				require.Equal(t, model.find(query, clock.Now()), walk(t, search, query), "order %d, limit %d", sort, limit)
				require.Equal(t, model.find(query, clock.Now()), walkBack(t, search, query), "order %d, limit %d, backwards", sort, limit)
			}
		}
	})
	driver.subtest(t, "StayWhereTheyAreWhileOthersWrite", func(t *testing.T, s store.Store, clock *Clock) {
		for _, id := range []string{"b", "d", "f"} {
			put(t, s, observation(id), store.Index{})
		}
		query := store.Query{Type: "Observation", Sort: store.ByID, Limit: 2}
		page, err := s.Search(ctx, query)
		require.NoError(t, err)
		require.Equal(t, []string{"b", "d"}, ids(page.Resources))
		clock.Add(time.Second)
		put(t, s, observation("a"), store.Index{})
		put(t, s, observation("e"), store.Index{})
		remove(t, s, observation("d"))
		query.After = page.Next
		page, err = s.Search(ctx, query)
		require.NoError(t, err)
		require.Equal(t, []string{"e", "f"}, ids(page.Resources))
		require.Empty(t, page.Next)
	})
	driver.subtest(t, "LeadBackToThePageBefore", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		query := store.Query{Type: "Observation", Sort: store.ByIDDesc, Limit: 2}
		first, err := s.Search(ctx, query)
		require.NoError(t, err)
		require.Equal(t, []string{"d", "c"}, ids(first.Resources))
		query.After = first.Next
		second, err := s.Search(ctx, query)
		require.NoError(t, err)
		require.Equal(t, []string{"b", "a"}, ids(second.Resources))
		require.Empty(t, second.Next)
		query.After = second.Prev
		again, err := s.Search(ctx, query)
		require.NoError(t, err)
		require.Equal(t, first.Resources, again.Resources)
		require.Equal(t, first.Next, again.Next)
		require.Empty(t, again.Prev)
	})
	driver.subtest(t, "TotalCountsAllPages", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		query := store.Query{Type: "Observation", Sort: store.ByID, Limit: 3, Total: true}
		page, err := s.Search(ctx, query)
		require.NoError(t, err)
		require.Equal(t, 4, page.Total)
		query.After = page.Next
		page, err = s.Search(ctx, query)
		require.NoError(t, err)
		require.Len(t, page.Resources, 1)
		require.Equal(t, 4, page.Total, "on the last page as well")
	})
	driver.subtest(t, "OfAnotherSearchAreRefused", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		page, err := s.Search(ctx, store.Query{Type: "Observation", Sort: store.ByID, Limit: 1})
		require.NoError(t, err)
		for _, after := range []string{page.Next, "x", "%", page.Next[:len(page.Next)/2], "MCB6enp6IGE"} {
			_, err = s.Search(ctx, store.Query{Type: "Observation", Sort: store.ByTime, Limit: 1, After: after})
			require.ErrorIs(t, err, store.ErrPage, after)
		}
	})
}

// testSearchAgainstReference: whatever is stored, and whatever is asked, the
// database finds what the reference finds.
func testSearchAgainstReference(t *testing.T, driver Driver) {
	clock := NewClock()
	s := driver.open(t, driver.Create(t), clock.Now)
	round := 0
	rapid.Check(t, func(r *rapid.T) {
		// A type of its own keeps the rounds apart in one database.
		round++
		resourceType := fmt.Sprintf("Type%d", round)
		model := reference{entries: map[store.Key]entry{}}
		for range rapid.IntRange(1, 12).Draw(r, "writes") {
			clock.Add(rapid.SampledFrom([]time.Duration{0, time.Millisecond, time.Hour}).Draw(r, "step"))
			drawWrite(r, s, model, resourceType)
		}
		queries := rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.Query {
			return drawQuery(r, resourceType, clock.Now())
		}), 1, 5).Draw(r, "queries")
		for _, query := range queries {
			compare(r, s, model, query, clock.Now())
		}
	})
	require.Positive(t, round)
}

// compare holds Store.Search and Tx.Search against the reference.
func compare(r *rapid.T, s store.Store, model reference, query store.Query, now time.Time) {
	want := model.find(query, now)
	outside := func(query store.Query) (store.Page, error) { return s.Search(context.Background(), query) }
	inside := func(query store.Query) (page store.Page, err error) {
		err = s.Write(context.Background(), nil, func(tx store.Tx) (err error) {
			page, err = tx.Search(query)
			return err
		})
		return page, err
	}
	require.Equal(r, want, walk(r, outside, query))
	require.Equal(r, want, walk(r, inside, query))
	require.Equal(r, want, walkBack(r, outside, query))
	query.Total, query.Limit = true, 0
	page, err := outside(query)
	require.NoError(r, err)
	require.Equal(r, len(want), page.Total)
}

// drawWrite puts or deletes a resource, in the store and in the reference.
func drawWrite(r *rapid.T, s store.Store, model reference, resourceType string) {
	key := store.Key{Type: resourceType, ID: rapid.SampledFrom([]string{"a", "B", "b", "c-1", "c.2"}).Draw(r, "id")}
	_, known := model.entries[key]
	if known && rapid.IntRange(0, 4).Draw(r, "delete") == 0 {
		model.entries[key] = entry{resource: remove(r, s, key)}
		return
	}
	index := store.Index{
		Patient: rapid.SampledFrom([]string{"", "Patient/oona", "Patient/casper"}).Draw(r, "patient"),
		Status:  rapid.SampledFrom([]string{"", "final", "amended"}).Draw(r, "status"),
		Start:   drawBound(r, "start"),
		End:     drawBound(r, "end"),
		Tokens: rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.Token {
			return store.Token{Param: drawParam(r), Value: drawValue(r)}
		}), 0, 3).Draw(r, "tokens"),
		Numbers: rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.Number {
			return store.Number{Param: rapid.SampledFrom([]string{"p", "q", "p|x", "p|y", "p}"}).Draw(r, "param"), Value: rapid.Int64Range(-3, 3).Draw(r, "number")}
		}), 0, 3).Draw(r, "numbers"),
	}
	if !index.Start.IsZero() && !index.End.IsZero() && index.End.Before(index.Start) {
		index.Start, index.End = index.End, index.Start
	}
	model.entries[key] = entry{put(r, s, key, index), index}
}

// drawBound draws one end of a period out of a few, that they may meet.
func drawBound(r *rapid.T, label string) time.Time {
	hour := rapid.IntRange(-1, 5).Draw(r, label)
	if hour < 0 {
		return time.Time{}
	}
	return time.Date(2024, 5, 10, hour, 0, 0, 0, time.UTC)
}

func drawParam(r *rapid.T) string { return rapid.SampledFrom([]string{"p", "q"}).Draw(r, "param") }

func drawValue(r *rapid.T) string { return rapid.SampledFrom([]string{"x", "y", "z"}).Draw(r, "value") }

// drawQuery draws a query with a few conditions.
func drawQuery(r *rapid.T, resourceType string, now time.Time) store.Query {
	some := func(label string, values ...string) []string {
		return rapid.SliceOfN(rapid.SampledFrom(values), 0, 2).Draw(r, label)
	}
	return store.Query{
		Type:        resourceType,
		IDs:         some("ids", "a", "B", "b", "c-1", "missing"),
		Patients:    some("patients", "Patient/oona", "Patient/casper"),
		Statuses:    some("statuses", "final", "amended"),
		Times:       rapid.SliceOfN(rapid.Custom(drawRange), 0, 2).Draw(r, "times"),
		LastUpdated: rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.TimeRange { return drawRecent(r, now) }), 0, 1).Draw(r, "updated"),
		Tokens: rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.TokenQuery {
			return store.TokenQuery{Param: drawParam(r), Values: some("values", "x", "y", "z"), Not: rapid.Bool().Draw(r, "not"), Rare: rapid.Bool().Draw(r, "rare")}
		}), 0, 2).Draw(r, "tokens"),
		NotStatuses: some("not statuses", "final", "amended"),
		Numbers: rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.NumberQuery {
			return store.NumberQuery{Any: rapid.SliceOfN(rapid.Custom(drawNumberRange), 1, 2).Draw(r, "any"), Not: rapid.IntRange(0, 3).Draw(r, "none") == 0}
		}), 0, 2).Draw(r, "numbers"),
		Sort:  rapid.SampledFrom(sorts).Draw(r, "sort"),
		Then:  rapid.SliceOfN(rapid.SampledFrom(sorts), 0, 2).Draw(r, "then"),
		Limit: rapid.IntRange(1, 4).Draw(r, "limit"),

		Limits: rapid.OneOf(rapid.Just([]store.Limit(nil)), rapid.SliceOfN(rapid.Custom(drawLimit), 0, 2)).Draw(r, "limits"),
	}
}

// drawLimit draws a part of what an asker may see.
func drawLimit(r *rapid.T) store.Limit {
	return store.Limit{
		Patient: rapid.SampledFrom([]string{"", "Patient/oona", "Patient/casper", "Patient/mirren"}).Draw(r, "of"),
		Tokens: rapid.SliceOfN(rapid.Custom(func(r *rapid.T) store.TokenQuery {
			return store.TokenQuery{Param: drawParam(r), Values: []string{drawValue(r)}, Not: rapid.Bool().Draw(r, "not")}
		}), 0, 1).Draw(r, "within"),
	}
}

// drawNumberRange draws a range of a parameter, or of all that begin alike.
func drawNumberRange(r *rapid.T) store.NumberRange {
	low := rapid.Int64Range(-4, 4).Draw(r, "low")
	param := rapid.SampledFrom([]string{"p", "q", "p|", "p|x"}).Draw(r, "param")
	return store.NumberRange{Param: param, Low: low, High: low + rapid.Int64Range(0, 4).Draw(r, "width"), Not: rapid.Bool().Draw(r, "outside")}
}

// prefixes are all comparisons, the empty one included.
var prefixes = []store.Prefix{"", store.Equal, store.NotEqual, store.GreaterThan, store.LessThan, store.GreaterOrEqual,
	store.LessOrEqual, store.StartsAfter, store.EndsBefore, store.Approximately}

// drawRange draws a range of hours near the periods stored.
func drawRange(r *rapid.T) store.TimeRange {
	low := time.Date(2024, 5, 10, rapid.IntRange(-1, 6).Draw(r, "from"), 0, 0, 0, time.UTC)
	length := time.Duration(rapid.IntRange(0, 3).Draw(r, "hours")) * time.Hour
	return store.TimeRange{Prefix: rapid.SampledFrom(prefixes).Draw(r, "prefix"), Low: low, High: low.Add(length)}
}

// drawRecent draws a range not long before now.
func drawRecent(r *rapid.T, now time.Time) store.TimeRange {
	low := now.Add(-time.Duration(rapid.IntRange(0, 4).Draw(r, "ago")) * time.Hour)
	return store.TimeRange{Prefix: rapid.SampledFrom(prefixes).Draw(r, "prefix"), Low: low, High: low.Add(time.Hour)}
}
