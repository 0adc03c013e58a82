package auth

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"
)

// Limits of what is accepted.
const (
	// DefaultLeeway is how far clocks may differ; MaxLeeway is the most that
	// can be configured.
	DefaultLeeway = 30 * time.Second
	MaxLeeway     = 60 * time.Second
	// DefaultMaxLifetime is how long a token may still be good for. SMART
	// says that access tokens should not live longer than an hour.
	DefaultMaxLifetime = time.Hour
	// MaxToken is the longest token read, in bytes.
	MaxToken = 16 << 10
	// DefaultCacheSize is the number of verified tokens that are remembered.
	DefaultCacheSize = 10_000
)

// UserAccess is how far user/ scopes are honoured. They are bounded by what
// the user may see, which only the hospital knows.
type UserAccess int

// The settings of UserAccess.
const (
	// UserNone drops user/ scopes, so that they grant nothing.
	UserNone UserAccess = iota
	// UserRead honours reading and searching.
	UserRead
	// UserFull honours all of them.
	UserFull
)

// Options configure a Verifier.
type Options struct {
	// Audience are the values of which aud must contain one, byte for byte:
	// the FHIR base URL.
	Audience []string
	// Issuers are those whose tokens are accepted.
	Issuers []Issuer
	// Users is how far user/ scopes are honoured.
	Users UserAccess
	// Leeway is for the clocks of issuers; 0 means DefaultLeeway.
	Leeway time.Duration
	// MaxLifetime is the longest time that a token may still be good for; 0
	// means DefaultMaxLifetime.
	MaxLifetime time.Duration
	// CacheSize is the number of tokens remembered; 0 means DefaultCacheSize,
	// less than 0 none.
	CacheSize int
	// Client fetches keys and asks about tokens; nil for one with time limits.
	// Redirects are judged by this package whichever it is.
	Client *http.Client
	// Now is the clock; nil for the system's.
	Now func() time.Time
}

// Issuer is an authorization server whose tokens are accepted. With none of
// JWKSURL, JWKSFile and Keys, its keys are found by discovery.
type Issuer struct {
	// URL is what iss must be, byte for byte.
	URL string
	// JWKSURL is where its keys are.
	JWKSURL string
	// JWKSFile is a file with its keys, read again when it changes.
	JWKSFile string
	// Keys gives its keys in this process, for a server of our own.
	Keys KeySource
	// Algorithms are those allowed: RS256, RS384, ES256, ES384; nil for RS384
	// and ES384, which SMART asks every server to know.
	Algorithms []string
	// Types are the values of typ allowed: at+jwt, JWT; nil for at+jwt only.
	Types []string
	// Introspection is how opaque tokens are asked about; nil if this issuer
	// has none.
	Introspection *Introspection
}

// Introspection says how to ask an issuer about an opaque token (RFC 7662).
type Introspection struct {
	// URL is the introspection endpoint.
	URL string
	// ClientID and Secret are how this server makes itself known there, by
	// HTTP Basic.
	ClientID string
	Secret   Secret
}

// Secret is a password. It does not show itself when printed or logged.
type Secret string

// String hides the secret.
func (Secret) String() string { return "REDACTED" }

// GoString hides the secret.
func (Secret) GoString() string { return "REDACTED" }

// MarshalText hides the secret, also from JSON and slog.
func (Secret) MarshalText() ([]byte, error) { return []byte("REDACTED"), nil }

// check gives every fault of the options at once.
func (o *Options) check() error {
	var faults []error
	bad := func(format string, args ...any) { faults = append(faults, fmt.Errorf("auth: "+format, args...)) }
	if len(o.Audience) == 0 {
		bad("no audience is configured; tokens for other servers would be accepted")
	}
	if len(o.Issuers) == 0 {
		bad("no issuer is configured")
	}
	if o.Leeway < 0 || o.Leeway > MaxLeeway {
		bad("a leeway of %s is not within 0 to %s", o.Leeway, MaxLeeway)
	}
	seen := map[string]bool{}
	for _, issuer := range o.Issuers {
		if seen[issuer.URL] {
			bad("issuer %s is configured twice", issuer.URL)
		}
		seen[issuer.URL] = true
		faults = append(faults, issuer.check()...)
	}
	return errors.Join(faults...)
}

func (i *Issuer) check() (faults []error) {
	bad := func(format string, args ...any) {
		faults = append(faults, fmt.Errorf("auth: issuer %s: "+format, append([]any{i.URL}, args...)...))
	}
	if err := checkURL(i.URL); err != nil {
		bad("%w", err)
	}
	for _, algorithm := range i.Algorithms {
		if _, known := algorithms[algorithm]; !known {
			bad("algorithm %s is not one of RS256, RS384, ES256, ES384", algorithm)
		}
	}
	for _, typ := range i.Types {
		if !strings.EqualFold(typ, "at+jwt") && !strings.EqualFold(typ, "JWT") {
			bad("type %s is not one of at+jwt, JWT", typ)
		}
	}
	if i.JWKSURL != "" {
		if err := checkURL(i.JWKSURL); err != nil {
			bad("keys: %w", err)
		}
	}
	if i.Introspection != nil {
		if err := checkURL(i.Introspection.URL); err != nil {
			bad("introspection: %w", err)
		}
	}
	return faults
}
