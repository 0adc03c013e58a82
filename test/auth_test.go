package test_test

import (
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// secured is a server that gives tokens to a registered client of its own.
type secured struct {
	*server
	dir string
}

// serveSecured does what the README says under "Secure it".
func serveSecured(t testing.TB) *secured {
	t.Helper()
	s := &secured{dir: t.TempDir()}
	s.keys(t, "make", "server-keys.json")
	s.keys(t, "make", "portal-keys.json")
	public := s.keys(t, "public", "portal-keys.json")
	require.NoError(t, os.WriteFile(s.file("portal-jwks.json"), []byte(public), 0o600))
	require.NoError(t, os.WriteFile(s.file("clients.json"), []byte(`{"clients":[{"client_id":"fernway-portal","jwks_file":"portal-jwks.json",`+
		`"scope":"system/QuestionnaireResponse.cruds system/Observation.rs"}]}`), 0o600))
	s.server = serve(t, s.file("tidemark.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_KEYS="+s.file("server-keys.json"), "TIDEMARK_AUTH_CLIENTS="+s.file("clients.json"))
	return s
}

func (s *secured) file(name string) string { return filepath.Join(s.dir, name) }

// keys runs the command keys on a file.
func (s *secured) keys(t testing.TB, action, name string) string {
	t.Helper()
	r := tidemark(t, "", nil, "keys", action, s.file(name))
	require.Equal(t, 0, r.code, r.err)
	require.NotContains(t, r.out, `"d":`, "nothing private is printed")
	return r.out
}

// token runs the command token.
func (s *secured) token(t testing.TB, args ...string) result {
	t.Helper()
	return tidemark(t, "", nil, append([]string{"token", "--base", s.fhir, "--client", "fernway-portal", "--key", s.file("portal-keys.json")}, args...)...)
}

// ask makes a request with a token, "" for none.
func ask(t testing.TB, method, address, token, body string) (int, http.Header, string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(body))
	require.NoError(t, err)
	request.Header.Set("Content-Type", "application/fhir+json")
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	response, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	return response.StatusCode, response.Header, string(text)
}

func TestTokensOfOurOwn(t *testing.T) {
	t.Parallel()
	s := serveSecured(t)
	given := s.token(t)
	require.Equal(t, 0, given.code, given.err)
	token := strings.TrimSpace(given.out)

	t.Run("open the server to the client, and to nobody else", func(t *testing.T) {
		t.Parallel()
		status, header, _ := ask(t, http.MethodGet, s.fhir+"/Observation", "", "")
		require.Equal(t, http.StatusUnauthorized, status)
		require.Equal(t, `Bearer realm="fhir"`, header.Get("WWW-Authenticate"))
		status, _, _ = ask(t, http.MethodGet, s.fhir+"/Observation", token, "")
		require.Equal(t, http.StatusOK, status)
		status, header, _ = ask(t, http.MethodPost, s.fhir+"/QuestionnaireResponse", token, string(oona("read-only", "6")))
		require.Equal(t, http.StatusForbidden, status, "the token was for reading")
		require.Contains(t, header.Get("WWW-Authenticate"), `scope="system/QuestionnaireResponse.c"`)
		writing := strings.TrimSpace(s.token(t, "--scope", "system/QuestionnaireResponse.c").out)
		status, _, _ = ask(t, http.MethodPost, s.fhir+"/QuestionnaireResponse", writing, string(oona("written", "6")))
		require.Equal(t, http.StatusCreated, status)
		status, _, _ = ask(t, http.MethodGet, s.fhir+"/AuditEvent", token, "")
		require.Equal(t, http.StatusForbidden, status)
	})
	t.Run("are not in the log", func(t *testing.T) {
		t.Parallel()
		require.NotContains(t, s.log.String(), token)
		require.NotContains(t, s.log.String(), strings.Split(token, ".")[2])
	})
	t.Run("are given for no more than is registered, and to no stranger", func(t *testing.T) {
		t.Parallel()
		r := s.token(t, "--scope", "system/AuditEvent.rs")
		require.Equal(t, 1, r.code)
		require.Contains(t, r.err, "invalid_scope")
		r = s.token(t, "--client", "somebody")
		require.Equal(t, 1, r.code)
		require.Contains(t, r.err, "invalid_client")
		r = s.token(t, "--key", s.file("server-keys.json"))
		require.Equal(t, 1, r.code)
		require.Contains(t, r.err, "invalid_client")
		require.NotContains(t, r.err, "key", "why is for the operator, in the log")
	})
	t.Run("are found by smart-configuration and told by the CapabilityStatement", func(t *testing.T) {
		t.Parallel()
		status, header, text := ask(t, http.MethodGet, s.fhir+"/.well-known/smart-configuration", "", "")
		require.Equal(t, http.StatusOK, status)
		require.Equal(t, "application/json", header.Get("Content-Type"))
		var document map[string]any
		require.NoError(t, json.Unmarshal([]byte(text), &document))
		require.Equal(t, s.fhir+"/auth/token", document["token_endpoint"])
		status, _, text = ask(t, http.MethodGet, document["jwks_uri"].(string), "", "")
		require.Equal(t, http.StatusOK, status)
		require.NotContains(t, text, `"d":`)
		_, _, text = ask(t, http.MethodGet, s.fhir+"/metadata", "", "")
		require.Contains(t, text, `"SMART-on-FHIR"`)
		require.NotContains(t, text, "not authenticated")
	})
}

// TestAssertionsAreUsedOnce also after the server has been started again.
func TestAssertionsAreUsedOnce(t *testing.T) {
	t.Parallel()
	s := serveSecured(t)
	form := s.assertion(t, s.fhir)
	first, text := postForm(t, s.fhir+"/auth/token", form)
	require.Equal(t, http.StatusOK, first, text)
	again, text := postForm(t, s.fhir+"/auth/token", form)
	require.Equal(t, http.StatusBadRequest, again)
	require.Contains(t, text, "invalid_client")
	fhir := s.fhir
	s.stop()
	s.server = serve(t, s.file("tidemark.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_KEYS="+s.file("server-keys.json"), "TIDEMARK_AUTH_CLIENTS="+s.file("clients.json"), "TIDEMARK_BASE_URL="+fhir)
	restarted, text := postForm(t, s.fhir+"/auth/token", form)
	require.Equal(t, http.StatusBadRequest, restarted, text)
	require.Contains(t, text, "invalid_client")
	other, text := postForm(t, s.fhir+"/auth/token", s.assertion(t, fhir))
	require.Equal(t, http.StatusOK, other, text)
}

// assertion is what a registered client sends.
func (s *secured) assertion(t testing.TB, base string) url.Values {
	t.Helper()
	ring, err := authserver.ReadRing(s.file("portal-keys.json"))
	require.NoError(t, err)
	now := time.Now().Unix()
	text, err := ring.Sign("JWT", map[string]any{"iss": "fernway-portal", "sub": "fernway-portal", "aud": base + "/auth/token", "jti": rand.Text(), "iat": now, "exp": now + 60})
	require.NoError(t, err)
	return url.Values{"grant_type": {"client_credentials"}, "scope": {"system/*.rs"}, "client_assertion": {text},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"}}
}

func postForm(t testing.TB, address string, form url.Values) (int, string) {
	t.Helper()
	response, err := http.PostForm(address, form)
	require.NoError(t, err)
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	return response.StatusCode, string(text)
}

// login is an invented authorization server that publishes its metadata and
// its keys, and signs tokens.
type login struct {
	*httptest.Server
	ring  *authserver.Ring
	asked atomic.Int64
	down  atomic.Bool
}

func newLogin(t testing.TB) *login {
	t.Helper()
	ring, err := authserver.NewRing("ES384", time.Now())
	require.NoError(t, err)
	keys, err := auth.FormatKeys(ring.Public())
	require.NoError(t, err)
	h := &login{ring: ring}
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		switch {
		case h.down.Load():
			h.asked.Add(1)
			w.WriteHeader(http.StatusServiceUnavailable)
		case r.URL.Path == "/keys":
			_, _ = w.Write(keys)
		default:
			_, _ = fmt.Fprintf(w, `{"issuer":%[1]q,"jwks_uri":"%[2]s/keys","token_endpoint":"%[2]s/token","authorization_endpoint":"%[2]s/authorize",`+
				`"grant_types_supported":["authorization_code"],"capabilities":["launch-standalone"],"code_challenge_methods_supported":["S256"]}`, h.URL, h.URL)
		}
	}))
	t.Cleanup(h.Close)
	return h
}

// token signs one for a patient.
func (h *login) token(t testing.TB, audience, scope, patient string) string {
	t.Helper()
	now := time.Now().Unix()
	text, err := h.ring.Sign("at+jwt", map[string]any{"iss": h.URL, "aud": audience, "sub": "bram", "client_id": "fernway-app", "jti": patient + scope,
		"iat": now, "exp": now + 300, "scope": scope, "patient": patient})
	require.NoError(t, err)
	return text
}

func TestTokensOfAnIssuer(t *testing.T) {
	t.Parallel()
	t.Run("let a patient's app see that patient's scores", func(t *testing.T) {
		t.Parallel()
		h := newLogin(t)
		s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS="+h.URL)
		oonas := h.token(t, s.fhir, "patient/*.cruds", "oona-thistledown")
		status, _, text := ask(t, http.MethodPost, s.fhir+"/QuestionnaireResponse", oonas, string(oona("app", "6")))
		require.Equal(t, http.StatusCreated, status, text)
		for patient, total := range map[string]string{"oona-thistledown": `"total":1`, "casper-quillfeather": `"total":0`} {
			status, _, text = ask(t, http.MethodGet, s.fhir+"/Observation", h.token(t, s.fhir, "patient/*.rs", patient), "")
			require.Equal(t, http.StatusOK, status)
			require.Contains(t, text, total)
		}
		status, _, _ = ask(t, http.MethodGet, s.fhir+"/Observation", h.token(t, "https://elsewhere.example/fhir", "patient/*.rs", "oona-thistledown"), "")
		require.Equal(t, http.StatusUnauthorized, status)
		_, _, text = ask(t, http.MethodGet, s.fhir+"/.well-known/smart-configuration", "", "")
		require.Contains(t, text, `"token_endpoint":"`+h.URL+`/token"`)
		require.Contains(t, text, `"permission-patient"`)
		status, _, _ = ask(t, http.MethodPost, s.fhir+"/auth/token", "", "")
		require.Equal(t, http.StatusUnauthorized, status, "there is no token endpoint of our own")
	})
	t.Run("that is down are no fault of the client, and it is left in peace", func(t *testing.T) {
		t.Parallel()
		h := newLogin(t)
		h.down.Store(true)
		s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_AUTH=token", "TIDEMARK_AUTH_ISSUERS="+h.URL)
		const requests, paths, peace = 20, 2, 10 * time.Second
		began := time.Now()
		for range requests {
			status, header, text := ask(t, http.MethodGet, s.fhir+"/.well-known/smart-configuration", "", "")
			require.Equal(t, http.StatusServiceUnavailable, status)
			require.NotEmpty(t, header.Get("Retry-After"))
			require.Contains(t, text, `"transient"`)
		}
		// The check at the start asks once too, at a time of its own.
		times := 2 + int64(time.Since(began)/peace)
		require.LessOrEqual(t, h.asked.Load(), times*paths, "asked again within seconds")
		status, _, _ := ask(t, http.MethodGet, s.fhir+"/Observation", h.token(t, s.fhir, "patient/*.rs", "oona-thistledown"), "")
		require.Equal(t, http.StatusServiceUnavailable, status)
	})
}

// blocks are the indented blocks of a section of the README, in order.
func blocks(t testing.TB, section string) []string {
	t.Helper()
	text, err := os.ReadFile("../README.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(text), "\n## "+section+"\n")
	require.True(t, found)
	rest, _, _ = strings.Cut(rest, "\n## ")
	var all []string
	open := false
	for line := range strings.SplitSeq(rest, "\n") {
		code, indented := strings.CutPrefix(line, "    ")
		if indented && !open {
			all = append(all, "")
		}
		if open = indented; indented {
			all[len(all)-1] += code + "\n"
		}
	}
	return all
}

// TestSecureItAsTheReadmeSays runs the commands of the README as they stand, but
// for the port.
func TestSecureItAsTheReadmeSays(t *testing.T) {
	t.Parallel()
	for _, needed := range []string{"bash", "curl"} {
		if _, err := exec.LookPath(needed); err != nil {
			t.Skipf("%s is not on this machine, and the README uses it", needed)
		}
	}
	all := blocks(t, "Secure it")
	require.Len(t, all, 3)
	dir := t.TempDir()
	run := func(script string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "bash", "-euo", "pipefail", "-c", script)
		cmd.Dir, cmd.Env = dir, append(environment(), "PATH="+filepath.Dir(binary)+":"+os.Getenv("PATH"))
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s", out)
		return string(out)
	}
	setup, start, found := strings.Cut(all[1], "TIDEMARK_AUTH=token ")
	require.True(t, found)
	run(setup)
	settings := []string{"TIDEMARK_AUTH=token"}
	for _, setting := range strings.Fields(strings.TrimSuffix(start, "tidemark serve\n")) {
		name, file, _ := strings.Cut(setting, "=")
		settings = append(settings, name+"="+filepath.Join(dir, file))
	}
	s := serve(t, filepath.Join(dir, "tidemark.db"), settings...)
	use := strings.NewReplacer("tidemark token ", "tidemark token --base "+s.fhir+" ", "http://127.0.0.1:8080/fhir", s.fhir).Replace(all[2])
	require.Contains(t, run(use), `"type":"searchset"`)
	// The other start of the section is taken too, as far as settings go.
	issuers := strings.Fields(all[0])
	require.Equal(t, []string{"tidemark", "serve"}, issuers[2:])
	other := serve(t, filepath.Join(dir, "other.db"), issuers[:2]...)
	status, _, _ := ask(t, http.MethodGet, other.fhir+"/Observation", "", "")
	require.Equal(t, http.StatusUnauthorized, status)
}

func TestKeys(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "keys.json")
	require.Equal(t, 0, tidemark(t, "", nil, "keys", "make", "--algorithm", "RS384", file).code)
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	for name, c := range map[string]struct {
		args []string
		says string
	}{
		"that are there already":    {[]string{"make", file}, "is there already"},
		"of an unknown algorithm":   {[]string{"make", "--algorithm", "HS256", filepath.Join(dir, "none.json")}, "RS384 or ES384"},
		"that are not there":        {[]string{"show", filepath.Join(dir, "none.json")}, "none.json"},
		"rotated too soon":          {[]string{"rotate", file}, "rotated less than"},
		"without a file":            {[]string{"show"}, "one file"},
		"with an action it has not": {[]string{"burn", file}, "burn"},
		"without an action":         {nil, "make, show, rotate or public"},
	} {
		r := tidemark(t, "", nil, append([]string{"keys"}, c.args...)...)
		require.Equal(t, 2, r.code, name)
		require.Contains(t, r.err, c.says, name)
	}
	require.Contains(t, tidemark(t, "", nil, "keys", "show", file).out, "current   RS384")
	require.NoError(t, os.Chmod(file, 0o644))
	require.Contains(t, tidemark(t, "", nil, "keys", "show", file).err, "0600")
}
