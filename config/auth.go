package config

import (
	"fmt"
	"os"
	"slices"
	"strings"
)

// Authorization are the settings of who may do what.
type Authorization struct {
	// AuthIssuers lists the authorization servers whose tokens are taken; see
	// Issuers. AuthAudience lists what aud of a token may be; empty is the FHIR
	// base. AuthUser is how far user/ scopes are honoured: none, read or full.
	AuthIssuers, AuthAudience, AuthUser string
	// AuthClients and AuthKeys are the files of registered clients and of signing
	// keys of the token endpoint of our own; both empty for none.
	AuthClients, AuthKeys string
}

// userAccess are the values of TIDEMARK_AUTH_USER.
var userAccess = []string{"none", "read", "full"}

func authSettings() []Setting {
	return []Setting{
		{"TIDEMARK_AUTH_ISSUERS", "", "authorization servers whose tokens are taken, separated by commas or as a list: URL, and after spaces jwks=URL or FILE, algorithms=RS384:ES384, types=at+jwt:JWT, introspection=URL client=ID secret-file=FILE", func(s *Settings) *string { return &s.AuthIssuers }},
		{"TIDEMARK_AUTH_AUDIENCE", "", "what tokens must be for, one of these separated by commas; by default the FHIR base", func(s *Settings) *string { return &s.AuthAudience }},
		{"TIDEMARK_AUTH_USER", "none", "how far user/ scopes are honoured: none, read or full. They are bounded by what the user may see, which this server does not know", func(s *Settings) *string { return &s.AuthUser }},
		{"TIDEMARK_AUTH_CLIENTS", "", "file of registered backend services; with TIDEMARK_AUTH_KEYS the server gives tokens itself", func(s *Settings) *string { return &s.AuthClients }},
		{"TIDEMARK_AUTH_KEYS", "", "file of the keys it signs them with, made by tidemark keys make", func(s *Settings) *string { return &s.AuthKeys }},
	}
}

// Issuer is an authorization server whose tokens are taken.
type Issuer struct {
	// URL is iss of its tokens; JWKS the address or the file of its keys, "" if
	// they are found by discovery.
	URL, JWKS string
	// Algorithms and Types are those allowed of its tokens, nil for the usual.
	Algorithms, Types []string
	// Introspection is where opaque tokens are asked about, "" for nowhere, as
	// Client with the Secret of SecretFile.
	Introspection, Client, SecretFile string
	Secret                            Secret
}

// JWKSURL says whether the keys are at an address, not in a file.
func (i Issuer) JWKSURL() bool { return isHTTP(i.JWKS) }

// Issuers reads the AuthIssuers, with all that is wrong with them.
func (a Authorization) Issuers() (issuers []Issuer, faults []error) {
	for text := range strings.SplitSeq(a.AuthIssuers, ",") {
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		issuer, wrong := parseIssuer(text)
		issuers, faults = append(issuers, issuer), append(faults, wrong...)
	}
	return issuers, faults
}

// What may be said of tokens.
var (
	tokenAlgorithms = []string{"RS256", "RS384", "ES256", "ES384"}
	tokenTypes      = []string{"at+jwt", "JWT"}
)

// parseIssuer reads one, with all that is wrong with it.
func parseIssuer(text string) (i Issuer, faults []error) {
	parts := strings.Fields(text)
	i.URL = parts[0]
	bad := func(format string, args ...any) {
		faults = append(faults, fmt.Errorf("%s: %w", i.URL, fmt.Errorf(format, args...)))
	}
	if !isHTTP(i.URL) {
		bad("an issuer begins with its absolute https URL")
	}
	for _, part := range parts[1:] {
		name, value, _ := strings.Cut(part, "=")
		switch name {
		case "jwks":
			i.JWKS = value
		case "algorithms":
			i.Algorithms = strings.Split(value, ":")
		case "types":
			i.Types = strings.Split(value, ":")
		case "introspection":
			i.Introspection = value
		case "client":
			i.Client = value
		case "secret-file":
			i.SecretFile = value
		default:
			bad("%q is none of jwks, algorithms, types, introspection, client, secret-file", name)
		}
	}
	i.check(bad)
	return i, faults
}

func (i *Issuer) check(bad func(format string, args ...any)) {
	if i.JWKS != "" && !i.JWKSURL() {
		if _, err := os.Stat(i.JWKS); err != nil {
			bad("jwks is neither an absolute URL nor a file: %w", err)
		}
	}
	for _, list := range []struct{ values, known []string }{{i.Algorithms, tokenAlgorithms}, {i.Types, tokenTypes}} {
		for _, value := range list.values {
			if !slices.Contains(list.known, value) {
				bad("%q is none of %s", value, strings.Join(list.known, ", "))
			}
		}
	}
	switch {
	case i.Introspection == "" && (i.Client != "" || i.SecretFile != ""):
		bad("client and secret-file are for introspection, which is not there")
	case i.Introspection == "":
	case !isHTTP(i.Introspection):
		bad("introspection must be an absolute https URL")
	case i.Client == "" || i.SecretFile == "":
		bad("introspection needs client and secret-file, by which this server makes itself known there")
	default:
		secret, err := os.ReadFile(i.SecretFile)
		if i.Secret = Secret(strings.TrimSpace(string(secret))); err != nil {
			bad("secret-file: %w", err)
		} else if i.Secret == "" {
			bad("secret-file: the file is empty")
		}
	}
}

// Audience lists what tokens must be for.
func (s Settings) Audience() []string {
	if s.AuthAudience == "" {
		return []string{s.BaseURL}
	}
	var all []string
	for each := range strings.SplitSeq(s.AuthAudience, ",") {
		if each = strings.TrimSpace(each); each != "" {
			all = append(all, each)
		}
	}
	return all
}

// OwnTokens says whether the server gives tokens itself.
func (a Authorization) OwnTokens() bool { return a.AuthClients != "" && a.AuthKeys != "" }

// checkAuthorization reports what is wrong with the Authorization.
func (s *Settings) checkAuthorization(bad func(name, format string, args ...any)) {
	issuers, faults := s.Issuers()
	for _, fault := range faults {
		bad("TIDEMARK_AUTH_ISSUERS", "%v", fault)
	}
	if !slices.Contains(userAccess, s.AuthUser) {
		bad("TIDEMARK_AUTH_USER", "it must be one of %s", strings.Join(userAccess, ", "))
	}
	for _, f := range []struct{ name, file, with, other string }{
		{"TIDEMARK_AUTH_CLIENTS", s.AuthClients, "TIDEMARK_AUTH_KEYS", s.AuthKeys},
		{"TIDEMARK_AUTH_KEYS", s.AuthKeys, "TIDEMARK_AUTH_CLIENTS", s.AuthClients},
	} {
		if f.file == "" {
			continue
		}
		if f.other == "" {
			bad(f.with, "it is needed with %s", f.name)
		}
		if _, err := os.Stat(f.file); err != nil {
			bad(f.name, "%v", err)
		}
	}
	for _, audience := range s.Audience() {
		if s.AuthAudience != "" && !isHTTP(audience) {
			bad("TIDEMARK_AUTH_AUDIENCE", "%q is no absolute URL", audience)
		}
	}
	configured := len(issuers) > 0 || s.AuthClients != "" || s.AuthKeys != ""
	switch {
	case s.Auth == "off" && !isLoopback(s.Listen):
		bad("TIDEMARK_AUTH", "off is allowed on a loopback address only, and TIDEMARK_LISTEN is not one; listen on 127.0.0.1 or configure authentication")
	case s.Auth == "off" && configured:
		bad("TIDEMARK_AUTH", "off asks for no tokens, and whose are taken is configured; set token, or take the rest of TIDEMARK_AUTH_* away")
	case s.Auth == "token" && !configured:
		bad("TIDEMARK_AUTH", "nobody's tokens are taken yet: name TIDEMARK_AUTH_ISSUERS, or TIDEMARK_AUTH_CLIENTS and TIDEMARK_AUTH_KEYS")
	case s.Auth != "off" && s.Auth != "token":
		bad("TIDEMARK_AUTH", "no authentication is configured, and nothing is served without; set token and say whose are taken, or for a try-out on this machine TIDEMARK_AUTH=off")
	}
}
