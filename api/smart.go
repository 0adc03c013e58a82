package api

import (
	"encoding/json"
	"fmt"
	"net/http"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// The paths of what is no FHIR. The token endpoint and its keys are those of
// this server only where it has them; those by which it proves itself to others
// are apart from them, so that neither is ever taken for the other: whoever
// believes our tokens need not believe our assertions.
const (
	smartPath      = "/fhir/.well-known/smart-configuration"
	clientKeysPath = "/fhir/.well-known/jwks.json"
	tokenPath      = "/fhir/auth/token"
	keysPath       = "/fhir/auth/jwks"
)

var noFHIR = []string{smartPath, clientKeysPath, tokenPath, keysPath}

// TokenURL and KeysURL are the addresses of the token endpoint and of the keys
// under a FHIR base.
func TokenURL(base string) string { return base + "/auth/token" }

// KeysURL is where the public keys of the token endpoint are.
func KeysURL(base string) string { return base + "/auth/jwks" }

// authRoutes are those by which a client finds out how to get a token, and gets
// one, and those by which others find out how we prove ourselves.
func (s *Server) authRoutes() []route {
	var routes []route
	if s.options.ClientKeys != nil {
		routes = append(routes, route{http.MethodGet, clientKeysPath, "", publishedKeys, "", passed(s.options.ClientKeys)})
	}
	a := s.options.Auth
	if a == nil {
		return routes
	}
	routes = append(routes, route{http.MethodGet, smartPath, "", smartConfiguration, "", s.smartConfiguration})
	if a.TokenEndpoint != nil {
		routes = append(routes, route{http.MethodPost, tokenPath, "", tokenRequest, "", s.token(a.TokenEndpoint)})
	}
	if a.KeysEndpoint != nil {
		routes = append(routes, route{http.MethodGet, keysPath, "", publishedKeys, "", passed(a.KeysEndpoint)})
	}
	return routes
}

// passed leaves a request to a handler of its own.
func passed(handler http.Handler) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		handler.ServeHTTP(c.Writer, c.Request)
		return reply{sent: true}, nil
	}
}

// smartConfiguration answers the document of SMART App Launch 2.2.0
// (conformance), which is JSON whatever is accepted.
func (s *Server) smartConfiguration(c *gin.Context) (reply, error) {
	configuration, err := s.options.Auth.Configuration(c.Request.Context())
	if err != nil {
		s.options.Logger.WarnContext(c.Request.Context(), "no smart-configuration", "request_id", requestID(c), "error", err)
		return reply{}, fail(http.StatusServiceUnavailable, fhir.IssueTransient, "The authorization server cannot be asked at the moment what it offers; repeat the request shortly.")
	}
	body, err := json.Marshal(configuration)
	if err != nil {
		return reply{}, fmt.Errorf("api: writing the smart-configuration: %w", err)
	}
	c.Header("Cache-Control", cacheCurrent[0])
	c.Data(http.StatusOK, "application/json", body)
	return reply{sent: true}, nil
}
