package authserver_test

import (
	"context"
	"encoding/base64"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// What is issued is verified by the same code as anybody's token.
func TestATokenIsIssuedAndVerified(t *testing.T) {
	t.Parallel()
	for name, ring := range map[string]*authserver.Ring{"ES384": clientRing(), "RS384": clientRSA()} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := newDial()
			o := options(t, d)
			s := server(t, o)
			response, err := s.Token(t.Context(), request(sign(t, ring, "JWT", goodClaims("1")), "system/QuestionnaireResponse.cu"))
			require.NoError(t, err)
			require.Equal(t, "bearer", response.TokenType)
			require.Equal(t, 300, response.ExpiresIn)
			require.Equal(t, "system/QuestionnaireResponse.cu", response.Scope)
			v, err := auth.New(auth.Options{Audience: []string{baseURL}, Now: d.now, Issuers: []auth.Issuer{{URL: issuer, Keys: o.Keys.Keys()}}})
			require.NoError(t, err)
			grant, err := v.Verify(t.Context(), response.AccessToken)
			require.NoError(t, err)
			require.Equal(t, portal, grant.ClientID)
			require.Equal(t, portal, grant.Subject)
			require.True(t, grant.Allows("QuestionnaireResponse", auth.Create|auth.Update))
			require.False(t, grant.Allows("QuestionnaireResponse", auth.Read))
			require.Equal(t, noon.Unix()+300, grant.Expires.Unix())
			d.turn(331 * time.Second)
			_, err = v.Verify(t.Context(), response.AccessToken)
			require.ErrorContains(t, err, "expired")
		})
	}
}

func TestAccessTokensAreAsRFC9068Says(t *testing.T) {
	t.Parallel()
	s := server(t, options(t, newDial()))
	issued := map[any]bool{}
	for _, jti := range []string{"1", "2"} {
		response, err := s.Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims(jti)), "system/Observation.rs?category=survey"))
		require.NoError(t, err)
		parts := strings.Split(response.AccessToken, ".")
		header, claims := part(t, parts[0]), part(t, parts[1])
		require.Equal(t, "at+jwt", header["typ"])
		require.Equal(t, "ES384", header["alg"])
		for _, name := range []string{"iss", "exp", "aud", "sub", "client_id", "iat", "jti", "scope"} {
			require.Contains(t, claims, name)
		}
		require.False(t, issued[claims["jti"]], "each has its own jti")
		issued[claims["jti"]] = true
	}
}

// An assertion is no access token, and an access token is no assertion.
func TestTokensOfOneKindAreNotTakenForTheOther(t *testing.T) {
	t.Parallel()
	d := newDial()
	o := options(t, d)
	s := server(t, o)
	assertion := sign(t, clientRing(), "JWT", goodClaims("1"))
	response, err := s.Token(t.Context(), request(assertion, "system/QuestionnaireResponse.r"))
	require.NoError(t, err)
	_, err = s.Token(t.Context(), request(response.AccessToken, "system/QuestionnaireResponse.r"))
	require.Equal(t, authserver.CodeInvalidClient, refused(t, err).Code)
	v, err := auth.New(auth.Options{Audience: []string{baseURL, tokenURL}, Now: d.now,
		Issuers: []auth.Issuer{{URL: portal2URL, Keys: auth.NewFixedKeys(clientRing().Public()), Types: []string{"at+jwt", "JWT"}}}})
	require.NoError(t, err)
	_, err = v.Verify(t.Context(), sign(t, clientRing(), "JWT", goodClaims("2").with(members{"iss": portal2URL, "sub": portal2URL})))
	require.ErrorContains(t, err, "client_id", "it lacks what an access token has")
}

const portal2URL = "https://portal2.example"

func TestAssertionsAreRefused(t *testing.T) {
	t.Parallel()
	now := noon.Unix()
	list := map[string]members{
		"iss missing":                {"iss": nil},
		"iss unknown":                {"iss": "nobody", "sub": "nobody"},
		"iss of another client":      {"iss": "other", "sub": "other"},
		"sub missing":                {"sub": nil},
		"sub another":                {"sub": "other"},
		"sub in other case":          {"sub": strings.ToUpper(portal)},
		"aud missing":                {"aud": nil},
		"aud the FHIR base":          {"aud": baseURL},
		"aud with a slash":           {"aud": tokenURL + "/"},
		"aud a prefix":               {"aud": strings.TrimSuffix(tokenURL, "n")},
		"aud others":                 {"aud": []string{baseURL, issuer + "/token"}},
		"jti missing":                {"jti": nil},
		"jti empty":                  {"jti": ""},
		"jti a number":               {"jti": 1},
		"jti too long":               {"jti": strings.Repeat("j", 257)},
		"exp missing":                {"exp": nil},
		"exp text":                   {"exp": "1"},
		"exp with a fraction":        {"exp": float64(now) + 60.5},
		"exp past the leeway":        {"exp": now - 30},
		"exp more than five minutes": {"exp": now + 331},
		"nbf in the future":          {"nbf": now + 31},
		"iat in the future":          {"iat": now + 31},
	}
	for name, change := range list {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := server(t, options(t, newDial()))
			_, err := s.Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims("a").with(change)), "system/QuestionnaireResponse.r"))
			requireInvalidClient(t, err)
		})
	}
	for name, text := range forgedAssertions(t) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := server(t, options(t, newDial()))
			_, err := s.Token(t.Context(), request(text, "system/QuestionnaireResponse.r"))
			requireInvalidClient(t, err)
		})
	}
}

// All failures look the same, so that nobody learns which clients there are.
func requireInvalidClient(t *testing.T, err error) {
	t.Helper()
	refusal := refused(t, err)
	require.Equal(t, http.StatusBadRequest, refusal.Status)
	require.Equal(t, authserver.CodeInvalidClient, refusal.Code)
	require.Equal(t, "The client could not be authenticated.", refusal.Text)
}

// forgedAssertions are wrong in form, header or signature.
func forgedAssertions(t *testing.T) map[string]string {
	t.Helper()
	good := sign(t, clientRing(), "JWT", goodClaims("a"))
	parts := strings.Split(good, ".")
	head := func(change members) string {
		h := part(t, parts[0]).with(change)
		var b strings.Builder
		b.WriteString(`{"alg":"` + h["alg"].(string) + `","kid":"` + h["kid"].(string) + `","typ":"JWT"`)
		for name := range change {
			if text, is := h[name].(string); is && name != "alg" && name != "kid" {
				b.WriteString(`,"` + name + `":"` + text + `"`)
			}
		}
		b.WriteString("}")
		return base64.RawURLEncoding.EncodeToString([]byte(b.String()))
	}
	return map[string]string{
		"empty parts":             "..",
		"not a token":             "assertion",
		"five parts":              good + ".a.b",
		"typ at+jwt":              sign(t, clientRing(), "at+jwt", goodClaims("a")),
		"typ empty":               sign(t, clientRing(), "", goodClaims("a")),
		"a key of another client": sign(t, otherRing(), "JWT", goodClaims("a")),
		"signature empty":         parts[0] + "." + parts[1] + ".",
		"signature of another":    parts[0] + "." + parts[1] + "." + strings.Split(sign(t, clientRing(), "JWT", goodClaims("b")), ".")[2],
		"alg none":                head(members{"alg": "none"}) + "." + parts[1] + "." + parts[2],
		"alg ES256":               head(members{"alg": "ES256"}) + "." + parts[1] + "." + parts[2],
		"alg HS384":               head(members{"alg": "HS384"}) + "." + parts[1] + "." + parts[2],
		"kid unknown":             head(members{"kid": "x"}) + "." + parts[1] + "." + parts[2],
		"jku not the registered":  head(members{"jku": "https://attacker.example/jwks"}) + "." + parts[1] + "." + parts[2],
		"jwk in it":               head(members{"jwk": "x"}) + "." + parts[1] + "." + parts[2],
		"far too long":            sign(t, clientRing(), "JWT", goodClaims("a").with(members{"padding": strings.Repeat("a", auth.MaxToken)})),
	}
}

func TestAnAssertionIsGoodOnce(t *testing.T) {
	t.Parallel()
	d := newDial()
	s := server(t, options(t, d))
	text := sign(t, clientRing(), "JWT", goodClaims("a"))
	ask := func(text string) error {
		_, err := s.Token(t.Context(), request(text, "system/QuestionnaireResponse.r"))
		return err
	}
	require.NoError(t, ask(text))
	requireInvalidClient(t, ask(text))
	d.turn(329 * time.Second)
	requireInvalidClient(t, ask(text))
	t.Run("the same jti in another assertion is no better", func(t *testing.T) {
		requireInvalidClient(t, ask(sign(t, clientRing(), "JWT", goodClaims("a").with(members{"iat": nil, "exp": d.Load() + 100}))))
	})
	t.Run("another client may use the same jti", func(t *testing.T) {
		require.NoError(t, ask(sign(t, otherRing(), "JWT", goodClaims("a").with(members{"iss": "other", "sub": "other", "exp": d.Load() + 100}))))
	})
	t.Run("a forged assertion uses nothing up", func(t *testing.T) {
		claims := goodClaims("b").with(members{"exp": d.Load() + 100})
		requireInvalidClient(t, ask(sign(t, otherRing(), "JWT", claims)))
		require.NoError(t, ask(sign(t, clientRing(), "JWT", claims)))
	})
}

func TestOneOfManyAtOnceGetsTheToken(t *testing.T) {
	t.Parallel()
	s := server(t, options(t, newDial()))
	text := sign(t, clientRing(), "JWT", goodClaims("a"))
	var got atomic.Int64
	var wait sync.WaitGroup
	for range 20 {
		wait.Go(func() {
			if _, err := s.Token(t.Context(), request(text, "system/QuestionnaireResponse.r")); err == nil {
				got.Add(1)
			}
		})
	}
	wait.Wait()
	require.EqualValues(t, 1, got.Load())
}

// broken is a memory of replays that fails.
type broken struct{}

func (broken) Use(context.Context, string, string, time.Time) (bool, error) {
	return true, errors.New("the database is away")
}

func TestWithoutAMemoryOfReplaysNothingIsIssued(t *testing.T) {
	t.Parallel()
	o := options(t, newDial())
	o.Replays = broken{}
	_, err := server(t, o).Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims("a")), "system/QuestionnaireResponse.r"))
	refusal := refused(t, err)
	require.Equal(t, http.StatusServiceUnavailable, refusal.Status)
	require.Equal(t, authserver.CodeUnavailable, refusal.Code)
	require.NotContains(t, refusal.Text, "database")
}

func TestMemoryOfReplaysForgetsOnlyWhatHasExpired(t *testing.T) {
	t.Parallel()
	d := newDial()
	m := authserver.NewMemoryReplays(d.now)
	use := func(issuer, jti string) bool {
		fresh, err := m.Use(t.Context(), issuer, jti, d.now().Add(5*time.Minute))
		require.NoError(t, err)
		return fresh
	}
	require.True(t, use("a", "bc"))
	require.True(t, use("ab", "c"), "names run into each other nowhere")
	require.False(t, use("a", "bc"))
	d.turn(299 * time.Second)
	require.False(t, use("a", "bc"))
	d.turn(2 * time.Second)
	require.True(t, use("a", "bc"))
}

func TestScopesAreWithinWhatTheClientIsRegisteredWith(t *testing.T) {
	t.Parallel()
	for asked, want := range map[string]string{
		"system/QuestionnaireResponse.cruds":                                 "system/QuestionnaireResponse.cruds",
		"system/QuestionnaireResponse.read":                                  "system/QuestionnaireResponse.read",
		"system/QuestionnaireResponse.c system/Patient.r":                    "system/QuestionnaireResponse.c",
		"system/Observation.rs":                                              "system/Observation.rs?category=survey",
		"system/Observation.cruds":                                           "system/Observation.rs?category=survey",
		"system/Observation.r?category=survey":                               "system/Observation.r?category=survey",
		"system/Observation.r?code=a":                                        "system/Observation.r?code=a&category=survey",
		"system/*.r":                                                         "system/QuestionnaireResponse.r system/Observation.r?category=survey",
		"openid system/QuestionnaireResponse.r user/QuestionnaireResponse.r": "system/QuestionnaireResponse.r",
		"system/QuestionnaireResponse.r system/QuestionnaireResponse.r":      "system/QuestionnaireResponse.r",
	} {
		t.Run(asked, func(t *testing.T) {
			t.Parallel()
			s := server(t, options(t, newDial()))
			response, err := s.Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims("a")), asked))
			require.NoError(t, err)
			require.Equal(t, want, response.Scope)
		})
	}
	for _, asked := range []string{"system/Patient.r", "openid", "patient/QuestionnaireResponse.r", "user/QuestionnaireResponse.r", "system/Observation.c",
		"system/QuestionnaireResponse.rc", "a  b", " ", "system/QuestionnaireResponse.r\n", "system/AuditEvent.r"} {
		t.Run(asked+" is refused", func(t *testing.T) {
			t.Parallel()
			s := server(t, options(t, newDial()))
			_, err := s.Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims("a")), asked))
			refusal := refused(t, err)
			require.Equal(t, authserver.CodeInvalidScope, refusal.Code)
			require.Equal(t, http.StatusBadRequest, refusal.Status)
		})
	}
	t.Run("every type is not audit", func(t *testing.T) {
		t.Parallel()
		s := server(t, options(t, newDial()))
		_, err := s.Token(t.Context(), request(sign(t, otherRing(), "JWT", goodClaims("a").with(members{"iss": "other", "sub": "other"})), "system/AuditEvent.rs"))
		require.Equal(t, authserver.CodeInvalidScope, refused(t, err).Code)
	})
}

func TestRequestsThatAreNotForATokenAreRefused(t *testing.T) {
	t.Parallel()
	good := request("x", "system/Observation.r")
	for name, c := range map[string]struct {
		change func(*authserver.Request)
		code   string
	}{
		"no grant_type":           {func(r *authserver.Request) { r.GrantType = "" }, authserver.CodeInvalidRequest},
		"a grant of another kind": {func(r *authserver.Request) { r.GrantType = "password" }, authserver.CodeUnsupportedGrant},
		"a refresh token":         {func(r *authserver.Request) { r.GrantType = "refresh_token" }, authserver.CodeUnsupportedGrant},
		"no assertion type":       {func(r *authserver.Request) { r.AssertionType = "" }, authserver.CodeInvalidRequest},
		"a SAML assertion": {func(r *authserver.Request) {
			r.AssertionType = "urn:ietf:params:oauth:client-assertion-type:saml2-bearer"
		}, authserver.CodeInvalidRequest},
		"no assertion": {func(r *authserver.Request) { r.Assertion = "" }, authserver.CodeInvalidRequest},
		"no scope":     {func(r *authserver.Request) { r.Scope = "" }, authserver.CodeInvalidScope},
		"client_id of another one": {func(r *authserver.Request) {
			r.Assertion = sign(t, clientRing(), "JWT", goodClaims("a"))
			r.ClientID = "other"
		}, authserver.CodeInvalidClient},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := good
			c.change(&r)
			_, err := server(t, options(t, newDial())).Token(t.Context(), r)
			require.Equal(t, c.code, refused(t, err).Code)
		})
	}
}

func TestARegisteredJKUIsAccepted(t *testing.T) {
	t.Parallel()
	o := options(t, newDial())
	rules := auth.AssertionRules{Audience: tokenURL, Algorithms: auth.DefaultAlgorithms, Now: o.Now,
		Client: func(string) (auth.KeySource, string, bool) { return o.Clients[0].Keys, portalAt, true }}
	_, err := rules.Verify(t.Context(), withJKU(t, portalAt))
	require.NoError(t, err)
	_, err = rules.Verify(t.Context(), withJKU(t, portalAt+"2"))
	require.Error(t, err)
}

func TestNewSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	_, err := authserver.New(authserver.Options{Lifetime: time.Hour, Clients: []authserver.Client{{ID: "a"}}})
	for _, text := range []string{"Issuer", "TokenURL", "Audience", "Keys", "Replays", "lifetime", "without id, keys or scopes"} {
		require.ErrorContains(t, err, text)
	}
	require.NotContains(t, err.Error(), "Clients is missing")
	_, err = authserver.New(authserver.Options{})
	require.ErrorContains(t, err, "Clients is missing")
}

func TestAKeyFileThatIsGoneStopsIssuing(t *testing.T) {
	t.Parallel()
	d := newDial()
	o := options(t, d)
	path, file := ringFile(t, d)
	o.Keys = file
	s := server(t, o)
	require.NoError(t, os.Remove(path))
	d.turn(time.Minute)
	_, err := s.Token(t.Context(), request(sign(t, clientRing(), "JWT", goodClaims("a")), "system/QuestionnaireResponse.r"))
	require.Equal(t, http.StatusServiceUnavailable, refused(t, err).Status)
	answer := httptest.NewRecorder()
	s.KeysHandler().ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/", nil))
	require.Equal(t, http.StatusServiceUnavailable, answer.Code)
	require.Empty(t, answer.Body.String())
}

// TestKeysOfSeveralFiles are published together, each once; a file that is gone
// takes its own away and no others.
func TestKeysOfSeveralFiles(t *testing.T) {
	t.Parallel()
	d := newDial()
	lost, first := ringFile(t, d)
	_, second := ringFile(t, d)
	h := authserver.PublishKeys(first, second, second)
	published := func() []string {
		answer := httptest.NewRecorder()
		h.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/", nil))
		keys, err := auth.ParseKeys(answer.Body.Bytes())
		require.NoError(t, err)
		var ids []string
		for _, key := range keys {
			ids = append(ids, key.ID)
		}
		return ids
	}
	idsOf := func(file *authserver.RingFile) []string {
		ring, err := file.Ring()
		require.NoError(t, err)
		var ids []string
		for _, key := range ring.Public() {
			ids = append(ids, key.ID)
		}
		return ids
	}
	require.Equal(t, append(idsOf(first), idsOf(second)...), published())
	require.NoError(t, os.Remove(lost))
	d.turn(time.Minute)
	_, err := first.Sign("JWT", goodClaims("a"))
	require.ErrorIs(t, err, os.ErrNotExist)
	require.Equal(t, idsOf(second), published())
}
