package main

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
)

// scopesOffered are what smart-configuration suggests to ask for; narrower ones
// are granted too.
var scopesOffered = []string{
	"system/QuestionnaireResponse.cruds", "system/Observation.rs", "system/Provenance.crs", "system/Questionnaire.rs", "system/AuditEvent.rs",
	"patient/QuestionnaireResponse.cruds", "patient/Observation.rs", "patient/Provenance.crs", "patient/Questionnaire.rs",
}

// authorised makes the authorisation of requests out of the settings; nil if it
// is off.
func authorised(s *config.Settings, db store.Store, logger *slog.Logger, metrics *api.Metrics) (*api.Auth, error) {
	if s.Auth == "off" {
		return nil, nil
	}
	options := auth.Options{
		Audience: s.Audience(),
		Users:    map[string]auth.UserAccess{"none": auth.UserNone, "read": auth.UserRead, "full": auth.UserFull}[s.AuthUser],
	}
	issuers, _ := s.Issuers() // Check has refused what is none
	for _, i := range issuers {
		options.Issuers = append(options.Issuers, issuerOf(i))
	}
	a := &api.Auth{}
	if s.OwnTokens() {
		own, err := tokenServer(s, db, logger, a)
		if err != nil {
			return nil, &badSetting{fmt.Errorf("starting with TIDEMARK_AUTH_CLIENTS and TIDEMARK_AUTH_KEYS: %w", err)}
		}
		options.Issuers = append(options.Issuers, own)
	}
	verifier, err := auth.New(options)
	if err != nil {
		return nil, &badSetting{fmt.Errorf("starting with TIDEMARK_AUTH_ISSUERS: %w", err)}
	}
	metrics.IssuerKeys(verifier.Standing)
	a.Verifier = verifier
	if a.Configuration == nil {
		a.Description = "Requests carry an access token (SMART App Launch 2.2.0, OAuth 2 bearer) of the authorization server that smart-configuration names."
		a.Configuration = discovered(verifier, issuers[0].URL, options.Users)
	}
	return a, nil
}

func issuerOf(i config.Issuer) auth.Issuer {
	issuer := auth.Issuer{URL: i.URL, Algorithms: i.Algorithms, Types: i.Types}
	if i.JWKSURL() {
		issuer.JWKSURL = i.JWKS
	} else {
		issuer.JWKSFile = i.JWKS
	}
	if i.Introspection != "" {
		issuer.Introspection = &auth.Introspection{URL: i.Introspection, ClientID: i.Client, Secret: auth.Secret(i.Secret)}
	}
	return issuer
}

// tokenServer makes the token endpoint of our own, and gives it as an issuer.
func tokenServer(s *config.Settings, db store.Store, logger *slog.Logger, a *api.Auth) (auth.Issuer, error) {
	ring, err := authserver.OpenRing(s.AuthKeys, nil)
	if err != nil {
		return auth.Issuer{}, err
	}
	clients, err := authserver.ReadClients(s.AuthClients, nil, nil)
	if err != nil {
		return auth.Issuer{}, err
	}
	server, err := authserver.New(authserver.Options{
		Issuer: s.BaseURL, TokenURL: api.TokenURL(s.BaseURL), Audience: s.Audience()[0],
		Keys: ring, Clients: clients, Replays: api.Replays{Store: db},
	})
	if err != nil {
		return auth.Issuer{}, err
	}
	a.TokenEndpoint = server.TokenHandler(func(r *http.Request, e *authserver.Error) {
		logger.WarnContext(r.Context(), "no token was given", "code", e.Code, "error", e)
	})
	a.KeysEndpoint = server.KeysHandler()
	a.Description = "Requests carry an access token (SMART App Launch 2.2.0, Backend Services) of this server's own token endpoint, given to registered clients."
	a.Configuration = func(context.Context) (auth.Configuration, error) {
		return server.Configuration(api.KeysURL(s.BaseURL), scopesOffered[:5]), nil
	}
	return auth.Issuer{URL: s.BaseURL, Keys: ring.Keys()}, nil
}

// keepDiscovery is how long what an issuer publishes is kept; retryDiscovery how
// long it is left in peace after it could not be asked, since anyone may ask us.
const (
	keepDiscovery  = 10 * time.Minute
	retryDiscovery = 10 * time.Second
)

// discovered gives the smart-configuration of an issuer.
func discovered(verifier *auth.Verifier, issuer string, users auth.UserAccess) func(context.Context) (auth.Configuration, error) {
	var mu sync.Mutex
	var kept auth.Configuration
	var failed error
	var at, next time.Time
	return func(ctx context.Context) (auth.Configuration, error) {
		mu.Lock()
		defer mu.Unlock()
		if now := time.Now(); !now.Before(next) {
			metadata, err := verifier.Discover(ctx, issuer)
			if err == nil {
				var fresh auth.Configuration
				if fresh, err = auth.ConfigurationOf(metadata, users, scopesOffered); err == nil {
					kept, at = fresh, now
				}
			}
			if failed, next = err, now.Add(keepDiscovery); err != nil {
				next = now.Add(retryDiscovery)
			}
		}
		if !at.IsZero() {
			return kept, nil // also while it cannot be asked again
		}
		return auth.Configuration{}, failed
	}
}
