package sandbox

import (
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// ofKind is a server of a kind.
func ofKind(t testing.TB, kind Kind) *bench {
	return newBench(t, func(o *Options) { o.Kind = kind })
}

// stated is what the statement says of Observations.
type stated struct {
	conditionalCreate, conditionalUpdate, updateCreate, identifier, create, transaction bool
	versioning                                                                          string
}

// states reads the statement of a server.
func (b *bench) states() stated {
	tree := b.send("GET", "metadata", "").fhir(http.StatusOK)
	require.Equal(b.t, "CapabilityStatement", tree.text("resourceType"))
	require.Equal(b.t, "4.0.1", tree.text("fhirVersion"))
	rest := tree.list("rest")[0].(*object)
	said := stated{transaction: len(rest.list("interaction")) == 1}
	for _, each := range rest.list("resource") {
		o := each.(*object)
		if o.text("type") != "Observation" {
			continue
		}
		said.conditionalCreate, said.conditionalUpdate = o.get("conditionalCreate").(bool), o.get("conditionalUpdate").(bool)
		said.updateCreate, said.versioning = o.get("updateCreate").(bool), o.text("versioning")
		for _, p := range o.list("searchParam") {
			said.identifier = said.identifier || p.(*object).text("name") == "identifier"
		}
		for _, i := range o.list("interaction") {
			said.create = said.create || i.(*object).text("code") == "create"
		}
	}
	return said
}

// TestStatement: a statement is sound R4, and says what is so, or what it was
// told to say.
func TestStatement(t *testing.T) {
	t.Parallel()
	all := stated{true, true, true, true, true, true, "versioned-update"}
	for name, c := range map[string]struct {
		kind Kind
		says stated
	}{
		"Everything":          {Kind{}, all},
		"NoConditionalUpdate": {Kind{NoConditionalUpdate: 400}, stated{true, false, true, true, true, true, "versioned-update"}},
		"NoConditionalCreate": {Kind{NoConditionalCreate: 412}, stated{false, true, true, true, true, true, "versioned-update"}},
		"IgnoresIfNoneExist":  {Kind{IgnoreIfNoneExist: true}, stated{false, true, true, true, true, true, "versioned-update"}},
		"NoVersions":          {Kind{NoVersions: true}, stated{true, true, true, true, true, true, "no-version"}},
		"NoIdentifierSearch":  {Kind{NoIdentifierSearch: true}, stated{true, true, true, false, true, true, "versioned-update"}},
		"NoTransaction":       {Kind{NoTransaction: true}, stated{true, true, true, true, true, false, "versioned-update"}},
		"TransactionOnly":     {Kind{TransactionOnly: true}, stated{true, true, false, true, false, true, "versioned-update"}},
		"Boastful":            {Kind{NoConditionalUpdate: 400, NoTransaction: true, Statement: Boastful}, all},
		"Modest":              {Kind{Statement: Modest}, stated{false, false, true, false, true, false, "no-version"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.says, ofKind(t, c.kind).states())
		})
	}
	t.Run("Silent", func(t *testing.T) {
		t.Parallel()
		ofKind(t, Kind{Statement: Silent}).send("GET", "metadata", "").refused(http.StatusNotFound, codeNotSupported)
	})
}

// TestKinds: a server does not do what its kind does not offer.
func TestKinds(t *testing.T) {
	t.Parallel()
	t.Run("NoConditionalUpdateIsRefusedWithItsStatus", func(t *testing.T) {
		t.Parallel()
		for _, status := range []int{400, 405, 412, 501} {
			b := ofKind(t, Kind{NoConditionalUpdate: status})
			b.send("PUT", byIdentifier("a"), observed(identified("a"))).refused(status, codeNotSupported)
			require.Empty(t, b.server.Current("Observation"))
		}
	})
	t.Run("NoConditionalCreateIsRefusedWithItsStatus", func(t *testing.T) {
		t.Parallel()
		b := ofKind(t, Kind{NoConditionalCreate: 412})
		b.send("POST", "Observation", observed(identified("a")), "If-None-Exist", "identifier=http://s.example|a").refused(412, codeNotSupported)
		require.Empty(t, b.server.Current("Observation"))
		b.send("POST", "Observation", observed(identified("a"))).fhir(201)
	})
	t.Run("IgnoredIfNoneExistMakesTwo", func(t *testing.T) {
		t.Parallel()
		b := ofKind(t, Kind{IgnoreIfNoneExist: true})
		for range 2 {
			b.send("POST", "Observation", observed(identified("a")), "If-None-Exist", "identifier=http://s.example|a").fhir(201)
		}
		require.Len(t, b.server.Current("Observation"), 2)
	})
	t.Run("NoVersionsTellsNoneAndLooksAtNone", func(t *testing.T) {
		t.Parallel()
		b := ofKind(t, Kind{NoVersions: true})
		r := b.send("POST", "Observation", observed(`,"meta":{"versionId":"9"}`))
		require.Nil(t, r.fhir(201).child("meta").get("versionId"))
		require.NotContains(t, r.header, "Etag")
		require.Equal(t, b.url+"/Observation/n1", r.header.Get("Location"))
		b.send("PUT", "Observation/n1", observed(`,"id":"n1"`), "If-Match", `W/"77"`).fhir(200)
		require.Len(t, b.server.Versions("Observation", "n1"), 2)
	})
	t.Run("NoIdentifierSearchFindsEverythingOrRefuses", func(t *testing.T) {
		t.Parallel()
		b := ofKind(t, Kind{NoIdentifierSearch: true})
		b.server.Put([]byte(observed(named("o", "a"))))
		require.Equal(t, []string{"o"}, b.send("GET", byIdentifier("b"), "").found())
		b.send("GET", byIdentifier("b"), "", "Prefer", "handling=strict").refused(400, codeNotSupported)
		b.send("PUT", byIdentifier("b"), observed(identified("b"))).refused(400, codeNotSupported)
	})
	t.Run("TransactionOnlyWritesByNothingElse", func(t *testing.T) {
		t.Parallel()
		b := ofKind(t, Kind{TransactionOnly: true})
		b.server.Put([]byte(observed(named("o", "a"))))
		b.send("PUT", "Observation/o", observed(named("o", "a"))).refused(405, codeNotSupported)
		b.send("POST", "Observation", observed("")).refused(405, codeNotSupported)
		b.send("GET", "Observation/o", "").fhir(200)
		b.send("POST", "", bundleOf(posted("urn:uuid:1", "", observed("")))).fhir(200)
	})
	t.Run("TagsAreSearched", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.server.Put([]byte(observed(`,"id":"o","meta":{"tag":[{"system":"http://t.example","code":"x"}]}`)))
		b.server.Put([]byte(observed(`,"id":"p"`)))
		require.Equal(t, []string{"o"}, b.send("GET", "Observation?_tag=http://t.example%7Cx", "").found())
		require.Empty(t, b.send("GET", "Observation?_tag=http://t.example%7Cy", "").found())
	})
}

// bundleOf is a transaction of entries.
func bundleOf(entries ...string) string {
	text := `{"resourceType":"Bundle","type":"transaction","entry":[`
	for i, e := range entries {
		if i > 0 {
			text += ","
		}
		text += e
	}
	return text + "]}"
}

// posted is an entry that creates, under a condition unless that is "".
func posted(fullURL, condition, resource string) string {
	request := `{"method":"POST","url":"Observation"`
	if condition != "" {
		request += `,"ifNoneExist":"` + condition + `"`
	}
	return `{"fullUrl":"` + fullURL + `","resource":` + resource + `,"request":` + request + `}}`
}

// replaced is an entry that updates, under a condition unless that is "".
func replaced(url, ifMatch, resource string) string {
	request := `{"method":"PUT","url":"` + url + `"`
	if ifMatch != "" {
		tag, _ := json.Marshal(ifMatch)
		request += `,"ifMatch":` + string(tag)
	}
	return `{"resource":` + resource + `,"request":` + request + `}}`
}

// TestTransaction: all or nothing, with references between entries replaced
// (R4 http.html 3.1.0.11, bundle.html 2.36.4.1).
func TestTransaction(t *testing.T) {
	t.Parallel()
	ifNone := "identifier=http://s.example|a"
	t.Run("CreatesAndLinks", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		reply := b.send("POST", "", bundleOf(
			posted("urn:uuid:1", "", observed(`,"hasMember":[{"reference":"urn:uuid:2"}]`)),
			posted("urn:uuid:2", ifNone, observed(identified("a"))))).fhir(200)
		require.Equal(t, "transaction-response", reply.text("type"))
		entries := reply.list("entry")
		require.Len(t, entries, 2)
		first := entries[0].(*object)
		require.Equal(t, "201 Created", first.child("response").text("status"))
		require.Equal(t, "Observation/n1/_history/1", first.child("response").text("location"))
		require.Equal(t, `W/"1"`, first.child("response").text("etag"))
		require.Equal(t, "Observation/n2", first.child("resource").list("hasMember")[0].(*object).text("reference"))
	})
	t.Run("WhatIsThereIsLeftAndLinkedTo", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.server.Put([]byte(observed(named("o", "a"))))
		reply := b.send("POST", "", bundleOf(
			posted("urn:uuid:1", "", observed(`,"hasMember":[{"reference":"urn:uuid:2"}]`)),
			posted("urn:uuid:2", ifNone, observed(identified("a")))), "Prefer", "return=minimal").fhir(200)
		second := reply.list("entry")[1].(*object)
		require.Equal(t, "200 OK", second.child("response").text("status"))
		require.Nil(t, second.get("resource"))
		require.Len(t, b.server.Versions("Observation", "o"), 1)
		created := b.send("GET", "Observation/n1", "").fhir(200)
		require.Equal(t, "Observation/o", created.list("hasMember")[0].(*object).text("reference"))
	})
	t.Run("UpdatesByIdAndByIdentifier", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.server.Put([]byte(observed(named("o", "a"))))
		b.server.Put([]byte(observed(named("p", "b"))))
		b.send("POST", "", bundleOf(replaced("Observation/o", `W/"1"`, observed(named("o", "a"))),
			replaced("Observation?identifier=http://s.example|b", "", observed(identified("b"))))).fhir(200)
		require.Len(t, b.server.Versions("Observation", "o"), 2)
		require.Len(t, b.server.Versions("Observation", "p"), 2)
	})
	t.Run("OneFaultUndoesAll", func(t *testing.T) {
		t.Parallel()
		b := newBench(t)
		b.server.Put([]byte(observed(named("o", "a"))))
		r := b.send("POST", "", bundleOf(posted("urn:uuid:1", "", observed("")), replaced("Observation/o", `W/"7"`, observed(named("o", "a")))))
		r.refused(412, codeConflict)
		require.Contains(t, r.body, "Bundle.entry[1]")
		require.Len(t, b.server.Current("Observation"), 1)
		require.Len(t, b.server.Versions("Observation", "o"), 1)
	})
	for name, c := range map[string]struct {
		kind   Kind
		body   string
		status int
		code   string
	}{
		"NoTransaction":              {Kind{NoTransaction: true}, bundleOf(), 400, codeNotSupported},
		"AnotherType":                {Kind{}, `{"resourceType":"Bundle","type":"batch"}`, 400, codeNotSupported},
		"NoRequest":                  {Kind{}, bundleOf(`{"resource":` + observed("") + `}`), 400, codeStructure},
		"UrlThatIsNone":              {Kind{}, bundleOf(replaced("%zz", "", observed(""))), 400, codeValue},
		"Deletion":                   {Kind{}, bundleOf(`{"resource":` + observed("") + `,"request":{"method":"DELETE","url":"Observation/o"}}`), 400, codeNotSupported},
		"TheSameTwice":               {Kind{}, bundleOf(replaced("Observation/o", "", observed(named("o", "a"))), replaced("Observation/o", "", observed(named("o", "a")))), 400, codeInvalid},
		"NoConditionalUpdateHere":    {Kind{NoConditionalUpdate: 412}, bundleOf(replaced("Observation?identifier=x|y", "", observed(""))), 412, codeNotSupported},
		"NoConditionalCreateHere":    {Kind{NoConditionalCreate: 400}, bundleOf(posted("urn:uuid:1", ifNone, observed(""))), 400, codeNotSupported},
		"TypeThatIsNotKept":          {Kind{}, bundleOf(replaced("Coverage/o", "", `{"resourceType":"Coverage","id":"o"}`)), 404, codeNotSupported},
		"TypeOfAnotherUrlThanItsOwn": {Kind{}, bundleOf(replaced("Patient/o", "", observed(named("o", "a")))), 400, codeStructure},
	} {
		t.Run(name+"IsRefused", func(t *testing.T) {
			t.Parallel()
			b := ofKind(t, c.kind)
			b.send("POST", "", c.body).refused(c.status, c.code)
			require.Empty(t, b.server.Current("Observation"))
		})
	}
}
