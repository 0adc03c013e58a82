package authserver_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// form is a token request as a client sends it.
func form(t *testing.T, jti string) url.Values {
	t.Helper()
	return url.Values{"grant_type": {"client_credentials"}, "client_assertion_type": {authserver.AssertionJWT},
		"client_assertion": {sign(t, clientRing(), "JWT", goodClaims(jti))}, "scope": {"system/QuestionnaireResponse.cu"}}
}

func post(body string) *http.Request {
	r := httptest.NewRequest(http.MethodPost, "/auth/token", strings.NewReader(body))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return r
}

func send(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestTheTokenEndpointAnswers(t *testing.T) {
	t.Parallel()
	w := send(server(t, options(t, newDial())).TokenHandler(nil), post(form(t, "a").Encode()))
	require.Equal(t, http.StatusOK, w.Code, w.Body)
	require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
	require.Equal(t, "no-cache", w.Header().Get("Pragma"))
	require.Equal(t, "application/json", w.Header().Get("Content-Type"))
	require.Equal(t, "nosniff", w.Header().Get("X-Content-Type-Options"))
	var answer map[string]any
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &answer))
	require.Equal(t, "bearer", answer["token_type"])
	require.EqualValues(t, 300, answer["expires_in"])
	require.Equal(t, "system/QuestionnaireResponse.cu", answer["scope"])
	require.Len(t, answer, 4, "no refresh token")
}

func TestTheTokenEndpointRefuses(t *testing.T) {
	t.Parallel()
	with := func(name string, values ...string) func(*testing.T) *http.Request {
		return func(t *testing.T) *http.Request {
			f := form(t, "a")
			f[name] = values
			return post(f.Encode())
		}
	}
	header := func(name, value string) func(*testing.T) *http.Request {
		return func(t *testing.T) *http.Request {
			r := post(form(t, "a").Encode())
			r.Header.Set(name, value)
			return r
		}
	}
	for name, c := range map[string]struct {
		request func(*testing.T) *http.Request
		status  int
		code    string
	}{
		"GET": {func(*testing.T) *http.Request { return httptest.NewRequest(http.MethodGet, "/auth/token", nil) }, 405, "invalid_request"},
		"parameters in the address": {func(t *testing.T) *http.Request {
			r := post(form(t, "a").Encode())
			r.URL.RawQuery = "scope=system/*.cruds"
			return r
		}, 400, "invalid_request"},
		"JSON":                      {header("Content-Type", "application/json"), 400, "invalid_request"},
		"no media type":             {header("Content-Type", ""), 400, "invalid_request"},
		"an Authorization header":   {header("Authorization", "Basic YTpi"), 400, "invalid_request"},
		"a secret beside it":        {with("client_secret", "a"), 400, "invalid_request"},
		"grant_type twice":          {with("grant_type", "client_credentials", "client_credentials"), 400, "invalid_request"},
		"an assertion twice":        {with("client_assertion", "a", "b"), 400, "invalid_request"},
		"scope twice":               {with("scope", "system/QuestionnaireResponse.r", "system/QuestionnaireResponse.c"), 400, "invalid_request"},
		"another grant":             {with("grant_type", "authorization_code"), 400, "unsupported_grant_type"},
		"no assertion":              {with("client_assertion"), 400, "invalid_request"},
		"an assertion that is none": {with("client_assertion", "a.b.c"), 400, "invalid_client"},
		"another client's id":       {with("client_id", "other"), 400, "invalid_client"},
		"a scope that is not ours":  {with("scope", "system/Patient.r"), 400, "invalid_scope"},
		"a body that is too long":   {with("padding", strings.Repeat("x", 40<<10)), 400, "invalid_request"},
		"a form that is none":       {func(*testing.T) *http.Request { return post("%zz") }, 400, "invalid_request"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			told := 0
			h := server(t, options(t, newDial())).TokenHandler(func(_ *http.Request, e *authserver.Error) { told++; require.Equal(t, c.code, e.Code) })
			w := send(h, c.request(t))
			require.Equal(t, c.status, w.Code)
			var answer map[string]string
			require.NoError(t, json.Unmarshal(w.Body.Bytes(), &answer))
			require.Equal(t, c.code, answer["error"])
			require.NotEmpty(t, answer["error_description"])
			require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
			if c.status == http.StatusBadRequest {
				require.Equal(t, 1, told, "audit is told")
			}
		})
	}
}

func TestTheKeysArePublished(t *testing.T) {
	t.Parallel()
	d := newDial()
	o := options(t, d)
	h := server(t, o).KeysHandler()
	w := send(h, httptest.NewRequest(http.MethodGet, "/auth/jwks", nil))
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, "application/jwk-set+json", w.Header().Get("Content-Type"))
	require.Equal(t, "public, max-age=300", w.Header().Get("Cache-Control"))
	keys, err := auth.ParseKeys(w.Body.Bytes())
	require.NoError(t, err)
	ring, err := o.Keys.Ring()
	require.NoError(t, err)
	require.Equal(t, ring.Public(), keys, "the current and the next one")
	require.Len(t, keys, 2)
	require.Equal(t, http.StatusMethodNotAllowed, send(h, post("")).Code)
}

// Another server finds the keys by the network alone.
func TestAVerifierElsewhereTakesTheTokens(t *testing.T) {
	t.Parallel()
	d := newDial()
	s := server(t, options(t, d))
	web := httptest.NewServer(s.KeysHandler())
	t.Cleanup(web.Close)
	v, err := auth.New(auth.Options{Audience: []string{baseURL}, Now: d.now, Issuers: []auth.Issuer{{URL: issuer, JWKSURL: web.URL}}})
	require.NoError(t, err)
	response, err := s.Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims("a")), "system/QuestionnaireResponse.r"))
	require.NoError(t, err)
	_, err = v.Verify(t.Context(), response.AccessToken)
	require.NoError(t, err)
}

func TestTheConfigurationIsOfThisServer(t *testing.T) {
	t.Parallel()
	c := server(t, options(t, newDial())).Configuration("https://tidemark.brindlemoor.example/auth/jwks", []string{"system/Observation.rs"})
	data, err := json.Marshal(c)
	require.NoError(t, err)
	require.JSONEq(t, `{"jwks_uri":"https://tidemark.brindlemoor.example/auth/jwks","token_endpoint":"`+tokenURL+`","grant_types_supported":["client_credentials"],
		"token_endpoint_auth_methods_supported":["private_key_jwt"],"token_endpoint_auth_signing_alg_values_supported":["RS384","ES384"],
		"code_challenge_methods_supported":["S256"],"scopes_supported":["system/Observation.rs"],
		"capabilities":["client-confidential-asymmetric","permission-v2","permission-v1"]}`, string(data))
}
