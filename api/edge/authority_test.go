package edge_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/edge"
)

// authority is an invented one that signs certificates of a test.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t}
	var err error
	a.key, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	a.cert = a.sign(&x509.Certificate{IsCA: true, KeyUsage: x509.KeyUsageCertSign, BasicConstraintsValid: true}, &a.key.PublicKey)
	return a
}

// sign makes a certificate that is good for an hour.
func (a *authority) sign(template *x509.Certificate, key any) *x509.Certificate {
	a.t.Helper()
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	require.NoError(a.t, err)
	template.SerialNumber, template.Subject = serial, pkix.Name{CommonName: "Brindlemoor"}
	template.NotBefore, template.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent := a.cert
	if parent == nil {
		parent = template
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, key, a.key)
	require.NoError(a.t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(a.t, err)
	return cert
}

// issue gives a certificate with its key as PEM.
func (a *authority) issue() (cert, key []byte, serial *big.Int) {
	a.t.Helper()
	own, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(a.t, err)
	signed := a.sign(&x509.Certificate{
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}, &own.PublicKey)
	der, err := x509.MarshalPKCS8PrivateKey(own)
	require.NoError(a.t, err)
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: signed.Raw}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), signed.SerialNumber
}

func (a *authority) pem() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

func (a *authority) pool() *x509.CertPool {
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	return pool
}

// client is a configuration that trusts the authority; with a certificate of
// another, if that is not nil.
func (a *authority) client(from *authority) *tls.Config {
	config := &tls.Config{RootCAs: a.pool(), ClientSessionCache: tls.NewLRUClientSessionCache(4)}
	if from != nil {
		cert, key, _ := from.issue()
		pair, err := tls.X509KeyPair(cert, key)
		require.NoError(a.t, err)
		config.Certificates = []tls.Certificate{pair}
	}
	return config
}

// files are those of a server, in a directory of their own.
func (a *authority) files() edge.TLSFiles {
	dir := a.t.TempDir()
	f := edge.TLSFiles{Cert: filepath.Join(dir, "tls.crt"), Key: filepath.Join(dir, "tls.key")}
	a.renew(f)
	return f
}

// renew writes a new certificate with its key, and gives its number.
func (a *authority) renew(f edge.TLSFiles) *big.Int {
	cert, key, serial := a.issue()
	replace(a.t, f.Cert, cert)
	replace(a.t, f.Key, key)
	return serial
}

// replace puts another file in the place of one, as those who renew do.
func replace(t *testing.T, file string, content []byte) {
	t.Helper()
	require.NoError(t, os.WriteFile(file+".new", content, 0o600))
	require.NoError(t, os.Rename(file+".new", file))
}
