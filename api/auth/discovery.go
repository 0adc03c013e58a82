package auth

import (
	"context"
	"errors"
	"strings"
	"time"
)

// Metadata is what an issuer publishes about itself, as far as it is used here.
type Metadata struct {
	Issuer, JWKSURL, TokenURL, AuthorizationURL                 string
	IntrospectionURL, RevocationURL, ManagementURL, RegisterURL string
	GrantTypes, TokenAuthMethods, TokenAuthAlgorithms           []string
	ChallengeMethods, ResponseTypes, Scopes, Capabilities       []string
}

// errDiscovery is a document that is not the issuer's.
var errDiscovery = errors.New("a discovery document that names another issuer, or no keys")

// The paths of discovery documents, in the order tried (OpenID Connect
// Discovery 1.0 section 4; SMART 2.2.0 conformance).
var discoveryPaths = []string{openID, "/.well-known/smart-configuration"}

const openID = "/.well-known/openid-configuration"

// discover finds the metadata of an issuer that says where its keys are.
func (f fetcher) discover(ctx context.Context, issuer string) (Metadata, error) {
	var faults []error
	for _, path := range discoveryPaths {
		body, _, err := f.get(ctx, strings.TrimSuffix(issuer, "/")+path)
		if err == nil {
			var metadata Metadata
			if metadata, err = parseMetadata(body); err == nil {
				err = metadata.of(issuer, path == openID)
			}
			if err == nil {
				return metadata, nil
			}
		}
		faults = append(faults, err)
	}
	return Metadata{}, errors.Join(faults...)
}

// of asks that a document is that of the issuer, byte for byte (OpenID Connect
// Discovery 1.0 section 4.3), so that one tenant cannot speak for another. SMART
// has issuer left out by servers without OpenID Connect.
func (m Metadata) of(issuer string, named bool) error {
	if m.Issuer != issuer && (named || m.Issuer != "") || checkURL(m.JWKSURL) != nil {
		return errDiscovery
	}
	return nil
}

// parseMetadata reads a discovery document.
func parseMetadata(body []byte) (Metadata, error) {
	members, err := readObject(body)
	if err != nil {
		return Metadata{}, err
	}
	m := Metadata{}
	if m.Issuer, err = members.optional("issuer"); err != nil {
		return Metadata{}, err
	}
	for name, into := range map[string]*string{
		"jwks_uri": &m.JWKSURL, "token_endpoint": &m.TokenURL, "authorization_endpoint": &m.AuthorizationURL,
		"introspection_endpoint": &m.IntrospectionURL, "revocation_endpoint": &m.RevocationURL,
		"management_endpoint": &m.ManagementURL, "registration_endpoint": &m.RegisterURL,
	} {
		*into, _ = members.optional(name) // what cannot be read is not there
	}
	for name, into := range map[string]*[]string{
		"grant_types_supported": &m.GrantTypes, "token_endpoint_auth_methods_supported": &m.TokenAuthMethods,
		"token_endpoint_auth_signing_alg_values_supported": &m.TokenAuthAlgorithms,
		"code_challenge_methods_supported":                 &m.ChallengeMethods,
		"response_types_supported":                         &m.ResponseTypes, "scopes_supported": &m.Scopes, "capabilities": &m.Capabilities,
	} {
		*into, _ = members.texts(name) // what cannot be read is not claimed
	}
	return m, nil
}

// keysByDiscovery fetches keys from where the issuer says that they are.
func (f fetcher) keysByDiscovery(issuer string) func(context.Context) ([]Key, time.Duration, error) {
	return func(ctx context.Context) ([]Key, time.Duration, error) {
		metadata, err := f.discover(ctx, issuer)
		if err != nil {
			return nil, 0, err
		}
		return f.keysAt(metadata.JWKSURL)(ctx)
	}
}

// keysAt fetches keys from an address.
func (f fetcher) keysAt(address string) func(context.Context) ([]Key, time.Duration, error) {
	return func(ctx context.Context) ([]Key, time.Duration, error) {
		body, keep, err := f.get(ctx, address)
		if err != nil {
			return nil, 0, err
		}
		keys, err := ParseKeys(body)
		if err == nil && len(keys) == 0 {
			err = errKeys
		}
		return keys, keep, err
	}
}
