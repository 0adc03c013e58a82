package config_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

func TestAuthorization(t *testing.T) {
	t.Parallel()
	const login = "https://login.brindlemoor.example"
	read := func(t *testing.T, pairs ...string) config.Settings {
		t.Helper()
		s, err := config.Read("", env(append([]string{"TIDEMARK_AUTH", "token"}, pairs...)...))
		require.NoError(t, err)
		return s
	}
	file := func(t *testing.T, text string) string {
		t.Helper()
		path := filepath.Join(t.TempDir(), "file")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}

	t.Run("takes an issuer by its URL alone, on any address", func(t *testing.T) {
		t.Parallel()
		s := read(t, "TIDEMARK_AUTH_ISSUERS", login, "TIDEMARK_LISTEN", "0.0.0.0:8080", "TIDEMARK_TRUSTED_PROXIES", "10.0.0.7", "TIDEMARK_BASE_URL", "https://tidemark.brindlemoor.example/fhir")
		require.NoError(t, s.Check())
		issuers, faults := s.Issuers()
		require.Empty(t, faults)
		require.Equal(t, []config.Issuer{{URL: login}}, issuers)
		require.Equal(t, []string{"https://tidemark.brindlemoor.example/fhir"}, s.Audience())
		require.Equal(t, "none", s.AuthUser, "user/ scopes are refused by default")
		require.False(t, s.OwnTokens())
	})
	t.Run("takes all that can be said of several issuers", func(t *testing.T) {
		t.Parallel()
		keys, secret := file(t, "{}"), file(t, "not to be seen\n")
		s := read(t, "TIDEMARK_AUTH_ISSUERS", login+" jwks="+login+"/keys algorithms=RS256:RS384 types=JWT, https://other.example jwks="+keys+
			" introspection=https://other.example/ask client=tidemark secret-file="+secret, "TIDEMARK_AUTH_AUDIENCE", "https://a.example/fhir, https://b.example/fhir")
		require.NoError(t, s.Check())
		issuers, faults := s.Issuers()
		require.Empty(t, faults)
		require.Equal(t, []config.Issuer{
			{URL: login, JWKS: login + "/keys", Algorithms: []string{"RS256", "RS384"}, Types: []string{"JWT"}},
			{URL: "https://other.example", JWKS: keys, Introspection: "https://other.example/ask", Client: "tidemark", SecretFile: secret, Secret: "not to be seen"},
		}, issuers)
		require.True(t, issuers[0].JWKSURL())
		require.False(t, issuers[1].JWKSURL())
		require.NotContains(t, issuers[1].Secret.String(), "seen")
		require.Equal(t, []string{"https://a.example/fhir", "https://b.example/fhir"}, s.Audience())
	})
	t.Run("takes issuers as a list of the file", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read(write(t, "TIDEMARK_AUTH: token\nTIDEMARK_AUTH_ISSUERS:\n  - "+login+" types=JWT\n  - https://other.example\n"), env())
		require.NoError(t, err)
		require.NoError(t, s.Check())
		issuers, _ := s.Issuers()
		require.Len(t, issuers, 2)
	})
	t.Run("takes a token endpoint of its own", func(t *testing.T) {
		t.Parallel()
		s := read(t, "TIDEMARK_AUTH_CLIENTS", file(t, "{}"), "TIDEMARK_AUTH_KEYS", file(t, "{}"))
		require.NoError(t, s.Check())
		require.True(t, s.OwnTokens())
	})
	for name, c := range map[string]struct{ setting, value, says string }{
		"an issuer that is no URL":                    {"TIDEMARK_AUTH_ISSUERS", "login", "absolute https URL"},
		"an issuer with what is not known":            {"TIDEMARK_AUTH_ISSUERS", login + " keys=x", `"keys" is none of jwks`},
		"keys that are not there":                     {"TIDEMARK_AUTH_ISSUERS", login + " jwks=none.json", "neither an absolute URL nor a file"},
		"an algorithm that is no signature":           {"TIDEMARK_AUTH_ISSUERS", login + " algorithms=RS384:none", `"none" is none of RS256`},
		"a symmetric algorithm":                       {"TIDEMARK_AUTH_ISSUERS", login + " algorithms=HS256", `"HS256" is none of RS256`},
		"a type that is no access token":              {"TIDEMARK_AUTH_ISSUERS", login + " types=logout+jwt", "is none of at+jwt"},
		"introspection without a client":              {"TIDEMARK_AUTH_ISSUERS", login + " introspection=https://x.example", "needs client and secret-file"},
		"introspection that is no URL":                {"TIDEMARK_AUTH_ISSUERS", login + " introspection=x client=c secret-file=none", "introspection must be"},
		"a secret that is not there":                  {"TIDEMARK_AUTH_ISSUERS", login + " introspection=https://x.example client=c secret-file=none", "secret-file"},
		"a client without introspection":              {"TIDEMARK_AUTH_ISSUERS", login + " client=c", "for introspection"},
		"an audience that is no URL":                  {"TIDEMARK_AUTH_AUDIENCE", "tidemark", "no absolute URL"},
		"user access that is none of the three":       {"TIDEMARK_AUTH_USER", "write", "none, read, full"},
		"keys without clients":                        {"TIDEMARK_AUTH_KEYS", "auth_test.go", "TIDEMARK_AUTH_CLIENTS: it is needed"},
		"clients without keys":                        {"TIDEMARK_AUTH_CLIENTS", "auth_test.go", "TIDEMARK_AUTH_KEYS: it is needed"},
		"clients in a file that is not there":         {"TIDEMARK_AUTH_CLIENTS", "none.json", "TIDEMARK_AUTH_CLIENTS: stat none.json"},
		"tokens of nobody":                            {"TIDEMARK_AUTH_ISSUERS", "", "nobody's tokens"},
		"tokens while authentication is said off":     {"TIDEMARK_AUTH", "off", "take the rest of TIDEMARK_AUTH_* away"},
		"a word for authentication that is not known": {"TIDEMARK_AUTH", "basic", "nothing is served without"},
	} {
		t.Run("refuses "+name, func(t *testing.T) {
			t.Parallel()
			s, err := config.Read("", func(name string) string {
				switch name {
				case c.setting:
					return c.value
				case "TIDEMARK_AUTH":
					return "token"
				case "TIDEMARK_AUTH_ISSUERS":
					return login
				}
				return ""
			})
			require.NoError(t, err)
			require.ErrorContains(t, s.Check(), c.says)
		})
	}
}
