package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

func env(pairs ...string) func(string) string {
	values := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		values[pairs[i]] = pairs[i+1]
	}
	return func(name string) string { return values[name] }
}

func TestRead(t *testing.T) {
	t.Parallel()

	t.Run("gives the defaults of the contract", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read("", env())
		require.NoError(t, err)
		require.Equal(t, "127.0.0.1:8080", s.Listen)
		require.Equal(t, "127.0.0.1:9464", s.AdminListen)
		require.Equal(t, "http://127.0.0.1:8080/fhir", s.BaseURL)
		require.Equal(t, "usual-25-50", s.Bands)
	})
	t.Run("lets the environment win over the file", func(t *testing.T) {
		t.Parallel()
		file := write(t, "TIDEMARK_LISTEN: 127.0.0.1:1\nTIDEMARK_DATABASE: a.db\n")
		s, err := config.Read(file, env("TIDEMARK_LISTEN", "127.0.0.1:2", "TIDEMARK_EHR_URL", "http://ehr.example/fhir/"))
		require.NoError(t, err)
		require.Equal(t, "127.0.0.1:2", s.Listen)
		require.EqualValues(t, "a.db", s.Database)
		require.Equal(t, []config.Target{config.NewTarget("ehr", "http://ehr.example/fhir")}, s.Targets)
	})
	t.Run("names every unknown setting of the file", func(t *testing.T) {
		t.Parallel()
		_, err := config.Read(write(t, "TIDEMARK_LISTN: x\nOTHER: y\n"), env())
		require.ErrorContains(t, err, "TIDEMARK_LISTN")
		require.ErrorContains(t, err, "OTHER")
	})
	t.Run("says when the file is missing or no YAML", func(t *testing.T) {
		t.Parallel()
		_, err := config.Read(filepath.Join(t.TempDir(), "none.yaml"), env())
		require.ErrorIs(t, err, os.ErrNotExist)
		_, err = config.Read(write(t, "- a\n- b\n"), env())
		require.ErrorContains(t, err, "NAME: value")
	})
}

func write(t *testing.T, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	return file
}

func TestCheck(t *testing.T) {
	t.Parallel()
	good := func(t *testing.T, pairs ...string) config.Settings {
		t.Helper()
		s, err := config.Read("", env(append([]string{"TIDEMARK_AUTH", "off"}, pairs...)...))
		require.NoError(t, err)
		return s
	}

	t.Run("accepts no authentication on loopback addresses only", func(t *testing.T) {
		t.Parallel()
		for _, address := range []string{"127.0.0.1:8080", "[::1]:8080", "localhost:0", "127.8.0.1:1"} {
			require.NoError(t, good(t, "TIDEMARK_LISTEN", address).Check(), address)
		}
		for _, address := range []string{"0.0.0.0:8080", ":8080", "[::]:8080", "192.0.2.1:8080", "localhost.example:80"} {
			s := good(t, "TIDEMARK_LISTEN", address, "TIDEMARK_BASE_URL", "http://a.example/fhir")
			require.ErrorContains(t, s.Check(), "TIDEMARK_AUTH", address)
		}
	})
	t.Run("refuses to serve without a word about authentication", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read("", env())
		require.NoError(t, err)
		require.ErrorContains(t, s.Check(), "TIDEMARK_AUTH=off")
	})
	t.Run("takes origins as browsers write them and no others", func(t *testing.T) {
		t.Parallel()
		s := good(t, "TIDEMARK_CORS_ORIGINS", "https://portal.example, http://localhost:3000 ,,https://[::1]:8443")
		require.NoError(t, s.Check())
		require.Equal(t, []string{"https://portal.example", "http://localhost:3000", "https://[::1]:8443"}, s.Origins())
		require.Empty(t, good(t).Origins())
		for _, origin := range []string{
			"*", "null", "portal.example", "https://*.portal.example", "https://portal.example/", "https://portal.example/app",
			"https://Portal.example", "HTTPS://portal.example", "https://portal.example:443", "http://portal.example:80", "https://portal.example:",
			"ftp://portal.example", "https://u@portal.example", "https://portal.example?x",
		} {
			require.ErrorContains(t, good(t, "TIDEMARK_CORS_ORIGINS", "https://portal.example,"+origin).Check(), "TIDEMARK_CORS_ORIGINS", origin)
		}
	})
	t.Run("reports all problems at once", func(t *testing.T) {
		t.Parallel()
		s := good(t, "TIDEMARK_LISTEN", "nowhere", "TIDEMARK_ADMIN_LISTEN", "x", "TIDEMARK_BASE_URL", "ftp://x",
			"TIDEMARK_EHR_URL", "http://ehr.example/fhir?x", "TIDEMARK_EHR_AUTH", "maybe", "TIDEMARK_EHR_AUTH_USER", "a:b", "TIDEMARK_EHR_AUTH_PASSWORD_FILE", "none", "TIDEMARK_EHR_AUTH_TOKEN_FILE", "none",
			"TIDEMARK_EHR_AUTH_CLIENT_ID", "us", "TIDEMARK_EHR_AUTH_KEY_FILE", "none", "TIDEMARK_EHR_AUTH_TOKEN_URL", "here", "TIDEMARK_EHR_AUTH_SCOPE", "all", "TIDEMARK_EHR_AUTH_ALG", "none",
			"TIDEMARK_EHR_TIMEOUT", "10ms", "TIDEMARK_EHR_CHECK_PATIENT", "17", "TIDEMARK_EHR_BIRTH_DATE", "on", "TIDEMARK_EHR_TLS_CA_FILE", "none", "TIDEMARK_EHR_TLS_CLIENT_CERT", "none", "TIDEMARK_EHR_TLS_CLIENT_KEY", "none", "TIDEMARK_EHR_TLS_SERVER_NAME", "ehr",
			"TIDEMARK_AUDIT_SHIP", "ftp://elsewhere", "TIDEMARK_BANDS", "none", "TIDEMARK_CORS_ORIGINS", "*", "TIDEMARK_SUBSCRIPTION_HOSTS", "https://portal.example/hook", "TIDEMARK_SUBSCRIPTION_NETWORKS", "10.0.0.7", "TIDEMARK_CDS_CLIENTS", "ehr",
			"TIDEMARK_EXPORT_GROUPS", "none.yaml", "TIDEMARK_EXPORT_KEEP", "1s", "TIDEMARK_EXPORT_MOST", "0", "TIDEMARK_FORMS", filepath.Join(t.TempDir(), "none.json"),
			"TIDEMARK_ADMIN_TOKEN_FILE", write(t, "short\n"),
			"TIDEMARK_AUTH_ISSUERS", "login", "TIDEMARK_AUTH_AUDIENCE", "here", "TIDEMARK_AUTH_USER", "all", "TIDEMARK_AUTH_CLIENTS", "none.json", "TIDEMARK_AUTH_KEYS", "none.json",
			"TIDEMARK_TLS_KEY", "none.pem", "TIDEMARK_TLS_CERT", t.TempDir(), "TIDEMARK_TLS_CLIENT_CA", "none.pem", "TIDEMARK_TLS_CLIENT_AUTH", "maybe",
			"TIDEMARK_ADMIN_TLS_KEY", "none.pem", "TIDEMARK_ADMIN_TLS_CERT", t.TempDir(), "TIDEMARK_ADMIN_TLS_CLIENT_CA", "none.pem", "TIDEMARK_ADMIN_TLS_CLIENT_AUTH", "maybe",
			"TIDEMARK_TRUSTED_PROXIES", "everyone", "TIDEMARK_RATE", "fast", "TIDEMARK_BURST", "0", "TIDEMARK_CONCURRENT", "-1", "TIDEMARK_CONCURRENT_TOTAL", "1.5",
			"TIDEMARK_MAX_BODY", "1", "TIDEMARK_MAX_ENTRIES", "0", "TIDEMARK_BODY_TIMEOUT", "20", "TIDEMARK_REQUEST_TIMEOUT", "1h",
			"TIDEMARK_TRACES", "collector:4318", "TIDEMARK_TRACES_SHARE", "half")
		err := s.Check()
		for _, setting := range config.All() {
			if setting.Name != "TIDEMARK_DATABASE" {
				require.ErrorContains(t, err, setting.Name)
			}
		}
		named := map[string]bool{}
		for line := range strings.SplitSeq(err.Error(), "\n") {
			name, _, _ := strings.Cut(line, ":")
			named[name] = true
		}
		require.Len(t, named, len(config.All())-2, "each, but the database, and the token once")
	})
}
