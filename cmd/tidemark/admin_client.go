package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"

	"tidemark.example/tidemark/config"
)

// errOther says that something else listens where the admin listener should.
var errOther = errors.New("what answers has another certificate than TIDEMARK_ADMIN_TLS_CERT names")

// adminAddress is where the admin listener of the settings is, from this machine.
func adminAddress(s *config.Settings) (string, error) {
	host, port, err := net.SplitHostPort(s.AdminListen)
	if err != nil {
		return "", fmt.Errorf("TIDEMARK_ADMIN_LISTEN: %w", err)
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	scheme := "http://"
	if s.AdminTLS.On() {
		scheme = "https://"
	}
	return scheme + net.JoinHostPort(host, port), nil
}

// adminClient asks the admin listener of the settings, and follows nobody
// elsewhere. With TLS it takes the one certificate that the settings name, which
// says more than an authority could, and need not be for the name of this machine.
func adminClient(s *config.Settings) (*http.Client, error) {
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if !s.AdminTLS.On() {
		return client, nil
	}
	pair, err := tls.LoadX509KeyPair(s.AdminTLS.Cert, s.AdminTLS.Key)
	if err != nil {
		return nil, fmt.Errorf("TIDEMARK_ADMIN_TLS_CERT: %w", err)
	}
	client.Transport = &http.Transport{TLSClientConfig: &tls.Config{
		MinVersion: tls.VersionTLS12, InsecureSkipVerify: true, //nolint:gosec // VerifyConnection takes the one certificate
		VerifyConnection: func(state tls.ConnectionState) error {
			if !state.PeerCertificates[0].Equal(pair.Leaf) {
				return errOther
			}
			return nil
		},
		// Ours proves who we are, where the authorities of clients signed it.
		GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &pair, nil },
	}}
	return client, nil
}
