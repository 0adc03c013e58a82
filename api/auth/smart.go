package auth

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Configuration is the document at [base]/.well-known/smart-configuration
// (SMART App Launch 2.2.0, conformance). It has no issuer, which SMART asks to
// leave out where there is no OpenID Connect.
type Configuration struct {
	Issuer              string   `json:"issuer,omitempty"`
	JWKSURL             string   `json:"jwks_uri,omitempty"`
	AuthorizationURL    string   `json:"authorization_endpoint,omitempty"`
	TokenURL            string   `json:"token_endpoint"`
	IntrospectionURL    string   `json:"introspection_endpoint,omitempty"`
	RevocationURL       string   `json:"revocation_endpoint,omitempty"`
	ManagementURL       string   `json:"management_endpoint,omitempty"`
	RegistrationURL     string   `json:"registration_endpoint,omitempty"`
	GrantTypes          []string `json:"grant_types_supported"`
	TokenAuthMethods    []string `json:"token_endpoint_auth_methods_supported,omitempty"`
	TokenAuthAlgorithms []string `json:"token_endpoint_auth_signing_alg_values_supported,omitempty"`
	ResponseTypes       []string `json:"response_types_supported,omitempty"`
	ChallengeMethods    []string `json:"code_challenge_methods_supported"`
	Scopes              []string `json:"scopes_supported,omitempty"`
	Capabilities        []string `json:"capabilities"`
}

// errConfiguration is an issuer of which SMART's document cannot be made.
var errConfiguration = errors.New("auth: the issuer publishes no token endpoint, so that no smart-configuration can be true")

// The capabilities that are this server's to claim (SMART 2.2.0, conformance).
const (
	permissionV1      = "permission-v1"
	permissionV2      = "permission-v2"
	permissionPatient = "permission-patient"
	permissionUser    = "permission-user"
	asymmetric        = "client-confidential-asymmetric"
)

// OwnConfiguration is the document of a server with a token endpoint of its
// own, which is for backend services only. That document must name S256 though
// no code is ever challenged here.
func OwnConfiguration(tokenURL, jwksURL string, scopes []string) Configuration {
	return Configuration{TokenURL: tokenURL, JWKSURL: jwksURL, Scopes: scopes,
		GrantTypes: []string{"client_credentials"}, TokenAuthMethods: []string{"private_key_jwt"},
		TokenAuthAlgorithms: DefaultAlgorithms, ChallengeMethods: []string{"S256"},
		Capabilities: []string{asymmetric, permissionV2, permissionV1}}
}

// ConfigurationOf is the document of a server that takes tokens of an issuer:
// endpoints and clients are as the issuer says, permissions as they are
// honoured here. What a plain challenge is worth, SMART forbids to offer.
func ConfigurationOf(m Metadata, users UserAccess, scopes []string) (Configuration, error) {
	if err := checkURL(m.TokenURL); err != nil {
		return Configuration{}, fmt.Errorf("%w: %w", errConfiguration, err)
	}
	c := Configuration{TokenURL: m.TokenURL, JWKSURL: m.JWKSURL, AuthorizationURL: m.AuthorizationURL, IntrospectionURL: m.IntrospectionURL,
		RevocationURL: m.RevocationURL, ManagementURL: m.ManagementURL, RegistrationURL: m.RegisterURL, GrantTypes: m.GrantTypes,
		TokenAuthMethods: m.TokenAuthMethods, TokenAuthAlgorithms: m.TokenAuthAlgorithms, ResponseTypes: m.ResponseTypes,
		ChallengeMethods: []string{"S256"}, Scopes: scopes, Capabilities: []string{permissionV2, permissionV1, permissionPatient}}
	if c.GrantTypes == nil {
		c.GrantTypes = []string{"authorization_code"} // what the standard takes it to be when left out (RFC 8414 section 2)
	}
	if users != UserNone {
		c.Capabilities = append(c.Capabilities, permissionUser)
	}
	for _, capability := range m.Capabilities {
		if !strings.HasPrefix(capability, "permission-") && !slices.Contains(c.Capabilities, capability) {
			c.Capabilities = append(c.Capabilities, capability)
		}
	}
	if slices.Contains(m.TokenAuthMethods, "private_key_jwt") && !slices.Contains(c.Capabilities, asymmetric) {
		c.Capabilities = append(c.Capabilities, asymmetric)
	}
	if slices.Contains(c.Capabilities, "sso-openid-connect") {
		c.Issuer = m.Issuer
	}
	return c, nil
}
