package main

import (
	"errors"
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

// listenOptions are how both listeners take connections.
func listenOptions(s *config.Settings, logger *slog.Logger) (fhir, admin edge.ListenOptions, err error) {
	fhir = edge.ListenOptions{Refusal: api.RefusedByHTTP, ContentType: api.RefusalType()}
	admin = fhir
	fhir.Proxies, _ = s.Proxies() // Check has refused what is none
	var ofFHIR, ofAdmin error
	fhir.Certificates, ofFHIR = certificates(s.TLS, "TIDEMARK_TLS_", logger)
	admin.Certificates, ofAdmin = certificates(s.AdminTLS, "TIDEMARK_ADMIN_TLS_", logger)
	return fhir, admin, errors.Join(ofFHIR, ofAdmin)
}

// certificates reads the TLS files of a listener whose settings begin with
// prefix, nil if it is to be without.
func certificates(t config.TLS, prefix string, logger *slog.Logger) (*edge.Certificates, error) {
	if !t.On() {
		return nil, nil
	}
	c, err := edge.LoadCertificates(filesOf(t), logger, nil)
	if err != nil {
		return nil, &badSetting{fmt.Errorf("starting with %sCERT, %[1]sKEY and %[1]sCLIENT_CA: %w", prefix, err)}
	}
	return c, nil
}

func filesOf(t config.TLS) edge.TLSFiles {
	return edge.TLSFiles{Cert: t.Cert, Key: t.Key, ClientCA: t.ClientCA, Require: t.ClientAuth == "required"}
}
