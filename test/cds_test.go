package test_test

import (
	"crypto/rand"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// hook is one of the service of a server, with a jti.
func (h *login) hook(t testing.TB, fhir, jti string) string {
	t.Helper()
	now := time.Now().Unix()
	text, err := h.ring.Sign("JWT", map[string]any{"iss": h.URL, "aud": strings.TrimSuffix(fhir, "/fhir") + "/cds-services/scorad-patient-view", "jti": jti, "iat": now, "exp": now + 300})
	require.NoError(t, err)
	return text
}

// TestCDSHooks does what the README says under "Show it when a record is opened":
// with keys that an EHR publishes, and a JWT that is good once, also over a
// restart.
func TestCDSHooks(t *testing.T) {
	t.Parallel()
	call, err := os.ReadFile("../examples/patient-view.json")
	require.NoError(t, err)
	example, err := os.ReadFile("../examples/response.json")
	require.NoError(t, err)
	h, db := newLogin(t), filepath.Join(t.TempDir(), "tidemark.db")
	settings := []string{"TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS=" + h.URL, "TIDEMARK_CDS_CLIENTS=" + h.URL + " jwks=" + h.URL + "/keys patients=local"}
	s := serve(t, db, settings...)
	origin := strings.TrimSuffix(s.fhir, "/fhir")
	status, _, text := ask(t, http.MethodGet, origin+"/cds-services", "", "")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, text, `"id":"scorad-patient-view"`)

	status, _, text = ask(t, http.MethodPost, s.fhir+"/QuestionnaireResponse", h.token(t, s.fhir, "patient/QuestionnaireResponse.c", "oona-thistledown"), string(example))
	require.Equal(t, http.StatusCreated, status, text)
	jwt := h.hook(t, s.fhir, rand.Text())
	status, _, text = ask(t, http.MethodPost, origin+"/cds-services/scorad-patient-view", jwt, string(call))
	require.Equal(t, http.StatusOK, status, text)
	require.Contains(t, text, `"summary":"SCORAD 39.80 (moderate) by patient or carer`)
	status, _, text = ask(t, http.MethodPost, origin+"/cds-services/scorad-patient-view", "", string(call))
	require.Equal(t, http.StatusUnauthorized, status, text)

	fhir := s.fhir
	s.stop()
	s = serve(t, db, append(settings, "TIDEMARK_BASE_URL="+fhir)...)
	origin = strings.TrimSuffix(s.fhir, "/fhir")
	status, _, text = ask(t, http.MethodPost, origin+"/cds-services/scorad-patient-view", jwt, string(call))
	require.Equal(t, http.StatusUnauthorized, status, text)
	status, _, text = ask(t, http.MethodPost, origin+"/cds-services/scorad-patient-view", h.hook(t, fhir, rand.Text()), string(call))
	require.Equal(t, http.StatusOK, status, text)
}

// TestCDSHooksWithoutClients: nothing is offered to anybody, and a file of keys
// that cannot be read is told at the start.
func TestCDSHooksWithoutClients(t *testing.T) {
	t.Parallel()
	h := newLogin(t)
	s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS="+h.URL)
	for _, path := range []string{"/cds-services", "/cds-services/scorad-patient-view"} {
		status, _, text := ask(t, http.MethodGet, strings.TrimSuffix(s.fhir, "/fhir")+path, "", "")
		require.Equal(t, http.StatusNotFound, status, text)
	}
	keys := filepath.Join(t.TempDir(), "keys.json")
	require.NoError(t, os.WriteFile(keys, []byte(`{"keys":[]}`), 0o600))
	r := tidemark(t, "", []string{"TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS=" + h.URL, "TIDEMARK_LISTEN=127.0.0.1:0", "TIDEMARK_ADMIN_LISTEN=127.0.0.1:0",
		"TIDEMARK_DATABASE=" + filepath.Join(t.TempDir(), "t.db"), "TIDEMARK_CDS_CLIENTS=" + h.URL + " jwks=" + keys + " patients=local"}, "serve")
	require.Equal(t, 2, r.code, r.err)
	require.Contains(t, r.err, "TIDEMARK_CDS_CLIENTS: "+h.URL)
}
