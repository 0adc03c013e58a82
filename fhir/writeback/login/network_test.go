package login_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/writeback/login"
)

// authority issues certificates of an invented hospital.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Brindlemoor"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	var err error
	a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	der, err := x509.CreateCertificate(rand.Reader, template, template, a.key.Public(), a.key)
	require.NoError(t, err)
	a.cert, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	return a
}

// issue gives a certificate for a name, or a client's for "", and its key as PEM.
func (a *authority) issue(name string) (cert, key []byte) {
	a.t.Helper()
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<60))
	require.NoError(a.t, err)
	template := &x509.Certificate{SerialNumber: serial, NotBefore: a.cert.NotBefore, NotAfter: a.cert.NotAfter,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	if ip := net.ParseIP(name); ip != nil {
		template.IPAddresses = []net.IP{ip}
	} else if name != "" {
		template.DNSNames = []string{name}
	}
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, private.Public(), a.key)
	require.NoError(a.t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(a.t, err)
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER})
}

func (a *authority) pem() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

// secure is a server by TLS that answers the serial number of its client's
// certificate.
func (a *authority) secure(name string, change func(*tls.Config)) *httptest.Server {
	a.t.Helper()
	certPEM, keyPEM := a.issue(name)
	pair, err := tls.X509KeyPair(certPEM, keyPEM)
	require.NoError(a.t, err)
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if len(r.TLS.PeerCertificates) > 0 {
			_, _ = io.WriteString(w, r.TLS.PeerCertificates[0].SerialNumber.String())
		}
	}))
	server.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	if change != nil {
		change(server.TLS)
	}
	server.Config.ErrorLog = log.New(io.Discard, "", 0) // refused handshakes are meant
	server.StartTLS()
	a.t.Cleanup(server.Close)
	return server
}

func get(t *testing.T, network http.RoundTripper, address string) (string, error) {
	t.Helper()
	response, err := (&http.Client{Transport: network}).Get(address)
	if err != nil {
		return "", err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	return string(body), err
}

func file(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	put(t, path, string(content))
	return path
}

func TestNetwork(t *testing.T) {
	t.Parallel()
	open := func(t *testing.T, base string, files login.Files) http.RoundTripper {
		t.Helper()
		network, err := login.NewNetwork(base, files, nil, nil)
		require.NoError(t, err)
		return network
	}
	t.Run("believes the authorities that are named, and no others", func(t *testing.T) {
		t.Parallel()
		a, b := newAuthority(t), newAuthority(t)
		server := a.secure("127.0.0.1", nil)
		_, err := get(t, open(t, server.URL, login.Files{CA: file(t, "ca.pem", a.pem())}), server.URL)
		require.NoError(t, err)
		for _, files := range []login.Files{{}, {CA: file(t, "ca.pem", b.pem())}} {
			_, err = get(t, open(t, server.URL, files), server.URL)
			var unknown x509.UnknownAuthorityError
			require.ErrorAs(t, err, &unknown)
		}
	})
	t.Run("shows its certificate", func(t *testing.T) {
		t.Parallel()
		a := newAuthority(t)
		pool := x509.NewCertPool()
		pool.AddCert(a.cert)
		server := a.secure("127.0.0.1", func(c *tls.Config) { c.ClientAuth, c.ClientCAs = tls.RequireAndVerifyClientCert, pool })
		files := login.Files{CA: file(t, "ca.pem", a.pem())}
		_, err := get(t, open(t, server.URL, files), server.URL)
		require.Error(t, err)
		cert, key := a.issue("")
		files.Cert, files.Key = file(t, "cert.pem", cert), file(t, "key.pem", key)
		serial, err := get(t, open(t, server.URL, files), server.URL)
		require.NoError(t, err)
		require.Equal(t, serialOf(t, cert), serial)
	})
	t.Run("asks for another name of the target, and of the target only", func(t *testing.T) {
		t.Parallel()
		a := newAuthority(t)
		target, elsewhere := a.secure("ehr.internal", nil), a.secure("127.0.0.1", nil)
		files := login.Files{CA: file(t, "ca.pem", a.pem())}
		_, err := get(t, open(t, target.URL, files), target.URL)
		var name x509.HostnameError
		require.ErrorAs(t, err, &name)
		files.ServerName = "ehr.internal"
		network := open(t, target.URL, files)
		for _, address := range []string{target.URL, elsewhere.URL} {
			_, err = get(t, network, address)
			require.NoError(t, err)
		}
	})
	t.Run("speaks no TLS before 1.2", func(t *testing.T) {
		t.Parallel()
		a := newAuthority(t)
		server := a.secure("127.0.0.1", func(c *tls.Config) { c.MinVersion, c.MaxVersion = tls.VersionTLS10, tls.VersionTLS11 })
		_, err := get(t, open(t, server.URL, login.Files{CA: file(t, "ca.pem", a.pem())}), server.URL)
		require.ErrorContains(t, err, "protocol version")
	})
}

func serialOf(t *testing.T, cert []byte) string {
	t.Helper()
	return parsed(t, cert).SerialNumber.String()
}

func endOf(t *testing.T, cert []byte) time.Time {
	t.Helper()
	return parsed(t, cert).NotAfter
}

func parsed(t *testing.T, cert []byte) *x509.Certificate {
	t.Helper()
	block, _ := pem.Decode(cert)
	certificate, err := x509.ParseCertificate(block.Bytes)
	require.NoError(t, err)
	return certificate
}

func TestNetworkFollowsItsFiles(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	server := a.secure("127.0.0.1", func(c *tls.Config) { c.ClientAuth = tls.RequireAnyClientCert })
	cert, key := a.issue("")
	files := login.Files{CA: file(t, "ca.pem", a.pem()), Cert: file(t, "cert.pem", cert), Key: file(t, "key.pem", key)}
	clock, text := newClock(), &bytes.Buffer{}
	network, err := login.NewNetwork(server.URL, files, slog.New(slog.NewTextHandler(text, nil)), clock.now)
	require.NoError(t, err)
	shows := func(want []byte) {
		t.Helper()
		serial, err := get(t, network, server.URL)
		require.NoError(t, err)
		require.Equal(t, serialOf(t, want), serial)
	}
	shows(cert)
	require.Equal(t, endOf(t, cert), network.Ends())
	a.cert.NotAfter = a.cert.NotAfter.Add(time.Hour)
	newCert, newKey := a.issue("")
	put(t, files.Cert, string(newCert))
	clock.pass(time.Second)
	shows(cert) // its key has not come yet
	require.Equal(t, endOf(t, cert), network.Ends())
	require.Equal(t, 1, strings.Count(text.String(), "stay in use"))
	put(t, files.Key, string(newKey))
	clock.pass(time.Second)
	require.Equal(t, endOf(t, newCert), network.Ends())
	require.NotEqual(t, endOf(t, cert), network.Ends())
	shows(newCert)
	require.Contains(t, text.String(), "are in use")
	require.NotContains(t, text.String(), "BEGIN")

	put(t, files.CA, string(newAuthority(t).pem()))
	clock.pass(time.Second)
	_, err = get(t, network, server.URL)
	var unknown x509.UnknownAuthorityError
	require.ErrorAs(t, err, &unknown, "an authority that was taken away is not believed on old connections either")
}

func TestNetworkNamesTheSetting(t *testing.T) {
	t.Parallel()
	a := newAuthority(t)
	cert, key := a.issue("")
	_, otherKey := a.issue("")
	none := filepath.Join(t.TempDir(), "none.pem")
	for name, c := range map[string]struct {
		files   login.Files
		setting string
	}{
		"NoAuthorities":    {login.Files{CA: none}, "tls.ca_file"},
		"NoPEM":            {login.Files{CA: file(t, "ca.pem", []byte("no PEM"))}, "tls.ca_file"},
		"NoCertificate":    {login.Files{Cert: none, Key: file(t, "key.pem", key)}, "tls.client_cert"},
		"KeyOfAnother":     {login.Files{Cert: file(t, "cert.pem", cert), Key: file(t, "key.pem", otherKey)}, "tls.client_cert"},
		"CertificateAsKey": {login.Files{Cert: file(t, "cert.pem", cert), Key: file(t, "key.pem", cert)}, "tls.client_cert"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := login.NewNetwork("https://ehr.example/fhir", c.files, nil, nil)
			var fault *login.Fault
			require.ErrorAs(t, err, &fault)
			require.Equal(t, c.setting, fault.Setting)
			require.NotContains(t, err.Error(), "BEGIN")
		})
	}
	_, err := login.NewNetwork(":", login.Files{}, nil, nil)
	require.Error(t, err)
	without, err := login.NewNetwork("https://ehr.example/fhir", login.Files{}, nil, nil)
	require.NoError(t, err)
	require.Zero(t, without.Ends(), "there is no certificate of ours")
}
