package login_test

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/fhir/writeback/login"
)

const (
	clientID = "tidemark"
	scope    = "system/Observation.crus"
)

// clock stands still until it is moved.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock() *clock { return &clock{at: time.Now().Truncate(time.Second)} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) pass(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// hospital is a FHIR server and its token endpoint. It is as strict as SMART
// App Launch 2.2.0 lets it be, and verifies with golang-jwt and a reading of JWK
// of its own.
type hospital struct {
	*httptest.Server
	t     testing.TB
	clock *clock
	// jwks is what the client has registered, as text.
	jwks string
	// algorithms are those that it takes, and lifetime is that of its tokens.
	algorithms []string
	lifetime   time.Duration

	mu      sync.Mutex
	seen    map[string]bool
	ends    map[string]time.Time
	heard   []string
	asked   int
	refused []error
	// instead answers in place of the token endpoint, if it is there.
	instead http.HandlerFunc
	// refuses says to refuse every access token.
	refuses bool
}

func newHospital(t testing.TB, ring *authserver.Ring) *hospital {
	t.Helper()
	text, err := auth.FormatKeys(ring.Public())
	require.NoError(t, err)
	h := &hospital{t: t, clock: newClock(), jwks: string(text), algorithms: []string{"RS384", "ES384"}, lifetime: 300 * time.Second,
		seen: map[string]bool{}, ends: map[string]time.Time{}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /fhir/.well-known/smart-configuration", h.configuration)
	mux.HandleFunc("POST /token", h.token)
	mux.HandleFunc("/fhir/", h.fhir)
	h.Server = httptest.NewServer(mux)
	t.Cleanup(h.Close)
	return h
}

func (h *hospital) base() string { return h.URL + "/fhir" }

func (h *hospital) configuration(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"token_endpoint": h.URL + "/token", "grant_types_supported": []string{"client_credentials"},
		"token_endpoint_auth_signing_alg_values_supported": h.algorithms, "capabilities": []string{"client-confidential-asymmetric"}})
}

func (h *hospital) token(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.asked++
	if h.instead != nil {
		h.instead(w, r)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Date", h.clock.now().UTC().Format(http.TimeFormat))
	if err := h.verify(r); err != nil {
		h.refused = append(h.refused, err)
		w.WriteHeader(http.StatusBadRequest)
		_, _ = io.WriteString(w, `{"error":"invalid_client","error_description":"of `+r.PostForm.Get("client_assertion")+`"}`)
		return
	}
	token := fmt.Sprintf("token-%d", len(h.ends)+1)
	h.ends[token] = h.clock.now().Add(h.lifetime)
	_, _ = fmt.Fprintf(w, `{"access_token":%q,"token_type":"bearer","expires_in":%d,"scope":%q}`, token, int(h.lifetime.Seconds()), scope)
}

// verify holds an assertion to RFC 7523 section 3 and SMART
// client-confidential-asymmetric.
func (h *hospital) verify(r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	for name, want := range map[string]string{"grant_type": "client_credentials", "scope": scope,
		"client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"} {
		if values := r.PostForm[name]; len(values) != 1 || values[0] != want {
			return fmt.Errorf("%s is %q", name, values)
		}
	}
	if len(r.PostForm) != 4 || r.Header.Get("Authorization") != "" {
		return errors.New("more than SMART asks for")
	}
	claims := jwt.MapClaims{}
	token, err := jwt.NewParser(jwt.WithValidMethods(h.algorithms), jwt.WithIssuer(clientID), jwt.WithSubject(clientID), jwt.WithAudience(h.URL+"/token"),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithStrictDecoding(), jwt.WithTimeFunc(h.clock.now)).ParseWithClaims(r.PostForm.Get("client_assertion"), claims, h.key)
	if err != nil {
		return err
	}
	if token.Header["typ"] != "JWT" || len(token.Header) != 3 {
		return errors.New("the header is not alg, kid and typ JWT")
	}
	expires, err := claims.GetExpirationTime()
	if err != nil || expires.Sub(h.clock.now()) > 5*time.Minute {
		return errors.New("exp is more than five minutes ahead")
	}
	id, _ := claims["jti"].(string)
	if id == "" || h.seen[id] {
		return errors.New("jti is missing or was used before")
	}
	h.seen[id] = true
	return nil
}

// key finds the key of a token in what was registered (RFC 7517, RFC 7518
// section 6).
func (h *hospital) key(token *jwt.Token) (any, error) {
	var set struct {
		Keys []struct{ Kid, Kty, Alg, Use, Crv, N, E, X, Y, D string }
	}
	if err := json.Unmarshal([]byte(h.jwks), &set); err != nil {
		return nil, err
	}
	decode := func(text string) []byte {
		data, err := base64.RawURLEncoding.DecodeString(text)
		require.NoError(h.t, err)
		return data
	}
	var found []crypto.PublicKey
	for _, key := range set.Keys {
		require.Empty(h.t, key.D, "a private key is published")
		if key.Kid != token.Header["kid"] || key.Alg != token.Header["alg"] || key.Use != "sig" {
			continue
		}
		if key.Kty == "RSA" {
			found = append(found, &rsa.PublicKey{N: new(big.Int).SetBytes(decode(key.N)), E: int(new(big.Int).SetBytes(decode(key.E)).Int64())})
			continue
		}
		point, err := ecdsa.ParseUncompressedPublicKey(elliptic.P384(), slices.Concat([]byte{4}, decode(key.X), decode(key.Y)))
		if err != nil {
			return nil, err
		}
		found = append(found, point)
	}
	if len(found) != 1 {
		return nil, fmt.Errorf("%d keys with this kid", len(found))
	}
	return found[0], nil
}

// fhir takes whatever comes with a token that is good now, and remembers it.
func (h *hospital) fhir(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	token, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	h.heard = append(h.heard, token+" "+string(body))
	if ends, known := h.ends[token]; h.refuses || !known || !h.clock.now().Before(ends) {
		w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`)
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	_, _ = io.WriteString(w, "taken")
}

// revoke ends every token before its time.
func (h *hospital) revoke() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for token := range h.ends {
		h.ends[token] = h.clock.now()
	}
}

// set changes the hospital while it runs.
func (h *hospital) set(change func()) {
	h.mu.Lock()
	defer h.mu.Unlock()
	change()
}

// counts gives how often a token was asked for, and what was heard of FHIR.
func (h *hospital) counts() (asked int, heard []string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.asked, append([]string(nil), h.heard...)
}

// rings are made once, since RSA keys take a while.
var rings = map[string]func() *authserver.Ring{
	"ES384": sync.OnceValue(func() *authserver.Ring { return mustRing("ES384") }),
	"RS384": sync.OnceValue(func() *authserver.Ring { return mustRing("RS384") }),
}

func mustRing(algorithm string) *authserver.Ring {
	ring, err := authserver.NewRing(algorithm, time.Now())
	if err != nil {
		panic(err)
	}
	return ring
}

// sender is this service, logged in by SMART.
type sender struct {
	t      testing.TB
	http   *http.Client
	base   string
	clock  *clock
	log    *lines
	asked  *tally
	client *login.Client
}

// lines is a log that several may write and read.
type lines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// tally counts outcomes.
type tally struct {
	mu    sync.Mutex
	count map[login.Outcome]int
}

func (c *tally) add(outcome login.Outcome) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.count[outcome]++
}

func (c *tally) of(outcome login.Outcome) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.count[outcome]
}

func newSender(t testing.TB, base string, keys login.Signer, clock *clock, change ...func(*login.ClientOptions)) *sender {
	t.Helper()
	s := &sender{t: t, base: base, clock: clock, log: &lines{}, asked: &tally{count: map[login.Outcome]int{}}}
	network, err := login.NewNetwork(base, login.Files{}, nil, nil)
	require.NoError(t, err)
	options := login.ClientOptions{Base: base, ID: clientID, Scope: scope, Keys: keys, Transport: network, Now: clock.now}
	for _, each := range change {
		each(&options)
	}
	s.client, err = login.NewClient(options)
	require.NoError(t, err)
	source, err := login.SMART(login.SMARTOptions{Client: s.client, Logger: slog.New(slog.NewTextHandler(s.log, nil)), Asked: s.asked.add})
	require.NoError(t, err)
	transport, err := login.New(network, base, source)
	require.NoError(t, err)
	s.http = &http.Client{Transport: transport}
	return s
}

// put sends a resource and gives the status.
func (s *sender) put(body string) (int, error) {
	request, err := http.NewRequest(http.MethodPut, s.base+"/Observation/1", strings.NewReader(body))
	require.NoError(s.t, err)
	response, err := s.http.Do(request)
	if err != nil {
		return 0, err
	}
	defer response.Body.Close()
	_, err = io.Copy(io.Discard, response.Body)
	return response.StatusCode, err
}

func (s *sender) sends(body string) {
	s.t.Helper()
	status, err := s.put(body)
	require.NoError(s.t, err)
	require.Equal(s.t, http.StatusOK, status)
}
