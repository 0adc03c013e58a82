package main

import (
	"fmt"
	"log/slog"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/config"
)

// limit gives the server the limits of the settings.
func limit(options *api.Options, s *config.Settings) {
	l := s.Limits()
	options.Limits = edge.Limits{Rate: l.Rate, Burst: l.Burst, Concurrent: l.Concurrent, Total: l.Total}
	options.MaxBody, options.MaxEntries = l.MaxBody, l.MaxEntries
	options.BodyTimeout, options.RequestTimeout = l.BodyTimeout, l.RequestTimeout
	options.Proxies, _ = s.Proxies() // Check has refused what is none
}

// badSetting is a setting that only its use showed to be wrong.
type badSetting struct{ error }

// Unwrap gives the cause.
func (b *badSetting) Unwrap() error { return b.error }

// listenOptions are how the FHIR server's listener takes connections.
func listenOptions(s *config.Settings, logger *slog.Logger) (edge.ListenOptions, error) {
	options := edge.ListenOptions{Refusal: api.RefusedByHTTP, ContentType: api.RefusalType()}
	options.Proxies, _ = s.Proxies() // Check has refused what is none
	if !s.TLS() {
		return options, nil
	}
	files := edge.TLSFiles{Cert: s.TLSCert, Key: s.TLSKey, ClientCA: s.TLSClientCA, Require: s.TLSClientAuth == "required"}
	var err error
	if options.Certificates, err = edge.LoadCertificates(files, logger, nil); err != nil {
		return options, &badSetting{fmt.Errorf("starting with TIDEMARK_TLS_CERT, TIDEMARK_TLS_KEY and TIDEMARK_TLS_CLIENT_CA: %w", err)}
	}
	return options, nil
}
