package test_test

import (
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const (
	portalForm     = "../examples/portal-form.json"
	portalResponse = "../examples/portal-response.json"
	adminToken     = "an-invented-admin-token"
)

func read(t testing.TB, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return data
}

// administer makes a request on the admin listener.
func administer(t testing.TB, s *server, method, token string, body []byte) reply {
	t.Helper()
	request, err := http.NewRequestWithContext(context.Background(), method, s.admin+"/Questionnaire/fernway-eczema-diary", strings.NewReader(string(body)))
	require.NoError(t, err)
	request.Header.Set("Content-Type", "application/fhir+json")
	request.Header.Set("Authorization", "Bearer "+token)
	response, err := client.Do(request)
	require.NoError(t, err)
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	return reply{response.StatusCode, response.Header.Get("Location"), text}
}

// postDiary sends the README's response, which must be scored 34.00.
func postDiary(t testing.TB, s *server) {
	t.Helper()
	r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", read(t, portalResponse))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, r.status, "%s", r.body)
	score := parse(t, get(t, s.fhir+"/Observation/"+parse(t, r.body).ID))
	require.Equal(t, "34.00", score.ValueQuantity.Value.String())
}

// The README's ways to register a portal's own form, against the real program.
func TestPortalsOwnForm(t *testing.T) {
	t.Parallel()

	t.Run("by file, and verified without it", func(t *testing.T) {
		t.Parallel()
		database := filepath.Join(t.TempDir(), "tidemark.db")
		s := serve(t, database, "TIDEMARK_FORMS="+portalForm)
		postDiary(t, s)
		require.Equal(t, 0, s.stop())
		r := tidemark(t, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
		require.Equal(t, 0, r.code, r.err)
		require.Contains(t, r.out, "1 scores computed again, 0 differ")

		s = serve(t, database)
		require.Equal(t, "fernway-eczema-diary", parse(t, get(t, s.fhir+"/Questionnaire/fernway-eczema-diary")).ID)
		require.Equal(t, 0, s.stop())
	})

	t.Run("by an administrator, and there after a restart", func(t *testing.T) {
		t.Parallel()
		dir := t.TempDir()
		database, file := filepath.Join(dir, "tidemark.db"), filepath.Join(dir, "token")
		require.NoError(t, os.WriteFile(file, []byte(adminToken+"\n"), 0o600))
		s := serve(t, database, "TIDEMARK_ADMIN_TOKEN_FILE="+file)
		require.Equal(t, http.StatusUnauthorized, administer(t, s, http.MethodPut, "another-token-altogether", read(t, portalForm)).status)
		r := administer(t, s, http.MethodPut, adminToken, read(t, portalForm))
		require.Equal(t, http.StatusCreated, r.status, "%s", r.body)
		require.Equal(t, s.fhir+"/Questionnaire/fernway-eczema-diary", r.location)
		require.NotContains(t, s.log.String(), adminToken)
		require.Equal(t, 0, s.stop())

		s = serve(t, database)
		require.Equal(t, http.StatusForbidden, administer(t, s, http.MethodPut, adminToken, read(t, portalForm)).status)
		postDiary(t, s)
		require.Equal(t, 0, s.stop())
	})

	t.Run("score takes it from a file", func(t *testing.T) {
		t.Parallel()
		r := tidemark(t, "", nil, "score", "--form", portalForm, portalResponse)
		require.Equal(t, 0, r.code, r.err)
		require.Equal(t, "34.00", parse(t, []byte(r.out)).ValueQuantity.Value.String())
		r = tidemark(t, "", nil, "score", portalResponse)
		require.Equal(t, 1, r.code, "and knows it by no other way")
		require.Contains(t, r.err, "not-found")
	})

	t.Run("one that cannot be mapped stops the start with all that is missing", func(t *testing.T) {
		t.Parallel()
		dir := t.TempDir()
		bad := filepath.Join(dir, "bad.json")
		text := string(read(t, portalForm))
		for _, code := range []string{"symptoms-itch", "intensity-dryness"} {
			require.Contains(t, text, code)
			text = strings.Replace(text, code, "also-seen-scaling", 1)
		}
		require.NoError(t, os.WriteFile(bad, []byte(text), 0o600))
		for _, c := range [][]string{{"serve"}, {"score", "--form", bad, portalResponse}} {
			settings := []string{"TIDEMARK_AUTH=off", "TIDEMARK_LISTEN=127.0.0.1:0", "TIDEMARK_ADMIN_LISTEN=127.0.0.1:0", "TIDEMARK_DATABASE=" + filepath.Join(dir, "tidemark.db"), "TIDEMARK_FORMS=" + bad}
			r := tidemark(t, "", settings, c...)
			require.Equal(t, 2, r.code, r.err)
			for _, word := range []string{"bad.json", "No item asks for symptoms.itch", "No item asks for intensity.dryness", "cannot be of type integer", "nights-itch"} {
				require.Contains(t, r.err, word)
			}
		}
	})
}
