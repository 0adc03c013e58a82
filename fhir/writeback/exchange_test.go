package writeback

import (
	"context"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// roundTrip is a transport of one function.
type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

// answerOf is an answer that no server gave.
func answerOf(r *http.Request, status int, body string) *http.Response {
	return &http.Response{
		StatusCode: status, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1, Request: r,
		Header: http.Header{"Content-Type": {mediaType}}, Body: io.NopCloser(strings.NewReader(body)),
	}
}

// clientOf is a client of a server at that address.
func clientOf(t testing.TB, base string, transport http.RoundTripper) *client {
	if transport == nil {
		own := NewTransport()
		t.Cleanup(own.CloseIdleConnections)
		transport = own
	}
	c, err := Target{Name: targetName, Base: base + "/fhir", Transport: transport}.client(time.Now)
	require.NoError(t, err)
	return c
}

// ask makes a request to a server that answers as the handler says.
func ask(t testing.TB, a action, handler http.HandlerFunc) answer {
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	c := clientOf(t, server.URL, nil)
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	return c.do(ctx, exchange{action: a, url: c.instance("Observation", "h1"), body: []byte(`{}`)}, time.Hour)
}

// over is a context whose time is over when it is closed, which a test knows the
// moment of.
type over struct {
	context.Context
	done chan struct{}
}

// Done implements context.Context.
func (o over) Done() <-chan struct{} { return o.done }

// Err implements context.Context.
func (o over) Err() error {
	select {
	case <-o.done:
		return context.DeadlineExceeded
	default:
		return nil
	}
}

// TestNoAnswer: what is known after a request that got none, on real
// connections, for every way in which that can happen.
func TestNoAnswer(t *testing.T) {
	t.Parallel()
	requireNoAnswer := func(t *testing.T, c *client, ctx context.Context, write, read verdict) {
		require.Equal(t, write, c.do(ctx, exchange{action: creating, url: c.instance("Observation", "h1"), body: []byte(`{}`)}, 0).verdict)
		require.Equal(t, read, c.do(ctx, exchange{action: reading, url: c.instance("Observation", "h1")}, 0).verdict)
	}
	background := context.Background()
	t.Run("NobodyListens", func(t *testing.T) {
		t.Parallel()
		v := isAgain.with(FaultConnect).overall()
		requireNoAnswer(t, clientOf(t, "http://127.0.0.1:1", nil), background, v, v)
	})
	t.Run("NoSuchHost", func(t *testing.T) {
		t.Parallel()
		transport := &http.Transport{DialContext: func(context.Context, string, string) (net.Conn, error) {
			return nil, &net.OpError{Op: "dial", Err: &net.DNSError{Name: "ehr.example", IsNotFound: true}}
		}}
		v := isAgain.with(FaultName).overall()
		requireNoAnswer(t, clientOf(t, "http://ehr.example", transport), background, v, v)
	})
	t.Run("CertificateIsNotTrusted", func(t *testing.T) {
		t.Parallel()
		server := httptest.NewUnstartedServer(http.NotFoundHandler())
		server.Config.ErrorLog = log.New(io.Discard, "", 0)
		server.StartTLS()
		t.Cleanup(server.Close)
		v := isAgain.with(FaultCertificate).overall()
		requireNoAnswer(t, clientOf(t, server.URL, nil), background, v, v)
	})
	t.Run("TransportSentNothing", func(t *testing.T) {
		t.Parallel()
		transport := roundTrip(func(*http.Request) (*http.Response, error) { return nil, fmt.Errorf("no token: %w", ErrNotSent) })
		v := isAgain.with(FaultNotSent).overall()
		requireNoAnswer(t, clientOf(t, "http://ehr.example", transport), background, v, v)
	})
	t.Run("TransportThatDoesNotTraceIsTakenToHaveSent", func(t *testing.T) {
		t.Parallel()
		transport := roundTrip(func(*http.Request) (*http.Response, error) { return nil, io.ErrUnexpectedEOF })
		requireNoAnswer(t, clientOf(t, "http://ehr.example", transport), background,
			inDoubt(FaultConnection).overall(), isAgain.with(FaultConnection).overall())
	})
	t.Run("HangsUpWithoutAnAnswer", func(t *testing.T) {
		t.Parallel()
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { hangUp(w) }))
		t.Cleanup(server.Close)
		requireNoAnswer(t, clientOf(t, server.URL, nil), background,
			inDoubt(FaultConnection).overall(), isAgain.with(FaultConnection).overall())
	})
	t.Run("DoesNotAnswerInTime", func(t *testing.T) {
		t.Parallel()
		ctx := over{background, make(chan struct{})}
		server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			_, _ = io.Copy(io.Discard, r.Body)
			close(ctx.done)
			<-r.Context().Done()
		}))
		t.Cleanup(server.Close)
		c := clientOf(t, server.URL, nil)
		a := c.do(ctx, exchange{action: updating, url: c.instance("Observation", "h1"), body: []byte(`{}`)}, 0)
		require.Equal(t, inDoubt(FaultTimeout).overall(), a.verdict)
	})
	t.Run("StoppedWhileItWaits", func(t *testing.T) {
		t.Parallel()
		ctx, cancel := context.WithCancel(background)
		server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			_, _ = io.Copy(io.Discard, r.Body)
			cancel()
			<-r.Context().Done()
		}))
		t.Cleanup(server.Close)
		c := clientOf(t, server.URL, nil)
		a := c.do(ctx, exchange{action: creating, url: c.instance("Observation", "h1"), body: []byte(`{}`)}, 0)
		require.Equal(t, inDoubt(FaultStopped).overall(), a.verdict)
	})
}

// TestAnswerOfSuccess: a success is one only if FHIR proves it.
func TestAnswerOfSuccess(t *testing.T) {
	t.Parallel()
	const whole = `{"resourceType":"Observation","id":"h1","meta":{"versionId":"7"}}`
	say := func(status int, kind, body string, headers ...string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			for i := 0; i < len(headers); i += 2 {
				w.Header().Set(headers[i], headers[i+1])
			}
			w.WriteHeader(status)
			_, _ = io.WriteString(w, body)
		}
	}
	notFHIR := inDoubt(FaultNotFHIR)
	for name, c := range map[string]struct {
		handler  http.HandlerFunc
		verdict  verdict
		id, etag string
	}{
		"ResourceNamesItself":             {say(200, mediaType, whole), isDone, "h1", `W/"7"`},
		"HeaderComesBeforeMeta":           {say(200, mediaType, whole, "ETag", `W/"8"`), isDone, "h1", `W/"8"`},
		"LocationNamesWhatWasCreated":     {say(201, mediaType, "", "Location", "http://ehr.example/fhir/Observation/h2/_history/3"), isDone, "h2", `W/"3"`},
		"ContentLocationWillDo":           {say(200, mediaType, "", "Content-Location", "Observation/h2/_history/3"), isDone, "h2", `W/"3"`},
		"NothingNamesIt":                  {say(200, mediaType, ""), isDone, "", ""},
		"NoContent":                       {say(204, mediaType, ""), isDone, "", ""},
		"OperationOutcomeIsNotIt":         {say(200, mediaType, `{"resourceType":"OperationOutcome","id":"o1","meta":{"versionId":"1"}}`), isDone, "", ""},
		"IdThatIsNone":                    {say(200, mediaType, `{"resourceType":"Observation","id":"a b","meta":{"versionId":"x y"}}`), isDone, "", ""},
		"XMLNamedByLocation":              {say(201, "application/fhir+xml; charset=utf-8", "<Observation/>", "Location", "Observation/h2/_history/1"), isDone, "h2", `W/"1"`},
		"PageOfAGateway":                  {say(200, "text/html", "<html>Please log in</html>"), notFHIR, "", ""},
		"JSONThatIsNoResource":            {say(200, "application/json", `{"ok":true}`), notFHIR, "", ""},
		"JSONThatIsNoObject":              {say(200, "application/json", `[]`), notFHIR, "", ""},
		"JSONThatEndsEarly":               {say(200, mediaType, `{"resourceType":"Observation","id":"h1"`), notFHIR, "", ""},
		"MoreThanIsRead":                  {say(200, mediaType, `{"resourceType":"Observation","x":"`+strings.Repeat("x", maxAnswer)+`"}`), inDoubt(FaultTooLarge), "", ""},
		"BodyThatBreaksOff":               {breakOff, inDoubt(FaultConnection), "", ""},
		"AcceptedForLaterProvesNothing":   {say(202, mediaType, whole), inDoubt(FaultAccepted), "", ""},
		"RedirectIsNotFollowed":           {say(307, mediaType, "", "Location", "http://127.0.0.1:1/elsewhere"), isRedirect, "", ""},
		"RefusalIsOneThoughItLooksLikeIt": {say(422, mediaType, whole), isContent, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := ask(t, updating, c.handler)
			require.Equal(t, c.verdict, a.verdict)
			require.Equal(t, c.id, a.id)
			require.Equal(t, c.etag, a.etag)
			read := ask(t, reading, c.handler)
			if c.verdict.class == doubtful {
				require.Equal(t, again, read.class, "a read that proves nothing is made again")
			}
		})
	}
}

// breakOff promises more than it sends.
func breakOff(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", mediaType)
	w.Header().Set("Content-Length", "1000")
	_, _ = io.WriteString(w, `{"resourceType":`)
}

// TestIssues: of an OperationOutcome only codes and elements are kept, never
// what may quote the content.
func TestIssues(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		body   string
		issues []string
	}{
		"CodeAndElement":            {outcomeOf(`{"code":"required","expression":["Observation.component[3].code"]}`), []string{"required at Observation.component[3].code"}},
		"CodeOnly":                  {outcomeOf(`{"code":"business-rule"}`), []string{"business-rule"}},
		"TextIsNotKept":             {outcomeOf(`{"code":"value","diagnostics":"Oona","details":{"text":"Oona"}}`), []string{"value"}},
		"CodeOfNobodyIsNotKept":     {outcomeOf(`{"code":"Oona"}`), nil},
		"ExpressionWithAValueIsCut": {outcomeOf(`{"code":"value","expression":["Observation.where(subject='Oona')"]}`), []string{"value"}},
		"EachOnce":                  {outcomeOf(`{"code":"value"},{"code":"value"}`), []string{"value"}},
		"NoMoreThanCanBeRead":       {outcomeOf(`{"code":"value"},{"code":"required"},{"code":"invalid"},{"code":"structure"},{"code":"conflict"},{"code":"deleted"}`), []string{"value", "required", "invalid", "structure", "conflict"}},
		"AnotherResource":           {`{"resourceType":"Observation","issue":[{"code":"value"}]}`, nil},
		"NoJSON":                    {`<html>`, nil},
		"Nothing":                   {``, nil},
		"IssuesThatAreNone":         {`{"resourceType":"OperationOutcome","issue":["x",7,null,{"code":7,"expression":7}]}`, nil},
		"ExpressionsThatAreNone":    {outcomeOf(`{"code":"value","expression":[7]}`), []string{"value"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := ask(t, creating, func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Retry-After", "7")
				w.WriteHeader(http.StatusUnprocessableEntity)
				_, _ = io.WriteString(w, c.body)
			})
			require.Equal(t, isContent, a.verdict, "the status decides, whatever the outcome says")
			require.Equal(t, c.issues, a.issues)
			require.Equal(t, 7*time.Second, a.wait)
			require.NotContains(t, explain(a.fault, a.status, a.issues), "Oona")
		})
	}
	t.Run("ReasonNamesStatusAndIssues", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, sentences[FaultContent]+" (HTTP status 422) It names: value, required.",
			explain(FaultContent, 422, []string{"value", "required"}))
	})
}

// outcomeOf is an OperationOutcome with issues.
func outcomeOf(issues string) string {
	return `{"resourceType":"OperationOutcome","issue":[` + issues + `]}`
}

// TestRequest: what is asked is what R4 says (http.html 3.1.0.4).
func TestRequest(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		exchange exchange
		method   string
		headers  map[string]string
	}{
		"ConditionalUpdateCreatesOnly": {exchange{action: creating}, "PUT", map[string]string{"If-None-Match": "*", "If-Match": "", "Content-Type": mediaType}},
		"UpdateNamesTheVersion":        {exchange{action: updating, ifMatch: `W/"3"`}, "PUT", map[string]string{"If-None-Match": "", "If-Match": `W/"3"`, "Content-Type": mediaType}},
		"UpdateWithoutVersion":         {exchange{action: updating}, "PUT", map[string]string{"If-None-Match": "", "If-Match": ""}},
		"ReadIsNotFromACache":          {exchange{action: reading}, "GET", map[string]string{"Cache-Control": "no-cache", "Content-Type": "", "If-None-Match": ""}},
		"SearchIsNotFromACache":        {exchange{action: searching}, "GET", map[string]string{"Cache-Control": "no-cache", "Content-Type": "", "If-None-Match": ""}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.exchange.url = "http://ehr.example/fhir/Observation"
			r, err := c.exchange.request(context.Background())
			require.NoError(t, err)
			require.Equal(t, c.method, r.Method)
			require.Equal(t, mediaType, r.Header.Get("Accept"))
			for header, value := range c.headers {
				require.Equal(t, value, r.Header.Get(header), header)
			}
		})
	}
	t.Run("UrlThatIsNoneSendsNothing", func(t *testing.T) {
		t.Parallel()
		c := clientOf(t, "http://ehr.example", nil)
		require.Equal(t, isAgain.with(FaultNotSent), c.do(context.Background(), exchange{action: creating, url: "http://\x00"}, 0).verdict)
	})
}

// TestMatches: a search is believed only where all that it found is what was
// asked for.
func TestMatches(t *testing.T) {
	t.Parallel()
	id := identifier{"s", "v"}
	ours := `{"resourceType":"Observation","id":"h1","identifier":[{"system":"x","value":"y"},{"system":"s","value":"v"}]}`
	for name, c := range map[string]struct {
		bundle string
		found  int
		fails  bool
	}{
		"None":                      {`{"resourceType":"Bundle"}`, 0, false},
		"One":                       {`{"resourceType":"Bundle","entry":[{"resource":` + ours + `,"search":{"mode":"match"}}]}`, 1, false},
		"OneWithoutMode":            {`{"resourceType":"Bundle","entry":[{"resource":` + ours + `}]}`, 1, false},
		"Two":                       {`{"resourceType":"Bundle","entry":[{"resource":` + ours + `},{"resource":` + ours + `}]}`, 2, false},
		"IncludedAndOutcomeSkipped": {`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient"},"search":{"mode":"include"}},{"resource":{"resourceType":"OperationOutcome"},"search":{"mode":"outcome"}}]}`, 0, false},
		"AnotherIdentifier":         {`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Observation","identifier":[{"system":"s","value":"w"}]}}]}`, 0, true},
		"AnotherType":               {`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Patient","identifier":[{"system":"s","value":"v"}]}}]}`, 0, true},
		"NoIdentifier":              {`{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"Observation"}}]}`, 0, true},
		"NoResource":                {`{"resourceType":"Bundle","entry":[{}]}`, 0, true},
		"NoBundle":                  {ours, 0, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found, err := matches(tree(t, c.bundle), "Observation", id)
			require.Equal(t, c.fails, err != nil)
			require.Len(t, found, c.found)
		})
	}
}
