package sandbox

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// ward is a server with three scores of two patients on it.
func ward(t testing.TB) *bench {
	b := newBench(t)
	for _, resource := range []string{
		`{"resourceType":"Patient","id":"oona"}`,
		`{"resourceType":"Observation","id":"a","status":"final","identifier":[{"system":"http://s.example","value":"1"},{"value":"bare"}],` +
			`"code":{"coding":[{"system":"http://c.example","code":"scorad"},{"code":"local"}]},"category":[{"coding":[{"system":"http://k.example","code":"survey"}]}],` +
			`"subject":{"reference":"Patient/oona"},"effectivePeriod":{"start":"2024-05-01","end":"2024-05-04T10:00:00Z"},` +
			`"derivedFrom":[{"reference":"QuestionnaireResponse/r/_history/2"}]}`,
		`{"resourceType":"Observation","id":"b","status":"amended","identifier":[{"system":"http://s.example","value":"2,3|4"}],` +
			`"code":{"coding":[{"system":"http://c.example","code":"objective"}]},"subject":{"reference":"` + b.url + `/Patient/casper"},"effectiveDateTime":"2024-06-15"}`,
		`{"resourceType":"Observation","id":"c","status":"final","code":{"text":"no code"},"subject":{"reference":"Group/oona"},` +
			`"hasMember":[{"reference":"Observation/a"}],"effectivePeriod":{"start":"2024-07-01"}}`,
	} {
		b.server.Put([]byte(resource))
	}
	return b
}

// TestSearch: each parameter that is offered finds what it should, and nothing
// else (R4 search.html).
func TestSearch(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		query string
		found string
	}{
		"EverythingOldestFirst":           {"", "a b c"},
		"EmptyParameterIsIgnored":         {"status=", "a b c"},
		"UnknownParameterIsIgnored":       {"colour=red", "a b c"},
		"IdentifierWithSystem":            {"identifier=http://s.example|1", "a"},
		"IdentifierOfAnySystem":           {"identifier=1", "a"},
		"IdentifierOfASystem":             {"identifier=http://s.example|", "a b"},
		"IdentifierWithoutSystem":         {"identifier=|bare", "a"},
		"IdentifierOfNoSystemOnly":        {"identifier=|1", ""},
		"IdentifierOfAnotherSystem":       {"identifier=http://x.example|1", ""},
		"IdentifierWithEscapes":           {`identifier=http://s.example|2\,3\|4`, "b"},
		"EitherIdentifier":                {`identifier=http://s.example|1,http://s.example|2\,3\|4`, "a b"},
		"BothIdentifiers":                 {`identifier=http://s.example|1&identifier=|bare`, "a"},
		"BothOfDifferentResources":        {`identifier=http://s.example|1&status=amended`, ""},
		"Id":                              {"_id=b", "b"},
		"IdOfNothing":                     {"_id=z", ""},
		"Status":                          {"status=final", "a c"},
		"CodeWithSystem":                  {"code=http://c.example|scorad", "a"},
		"CodeWithoutSystem":               {"code=|local", "a"},
		"Category":                        {"category=survey", "a"},
		"SubjectByType":                   {"subject=Patient/oona", "a"},
		"SubjectByIdOnly":                 {"subject=oona", "a c"},
		"PatientByIdIsNoGroup":            {"patient=oona", "a"},
		"SubjectOfATypeIsNoGroup":         {"subject:Patient=oona", "a"},
		"PatientKeptByAbsoluteURL":        {"patient=Patient/casper", "b"},
		"PatientAskedByAbsoluteURL":       {"patient=BASE/Patient/oona", "a"},
		"PatientOfAnotherServer":          {"patient=http://x.example/Patient/oona", ""},
		"DerivedFromWithoutItsVersion":    {"derived-from=QuestionnaireResponse/r", "a"},
		"HasMember":                       {"has-member=Observation/a", "c"},
		"DateWithinAYear":                 {"date=2024", "a b"},
		"DateWithinAMonth":                {"date=2024-05", "a"},
		"DateOfADay":                      {"date=2024-06-15", "b"},
		"DateNotWithin":                   {"date=ne2024-05", "b c"},
		"DateAfter":                       {"date=gt2024-06", "c"},
		"DateFrom":                        {"date=ge2024-06-15", "b c"},
		"DateBefore":                      {"date=lt2024-05-02", "a"},
		"DateUntil":                       {"date=le2024-06-15", "a b"},
		"DateStartsAfter":                 {"date=sa2024-05-31", "b c"},
		"DateEndsBefore":                  {"date=eb2024-06", "a"},
		"DateBetween":                     {"date=ge2024-05-01&date=le2024-05-31", "a"},
		"DateToTheSecond":                 {"date=eb2024-05-04T10:00:01Z", "a"},
		"DateToTheMillisecondInAnOffset":  {"date=eb2024-05-04T12:00:00.999%2B02:00", ""},
		"LastUpdated":                     {"_lastUpdated=gt2024-05-10T12:00:02Z", "b c"},
		"CountLimitsThePage":              {"_count=2", "a b"},
		"CountOfNoneGivesTheTotalOnly":    {"_count=0", ""},
		"SummaryOfCountGivesTheTotalOnly": {"_summary=count", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := ward(t)
			query := strings.ReplaceAll(strings.ReplaceAll(c.query, "BASE", b.url), "|", "%7C")
			r := b.send("GET", "Observation?"+query, "")
			require.Equal(t, strings.Fields(c.found), r.found())
			total, err := parse([]byte(r.body))
			require.NoError(t, err)
			if strings.Contains(query, "_") && strings.Contains(query, "count") {
				require.Equal(t, "3", fmt.Sprint(total.get("total")), "of all, not of the page")
			} else {
				require.Equal(t, fmt.Sprint(len(strings.Fields(c.found))), fmt.Sprint(total.get("total")))
			}
		})
	}
}

// TestSearchAnswer: what the answer says of itself, and what it no longer finds.
func TestSearchAnswer(t *testing.T) {
	t.Parallel()
	t.Run("StrictRefusesWhatItDoesNotKnow", func(t *testing.T) {
		t.Parallel()
		ward(t).send("GET", "Observation?colour=red", "", "Prefer", "handling=strict").refused(http.StatusBadRequest, codeNotSupported)
	})
	t.Run("SelfLinkNamesWhatWasUsed", func(t *testing.T) {
		t.Parallel()
		b := ward(t)
		link := b.send("GET", "Observation?colour=red&status=final&_count=1", "").fhir(http.StatusOK).list("link")[0].(*object)
		require.Equal(t, "self", link.text("relation"))
		self, err := url.Parse(link.text("url"))
		require.NoError(t, err)
		require.Equal(t, url.Values{"status": {"final"}, "_count": {"1"}}, self.Query())
	})
	t.Run("DeletedIsNotFound", func(t *testing.T) {
		t.Parallel()
		b := ward(t)
		b.server.Delete("Observation", "a")
		require.Equal(t, []string{"b", "c"}, b.send("GET", "Observation", "").found())
		require.Empty(t, b.send("GET", byIdentifier("1"), "").found())
	})
	t.Run("EarlierIdentifierIsNotFound", func(t *testing.T) {
		t.Parallel()
		b := ward(t)
		b.send("PUT", "Observation/a", observed(named("a", "9")))
		require.Empty(t, b.send("GET", byIdentifier("1"), "").found())
		require.Equal(t, []string{"a"}, b.send("GET", byIdentifier("9"), "").found())
	})
	t.Run("OtherTypesHaveTheirOwn", func(t *testing.T) {
		t.Parallel()
		b := ward(t)
		b.server.Put([]byte(`{"resourceType":"Provenance","id":"p","target":[{"reference":"Observation/a"}],"recorded":"2024-05-10T12:00:00Z","agent":[{"who":{"display":"x"}}]}`))
		b.server.Put([]byte(`{"resourceType":"Device","id":"d","identifier":[{"system":"http://s.example","value":"1"}]}`))
		require.Equal(t, []string{"p"}, b.send("GET", "Provenance?target=Observation/a&recorded=2024-05-10", "").found())
		require.Equal(t, []string{"d"}, b.send("GET", "Device?identifier=http://s.example%7C1", "").found())
		require.Equal(t, []string{"oona"}, b.send("GET", "Patient", "").found())
	})
}

// TestIndexFindsWhatAScanFinds: the index of identifiers is never behind, after
// whatever happened.
func TestIndexFindsWhatAScanFinds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := New(Options{})
		ids, values := []string{"a", "b", "c"}, []string{"1", "2", "3"}
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			id := rapid.SampledFrom(ids).Draw(t, "id")
			if rapid.IntRange(0, 3).Draw(t, "delete") == 0 {
				s.Delete("Observation", id)
				continue
			}
			s.Put([]byte(observed(named(id, rapid.SampledFrom(values).Draw(t, "value")))))
			if rapid.IntRange(0, 3).Draw(t, "undone") == 0 {
				k := key{"Observation", id}
				s.state.put(k, clone(s.state.live(k).tree).(*object), "PUT", s.opts.Now())
				s.state.rollback()
			}
		}
		for _, value := range values {
			indexed, err := criteria(searchParameters("Observation"), "Observation", url.Values{"identifier": {"http://s.example|" + value}}, true)
			require.NoError(t, err)
			scanned, err := criteria(searchParameters("Observation"), "Observation", url.Values{"identifier": {value}}, true)
			require.NoError(t, err)
			require.ElementsMatch(t, s.state.find("Observation", scanned, ""), s.state.find("Observation", indexed, ""))
		}
	})
}

// TestBase: links lead back to the server, whatever an id looks like.
func TestBase(t *testing.T) {
	t.Parallel()
	for range 20 { // a choice among types must not depend on the order of a map
		b := newBench(t)
		b.server.Put([]byte(observed(`,"id":"Observation"`)))
		r := b.send("PUT", "Device/Observation", `{"resourceType":"Device","id":"Observation"}`)
		r.fhir(http.StatusCreated)
		require.Equal(t, b.url+"/Device/Observation/_history/1", r.header.Get("Location"))
	}
}

// TestSearchByPost: the parameters of a form are those of a search (R4 http.html
// 3.1.0.9), and no create.
func TestSearchByPost(t *testing.T) {
	t.Parallel()
	b := ward(t)
	form := []string{"Content-Type", "application/x-www-form-urlencoded"}
	r := b.send("POST", "Observation/_search", "identifier=http%3A%2F%2Fs.example%7C1", form...)
	require.Contains(t, r.body, `"id":"a"`)
	require.NotContains(t, r.body, `"id":"b"`)
	r = b.send("POST", "Observation/_search?status=final", "code=local", form...)
	require.Contains(t, r.body, `"id":"a"`)
	require.NotContains(t, r.body, `"id":"c"`)
	require.Equal(t, http.StatusUnsupportedMediaType, b.send("POST", "Observation/_search", `{}`).status)
	require.Equal(t, http.StatusBadRequest, b.send("POST", "Observation/_search", "a=%zz", form...).status)
	require.Len(t, b.server.Current("Observation"), 3)
}
