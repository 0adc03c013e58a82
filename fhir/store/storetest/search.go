package storetest

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// shelf are the resources the search tests look among.
var shelf = map[string]store.Index{
	"a": {Patient: "Patient/oona", Status: "final",
		Tokens:  []store.Token{{Param: "code", Value: "x"}, {Param: "identifier", Value: "s|1"}},
		Numbers: []store.Number{{Param: "value-quantity", Value: 100}}},
	"b": {Patient: "Patient/oona", Status: "amended",
		Tokens:  []store.Token{{Param: "code", Value: "y"}, {Param: "code", Value: "x"}},
		Numbers: []store.Number{{Param: "value-quantity", Value: -50}, {Param: "value-quantity", Value: 200}}},
	"c": {Patient: "Patient/casper", Status: "final",
		Tokens:  []store.Token{{Param: "code", Value: "X"}, {Param: "status", Value: "x"}},
		Numbers: []store.Number{{Param: "component-value-quantity", Value: 100}, {Param: "part|%|b", Value: 7}}},
	"d": {Numbers: []store.Number{{Param: "part|{score}|b", Value: 8}, {Param: "parts", Value: 7}}},
}

// fill puts the shelf into a store.
func fill(t *testing.T, s store.Store) {
	write(t, s, func(tx store.Tx) error {
		for id, index := range shelf {
			if _, err := tx.Put(observation(id), "POST", index, body); err != nil {
				return err
			}
		}
		_, err := tx.Put(store.Key{Type: "Provenance", ID: "a"}, "POST", shelf["a"], body)
		return err
	})
}

// testSearch: each condition by itself, and all of them together.
func testSearch(t *testing.T, driver Driver) {
	const none = 0
	token := func(param string, values ...string) []store.TokenQuery {
		return []store.TokenQuery{{Param: param, Values: values}}
	}
	not := func(param string, values ...string) []store.TokenQuery {
		return []store.TokenQuery{{Param: param, Values: values, Not: true}}
	}
	number := func(param string, low, high int64, not bool) []store.NumberQuery {
		return []store.NumberQuery{{Any: []store.NumberRange{{Param: param, Low: low, High: high, Not: not}}}}
	}
	noNumber := func(param string) []store.NumberQuery {
		return []store.NumberQuery{{Any: []store.NumberRange{{Param: param, Low: math.MinInt64, High: math.MaxInt64}}, Not: true}}
	}
	place := driver.Create(t)
	s := driver.open(t, place, NewClock().Now)
	fill(t, s)
	for name, c := range map[string]struct {
		query store.Query
		want  []string
	}{
		"NoConditionFindsAllOfTheType":       {store.Query{}, []string{"a", "b", "c", "d"}},
		"IDsFindAnyOfThem":                   {store.Query{IDs: []string{"c", "a", "zz"}}, []string{"a", "c"}},
		"IDsAreCaseSensitive":                {store.Query{IDs: []string{"A"}}, []string{}},
		"PatientsFindAnyOfThem":              {store.Query{Patients: []string{"Patient/casper", "Patient/mirren"}}, []string{"c"}},
		"PatientThatIsUnknownFindsNothing":   {store.Query{Patients: []string{"Patient/o"}}, []string{}},
		"StatusesFindAnyOfThem":              {store.Query{Statuses: []string{"final", "amended"}}, []string{"a", "b", "c"}},
		"TokenFindsExactlyItsValue":          {store.Query{Tokens: token("code", "x")}, []string{"a", "b"}},
		"TokenFindsAnyOfItsValues":           {store.Query{Tokens: token("code", "y", "X")}, []string{"b", "c"}},
		"TokenWithoutValuesFindsNothing":     {store.Query{Tokens: token("code")}, []string{}},
		"TokensMustAllHold":                  {store.Query{Tokens: append(token("code", "x"), token("code", "y")...)}, []string{"b"}},
		"TokenNotFindsThoseWithNone":         {store.Query{Tokens: not("code", "x", "X")}, []string{"d"}},
		"TokenNotWithoutValuesFindsAll":      {store.Query{Tokens: not("code")}, []string{"a", "b", "c", "d"}},
		"NumberBoundsAreInclusive":           {store.Query{Numbers: number("value-quantity", 100, 200, false)}, []string{"a", "b"}},
		"NumberMayBeNegative":                {store.Query{Numbers: number("value-quantity", -60, -50, false)}, []string{"b"}},
		"NumberFindsNoOtherParameter":        {store.Query{Numbers: number("value-quantity", 100, 100, false)}, []string{"a"}},
		"NumberNotFindsAValueOutside":        {store.Query{Numbers: number("value-quantity", 100, 200, true)}, []string{"b"}},
		"NumberNotNeedsAValue":               {store.Query{Numbers: number("value-quantity", 100, 100, true)}, []string{"b"}},
		"NumberNoneFindsThoseWithoutAny":     {store.Query{Numbers: noNumber("value-quantity")}, []string{"c", "d"}},
		"NumberOfABeginningFindsAllBehindIt": {store.Query{Numbers: number("part|", 7, 8, false)}, []string{"c", "d"}},
		"NumberOfALongerBeginning":           {store.Query{Numbers: number("part|%|", 7, 8, false)}, []string{"c"}},
		"NumberOfABeginningIsNotItself":      {store.Query{Numbers: noNumber("part|%|b|")}, []string{"a", "b", "c", "d"}},
		"NumberInAnyOfTheRanges": {store.Query{Numbers: []store.NumberQuery{{Any: []store.NumberRange{
			{Param: "value-quantity", Low: 200, High: 200}, {Param: "part|", Low: 8, High: 8}}}}}, []string{"b", "d"}},
		"NumberInNoRangeAtAllFindsNothing":   {store.Query{Numbers: []store.NumberQuery{{}}}, []string{}},
		"StatusNotFindsThoseWithoutOneToo":   {store.Query{NotStatuses: []string{"final"}}, []string{"b", "d"}},
		"NumbersMustAllHold":                 {store.Query{Numbers: append(number("value-quantity", 200, 200, false), number("value-quantity", -50, -50, false)...)}, []string{"b"}},
		"ConditionsMustAllHold":              {store.Query{Patients: []string{"Patient/oona"}, Statuses: []string{"final"}, Tokens: token("code", "x"), IDs: []string{"a", "b"}}, []string{"a"}},
		"LimitsOfAPatientLeaveTheOthersOut":  {store.Query{Limits: []store.Limit{{Patient: "Patient/oona"}}}, []string{"a", "b"}},
		"LimitsHoldBesideOtherConditions":    {store.Query{Patients: []string{"Patient/casper"}, Limits: []store.Limit{{Patient: "Patient/oona"}}}, []string{}},
		"LimitsOfWhichOneIsEnough":           {store.Query{Limits: []store.Limit{{Patient: "Patient/casper"}, {Tokens: token("code", "y")}}}, []string{"b", "c"}},
		"LimitWhoseConditionsMustAllHold":    {store.Query{Limits: []store.Limit{{Patient: "Patient/oona", Tokens: token("code", "y")}}}, []string{"b"}},
		"LimitWithoutConditionsLimitsNot":    {store.Query{Limits: []store.Limit{{}}}, []string{"a", "b", "c", "d"}},
		"NoLimitAtAllOfSomeFindsNothing":     {store.Query{Limits: []store.Limit{}}, []string{}},
		"QuotesAndWildcardsAreTextLikeOther": {store.Query{Tokens: token("code", "x' OR '1'='1", "%", `"`), Patients: []string{"Patient/oona'--"}}, []string{}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.query.Type, c.query.Sort, c.query.Limit, c.query.Total = "Observation", store.ByID, 10, true
			page, err := s.Search(context.Background(), c.query)
			require.NoError(t, err)
			require.Equal(t, c.want, ids(page.Resources))
			require.Equal(t, len(c.want), page.Total)
			require.Empty(t, page.Next)
			c.query.Limit = none
			page, err = s.Search(context.Background(), c.query)
			require.NoError(t, err)
			require.Empty(t, page.Resources)
			require.Equal(t, len(c.want), page.Total, "without a page")
		})
	}
	testSearchIndex(t, driver)
}

// testSearchIndex: the index is that of the current version.
func testSearchIndex(t *testing.T, driver Driver) {
	ctx := context.Background()
	driver.subtest(t, "FindsByTheCurrentVersionOnly", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		put(t, s, observation("a"), shelf["c"])
		page, err := s.Search(ctx, store.Query{Type: "Observation", Sort: store.ByID, Limit: 10,
			Tokens: []store.TokenQuery{{Param: "code", Values: []string{"x"}}}})
		require.NoError(t, err)
		require.Equal(t, []string{"b"}, ids(page.Resources))
		page, err = s.Search(ctx, store.Query{Type: "Observation", Sort: store.ByID, Limit: 10,
			Patients: []string{"Patient/casper"}})
		require.NoError(t, err)
		require.Equal(t, []string{"a", "c"}, ids(page.Resources))
	})
	driver.subtest(t, "GivesWholeResources", func(t *testing.T, s store.Store, _ *Clock) {
		stored := put(t, s, observation("a"), shelf["a"])
		page, err := s.Search(ctx, store.Query{Type: "Observation", Limit: 10})
		require.NoError(t, err)
		require.Equal(t, []store.Resource{stored}, page.Resources)
	})
	driver.subtest(t, "DeletedAreNotFound", func(t *testing.T, s store.Store, _ *Clock) {
		fill(t, s)
		remove(t, s, observation("a"))
		for _, query := range []store.Query{
			{IDs: []string{"a"}},
			{Tokens: []store.TokenQuery{{Param: "identifier", Values: []string{"s|1"}}}},
			{Numbers: []store.NumberQuery{{Any: []store.NumberRange{{Param: "value-quantity", Low: 100, High: 100}}}}},
		} {
			query.Type, query.Total = "Observation", true
			page, err := s.Search(ctx, query)
			require.NoError(t, err)
			require.Zero(t, page.Total)
		}
	})
	driver.subtest(t, "NumbersHaveParametersOfAnyText", func(t *testing.T, s store.Store, _ *Clock) {
		texts := []string{"", "NULL", `"`, `\`, `\"`, "{}", "{a,b}", "a,b", " ", "é", "\n", strings.Repeat("x", 3000)}
		index := store.Index{}
		for i, text := range texts {
			index.Numbers = append(index.Numbers, store.Number{Param: text, Value: int64(i)})
		}
		put(t, s, observation("a"), index)
		put(t, s, observation("b"), store.Index{})
		for i, text := range texts {
			for value, want := range map[int64]int{int64(i): 1, int64(i) + 1: 0} {
				page, err := s.Search(ctx, store.Query{Type: "Observation", Total: true,
					Numbers: []store.NumberQuery{{Any: []store.NumberRange{{Param: text, Low: value, High: value}}}}})
				require.NoError(t, err)
				require.Equal(t, want, page.Total, "%q", text)
			}
		}
	})
	driver.subtest(t, "OrderThatDoesNotExistIsAnError", func(t *testing.T, s store.Store, _ *Clock) {
		_, err := s.Search(ctx, store.Query{Type: "Observation", Limit: 1, Sort: store.ByStatusDesc + 1})
		require.Error(t, err)
	})
}

// testSearchPrefixes: the prefixes on periods. The search is the day 10 May
// 2024, and the clock shows noon of 20 May.
func testSearchPrefixes(t *testing.T, driver Driver) {
	day := func(day, hour int) time.Time { return time.Date(2024, 5, day, hour, 0, 0, 0, time.UTC) }
	clock := NewClock()
	clock.Add(day(20, 12).Sub(clock.Now()))
	s := driver.open(t, driver.Create(t), clock.Now)
	periods := map[string][2]time.Time{
		"before":       {day(1, 0), day(2, 0)},
		"near before":  {day(8, 0), day(9, 2)}, // 22 hours short of the day: within a tenth of 9.5 days
		"touches":      {day(8, 0), day(10, 0)},
		"within":       {day(10, 6), day(10, 7)},
		"exactly":      {day(10, 0), day(11, 0).Add(-time.Millisecond)},
		"around":       {day(9, 0), day(12, 0)},
		"leaves":       {day(10, 23), day(12, 0)},
		"after":        {day(11, 0), day(12, 0)},
		"far after":    {day(19, 0), day(20, 0)},
		"open start":   {{}, day(10, 6)},
		"open end":     {day(10, 6), {}},
		"open, before": {{}, day(2, 0)},
		"none":         {},
	}
	for id, period := range periods {
		put(t, s, observation(id), store.Index{Start: period[0], End: period[1]})
	}
	all := []string{"before", "near before", "touches", "within", "exactly", "around", "leaves", "after", "far after",
		"open start", "open end", "open, before"}
	without := func(some ...string) []string {
		rest := []string{}
		for _, id := range all {
			if !among(some, id) {
				rest = append(rest, id)
			}
		}
		return rest
	}
	beyond := []string{"around", "leaves", "after", "far after", "open end"}
	below := []string{"before", "near before", "touches", "around", "open start", "open, before"}
	for prefix, want := range map[store.Prefix][]string{
		"":                   {"within", "exactly"},
		store.Equal:          {"within", "exactly"},
		store.NotEqual:       without("within", "exactly"),
		store.GreaterThan:    beyond,
		store.GreaterOrEqual: append([]string{"within", "exactly", "touches", "open start"}, beyond...),
		store.LessThan:       below,
		store.LessOrEqual:    append([]string{"within", "exactly", "leaves", "open end"}, below...),
		store.StartsAfter:    {"after", "far after"},
		store.EndsBefore:     {"before", "near before", "open, before"},
		store.Approximately:  without("before", "far after", "open, before"),
		"xx":                 {},
	} {
		t.Run("Of"+string(prefix), func(t *testing.T) {
			t.Parallel()
			page, err := s.Search(context.Background(), store.Query{
				Type: "Observation", Limit: 20, Total: true,
				Times: []store.TimeRange{{Prefix: prefix, Low: day(10, 0), High: day(11, 0).Add(-time.Nanosecond)}},
			})
			require.NoError(t, err)
			require.ElementsMatch(t, want, ids(page.Resources))
			require.Equal(t, len(want), page.Total)
		})
	}
	t.Run("OfSeveralRangesMustAllHold", func(t *testing.T) {
		t.Parallel()
		page, err := s.Search(context.Background(), store.Query{Type: "Observation", Limit: 20, Times: []store.TimeRange{
			{Prefix: store.StartsAfter, Low: day(9, 0), High: day(9, 1)},
			{Prefix: store.EndsBefore, Low: day(11, 0), High: day(11, 1)},
		}})
		require.NoError(t, err)
		require.ElementsMatch(t, []string{"within", "exactly"}, ids(page.Resources))
	})
	driver.subtest(t, "OfLastUpdatedCompareAnInstant", testLastUpdated)
}

// testLastUpdated: for an instant, what starts after is what is greater.
func testLastUpdated(t *testing.T, s store.Store, clock *Clock) {
	start := clock.Now()
	for _, id := range []string{"1", "2", "3"} {
		put(t, s, observation(id), store.Index{})
		clock.Add(time.Hour)
	}
	middle := start.Add(time.Hour)
	for prefix, want := range map[store.Prefix][]string{
		store.Equal: {"2"}, store.NotEqual: {"1", "3"},
		store.GreaterThan: {"3"}, store.GreaterOrEqual: {"2", "3"}, store.StartsAfter: {"3"},
		store.LessThan: {"1"}, store.LessOrEqual: {"1", "2"}, store.EndsBefore: {"1"},
		store.Approximately: {"2"},
	} {
		page, err := s.Search(context.Background(), store.Query{
			Type: "Observation", Sort: store.ByID, Limit: 5,
			LastUpdated: []store.TimeRange{{Prefix: prefix, Low: middle, High: middle}},
		})
		require.NoError(t, err)
		require.Equal(t, want, ids(page.Resources), string(prefix))
	}
}
