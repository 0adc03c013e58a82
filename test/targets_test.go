package test_test

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/fhir/sandbox"
)

// smartHospital is a stand-in hospital that gives access tokens to a client by
// the keys that the client publishes, and takes nothing without one.
type smartHospital struct {
	*sandbox.Server
	t    *testing.T
	base string
	ring *authserver.RingFile

	mu       sync.Mutex
	tokens   http.Handler // nil while the token endpoint is down
	verifier *auth.Verifier
	bodies   []string // what the token endpoint was sent
}

func newSMARTHospital(t *testing.T) *smartHospital {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hospital-keys.json")
	ring, err := authserver.NewRing("ES384", time.Now())
	require.NoError(t, err)
	require.NoError(t, authserver.WriteRing(path, ring))
	h := &smartHospital{Server: sandbox.New(sandbox.Options{}), t: t}
	h.ring, err = authserver.OpenRing(path, nil)
	require.NoError(t, err)
	web := httptest.NewServer(h)
	t.Cleanup(web.Close)
	h.base = web.URL + "/fhir"
	h.verifier, err = auth.New(auth.Options{Audience: []string{h.base}, Issuers: []auth.Issuer{{URL: h.base, Keys: h.ring.Keys()}}})
	require.NoError(t, err)
	return h
}

// register opens the token endpoint for a client with its keys at an address.
func (h *smartHospital) register(jwks string) {
	h.t.Helper()
	h.registerFor(jwks, "system/Observation.crus")
}

// registerFor registers it for other scopes.
func (h *smartHospital) registerFor(jwks, scope string) {
	h.t.Helper()
	keys, err := auth.NewURLKeys(jwks, nil, nil)
	require.NoError(h.t, err)
	scopes, _, err := auth.ParseScopes(scope)
	require.NoError(h.t, err)
	tokens, err := authserver.New(authserver.Options{Issuer: h.base, TokenURL: h.base + "/auth/token", Audience: h.base, Keys: h.ring,
		Replays: authserver.NewMemoryReplays(time.Now), Clients: []authserver.Client{{ID: "tidemark", Keys: keys, JWKSURL: jwks, Scopes: scopes}}})
	require.NoError(h.t, err)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.tokens = tokens.TokenHandler(nil)
}

// ServeHTTP implements http.Handler.
func (h *smartHospital) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch r.URL.Path {
	case "/fhir/.well-known/smart-configuration":
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(auth.OwnConfiguration(h.base+"/auth/token", h.base+"/auth/jwks", nil))
	case "/fhir/auth/token":
		h.mu.Lock()
		tokens := h.tokens
		h.mu.Unlock()
		if tokens == nil {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		recorded := &strings.Builder{}
		r.Body = io.NopCloser(io.TeeReader(r.Body, recorded))
		tokens.ServeHTTP(w, r)
		h.mu.Lock()
		h.bodies = append(h.bodies, recorded.String())
		h.mu.Unlock()
	default:
		if grant, err := h.verifier.Request(r); err != nil || !grant.Allows("Observation", auth.Create|auth.Update|auth.Search) {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		h.Server.ServeHTTP(w, r)
	}
}

// registry is a stand-in server by TLS with an authority of its own, which asks
// for a certificate and for a password.
type registry struct {
	*sandbox.Server
	base, password string
}

func newRegistry(t *testing.T, cert, key string) *registry {
	t.Helper()
	g := &registry{Server: sandbox.New(sandbox.Options{}), password: "invented secret of the registry"}
	pair, err := tls.LoadX509KeyPair(cert, key)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(pair.Leaf)
	web := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if user, password, _ := r.BasicAuth(); user != "tidemark" || password != g.password {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		g.ServeHTTP(w, r)
	}))
	web.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAnyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS12}
	web.Config.ErrorLog = log.New(io.Discard, "", 0)
	web.StartTLS()
	t.Cleanup(web.Close)
	g.base = web.URL + "/fhir"
	return g
}

// twoTargets are files and servers for a list of two targets.
type twoTargets struct {
	dir      string
	hospital *smartHospital
	registry *registry
}

func newTwoTargets(t *testing.T) *twoTargets {
	t.Helper()
	two := &twoTargets{dir: t.TempDir(), hospital: newSMARTHospital(t)}
	certificate(t, two.file("ca.pem"), two.file("registry.key"))
	two.registry = newRegistry(t, two.file("ca.pem"), two.file("registry.key"))
	certificate(t, two.file("client.pem"), two.file("client.key"))
	require.NoError(t, os.WriteFile(two.file("password"), []byte(two.registry.password+"\n"), 0o600))
	made := tidemark(t, "", nil, "keys", "make", "--algorithm", "RS384", two.file("keys.json"))
	require.Equal(t, 0, made.code, made.err)
	return two
}

func (two *twoTargets) file(name string) string { return filepath.Join(two.dir, name) }

func (two *twoTargets) first() string {
	return fmt.Sprintf("  - name: brindlemoor\n    url: %s\n    auth: {type: smart, client_id: tidemark, key_file: %s}\n    concurrency: 2\n", two.hospital.base, two.file("keys.json"))
}

func (two *twoTargets) second() string {
	return fmt.Sprintf("  - name: registry\n    url: %s\n    auth: {type: basic, user: tidemark, password_file: %s}\n    tls: {ca_file: %s, client_cert: %s, client_key: %s}\n    rate: 200\n",
		two.registry.base, two.file("password"), two.file("ca.pem"), two.file("client.pem"), two.file("client.key"))
}

// serve starts the program with a list of targets.
func (two *twoTargets) serve(t *testing.T, list ...string) *server {
	t.Helper()
	require.NoError(t, os.WriteFile(two.file("tidemark.yaml"), []byte("TIDEMARK_EHR_URL:\n"+strings.Join(list, "")), 0o600))
	return serveWith(t, []string{"--config", two.file("tidemark.yaml")}, two.file("tidemark.db"))
}

func post(t *testing.T, s *server, identifier, itch string) {
	t.Helper()
	r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona(identifier, itch))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, r.status, string(r.body))
}

func TestTwoTargetsOneOfThemSMART(t *testing.T) {
	t.Parallel()
	two := newTwoTargets(t)
	s := two.serve(t, two.first(), two.second())
	post(t, s, "to-both", "6")

	require.Eventually(t, func() bool { return len(two.registry.Current("Observation")) == 1 }, patience, 20*time.Millisecond, "one target does not wait for the other")
	require.Eventually(t, func() bool {
		return metric(t, s, "tidemark_writeback_tokens_total", `outcome="unavailable",target="brindlemoor"`) > 0
	}, patience, 20*time.Millisecond)
	require.Empty(t, two.hospital.Current("Observation"), "its token endpoint is down")
	require.Zero(t, metric(t, s, "tidemark_writeback_attempts_total", `outcome="in-doubt"`), "nothing was sent, so nothing is in doubt")
	require.Zero(t, metric(t, s, "tidemark_writeback_attempts_total", `outcome="refused"`))

	published := string(get(t, s.fhir+"/.well-known/jwks.json"))
	require.Equal(t, 2, strings.Count(published, `"alg":"RS384"`), "the key that signs and the next: %s", published)
	require.NotContains(t, published, `"d":`)
	two.hospital.register(s.fhir + "/.well-known/jwks.json")
	require.Eventually(t, func() bool { return len(two.hospital.Current("Observation")) == 1 }, leasePatience, 20*time.Millisecond)
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, patience, 20*time.Millisecond)
	require.Positive(t, metric(t, s, "tidemark_writeback_tokens_total", `outcome="given",target="brindlemoor"`))
	for _, name := range []string{"brindlemoor", "registry"} {
		require.Equal(t, 1.0, metric(t, s, "tidemark_writeback_attempts_total", `outcome="delivered",target="`+name+`"`), name)
	}

	require.Equal(t, 0, s.stop())
	two.hospital.mu.Lock()
	defer two.hospital.mu.Unlock()
	require.NotEmpty(t, two.hospital.bodies)
	for _, text := range append(two.hospital.bodies, two.registry.password, "eyJ", "PRIVATE KEY") {
		require.NotContains(t, s.log.String(), text, "no secret, no token and no assertion in the log")
	}
}

// TestAuthoritiesOfATarget stand in place of the system's.
func TestAuthoritiesOfATarget(t *testing.T) {
	t.Parallel()
	two := newTwoTargets(t)
	start := func(authorities string) *server {
		t.Helper()
		list := strings.Replace(two.second(), "ca_file: "+two.file("ca.pem")+", ", authorities, 1)
		require.NoError(t, os.WriteFile(two.file("tidemark.yaml"), []byte("TIDEMARK_EHR_URL:\n"+list), 0o600))
		return serveWith(t, []string{"--config", two.file("tidemark.yaml")}, two.file("tidemark.db"), "SSL_CERT_FILE="+two.file("ca.pem"))
	}
	s := start("")
	post(t, s, "believed-by-the-system", "6")
	require.Eventually(t, func() bool { return len(two.registry.Current("Observation")) == 1 }, patience, 20*time.Millisecond)
	require.Equal(t, 0, s.stop())

	s = start("ca_file: " + two.file("client.pem") + ", ")
	post(t, s, "not-believed-by-the-target", "7")
	require.Eventually(t, func() bool { return strings.Contains(s.log.String(), `"fault":"certificate"`) }, patience, 20*time.Millisecond)
	require.Len(t, two.registry.Current("Observation"), 1)
	require.Equal(t, 0, s.stop())
}

// TestTargetThatIsTakenAway keeps its deliveries until it is there again; what
// was stored meanwhile was never wanted there.
func TestTargetThatIsTakenAway(t *testing.T) {
	t.Parallel()
	two := newTwoTargets(t)
	s := two.serve(t, two.first(), two.second())
	post(t, s, "for-both", "6")
	require.Eventually(t, func() bool { return len(two.registry.Current("Observation")) == 1 }, patience, 20*time.Millisecond)
	require.Equal(t, 0, s.stop())

	s = two.serve(t, two.second())
	require.Contains(t, s.log.String(), `"target":"brindlemoor","pending":1`)
	require.Contains(t, s.log.String(), "left as they are")
	require.Equal(t, 404, answered(t, s.fhir+"/.well-known/jwks.json"), "without a target of SMART there are no keys to publish")
	post(t, s, "for-the-registry", "7")
	require.Eventually(t, func() bool { return len(two.registry.Current("Observation")) == 2 }, patience, 20*time.Millisecond)
	require.Equal(t, 0, s.stop())

	s = two.serve(t, two.first(), two.second())
	two.hospital.register(s.fhir + "/.well-known/jwks.json")
	require.Eventually(t, func() bool { return len(two.hospital.Current("Observation")) == 1 }, leasePatience, 20*time.Millisecond, "what was left goes on")
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, patience, 20*time.Millisecond)
	require.Len(t, two.hospital.Current("Observation"), 1)
	require.NotContains(t, s.log.String(), "left as they are")
	require.Equal(t, 0, s.stop())
}

func TestServeRefusesTargets(t *testing.T) {
	t.Parallel()
	two := newTwoTargets(t)
	exposed := two.file("exposed.json")
	keys, err := os.ReadFile(two.file("keys.json"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(exposed, keys, 0o644)) //nolint:gosec // it is meant to be readable by others
	require.NoError(t, os.Chmod(exposed, 0o644))           //nolint:gosec // whatever the umask is
	two2 := func(auth, tls string) string {
		return "  - {name: first, url: https://first.example/fhir}\n  - {name: second, url: https://second.example/fhir, auth: " + auth + ", tls: " + tls + "}\n"
	}
	for name, c := range map[string]struct{ list, says string }{
		"keys that others can read":        {two2(`{type: smart, client_id: a, key_file: `+exposed+`}`, `{}`), "TIDEMARK_EHR_URL[1].auth.key_file: "},
		"keys that are none":               {two2(`{type: smart, client_id: a, key_file: `+two.file("password")+`}`, `{}`), "TIDEMARK_EHR_URL[1].auth.key_file: "},
		"keys for another algorithm":       {two2(`{type: smart, client_id: a, alg: ES384, key_file: `+two.file("keys.json")+`}`, `{}`), "TIDEMARK_EHR_URL[1].auth.alg: the keys of "},
		"a token that is none":             {two2(`{type: bearer, token_file: `+two.file("keys.json")+`}`, `{}`), "TIDEMARK_EHR_URL[1].auth.token_file: "},
		"authorities that are none":        {two2(`{type: none}`, `{ca_file: `+two.file("password")+`}`), "TIDEMARK_EHR_URL[1].tls.ca_file: "},
		"a certificate of another key":     {two2(`{type: none}`, `{client_cert: `+two.file("client.pem")+`, client_key: `+two.file("registry.key")+`}`), "TIDEMARK_EHR_URL[1].tls.client_cert: "},
		"a password on an open road":       {"  - {url: http://first.example/fhir, auth: {type: basic, user: a, password_file: " + two.file("password") + "}}\n", "TIDEMARK_EHR_URL[0].url: "},
		"a setting that does not exist":    {"  - {url: https://first.example/fhir, auth: {tokn_file: a}}\n", "TIDEMARK_EHR_URL[0].auth.tokn_file: there is no such setting; here are type, user"},
		"two of the same name, and a mode": {"  - {url: https://first.example/fhir}\n  - {url: https://second.example/fhir, mode: sometimes}\n", "TIDEMARK_EHR_URL[1].name: "},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			settings := filepath.Join(dir, "tidemark.yaml")
			require.NoError(t, os.WriteFile(settings, []byte("TIDEMARK_EHR_URL:\n"+c.list), 0o600))
			r := tidemark(t, "", []string{"TIDEMARK_AUTH=off", "TIDEMARK_LISTEN=127.0.0.1:0", "TIDEMARK_ADMIN_LISTEN=127.0.0.1:0", "TIDEMARK_DATABASE=" + filepath.Join(dir, "tidemark.db")},
				"serve", "--config", settings)
			require.Equal(t, 2, r.code, r.err)
			require.Contains(t, r.err, c.says)
			require.NotContains(t, r.err, two.registry.password)
			require.NotContains(t, r.err, "BEGIN")
		})
	}
}

// TestTargetsOfTheReadme: the list that the README shows is one that can be
// served with.
func TestTargetsOfTheReadme(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../README.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(text), "\n## Log in at hospitals\n")
	require.True(t, found)
	_, rest, found = strings.Cut(rest, "\n```yaml\n")
	require.True(t, found)
	list, _, _ := strings.Cut(rest, "\n```\n")
	two := newTwoTargets(t)
	for name, file := range map[string]string{"brindlemoor-keys.json": "keys.json", "registry-password": "password", "registry-ca.pem": "ca.pem"} {
		require.Contains(t, list, name)
		list = strings.ReplaceAll(list, name, two.file(file))
	}
	require.NoError(t, os.WriteFile(two.file("readme.yaml"), []byte(list), 0o600))
	s := serveWith(t, []string{"--config", two.file("readme.yaml")}, two.file("readme.db"))
	require.Equal(t, 2, strings.Count(string(get(t, s.fhir+"/.well-known/jwks.json")), `"kid"`))
	for _, name := range []string{"brindlemoor", "registry"} {
		require.Contains(t, string(get(t, s.admin+"/metrics")), `tidemark_writeback_pending{target="`+name+`"}`)
	}
	require.Equal(t, 0, s.stop())
}
