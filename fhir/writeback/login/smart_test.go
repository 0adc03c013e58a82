package login_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/fhir/writeback/login"
)

func TestAStrictTokenEndpointIsContent(t *testing.T) {
	t.Parallel()
	for algorithm, ring := range rings {
		t.Run(algorithm, func(t *testing.T) {
			t.Parallel()
			h := newHospital(t, ring())
			h.algorithms = []string{algorithm}
			s := newSender(t, h.base(), ring(), h.clock)
			for range 3 {
				s.sends("score")
			}
			asked, heard := h.counts()
			require.Empty(t, h.refused)
			require.Equal(t, 1, asked, "one token serves while it is good")
			require.Equal(t, []string{"token-1 score", "token-1 score", "token-1 score"}, heard)
			require.Empty(t, s.log.String())
		})
	}
	t.Run("of this program's own", func(t *testing.T) {
		t.Parallel()
		for _, ring := range rings {
			tokens, err := authserver.New(ownOptions(t, ring()))
			require.NoError(t, err)
			mux := http.NewServeMux()
			mux.Handle("/fhir/auth/token", tokens.TokenHandler(nil))
			mux.HandleFunc("/fhir/Observation/1", func(w http.ResponseWriter, r *http.Request) {
				if !strings.HasPrefix(r.Header.Get("Authorization"), "Bearer eyJ") {
					w.WriteHeader(http.StatusUnauthorized)
				}
			})
			server := httptest.NewServer(mux)
			t.Cleanup(server.Close)
			s := newSender(t, server.URL+"/fhir", ring(), newClock(), func(o *login.ClientOptions) {
				o.TokenURL = "https://ehr.example/fhir/auth/token"
				o.Transport = sentTo(server.URL)
			})
			s.sends("score")
			require.Equal(t, 1, s.asked.of(login.Given))
		}
	})
}

// sentTo sends what is for elsewhere to a server of the test.
func sentTo(address string) http.RoundTripper {
	return roundTripper(func(r *http.Request) (*http.Response, error) {
		here := r.Clone(r.Context())
		here.URL.Scheme, here.URL.Host = "http", strings.TrimPrefix(address, "http://")
		return http.DefaultTransport.RoundTrip(here)
	})
}

type roundTripper func(*http.Request) (*http.Response, error)

func (f roundTripper) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

// ownOptions are those of the token endpoint of this program, with the client
// registered.
func ownOptions(t *testing.T, ring *authserver.Ring) authserver.Options {
	t.Helper()
	path := t.TempDir() + "/keys.json"
	require.NoError(t, authserver.WriteRing(path, rings["ES384"]()))
	keys, err := authserver.OpenRing(path, nil)
	require.NoError(t, err)
	scopes, _, err := auth.ParseScopes(scope)
	require.NoError(t, err)
	return authserver.Options{Issuer: "https://ehr.example/fhir", TokenURL: "https://ehr.example/fhir/auth/token", Audience: "https://ehr.example/fhir",
		Keys: keys, Replays: authserver.NewMemoryReplays(time.Now), Clients: []authserver.Client{{ID: clientID, Keys: auth.NewFixedKeys(ring.Public()), Scopes: scopes}}}
}

// TestTokensAreRenewedBeforeTheyEnd with a new assertion each time, since the
// hospital takes each jti once.
func TestTokensAreRenewedBeforeTheyEnd(t *testing.T) {
	t.Parallel()
	h := newHospital(t, rings["ES384"]())
	s := newSender(t, h.base(), rings["ES384"](), h.clock)
	s.sends("1")
	h.clock.pass(269 * time.Second)
	s.sends("2")
	h.clock.pass(time.Second)
	s.sends("3")
	asked, heard := h.counts()
	require.Equal(t, 2, asked)
	require.Equal(t, []string{"token-1 1", "token-1 2", "token-2 3"}, heard, "30 s before its end a token is renewed")
	for range 10 {
		h.clock.pass(5 * time.Minute)
		s.sends("more")
	}
	require.Empty(t, h.refused)
	require.Len(t, h.seen, 12, "every assertion has a jti of its own")

	t.Run("a fifth of its life before, if it is short", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		h.lifetime = 10 * time.Second
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		s.sends("1")
		h.clock.pass(7 * time.Second)
		s.sends("2")
		h.clock.pass(time.Second)
		s.sends("3")
		_, heard := h.counts()
		require.Equal(t, []string{"token-1 1", "token-1 2", "token-2 3"}, heard)
	})
	t.Run("a new key signs after a rotation", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		rotated, err := rings["ES384"]().Rotate(time.Now().Add(time.Hour))
		require.NoError(t, err)
		s := newSender(t, h.base(), rotated, h.clock)
		s.sends("signed by the key that was next when the hospital read our keys")
		require.Empty(t, h.refused)
	})
}

func TestTokenThatEndsWhileSending(t *testing.T) {
	t.Parallel()
	t.Run("is renewed once, and the whole request sent again", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		s.sends("1")
		h.revoke()
		body := strings.Repeat("a body that must arrive whole ", 10_000)
		s.sends(body)
		asked, heard := h.counts()
		require.Equal(t, 2, asked)
		require.Equal(t, []string{"token-1 1", "token-1 " + body, "token-2 " + body}, heard)
	})
	t.Run("is given up if the new one is refused too", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		h.refuses = true
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		status, err := s.put("score")
		require.NoError(t, err)
		require.Equal(t, http.StatusUnauthorized, status, "the refusal is for the sender to classify")
		asked, heard := h.counts()
		require.Equal(t, 2, asked)
		require.Equal(t, []string{"token-1 score", "token-2 score"}, heard)
	})
	t.Run("and no other can be had: the refusal stands", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		s.sends("1")
		h.revoke()
		h.set(func() {
			h.instead = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) }
		})
		status, err := s.put("2")
		require.NoError(t, err)
		require.Equal(t, http.StatusUnauthorized, status)
		_, heard := h.counts()
		require.Len(t, heard, 2, "nothing is sent again without a token")
	})
	t.Run("with a body that cannot be had again", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		h.refuses = true
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		request, err := http.NewRequest(http.MethodPut, h.base()+"/Observation/1", io.NopCloser(strings.NewReader("once")))
		require.NoError(t, err)
		response, err := s.http.Do(request)
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		require.Equal(t, http.StatusUnauthorized, response.StatusCode)
		asked, _ := h.counts()
		require.Equal(t, 1, asked)
	})
	t.Run("is not renewed for a 403", func(t *testing.T) {
		t.Parallel()
		asked := 0
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/token" {
				asked++
				w.Header().Set("Content-Type", "application/json")
				_, _ = io.WriteString(w, `{"access_token":"a","token_type":"Bearer","expires_in":300}`)
				return
			}
			w.WriteHeader(http.StatusForbidden)
		}))
		t.Cleanup(server.Close)
		s := newSender(t, server.URL+"/fhir", rings["ES384"](), newClock(), func(o *login.ClientOptions) { o.TokenURL = server.URL + "/token" })
		status, err := s.put("score")
		require.NoError(t, err)
		require.Equal(t, http.StatusForbidden, status)
		require.Equal(t, 1, asked)
	})
}

// TestClocksThatDiffer says what a hospital's clock may be off by.
func TestClocksThatDiffer(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		ours time.Duration
		good bool
	}{
		"TheSame":           {0, true},
		"OursBehindByThree": {-3 * time.Minute, true},
		"OursBehindByFive":  {-5 * time.Minute, false},
		"OursAheadByTwo":    {2 * time.Minute, false},
		"OursAheadADay":     {24 * time.Hour, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHospital(t, rings["ES384"]())
			ours := newClock()
			ours.at = h.clock.at.Add(c.ours)
			s := newSender(t, h.base(), rings["ES384"](), ours)
			status, err := s.put("score")
			if c.good {
				require.NoError(t, err)
				require.Equal(t, http.StatusOK, status)
				return
			}
			require.ErrorIs(t, err, writeback.ErrLogin)
			require.ErrorContains(t, err, "invalid_client (HTTP status 400); this machine's clock differs from the server's by "+c.ours.String())
		})
	}
}

// tokenFault is an answer of a token endpoint that gives no token.
type tokenFault struct {
	answer  http.HandlerFunc
	says    string
	forGood bool
}

// answers is a token endpoint's answer.
func answers(status int, contentType, body string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", contentType)
		w.WriteHeader(status)
		_, _ = io.WriteString(w, body)
	}
}

const secretText = "do-not-repeat-me"

var tokenFaults = map[string]tokenFault{
	"UnknownClient":      {answers(400, "application/json", `{"error":"invalid_client","error_description":"`+secretText+`"}`), "invalid_client (HTTP status 400)", true},
	"UnknownClientBy401": {answers(401, "application/json", `{"error":"invalid_client"}`), "invalid_client (HTTP status 401)", true},
	"UnknownScope":       {answers(400, "application/json", `{"error":"invalid_scope"}`), "invalid_scope (HTTP status 400)", true},
	"CodeOfItsOwn":       {answers(400, "application/json", `{"error":"`+secretText+`"}`), "no error code of OAuth (HTTP status 400)", true},
	"NotFound":           {answers(404, "text/html", "<html>"+secretText), "no error code of OAuth (HTTP status 404)", true},
	"Elsewhere": {func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Location", "/other")
		w.WriteHeader(http.StatusTemporaryRedirect)
	}, "HTTP status 307", true},
	"Busy":            {answers(503, "application/json", `{"error":"temporarily_unavailable"}`), "temporarily_unavailable (HTTP status 503)", false},
	"BusyBy400":       {answers(400, "application/json", `{"error":"temporarily_unavailable"}`), "temporarily_unavailable (HTTP status 400)", false},
	"BadGateway":      {answers(502, "text/html", "<html>"+secretText), "HTTP status 502", false},
	"TooMany":         {answers(429, "text/plain", ""), "HTTP status 429", false},
	"LoginPage":       {answers(200, "text/html", "<html>"+secretText), "no JSON", false},
	"LoginPageAsJSON": {answers(200, "application/json", "<html>"+secretText), "no JSON", false},
	"Nothing":         {answers(200, "application/json", ""), "no JSON", false},
	"JSONWithoutOne":  {answers(200, "application/json", `{"token_type":"bearer"}`), "access_token is missing", false},
	"AnotherType":     {answers(200, "application/json", `{"access_token":"`+secretText+`","token_type":"mac"}`), "token_type is not bearer", false},
	"TokenOfTwoLines": {answers(200, "application/json", `{"access_token":"`+secretText+`\r\nHost: a","token_type":"bearer"}`), "access_token is missing, or is none", false},
	"Huge":            {answers(200, "application/json", `{"access_token":"`+strings.Repeat("a", 1<<20)+`","token_type":"bearer"}`), "too large", false},
	"HugeRefusal":     {answers(400, "application/json", `{"error":"invalid_client","x":"`+strings.Repeat("a", 1<<20)+`"}`), "HTTP status 400", true},
	"CutShort": {func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Length", "100")
		_, _ = io.WriteString(w, `{"access_token"`)
	}, "reading the answer", false},
	"Endless": {func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		for {
			if _, err := io.WriteString(w, strings.Repeat(" ", 1<<16)); err != nil {
				return // the client has hung up
			}
		}
	}, "too large", false},
	"Reset": {func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, "/token", false},
}

func TestTokenEndpointThatGivesNone(t *testing.T) {
	t.Parallel()
	for name, c := range tokenFaults {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			fhir := 0
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if r.URL.Path != "/token" {
					fhir++
					return
				}
				c.answer(w, r)
			}))
			t.Cleanup(server.Close)
			clock := newClock()
			s := newSender(t, server.URL+"/fhir", rings["ES384"](), clock, func(o *login.ClientOptions) { o.TokenURL = server.URL + "/token" })
			_, err := s.put("score")
			require.ErrorIs(t, err, writeback.ErrNotSent, "nothing counts as in doubt")
			require.Equal(t, c.forGood, errors.Is(err, writeback.ErrLogin), "%v", err)
			require.ErrorContains(t, err, c.says)
			require.Zero(t, fhir, "nothing goes to the hospital without a token")
			outcome := map[bool]login.Outcome{true: login.Refused, false: login.Unavailable}[c.forGood]
			require.Equal(t, 1, s.asked.of(outcome))
			for _, text := range []string{err.Error(), s.log.String()} {
				require.NotContains(t, text, secretText)
				require.NotContains(t, text, "eyJ", "no part of an assertion")
			}
			require.Contains(t, s.log.String(), "no access token for the target")
		})
	}
	t.Run("Down", func(t *testing.T) {
		t.Parallel()
		server := httptest.NewServer(nil)
		address := server.URL
		server.Close()
		s := newSender(t, address+"/fhir", rings["ES384"](), newClock())
		_, err := s.put("score")
		require.ErrorIs(t, err, writeback.ErrNotSent)
		require.NotErrorIs(t, err, writeback.ErrLogin)
	})
	t.Run("Slow", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		release := make(chan struct{})
		t.Cleanup(func() { close(release) })
		h.instead = func(http.ResponseWriter, *http.Request) { <-release }
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		ctx, cancel := context.WithCancelCause(t.Context())
		cancel(errors.New("the sender has waited long enough"))
		request, err := http.NewRequestWithContext(ctx, http.MethodPut, h.base()+"/Observation/1", strings.NewReader("score"))
		require.NoError(t, err)
		_, err = s.http.Transport.RoundTrip(request)
		require.ErrorIs(t, err, writeback.ErrNotSent)
		require.ErrorContains(t, err, "long enough")
	})
}

// TestATokenEndpointIsLeftInPeace after it failed, and a token that is still
// good serves to its end.
func TestATokenEndpointIsLeftInPeace(t *testing.T) {
	t.Parallel()
	h := newHospital(t, rings["ES384"]())
	s := newSender(t, h.base(), rings["ES384"](), h.clock)
	s.sends("1")
	h.set(func() { h.instead = answers(503, "text/plain", "") })
	h.clock.pass(280 * time.Second)
	s.sends("2")
	s.sends("3")
	asked, _ := h.counts()
	require.Equal(t, 2, asked, "it is asked again after a second, not at once")
	h.clock.pass(10 * time.Second)
	s.sends("4")
	asked, _ = h.counts()
	require.Equal(t, 3, asked)
	h.clock.pass(10 * time.Second)
	_, err := s.put("5")
	require.ErrorIs(t, err, writeback.ErrNotSent, "and then it has ended")
	h.set(func() { h.instead = nil })
	h.clock.pass(time.Second)
	s.sends("6")
	_, heard := h.counts()
	require.Equal(t, []string{"token-1 1", "token-1 2", "token-1 3", "token-1 4", "token-2 6"}, heard)
}

func TestManySendersAskOnce(t *testing.T) {
	t.Parallel()
	h := newHospital(t, rings["ES384"]())
	s := newSender(t, h.base(), rings["ES384"](), h.clock)
	all := func() {
		var group sync.WaitGroup
		for i := range 32 {
			group.Go(func() {
				status, err := s.put(fmt.Sprint(i))
				if err != nil || status != http.StatusOK {
					t.Errorf("sender %d: status %d, %v", i, status, err)
				}
			})
		}
		group.Wait()
	}
	all()
	asked, _ := h.counts()
	require.Equal(t, 1, asked)
	h.revoke()
	all()
	asked, _ = h.counts()
	require.Equal(t, 2, asked, "all met a 401, and one token serves them all")

	t.Run("and do not end the question of another", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		arrived, release := make(chan struct{}), make(chan struct{})
		h.instead = func(w http.ResponseWriter, r *http.Request) {
			close(arrived)
			<-release
			answers(200, "application/json", `{"access_token":"late","token_type":"bearer","expires_in":300}`)(w, r)
		}
		h.ends["late"] = h.clock.at.Add(time.Hour)
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		ctx, cancel := context.WithCancel(t.Context())
		first := make(chan error, 1)
		go func() {
			request, err := http.NewRequestWithContext(ctx, http.MethodPut, h.base()+"/Observation/1", strings.NewReader("score"))
			if err == nil {
				_, err = s.http.Transport.RoundTrip(request)
			}
			first <- err
		}()
		<-arrived
		second := make(chan int, 1)
		go func() {
			status, err := s.put("other")
			if err != nil {
				t.Error(err)
			}
			second <- status
		}()
		cancel()
		require.ErrorIs(t, <-first, writeback.ErrNotSent)
		close(release)
		require.Equal(t, http.StatusOK, <-second)
	})
}

func TestLifetimes(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]time.Duration{
		`300`: 5 * time.Minute, `"300"`: 5 * time.Minute, `3e2`: 5 * time.Minute, `null`: 5 * time.Minute, `0`: 0, `-1`: 0, `"soon"`: 0, `"NaN"`: 0, `[]`: 0,
		`1e300`: 24 * time.Hour, `1e999`: 0, `31536000`: 24 * time.Hour,
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			server := httptest.NewServer(answers(200, "application/json; charset=utf-8", `{"access_token":"a","token_type":"BEARER","expires_in":`+text+`}`))
			t.Cleanup(server.Close)
			s := newSender(t, server.URL+"/fhir", rings["ES384"](), newClock(), func(o *login.ClientOptions) { o.TokenURL = server.URL + "/token" })
			token, err := s.client.Token(t.Context())
			require.NoError(t, err)
			require.Equal(t, want, token.Lifetime)
			s.sends("even if it says that it has ended, it is tried once")
		})
	}
}

func TestDiscoveryOfTheTokenEndpoint(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		answer  http.HandlerFunc
		says    string
		forGood bool
	}{
		"NotThere":    {answers(404, "application/json", "{}"), "gives no smart-configuration (HTTP status 404)", true},
		"Busy":        {answers(503, "application/json", "{}"), "gives no smart-configuration (HTTP status 503)", false},
		"APage":       {answers(200, "text/html", "<html>"), "is no JSON", false},
		"Huge":        {answers(200, "application/json", `{"x":"`+strings.Repeat("a", 1<<20)+`"}`), "too large", false},
		"NamesNone":   {answers(200, "application/json", `{}`), "names no token endpoint", true},
		"Relative":    {answers(200, "application/json", `{"token_endpoint":"/token"}`), "names no token endpoint", true},
		"WithoutTLS":  {answers(200, "application/json", `{"token_endpoint":"http://login.example/token"}`), "names no token endpoint", true},
		"OfAnother":   {answers(200, "application/json", `{"token_endpoint":"file:///token"}`), "names no token endpoint", true},
		"InAFragment": {answers(200, "application/json", `{"token_endpoint":"https://login.example/token#a"}`), "names no token endpoint", true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := httptest.NewServer(c.answer)
			t.Cleanup(server.Close)
			s := newSender(t, server.URL+"/fhir", rings["ES384"](), newClock())
			_, err := s.put("score")
			require.ErrorContains(t, err, c.says)
			require.ErrorIs(t, err, writeback.ErrNotSent)
			require.Equal(t, c.forGood, errors.Is(err, writeback.ErrLogin))
		})
	}
	t.Run("tells which algorithm a refusal may be for", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t, rings["ES384"]())
		h.algorithms = []string{"RS384"}
		s := newSender(t, h.base(), rings["ES384"](), h.clock)
		_, err := s.put("score")
		require.ErrorContains(t, err, "invalid_client (HTTP status 400); our keys are for ES384, and it takes RS384")
		require.NotContains(t, err.Error(), "eyJ", "the endpoint's own words repeat the assertion")
	})
}

func TestScopesThatAreNotGranted(t *testing.T) {
	t.Parallel()
	server := httptest.NewServer(answers(200, "application/json", `{"access_token":"a","token_type":"bearer","scope":"system/Observation.rs","expires_in":0}`))
	t.Cleanup(server.Close)
	s := newSender(t, server.URL+"/fhir", rings["ES384"](), newClock(), func(o *login.ClientOptions) {
		o.TokenURL, o.Scope = server.URL+"/token", "system/Observation.crus system/Observation.rs"
	})
	s.sends("1")
	s.sends("2")
	require.Equal(t, 1, strings.Count(s.log.String(), `missing=system/Observation.crus`), "told once: "+s.log.String())
}

// TestKeysThatCannotSign is a key file that was taken away while the service
// runs.
func TestKeysThatCannotSign(t *testing.T) {
	t.Parallel()
	h := newHospital(t, rings["ES384"]())
	s := newSender(t, h.base(), unable{}, h.clock)
	_, err := s.put("score")
	require.ErrorIs(t, err, writeback.ErrLogin)
	require.ErrorContains(t, err, "the keys are gone")
}

type unable struct{}

func (unable) Sign(string, any) (string, error) { return "", errors.New("the keys are gone") }

func TestATokenDoesNotShowItself(t *testing.T) {
	t.Parallel()
	token := login.Token{Text: secretText, Lifetime: time.Minute}
	text := fmt.Sprintf("%v %+v %#v %s", token, token, token, &token)
	require.NotContains(t, text, secretText)
	require.Contains(t, text, "1m0s")
	require.NotContains(t, token.LogValue().String(), secretText)
}

func TestClientNeedsWhatItNeeds(t *testing.T) {
	t.Parallel()
	full := login.ClientOptions{Base: "https://ehr.example/fhir", ID: clientID, Scope: scope, Keys: unable{}, Transport: http.DefaultTransport}
	_, err := login.NewClient(full)
	require.NoError(t, err)
	for name, take := range map[string]func(*login.ClientOptions){
		"Base": func(o *login.ClientOptions) { o.Base = "" }, "ID": func(o *login.ClientOptions) { o.ID = "" }, "Scope": func(o *login.ClientOptions) { o.Scope = "" },
		"Keys": func(o *login.ClientOptions) { o.Keys = nil }, "Transport": func(o *login.ClientOptions) { o.Transport = nil },
	} {
		options := full
		take(&options)
		_, err := login.NewClient(options)
		require.ErrorContains(t, err, name)
	}
	_, err = login.SMART(login.SMARTOptions{})
	require.Error(t, err)
}
