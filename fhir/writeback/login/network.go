package login

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"sync/atomic"
	"time"

	"tidemark.example/tidemark/config/watch"
	"tidemark.example/tidemark/fhir/writeback"
)

// Files are those of TLS toward a target, all as PEM; "" where there is none.
type Files struct {
	// CA holds the authorities of the target's certificate, in place of those of
	// the system. Cert and Key are our own certificate.
	CA, Cert, Key string
	// ServerName is the name in the target's certificate, if not that of its URL.
	// It is not used for other hosts, as that of a token endpoint.
	ServerName string
}

// Network sends requests to a target and to what belongs to it, by the files as
// they are, or as they were when they were last right. Make one with NewNetwork.
type Network struct {
	host   string
	logger *slog.Logger
	ways   *watch.Value[*ways]
	last   atomic.Pointer[ways]
}

// ways are the transports made of one state of the files.
type ways struct{ target, elsewhere *http.Transport }

// NewNetwork makes the transport to a target's base and to what belongs to it.
// It fails with a *Fault. now is the clock, nil for the system's.
func NewNetwork(base string, files Files, logger *slog.Logger, now func() time.Time) (*Network, error) {
	u, err := url.Parse(base)
	if err != nil {
		return nil, &Fault{"url", err}
	}
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	n := &Network{host: u.Host, logger: logger}
	if n.ways, err = watch.New(files.load, now, files.CA, files.Cert, files.Key); err != nil {
		return nil, err
	}
	return n, nil
}

// RoundTrip implements http.RoundTripper.
func (n *Network) RoundTrip(request *http.Request) (*http.Response, error) {
	current := n.latest()
	if request.URL.Host == n.host {
		return current.target.RoundTrip(request)
	}
	return current.elsewhere.RoundTrip(request)
}

// Ends is when our certificate in use toward the target ends; zero if there is
// none.
func (n *Network) Ends() time.Time {
	own := n.latest().target.TLSClientConfig.Certificates
	if len(own) == 0 {
		return time.Time{}
	}
	return own[0].Leaf.NotAfter
}

// latest is by the files as they are, or as they were when they were last right.
func (n *Network) latest() *ways {
	current, changed, err := n.ways.Latest()
	switch {
	case changed && err != nil:
		// As between the writing of a certificate and of its key.
		n.logger.Error("the TLS files toward the target have changed and cannot be used; those before stay in use", "error", err)
	case changed:
		n.logger.Info("the TLS files toward the target have changed and are in use")
	}
	if before := n.last.Swap(current); before != nil && before != current {
		before.closeIdle() // what is under way goes on
	}
	return current
}

func (w *ways) closeIdle() {
	w.target.CloseIdleConnections()
	w.elsewhere.CloseIdleConnections()
}

func (f Files) load() (*ways, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if f.CA != "" {
		authorities, err := os.ReadFile(f.CA)
		if err != nil {
			return nil, &Fault{"tls.ca_file", err}
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(authorities) {
			return nil, &Fault{"tls.ca_file", fmt.Errorf("%s holds no certificate as PEM", f.CA)}
		}
	}
	if f.Cert != "" {
		pair, err := tls.LoadX509KeyPair(f.Cert, f.Key)
		if err != nil {
			return nil, &Fault{"tls.client_cert", fmt.Errorf("the certificate and its key: %w", err)}
		}
		config.Certificates = []tls.Certificate{pair}
	}
	w := &ways{target: writeback.NewTransport(), elsewhere: writeback.NewTransport()}
	w.elsewhere.TLSClientConfig = config
	w.target.TLSClientConfig = config.Clone()
	w.target.TLSClientConfig.ServerName = f.ServerName
	return w, nil
}
