package test_test

import (
	"crypto/tls"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAdminByTLS: the admin listener has a certificate of its own, asks clients for
// theirs where that is set, and our own commands find it by the settings.
func TestAdminByTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "admin.crt"), filepath.Join(dir, "admin.key")
	otherCert, otherKey := filepath.Join(dir, "other.crt"), filepath.Join(dir, "other.key")
	pool := certificate(t, cert, key)
	certificate(t, otherCert, otherKey)
	s := serve(t, filepath.Join(dir, "tidemark.db"), "TIDEMARK_ADMIN_TLS_CERT="+cert, "TIDEMARK_ADMIN_TLS_KEY="+key,
		"TIDEMARK_ADMIN_TLS_CLIENT_CA="+cert, "TIDEMARK_ADMIN_TOKEN="+adminToken)

	require.Equal(t, 200, answered(t, s.fhir+"/metadata"), "the FHIR server is without, on loopback")
	require.Equal(t, 400, answered(t, s.admin+"/readyz"), "who speaks HTTP is told so")
	ask := func(config *tls.Config) error {
		secure := &http.Client{Transport: &http.Transport{TLSClientConfig: config, DisableKeepAlives: true}, Timeout: patience}
		response, err := secure.Get(strings.Replace(s.admin, "http://", "https://", 1) + "/readyz")
		if err == nil {
			require.Equal(t, http.StatusOK, response.StatusCode)
			require.NoError(t, response.Body.Close())
		}
		return err
	}
	require.Error(t, ask(&tls.Config{RootCAs: pool}), "a client's certificate is asked for")
	pair, err := tls.LoadX509KeyPair(cert, key)
	require.NoError(t, err)
	require.NoError(t, ask(&tls.Config{RootCAs: pool, Certificates: []tls.Certificate{pair}}))

	own := []string{"TIDEMARK_ADMIN_LISTEN=" + strings.TrimPrefix(s.admin, "http://"), "TIDEMARK_ADMIN_TOKEN=" + adminToken}
	with := func(cert, key string) []string {
		return append([]string{"TIDEMARK_ADMIN_TLS_CERT=" + cert, "TIDEMARK_ADMIN_TLS_KEY=" + key}, own...)
	}
	for _, command := range [][]string{{"healthcheck"}, {"deliveries", "list"}} {
		r := tidemark(t, "", with(cert, key), command...)
		require.Equal(t, 0, r.code, "%s: %s", command, r.err)
		r = tidemark(t, "", with(otherCert, otherKey), command...)
		require.Equal(t, 3, r.code, "whoever has another certificate is given no token: %s", r.err)
		require.Contains(t, r.err, "TIDEMARK_ADMIN_TLS_CERT")
		r = tidemark(t, "", own, command...)
		require.NotEqual(t, 0, r.code, "without TLS there is no answer")
	}
}
