package sandbox

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// bench is a server that is spoken to by HTTP, with ids n1, n2 and so on and a
// clock that moves on by a second with every request.
type bench struct {
	t      testing.TB
	server *Server
	url    string
	now    time.Time
}

func newBench(t testing.TB, adjust ...func(*Options)) *bench {
	b := &bench{t: t, now: time.Date(2024, 5, 10, 12, 0, 0, 0, time.UTC)}
	created := 0
	options := Options{
		Now:   func() time.Time { b.now = b.now.Add(time.Second); return b.now },
		NewID: func() string { created++; return fmt.Sprint("n", created) },
	}
	for _, each := range adjust {
		each(&options)
	}
	b.server = New(options)
	listening := httptest.NewServer(b.server)
	t.Cleanup(listening.Close)
	b.url = listening.URL + "/fhir"
	return b
}

// reply is an answer with its body read.
type reply struct {
	t      testing.TB
	status int
	header http.Header
	body   string
}

// send makes a request that must be answered; headers are name, value pairs.
func (b *bench) send(method, path, body string, headers ...string) reply {
	r, err := b.try(method, path, body, headers...)
	require.NoError(b.t, err)
	return r
}

// try makes a request that may get no answer.
func (b *bench) try(method, path, body string, headers ...string) (reply, error) {
	request, err := http.NewRequest(method, b.url+"/"+path, strings.NewReader(body))
	require.NoError(b.t, err)
	request.Header.Set("Content-Type", "application/fhir+json")
	for i := 0; i < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
	}
	response, err := http.DefaultTransport.RoundTrip(request)
	if err != nil {
		return reply{}, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(b.t, err)
	return reply{b.t, response.StatusCode, response.Header, string(text)}, nil
}

// fhir checks that the answer has that status and is sound R4, and reads it.
func (r reply) fhir(status int) *object {
	require.Equal(r.t, status, r.status, r.body)
	require.Equal(r.t, contentType, r.header.Get("Content-Type"))
	document, err := fhir.Decode([]byte(r.body))
	require.NoError(r.t, err, r.body)
	document.Release()
	tree, err := parse([]byte(r.body))
	require.NoError(r.t, err)
	return tree
}

// refused checks that the answer refuses with a status, an issue code and
// nothing of what was sent.
func (r reply) refused(status int, code string) {
	tree := r.fhir(status)
	require.Equal(r.t, "OperationOutcome", tree.text("resourceType"))
	issue := tree.list("issue")[0].(*object)
	require.Equal(r.t, code, issue.text("code"))
	require.Equal(r.t, "error", issue.text("severity"))
	require.NotEmpty(r.t, issue.child("details").text("text"))
	require.NotContains(r.t, r.body, "Thistledown")
}

// found are the ids in a searchset, whose total must be right.
func (r reply) found() []string {
	tree := r.fhir(http.StatusOK)
	require.Equal(r.t, "searchset", tree.text("type"))
	ids := []string{}
	for _, each := range tree.list("entry") {
		entry := each.(*object)
		require.Equal(r.t, "match", entry.child("search").text("mode"))
		id := entry.child("resource").text("id")
		require.True(r.t, strings.HasSuffix(entry.text("fullUrl"), "/"+id))
		ids = append(ids, id)
	}
	return ids
}

// observed is the body of an Observation with members besides the required.
func observed(members string) string {
	return `{"resourceType":"Observation","status":"final","code":{"text":"score"}` + members + `}`
}

// named gives the members id and identifier.
func named(id, identifier string) string {
	return fmt.Sprintf(`,"id":"%s","identifier":[{"system":"http://s.example","value":"%s"}]`, id, identifier)
}

// identified gives the member identifier.
func identified(identifier string) string {
	return fmt.Sprintf(`,"identifier":[{"system":"http://s.example","value":"%s"}]`, identifier)
}

// byIdentifier is the query for an identifier.
func byIdentifier(identifier string) string {
	return "Observation?identifier=http://s.example%7C" + identifier
}
