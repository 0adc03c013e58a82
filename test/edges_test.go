package test_test

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"go/ast"
	"go/token"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// certificate writes an invented certificate of this machine and its key, and
// gives the pool that trusts it.
func certificate(t *testing.T, cert, key string) *x509.CertPool {
	t.Helper()
	return certificateUntil(t, cert, key, time.Now().Add(time.Hour))
}

// certificateUntil makes one that expires then.
func certificateUntil(t *testing.T, cert, key string, until time.Time) *x509.CertPool {
	t.Helper()
	own, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), NotBefore: until.Add(-365 * 24 * time.Hour), NotAfter: until,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &own.PublicKey, own)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(own)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	pool := x509.NewCertPool()
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	pool.AddCert(parsed)
	return pool
}

// httpsGet asks the server by TLS, trusting the pool.
func httpsGet(s *server, pool *x509.CertPool, path string) (*http.Response, error) {
	secure := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}, Timeout: patience}
	response, err := secure.Get(strings.Replace(s.fhir, "http://", "https://", 1) + path)
	if err == nil {
		defer response.Body.Close()
		_, err = io.Copy(io.Discard, response.Body)
	}
	return response, err
}

func TestServeByTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "tls.crt"), filepath.Join(dir, "tls.key")
	pool := certificate(t, cert, key)
	s := serve(t, filepath.Join(dir, "tidemark.db"), "TIDEMARK_TLS_CERT="+cert, "TIDEMARK_TLS_KEY="+key)

	response, err := httpsGet(s, pool, "/metadata")
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, response.StatusCode)
	require.NotEmpty(t, response.Header.Get("Strict-Transport-Security"))
	require.Equal(t, 200, answered(t, s.admin+"/readyz"), "the admin listener is without, on loopback")
	require.Equal(t, 400, answered(t, s.fhir+"/metadata"), "who speaks HTTP is told so")

	renewed := certificate(t, cert, key)
	require.Eventually(t, func() bool {
		_, err := httpsGet(s, renewed, "/metadata")
		return err == nil
	}, patience, 200*time.Millisecond, "the renewed certificate comes into use by itself")
	_, err = httpsGet(s, pool, "/metadata")
	require.Error(t, err)
}

func answered(t *testing.T, url string) int {
	t.Helper()
	r, err := call(http.MethodGet, url, nil)
	require.NoError(t, err)
	return r.status
}

func TestServeHoldsItsLimits(t *testing.T) {
	t.Parallel()
	s := serve(t, filepath.Join(t.TempDir(), "tidemark.db"), "TIDEMARK_RATE=1", "TIDEMARK_BURST=3", "TIDEMARK_MAX_BODY=1024", "TIDEMARK_TRUSTED_PROXIES=127.0.0.0/8")
	from := func(address, method, path, body string) *http.Response {
		request, err := http.NewRequest(method, s.fhir+path, strings.NewReader(body))
		require.NoError(t, err)
		request.Header.Set("X-Forwarded-For", address)
		request.Header.Set("Content-Type", "application/fhir+json")
		response, err := client.Do(request)
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		return response
	}
	for range 3 {
		require.Equal(t, 200, from("192.0.2.1", http.MethodGet, "/metadata", "").StatusCode)
	}
	refused := from("192.0.2.1", http.MethodGet, "/metadata", "")
	require.Equal(t, 429, refused.StatusCode)
	require.NotEmpty(t, refused.Header.Get("Retry-After"))
	require.Equal(t, 200, from("192.0.2.2", http.MethodGet, "/metadata", "").StatusCode)
	require.Equal(t, 413, from("192.0.2.3", http.MethodPost, "/QuestionnaireResponse", strings.Repeat(" ", 1025)).StatusCode)

	t.Run("and answers what is no HTTP in FHIR's form", func(t *testing.T) {
		for _, address := range []string{strings.TrimSuffix(strings.TrimPrefix(s.fhir, "http://"), "/fhir"), strings.TrimPrefix(s.admin, "http://")} {
			c, err := net.Dial("tcp", address)
			require.NoError(t, err)
			defer c.Close()
			require.NoError(t, c.SetDeadline(time.Now().Add(patience)))
			_, err = io.WriteString(c, "GET /oona-thistledown\r\n\r\n")
			require.NoError(t, err)
			response, err := http.ReadResponse(bufio.NewReader(c), nil)
			require.NoError(t, err)
			body, err := io.ReadAll(response.Body)
			require.NoError(t, err)
			require.Equal(t, 400, response.StatusCode)
			require.Equal(t, "OperationOutcome", parse(t, body).ResourceType)
			require.NotContains(t, string(body)+s.log.String(), "oona")
		}
	})
}

// reaches are the packages that open connections to others, and to whom: the
// hospital's server and where it gives access tokens, the audit repository, the
// token servers that are configured, the probe of this very program, and, of what
// senders name, endpoints of hosts that the operator allows (fhir/notify/policy.go).
// What makes a release asks the go command, and is no part of the program.
var reaches = map[string]bool{"fhir/writeback": true, "fhir/writeback/login": true, "fhir/notify": true, "fhir/audit/ship": true, "api/auth": true, "api/auth/authserver": true, "cmd/tidemark": true,
	"deploy/release/licences": true}

// TestNothingElseReachesOut: no package that sees a resource of a sender can
// fetch what it names.
func TestNothingElseReachesOut(t *testing.T) {
	t.Parallel()
	calls := map[string][]string{
		"http": {"Get", "Post", "PostForm", "Head", "Client", "DefaultClient", "Transport", "DefaultTransport"},
		"net":  {"Dial", "DialTimeout", "DialTCP", "DialUDP", "Dialer", "Resolver", "LookupHost", "LookupIP", "LookupAddr"},
		"tls":  {"Dial", "DialWithDialer", "Dialer", "Client"},
		"exec": {"Command", "CommandContext"},
	}
	found := map[string]bool{}
	eachFile(t, func(dir string, file *ast.File) {
		if strings.HasPrefix(dir, "test/") || dir == "fhir/store/storetest" {
			return
		}
		ast.Inspect(file, func(n ast.Node) bool {
			selector, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			of, ok := selector.X.(*ast.Ident)
			for _, name := range calls[identName(of, ok)] {
				if selector.Sel.Name == name {
					found[dir] = true
					require.True(t, reaches[dir], "%s uses %s.%s; what is sent must not decide what is fetched", dir, of.Name, name)
				}
			}
			return true
		})
	})
	require.True(t, found["fhir/writeback"] && found["api/auth"], "it finds those that do: %v", found)
}

func identName(id *ast.Ident, ok bool) string {
	if !ok {
		return ""
	}
	return id.Name
}

// TestSecretsDoNotShowThemselves: whatever holds a secret is of a type that is
// printed, logged and marshalled without it.
func TestSecretsDoNotShowThemselves(t *testing.T) {
	t.Parallel()
	fields := 0
	eachFile(t, func(dir string, file *ast.File) {
		ast.Inspect(file, func(n ast.Node) bool {
			structure, ok := n.(*ast.StructType)
			if !ok {
				return true
			}
			for _, field := range structure.Fields.List {
				for _, name := range field.Names {
					lower := strings.ToLower(name.Name)
					if !strings.HasSuffix(lower, "secret") && !strings.HasSuffix(lower, "password") && lower != "admintoken" && (lower != "token" || dir != "api") {
						continue
					}
					fields++
					require.Regexp(t, `Secret$`, typeName(field.Type), "%s: %s is a secret and could be printed", dir, name.Name)
				}
			}
			return true
		})
	})
	require.GreaterOrEqual(t, fields, 3)
}

// typeName is the last name of a type, "" for one without.
func typeName(expr ast.Expr) string {
	switch e := expr.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return e.Sel.Name
	}
	return ""
}

// TestSecretsAreComparedInConstantTime: nothing that is called a token, a secret
// or a password is compared by == or !=, but with nothing.
func TestSecretsAreComparedInConstantTime(t *testing.T) {
	t.Parallel()
	constant := 0
	eachFile(t, func(dir string, file *ast.File) {
		ast.Inspect(file, func(n ast.Node) bool {
			if selector, ok := n.(*ast.SelectorExpr); ok && selector.Sel.Name == "ConstantTimeCompare" {
				constant++
			}
			comparison, ok := n.(*ast.BinaryExpr)
			if !ok || comparison.Op != token.EQL && comparison.Op != token.NEQ || isNothing(comparison.X) || isNothing(comparison.Y) {
				return true
			}
			for _, side := range []ast.Expr{comparison.X, comparison.Y} {
				require.NotRegexp(t, `(?i)(secret|password|admintoken|bearer)$`, typeName(side), "%s compares a secret in a time that tells of it", dir)
			}
			return true
		})
	})
	require.Positive(t, constant)
}

// isNothing says whether an expression is "", nil or a number.
func isNothing(e ast.Expr) bool {
	switch e := e.(type) {
	case *ast.BasicLit:
		return e.Kind != token.STRING || e.Value == `""`
	case *ast.Ident:
		return e.Name == "nil"
	}
	return false
}
