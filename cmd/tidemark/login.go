package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net/http"

	"go.opentelemetry.io/otel/trace"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/writeback/login"
)

// reach is the way to one target.
type reach struct {
	target  config.Target
	metrics *api.Metrics
	// traces records spans of requests; nil for none.
	traces trace.TracerProvider
	logger *slog.Logger
	// keys are those it is logged in with, nil if there are none.
	keys *authserver.RingFile
}

// transport carries requests to the target, logged in. Its errors name the
// settings to change.
func (r *reach) transport() (http.RoundTripper, error) {
	if t := r.target; t.Plain() {
		r.logger.Warn("scores travel to the target readable for all on the way; use https", "setting", t.Setting("url"))
	}
	network, err := r.network()
	if err != nil {
		return nil, err
	}
	source, err := r.source(network)
	if err != nil {
		return nil, r.named(err)
	}
	if source == nil {
		return network, nil
	}
	return login.New(network, r.target.URL, source)
}

// network carries requests there and proves nothing but our certificate.
func (r *reach) network() (http.RoundTripper, error) {
	t := r.target
	files := login.Files{CA: t.TLS.CAFile, Cert: t.TLS.ClientCert, Key: t.TLS.ClientKey, ServerName: t.TLS.ServerName}
	network, err := login.NewNetwork(t.URL, files, r.logger, nil)
	if err != nil {
		return nil, r.named(err)
	}
	r.metrics.ClientCertificate(t.Name, network.Ends)
	return passingOn(network, r.traces), nil
}

// source is what proves who we are; nil if nothing has to.
func (r *reach) source(network http.RoundTripper) (login.Source, error) {
	a := r.target.Auth
	switch a.Type {
	case config.LoginBasic:
		return login.Basic(a.User, a.PasswordFile, nil)
	case config.LoginBearer:
		return login.Bearer(a.TokenFile, nil)
	case config.LoginSMART:
		return r.smart(network)
	}
	return nil, nil
}

// smart is SMART Backend Services with the keys of the file.
func (r *reach) smart(network http.RoundTripper) (login.Source, error) {
	client, err := r.client(network)
	if err != nil {
		return nil, err
	}
	name := r.target.Name
	for _, outcome := range login.Outcomes() {
		r.metrics.Token(name, outcome.String(), 0)
	}
	return login.SMART(login.SMARTOptions{Client: client, Logger: r.logger, Asked: func(o login.Outcome) { r.metrics.Token(name, o.String(), 1) }})
}

// client asks for access tokens with the keys of the file.
func (r *reach) client(network http.RoundTripper) (*login.Client, error) {
	t := r.target
	keys, err := authserver.OpenRing(t.Auth.KeyFile, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; tidemark keys make makes one", t.Setting("auth.key_file"), err)
	}
	ring, err := keys.Ring()
	if err != nil {
		return nil, err
	}
	r.keys = keys
	for _, key := range ring.List() {
		if t.Auth.Alg != "" && key.Algorithm != t.Auth.Alg {
			return nil, fmt.Errorf("%s: the keys of %s are for %s; make others with tidemark keys make --algorithm %s, or leave it out",
				t.Setting("auth.alg"), t.Auth.KeyFile, key.Algorithm, t.Auth.Alg)
		}
	}
	return login.NewClient(login.ClientOptions{Base: t.URL, TokenURL: t.Auth.TokenURL, ID: t.Auth.ClientID, Scope: t.Scope(), Keys: r.keys, Transport: network})
}

// named gives a fault the full name of its setting.
func (r *reach) named(err error) error {
	if fault := (*login.Fault)(nil); errors.As(err, &fault) {
		return fmt.Errorf("%s: %w", r.target.Setting(fault.Setting), err)
	}
	return err
}
