package edge

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"tidemark.example/tidemark/config/watch"
)

// TLSFiles are where keys and certificates are, all as PEM.
type TLSFiles struct {
	// Cert holds the certificate chain, Key its private key.
	Cert, Key string
	// ClientCA holds the authorities of clients' certificates; "" asks for none.
	// Require refuses clients without one.
	ClientCA string
	Require  bool
}

// suites are those of TLS 1.2 that RFC 9325 section 4.2 recommends: forward
// secret and authenticated. TLS 1.3 has no others.
var suites = []uint16{
	tls.TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256, tls.TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256,
	tls.TLS_ECDHE_ECDSA_WITH_AES_256_GCM_SHA384, tls.TLS_ECDHE_RSA_WITH_AES_256_GCM_SHA384,
	tls.TLS_ECDHE_ECDSA_WITH_CHACHA20_POLY1305_SHA256, tls.TLS_ECDHE_RSA_WITH_CHACHA20_POLY1305_SHA256,
}

// Certificates keep a server's TLS up to date with its files.
type Certificates struct {
	logger *slog.Logger
	config *watch.Value[*tls.Config]
}

// LoadCertificates reads the files, which must be right at the start. Later ones
// that are not right are logged, and those before stay in use. now is the clock,
// nil for the system's.
func LoadCertificates(files TLSFiles, logger *slog.Logger, now func() time.Time) (*Certificates, error) {
	config, err := watch.New(files.load, now, files.Cert, files.Key, files.ClientCA)
	if err != nil {
		return nil, err
	}
	return &Certificates{logger, config}, nil
}

// Config is the TLS of a listener. Each handshake is by the files as they are.
func (c *Certificates) Config() *tls.Config {
	return &tls.Config{
		MinVersion:         tls.VersionTLS12,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) { return c.latest(), nil },
	}
}

// latest is by the files as they are, or as they were when they were last right.
func (c *Certificates) latest() *tls.Config {
	config, changed, err := c.config.Latest()
	switch {
	case changed && err != nil:
		// As between the writing of a certificate and of its key.
		c.logger.Error("the TLS files have changed and cannot be used; those before stay in use", "error", err)
	case changed:
		c.logger.Info("the TLS files have changed and are in use")
	}
	return config
}

// Ends is when the certificate in use ends.
func (c *Certificates) Ends() time.Time { return c.latest().Certificates[0].Leaf.NotAfter }

func (f TLSFiles) load() (*tls.Config, error) {
	pair, err := tls.LoadX509KeyPair(f.Cert, f.Key)
	if err != nil {
		return nil, fmt.Errorf("edge: reading the certificate and its key: %w", err)
	}
	config := &tls.Config{
		MinVersion: tls.VersionTLS12, CipherSuites: suites, Certificates: []tls.Certificate{pair},
		// One connection then holds one request, and limits hold for it. A proxy
		// in front may speak HTTP/2.
		NextProtos: []string{"http/1.1"},
	}
	if f.ClientCA == "" {
		return config, nil
	}
	authorities, err := os.ReadFile(f.ClientCA)
	if err != nil {
		return nil, fmt.Errorf("edge: reading the authorities of clients' certificates: %w", err)
	}
	config.ClientCAs = x509.NewCertPool()
	if !config.ClientCAs.AppendCertsFromPEM(authorities) {
		return nil, errors.New("edge: " + f.ClientCA + " holds no certificate as PEM")
	}
	config.ClientAuth = tls.VerifyClientCertIfGiven
	if f.Require {
		config.ClientAuth = tls.RequireAndVerifyClientCert
	}
	// A resumed session is not asked for its certificate again, and would outlive
	// an authority that was taken away.
	config.SessionTicketsDisabled = true
	return config, nil
}
