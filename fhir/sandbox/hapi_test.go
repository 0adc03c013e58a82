package sandbox

import (
	"crypto/rand"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/test/hapi"
)

// asked is one request of a conversation, and what HAPI answers to it. The texts
// may name what the conversation knows: {a}, {b} and so on are identifiers that
// nobody else uses, {id} is the id of what a request with keep wrote, {base} the
// server's base.
type asked struct {
	method, path, body string
	headers            []string
	keep               bool

	status int
	// tag is the version in ETag.
	tag string
	// has and lacks are what stands in the body, and what does not.
	has, lacks []string
}

// processing is what stands in every refusal.
var processing = []string{`"OperationOutcome"`, `"code":"processing"`, `"diagnostics":"`}

// conversations are what HAPI differs in, each by itself.
var conversations = map[string][]asked{
	"ConditionalUpdateLooksAtNoPrecondition": {
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", ""), headers: []string{"If-None-Match", "*"}, status: 201, tag: `W/"1"`},
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "two", ""), headers: []string{"If-None-Match", "*"}, status: 200, tag: `W/"2"`},
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "three", ""), headers: []string{"If-Match", `W/"9"`}, status: 200, tag: `W/"3"`},
	},
	"UpdateByIDLooksAtIfMatchOfWhatIsThere": {
		{method: "PUT", path: "Observation/o-{a}", body: note("{a}", "one", `,"id":"o-{a}"`), headers: []string{"If-Match", `W/"1"`}, status: 201, tag: `W/"1"`},
		{method: "PUT", path: "Observation/o-{a}", body: note("{a}", "two", `,"id":"o-{a}"`), headers: []string{"If-Match", `W/"7"`}, status: 409, has: processing},
		{method: "PUT", path: "Observation/o-{a}", body: note("{a}", "two", `,"id":"o-{a}"`), headers: []string{"If-None-Match", "*"}, status: 200, tag: `W/"2"`},
		{method: "PUT", path: "Observation/o-{a}", body: note("{a}", "three", `,"id":"o-{a}"`), headers: []string{"If-Match", "2"}, status: 200, tag: `W/"3"`},
		{method: "DELETE", path: "Observation/o-{a}", headers: []string{"If-Match", `W/"9"`}, status: 200, has: []string{`"informational"`}},
		{method: "PUT", path: "Observation/o-{a}", body: note("{a}", "four", `,"id":"o-{a}"`), headers: []string{"If-Match", `W/"3"`}, status: 409, has: processing},
		{method: "PUT", path: "Observation/o-{a}", body: note("{a}", "four", `,"id":"o-{a}"`), status: 201, tag: `W/"5"`},
	},
	"WhatIsThereAlreadyMakesNoVersion": {
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", ""), status: 201, tag: `W/"1"`},
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", ""), status: 200, tag: `W/"1"`},
	},
	"ConditionalCreateLeavesWhatIsThere": {
		{method: "POST", path: "Observation", body: note("{a}", "one", ""), headers: []string{"If-None-Exist", "identifier=s|{a}"}, status: 201, tag: `W/"1"`},
		{method: "POST", path: "Observation", body: note("{a}", "two", ""), headers: []string{"If-None-Exist", "identifier=s|{a}"}, status: 200, tag: `W/"1"`, has: []string{"one"}},
	},
	"IDsAreGivenByTheServer": {
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", `,"id":"mine-{a}"`), status: 201, lacks: []string{"mine-"}},
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "two", `,"id":"mine-{a}"`), status: 200, lacks: []string{"mine-"}},
		{method: "PUT", path: "Observation/987654321", body: note("{a}", "one", `,"id":"987654321"`), status: 400, has: processing},
	},
	"ReferencesLoseTheirVersionAndTheOwnBase": {
		{method: "PUT", path: "Patient/p-{a}", body: `{"resourceType":"Patient","id":"p-{a}"}`, status: 201},
		{method: "PUT", path: "Observation?identifier=s|{a}", status: 201, lacks: []string{"_history", "{base}"}, has: []string{
			`"reference":"Patient/p-{a}"`, `"reference":"https://forms.example/fhir/QuestionnaireResponse/r"`,
		}, body: note("{a}", "one", `,"subject":{"reference":"{base}/Patient/p-{a}"},"derivedFrom":[{"reference":"https://forms.example/fhir/QuestionnaireResponse/r/_history/4"}]`)},
	},
	"WhatIsReferredToMustBeThere": {
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", `,"subject":{"reference":"Patient/none-{a}"}`), status: 400, has: processing},
		{method: "POST", path: "Observation", body: note("{a}", "one", `,"performer":[{"reference":"RelatedPerson/none-{a}"}]`), status: 400, has: processing},
		{method: "GET", path: "Observation?identifier=s|{a}", status: 200, has: []string{`"total":0`}},
	},
	"RefusalsHaveOneCode": {
		{method: "GET", path: "Observation/none-{a}", status: 404, has: processing, lacks: []string{`"expression"`}},
		{method: "GET", path: "Observation?nonsense={a}", status: 400, has: processing},
		{method: "PUT", path: "Observation/x-{a}", body: note("{a}", "one", `,"id":"y-{a}"`), status: 400, has: processing},
		{method: "PUT", path: "Observation/x-{a}", body: `{"resourceType":"Observation"`, status: 400, has: processing},
	},
	"SeveralMatchesAreRefused": {
		{method: "POST", path: "Observation", body: note("{a}", "one", ""), status: 201},
		{method: "POST", path: "Observation", body: note("{a}", "two", ""), status: 201},
		{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "three", ""), status: 412, has: processing},
		{method: "POST", path: "Observation", body: note("{a}", "three", ""), headers: []string{"If-None-Exist", "identifier=s|{a}"}, status: 412, has: processing},
	},
	"SearchesAreAnsweredAsBefore": {
		{method: "GET", path: "Observation?identifier=s|{a}", status: 200, has: []string{`"total":0`}},
		{method: "POST", path: "Observation", body: note("{a}", "one", ""), status: 201},
		{method: "GET", path: "Observation?identifier=s|{a}", status: 200, has: []string{`"total":0`}},
		{method: "GET", path: "Observation?identifier=s|{a}", headers: []string{"Cache-Control", "no-cache"}, status: 200, has: []string{`"total":1`}},
	},
	"DeletionsAnswerWithAnOutcome": {
		{method: "POST", path: "Observation", body: note("{a}", "one", ""), keep: true, status: 201},
		{method: "DELETE", path: "Observation/{id}", status: 200, has: []string{`"OperationOutcome"`, `"informational"`}},
		{method: "DELETE", path: "Observation/{id}", status: 200, has: []string{`"OperationOutcome"`, `"informational"`}},
		{method: "DELETE", path: "Observation/none-{a}", status: 200, has: []string{`"OperationOutcome"`, `"informational"`}},
		{method: "GET", path: "Observation/{id}", status: 410, has: processing},
		{method: "PUT", path: "Observation/{id}", body: note("{a}", "two", `,"id":"{id}"`), headers: []string{"If-Match", `W/"1"`}, status: 409, has: processing},
	},
	"Transactions": {
		{method: "POST", path: "", body: bundled(note("{a}", "one", ""), `"method":"POST","url":"Observation","ifNoneExist":"identifier=s|{a}"`), status: 200,
			has: []string{`"transaction-response"`, `"201 Created"`, `"etag":"1"`}, lacks: []string{"one"}},
		{method: "POST", path: "", body: bundled(note("{a}", "two", ""), `"method":"POST","url":"Observation","ifNoneExist":"identifier=s|{a}"`), status: 200, has: []string{`"200 OK"`, `"etag":"1"`}},
		{method: "POST", path: "", body: bundled(note("{a}", "three", ""), `"method":"PUT","url":"Observation?identifier=s|{a}","ifNoneMatch":"*","ifMatch":"W/\"9\""`), status: 200,
			headers: []string{"Prefer", "return=representation"}, has: []string{`"200 OK"`, `"etag":"2"`, "three"}},
		{method: "PUT", path: "Observation/o-{b}", body: note("{b}", "one", `,"id":"o-{b}"`), status: 201},
		{method: "POST", path: "", body: bundled(note("{b}", "two", `,"id":"o-{b}"`), `"method":"PUT","url":"Observation/o-{b}","ifMatch":"W/\"9\""`), status: 409, has: processing},
		{method: "POST", path: "", body: bundled(note("{b}", "two", `,"id":"o-{b}"`), `"method":"PUT","url":"Observation/o-{b}","ifMatch":"W/\"1\""`), status: 200, has: []string{`"200 OK"`, `"etag":"2"`}},
	},
}

// strangers is what HAPI says to a reference to another server, unless it is
// told to take it.
var strangers = []asked{
	{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", `,"device":{"reference":"https://forms.example/fhir/Device/d"}`), status: 400, has: processing},
	{method: "PUT", path: "Observation?identifier=s|{a}", body: note("{a}", "one", `,"device":{"identifier":{"system":"s","value":"d"}}`), status: 201},
}

// note is an Observation by which versions are told apart.
func note(identifier, text, more string) string {
	return `{"resourceType":"Observation","status":"final","identifier":[{"system":"s","value":"` + identifier + `"}],"code":{"text":"` + text + `"}` + more + `}`
}

// bundled is a transaction of one entry.
func bundled(resource, request string) string {
	return `{"resourceType":"Bundle","type":"transaction","entry":[{"resource":` + resource + `,"request":{` + request + `}}]}`
}

// hold has a conversation and compares the answers.
func (b *bench) hold(conversation []asked) {
	b.t.Helper()
	known := []string{"{base}", b.url, "{a}", strings.ToLower(rand.Text()[:12]), "{b}", strings.ToLower(rand.Text()[:12])}
	for i, a := range conversation {
		names := strings.NewReplacer(known...)
		var headers []string
		for _, text := range a.headers {
			headers = append(headers, names.Replace(text))
		}
		r := b.send(a.method, strings.ReplaceAll(names.Replace(a.path), "|", "%7C"), names.Replace(a.body), headers...)
		said := fmt.Sprintf("request %d, %s %s: %d %s", i, a.method, a.path, r.status, r.body)
		require.Equal(b.t, a.status, r.status, said)
		for _, text := range a.has {
			require.Contains(b.t, r.body, names.Replace(text), said)
		}
		for _, text := range a.lacks {
			require.NotContains(b.t, r.body, names.Replace(text), said)
		}
		b.located(a, r, said)
		if a.keep {
			known = append(known, "{id}", parsed(b.t, r.body).text("id"))
		}
	}
}

// located checks the headers by which a client learns what was written: HAPI
// gives Location for POST only, and Content-Location for all.
func (b *bench) located(a asked, r reply, said string) {
	if a.tag != "" {
		require.Equal(b.t, a.tag, r.header.Get("ETag"), said)
	}
	if r.status >= 300 || a.path == "" || a.method != "PUT" && a.method != "POST" {
		return
	}
	require.Contains(b.t, r.header.Get("Content-Location"), "/_history/", said)
	require.Equal(b.t, a.method == "POST", r.header.Get("Location") != "", said)
}

func parsed(t testing.TB, body string) *object {
	tree, err := parse([]byte(body))
	require.NoError(t, err, body)
	return tree
}

// holdAll has every conversation with a server.
func holdAll(t *testing.T, with func(t *testing.T) *bench) {
	for _, name := range slices.Sorted(maps.Keys(conversations)) {
		t.Run(name, func(t *testing.T) { with(t).hold(conversations[name]) })
	}
}

func TestTheKindHAPI(t *testing.T) {
	t.Parallel()
	holdAll(t, func(t *testing.T) *bench { return ofKind(t, Kind{HAPI: true}) })
	t.Run("Strangers", func(t *testing.T) { ofKind(t, Kind{HAPI: true, OwnReferences: true}).hold(strangers) })
	t.Run("SearchesAgeAfterAMinute", func(t *testing.T) {
		b := ofKind(t, Kind{HAPI: true})
		require.Empty(t, b.send("GET", byIdentifier("x"), "").found())
		b.send("POST", "Observation", observed(identified("x"))).fhir(201)
		require.Empty(t, b.send("GET", byIdentifier("x"), "").found())
		b.now = b.now.Add(time.Minute)
		require.Len(t, b.send("GET", byIdentifier("x"), "").found(), 1)
	})
}

// TestTheStandardKindIsNotHAPI shows that the conversations tell the kinds apart.
func TestTheStandardKindIsNotHAPI(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.send("PUT", byIdentifier("a"), observed(identified("a"))).fhir(201)
	b.send("PUT", byIdentifier("a"), observed(identified("a")+`,"language":"en"`), "If-None-Match", "*").refused(http.StatusPreconditionFailed, codeConflict)
}

// TestHAPI holds the same conversations with the real one.
func TestHAPI(t *testing.T) {
	if why := hapi.Missing(); why != "" {
		t.Skip(why)
	}
	server, err := hapi.Start(t.TempDir())
	require.NoError(t, err)
	t.Cleanup(server.Kill)
	with := func(t *testing.T) *bench { return &bench{t: t, url: server.Base} }
	t.Run("Strangers", func(t *testing.T) { with(t).hold(strangers) })
	require.NoError(t, server.AllowStrangers(true))
	holdAll(t, with)
}
