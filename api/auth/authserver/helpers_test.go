package authserver_test

import (
	"encoding/base64"
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// The invented parties of these tests.
const (
	baseURL  = "https://tidemark.brindlemoor.example/fhir"
	tokenURL = "https://tidemark.brindlemoor.example/auth/token"
	issuer   = baseURL
	portal   = "fernway-portal"
	portalAt = "https://portal.fernway.example/jwks"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// dial is a clock that is set by hand.
type dial struct{ atomic.Int64 }

func newDial() *dial { d := &dial{}; d.Store(noon.Unix()); return d }

func (d *dial) now() time.Time        { return time.Unix(d.Load(), 0) }
func (d *dial) turn(by time.Duration) { d.Add(int64(by / time.Second)) }

// The keys of a client, made once; RSA and another one for its likes.
var (
	clientRing = sync.OnceValue(func() *authserver.Ring { return mustRing("ES384") })
	clientRSA  = sync.OnceValue(func() *authserver.Ring { return mustRing("RS384") })
	otherRing  = sync.OnceValue(func() *authserver.Ring { return mustRing("ES384") })
)

func mustRing(algorithm string) *authserver.Ring {
	ring, err := authserver.NewRing(algorithm, noon)
	if err != nil {
		panic(err)
	}
	return ring
}

// ringFile puts new keys in a file.
func ringFile(t testing.TB, d *dial) (string, *authserver.RingFile) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "keys.json")
	require.NoError(t, authserver.WriteRing(path, mustRing("ES384")))
	file, err := authserver.OpenRing(path, d.now)
	require.NoError(t, err)
	return path, file
}

func scopes(t testing.TB, text string) []auth.Scope {
	t.Helper()
	parsed, left, err := auth.ParseScopes(text)
	require.NoError(t, err)
	require.Empty(t, left)
	return parsed
}

// options are those of the server of these tests, with one client.
func options(t testing.TB, d *dial) authserver.Options {
	t.Helper()
	_, file := ringFile(t, d)
	keys := append(clientRing().Public(), clientRSA().Public()...)
	return authserver.Options{Issuer: issuer, TokenURL: tokenURL, Audience: baseURL, Keys: file, Now: d.now, Replays: authserver.NewMemoryReplays(d.now),
		Clients: []authserver.Client{
			{ID: portal, Keys: auth.NewFixedKeys(keys), JWKSURL: portalAt, Scopes: scopes(t, "system/QuestionnaireResponse.cruds system/Observation.rs?category=survey")},
			{ID: "other", Keys: auth.NewFixedKeys(otherRing().Public()), Scopes: scopes(t, "system/*.cruds")}}}
}

func server(t testing.TB, o authserver.Options) *authserver.Server {
	t.Helper()
	s, err := authserver.New(o)
	require.NoError(t, err)
	return s
}

// members is a JSON object in the making.
type members map[string]any

// with gives a copy with changes; a nil value takes a member away.
func (m members) with(changes members) members {
	copied := maps.Clone(m)
	for name, value := range changes {
		copied[name] = value
		if value == nil {
			delete(copied, name)
		}
	}
	return copied
}

// goodClaims are of an assertion that is accepted, once.
func goodClaims(jti string) members {
	return members{"iss": portal, "sub": portal, "aud": tokenURL, "jti": jti, "iat": noon.Unix(), "exp": noon.Unix() + 300}
}

func sign(t testing.TB, ring *authserver.Ring, typ string, claims members) string {
	t.Helper()
	text, err := ring.Sign(typ, claims)
	require.NoError(t, err)
	return text
}

func request(assertion, scope string) authserver.Request {
	return authserver.Request{GrantType: authserver.GrantClientCredentials, AssertionType: authserver.AssertionJWT, Assertion: assertion, Scope: scope}
}

// refused asks that the error is an *authserver.Error and gives it.
func refused(t testing.TB, err error) *authserver.Error {
	t.Helper()
	var refusal *authserver.Error
	require.ErrorAs(t, err, &refusal)
	return refusal
}

// part decodes the nth part of a token.
func part(t testing.TB, text string) members {
	t.Helper()
	data, err := base64.RawURLEncoding.DecodeString(text)
	require.NoError(t, err)
	var m members
	require.NoError(t, json.Unmarshal(data, &m))
	return m
}

func write(t testing.TB, path, body string, mode os.FileMode) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, []byte(body), mode))
}
