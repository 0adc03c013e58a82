package auth_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
)

// RFC 8725 section 3.8: a key is good only for the issuer that it is of, even
// if another one has a key of the same kid.
func TestATokenOfOneIssuerIsNotGoodForAnother(t *testing.T) {
	t.Parallel()
	const second = "https://login.other.example"
	v := verifier(t, auth.Options{Audience: []string{baseURL}, Now: atNoon, Issuers: []auth.Issuer{
		{URL: issuerURL, Keys: parsedKeys(t, jwks(jwk(rsaKey().Public(), "same", nil), jwk(rsaKey().Public(), "first", nil)))},
		{URL: second, Keys: parsedKeys(t, jwks(jwk(otherRSA().Public(), "same", nil), jwk(otherRSA().Public(), "second", nil))), Types: []string{"JWT"}}}})
	signed := func(iss, kid, typ string, mine bool) string {
		key := otherRSA()
		if mine {
			key = rsaKey()
		}
		return sign(goodHeader().with(members{"kid": kid, "typ": typ}).json(), goodClaims().with(members{"iss": iss}).json(), jwt.SigningMethodRS384, key)
	}
	accepts(t, v, signed(issuerURL, "same", "at+jwt", true))
	accepts(t, v, signed(second, "same", "JWT", false))
	for name, c := range map[string]struct {
		token  string
		reason auth.Reason
	}{
		"the first's name, the second's key of that kid": {signed(issuerURL, "same", "at+jwt", false), auth.ReasonSignature},
		"the second's name, the first's key of that kid": {signed(second, "same", "JWT", true), auth.ReasonSignature},
		"the first's name, a kid of the second":          {signed(issuerURL, "second", "at+jwt", false), auth.ReasonKey},
		"the first's name, a typ of the second":          {signed(issuerURL, "same", "JWT", true), auth.ReasonType},
		"the second's name, a typ of the first":          {signed(second, "same", "at+jwt", false), auth.ReasonType},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rejects(t, v, c.token, http.StatusUnauthorized, c.reason)
		})
	}
}

func TestReadinessAsksForTheKeysOfEveryIssuer(t *testing.T) {
	t.Parallel()
	up, down, d := newProvider(t), newProvider(t), newDial()
	up.serves("", only("a"))
	down.does(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadGateway) })
	v := verifier(t, auth.Options{Audience: []string{baseURL}, Now: d.now, Issuers: []auth.Issuer{
		{URL: "https://up.example", JWKSURL: up.URL}, {URL: "https://down.example", JWKSURL: down.URL}}})
	err := v.Ready(t.Context())
	require.ErrorContains(t, err, "https://down.example")
	require.NotContains(t, err.Error(), "https://up.example")
	down.serves("", only("a"))
	d.turn(10 * time.Second)
	require.NoError(t, v.Ready(t.Context()))
}

// An operator sees the cause; the sender does not.
func TestTheCauseOfARefusalIsForTheOperator(t *testing.T) {
	t.Parallel()
	p, d := newProvider(t), newDial()
	p.does(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTeapot) })
	_, err := byURL(t, p, d).Verify(t.Context(), d.token("a"))
	refusal := refused(t, err)
	require.ErrorContains(t, err, "418")
	require.NotContains(t, refusal.Text, "418")
	require.Equal(t, fhir.IssueTransient, refusal.Issue)
	require.Empty(t, refusal.WWWAuthenticate(), "503 asks for no other token")
}

func TestARequestThatHasEndedWaitsForNothing(t *testing.T) {
	t.Parallel()
	p, d := newProvider(t), newDial()
	hold := make(chan struct{})
	t.Cleanup(func() { close(hold) })
	p.does(func(http.ResponseWriter, *http.Request) { <-hold })
	ended, end := context.WithCancel(t.Context())
	end()
	_, err := byURL(t, p, d).Verify(ended, d.token("a"))
	require.ErrorIs(t, err, context.Canceled)
	require.Equal(t, http.StatusServiceUnavailable, refused(t, err).Status)
	_, err = opaque(t, p, d).Verify(ended, "opaque")
	require.ErrorIs(t, err, context.Canceled)
}

// Anybody can send a token that has to be asked about, so that questions under
// way are bounded.
func TestQuestionsToAnIssuerAreBounded(t *testing.T) {
	t.Parallel()
	p, d := newProvider(t), newDial()
	var now, most atomic.Int64
	release := make(chan struct{})
	p.does(func(w http.ResponseWriter, _ *http.Request) {
		n := now.Add(1)
		for {
			if old := most.Load(); n <= old || most.CompareAndSwap(old, n) {
				break
			}
		}
		<-release
		now.Add(-1)
		w.Header().Set("Content-Type", "application/json")
		w.Write([]byte(`{"active":false}`))
	})
	v := opaque(t, p, d)
	answers := make(chan error)
	for range 100 {
		go func() { _, err := v.Verify(t.Context(), "opaque"); answers <- err }()
	}
	require.Eventually(t, func() bool { return now.Load() == 32 }, time.Minute, time.Millisecond)
	close(release)
	for range 100 {
		require.Equal(t, auth.ReasonInactive, refused(t, <-answers).Reason)
	}
	require.EqualValues(t, 32, most.Load())
}

// The first issuer that knows an opaque token grants it; one that cannot be
// asked may have known it, which is then no 401.
func TestSeveralIssuersAreAskedAboutAnOpaqueToken(t *testing.T) {
	t.Parallel()
	first, second, d := newProvider(t), newProvider(t), newDial()
	in := func(p *provider, url string) auth.Issuer {
		return auth.Issuer{URL: url, JWKSURL: p.URL + "/jwks", Introspection: &auth.Introspection{URL: p.URL + "/introspect"}}
	}
	v := verifier(t, auth.Options{Audience: []string{baseURL}, Now: d.now, CacheSize: -1,
		Issuers: []auth.Issuer{in(first, "https://first.example"), in(second, "https://second.example")}})
	first.introspects(members{"active": false})
	second.introspects(active(d))
	grant, err := v.Verify(t.Context(), "opaque")
	require.NoError(t, err)
	require.Equal(t, "https://second.example", grant.Issuer)
	second.introspects(members{"active": false})
	rejects(t, v, "opaque", http.StatusUnauthorized, auth.ReasonInactive)
	first.does(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadGateway) })
	rejects(t, v, "opaque", http.StatusServiceUnavailable, auth.ReasonUnreachable)
}

func TestAnIssuersClientIsUsedWithOurRedirects(t *testing.T) {
	t.Parallel()
	p, elsewhere := newProvider(t), newProvider(t)
	elsewhere.serves("", only("a"))
	p.does(func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, elsewhere.URL, http.StatusFound) })
	own := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return nil }}
	keys, err := auth.NewURLKeys(p.URL, own, nil)
	require.NoError(t, err)
	_, err = keys.Keys(t.Context())
	require.Error(t, err)
	require.Zero(t, elsewhere.fetches.Load())
	require.NotNil(t, own.CheckRedirect, "the caller's client is not changed")
	require.NoError(t, own.CheckRedirect(httptest.NewRequest(http.MethodGet, "/", nil), nil))
}

func TestAddressesOfIssuers(t *testing.T) {
	t.Parallel()
	for address, good := range map[string]bool{
		"https://login.example/jwks": true, "https://login.example:8443/a/b": true, "http://127.0.0.1:9000/jwks": true, "http://[::1]:9000/jwks": true,
		"http://localhost:9000/jwks": true, "http://login.example/jwks": false, "http://127.0.0.1.attacker.example/jwks": false, "http://localhost.example": false,
		"http://10.0.0.1/jwks": false, "https://user@login.example": false, "https://login.example/#a": false, "https://login.example/?a=b": false,
		"login.example": false, "/jwks": false, "": false, "file:///etc/passwd": false, "https:///jwks": false, "https://login.example/a b": false,
		"https://login.example\\@attacker.example/": false, "https://[::1": false,
	} {
		_, err := auth.NewURLKeys(address, nil, nil)
		require.Equal(t, good, err == nil, address)
	}
}

// A source that a caller makes is asked as seldom as one that we make.
func TestKeysOfAFunctionAreAskedForSparingly(t *testing.T) {
	t.Parallel()
	d := newDial()
	var asked atomic.Int64
	keys, err := auth.ParseKeys(only("a"))
	require.NoError(t, err)
	source := auth.NewKeys(func(context.Context) ([]auth.Key, time.Duration, error) {
		if asked.Add(1) == 2 {
			return nil, 0, errors.New("away")
		}
		return keys, time.Minute, nil
	}, d.now)
	first, err := source.Keys(t.Context())
	require.NoError(t, err)
	require.Len(t, first.Keys, 1)
	for range 10 {
		_, err = source.Refresh(t.Context())
		require.NoError(t, err)
	}
	require.EqualValues(t, 1, asked.Load())
	d.turn(time.Minute)
	second, err := source.Keys(t.Context())
	require.NoError(t, err, "the last good ones serve")
	require.EqualValues(t, 2, asked.Load())
	require.Equal(t, first.Number, second.Number)
	d.turn(5 * time.Second)
	_, err = source.Keys(t.Context())
	require.NoError(t, err, "without waiting, since it failed before")
	require.Eventually(t, func() bool { return asked.Load() == 3 }, time.Minute, time.Millisecond)
	third, err := source.Keys(t.Context())
	require.NoError(t, err)
	require.Equal(t, first.Number, third.Number, "the same keys, so that no token is forgotten")
}
