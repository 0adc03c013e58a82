package auth

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"
)

// Verifier verifies access tokens. Make one with New.
type Verifier struct {
	options Options
	now     func() time.Time
	fetcher fetcher
	issuers map[string]*issuer
	// opaque are the issuers with introspection, in the order configured.
	opaque []*issuer
	cache  *cache
	// asking holds a place for each question to an issuer under way.
	asking chan struct{}
}

// issuer is an Issuer in use.
type issuer struct {
	Issuer
	keys KeySource
}

// New makes a verifier. It opens files of keys, but asks no issuer: one that is
// down must not keep the service from starting. All that is wrong with the
// options is in the error.
func New(options Options) (*Verifier, error) {
	if err := options.check(); err != nil {
		return nil, err
	}
	if options.Leeway == 0 {
		options.Leeway = DefaultLeeway
	}
	if options.MaxLifetime == 0 {
		options.MaxLifetime = DefaultMaxLifetime
	}
	if options.CacheSize == 0 {
		options.CacheSize = DefaultCacheSize
	}
	v := &Verifier{options: options, now: clock(options.Now), fetcher: newFetcher(options.Client),
		issuers: map[string]*issuer{}, cache: newCache(options.CacheSize), asking: make(chan struct{}, maxAsking)}
	for _, configured := range options.Issuers {
		if err := v.add(configured); err != nil {
			return nil, err
		}
	}
	return v, nil
}

func (v *Verifier) add(configured Issuer) error {
	in := &issuer{Issuer: configured}
	if in.Algorithms == nil {
		in.Algorithms = DefaultAlgorithms
	}
	if in.Types == nil {
		in.Types = []string{"at+jwt"}
	}
	var err error
	if in.keys, err = v.source(configured); err != nil {
		return err
	}
	v.issuers[in.URL] = in
	if in.Introspection != nil {
		v.opaque = append(v.opaque, in)
	}
	return nil
}

func (v *Verifier) source(in Issuer) (KeySource, error) {
	switch {
	case in.Keys != nil:
		return in.Keys, nil
	case in.JWKSFile != "":
		return NewFileKeys(in.JWKSFile, v.now)
	case in.JWKSURL != "":
		return newRemoteKeys(v.fetcher.keysAt(in.JWKSURL), v.now), nil
	default:
		return newRemoteKeys(v.fetcher.keysByDiscovery(in.URL), v.now), nil
	}
}

// Discover gives what a configured issuer publishes about itself, for the
// smart-configuration of this server.
func (v *Verifier) Discover(ctx context.Context, issuer string) (Metadata, error) {
	return v.fetcher.discover(ctx, issuer)
}

// Ready says whether the keys of every issuer can be had, for the readiness of
// the service.
func (v *Verifier) Ready(ctx context.Context) error {
	var faults []error
	for _, in := range v.issuers {
		if _, err := in.keys.Keys(ctx); err != nil {
			faults = append(faults, fmt.Errorf("auth: issuer %s: %w", in.URL, err))
		}
	}
	return errors.Join(faults...)
}

// IssuerKeys is how the keys of an issuer stand.
type IssuerKeys struct {
	// Issuer is its URL, as configured.
	Issuer string
	// Keys is how many serve now, Fresh until when without asking again; zero
	// before they were first needed.
	Keys  int
	Fresh time.Time
	// Failing says that they could not be had when they were last asked for.
	Failing bool
}

// Standing tells how the keys of each issuer stand that are not of this process,
// in order of the issuers. It asks nobody.
func (v *Verifier) Standing() []IssuerKeys {
	var all []IssuerKeys
	for _, url := range slices.Sorted(maps.Keys(v.issuers)) {
		if fetched, ok := v.issuers[url].keys.(*remoteKeys); ok {
			all = append(all, fetched.standing(url))
		}
	}
	return all
}

// Request verifies the token of a request.
func (v *Verifier) Request(r *http.Request) (*Grant, error) {
	token, err := Bearer(r)
	if err != nil {
		return nil, err
	}
	return v.Verify(r.Context(), token)
}

// Verify gives the grant of a token, or an *Error. A token that was verified
// before is not verified again until it expires or a key of its issuer is
// taken away.
func (v *Verifier) Verify(ctx context.Context, token string) (*Grant, error) {
	if len(token) > MaxToken {
		return nil, refuse(ReasonTooLong, nil)
	}
	of := sha256.Sum256([]byte(token))
	if known, found := v.cache.get(of, v.now()); found {
		standing, err := known.stands(ctx)
		if err != nil {
			return nil, unreachable(err)
		}
		if standing {
			return known.grant, nil
		}
	}
	grant, refused := v.first(ctx, of, token)
	if refused != nil {
		return nil, refused // never a nil *Error inside an error
	}
	return grant, nil
}

// first verifies a token that is not remembered.
func (v *Verifier) first(ctx context.Context, of digest, token string) (*Grant, *Error) {
	if strings.Count(token, ".") != 2 && len(v.opaque) > 0 {
		return v.ask(ctx, of, token)
	}
	t, refused := parseJWS(token)
	if refused != nil {
		return nil, refused
	}
	in, refused := v.issuerOf(t)
	if refused != nil {
		return nil, refused
	}
	set, refused := in.verify(ctx, t)
	if refused != nil {
		return nil, refused
	}
	grant, refused := v.grant(t)
	if refused != nil {
		return nil, refused
	}
	v.cache.put(of, entry{grant: grant, until: grant.Expires, keys: in.keys, set: set.Number})
	return grant, nil
}

// issuerOf finds the issuer that a token claims to be of, and holds its header
// to what is allowed there. All before the signature: its keys are known by
// this, and everything is checked again by the signature itself.
func (v *Verifier) issuerOf(t *jws) (*issuer, *Error) {
	url, err := t.claims.text("iss")
	if err != nil {
		return nil, refuse(ReasonClaims, fmt.Errorf("iss: %w", err))
	}
	in := v.issuers[url]
	if in == nil {
		return nil, refuse(ReasonIssuer, nil)
	}
	if t.header.has("jku") {
		return nil, refuse(ReasonHeader, nil)
	}
	if !slices.Contains(in.Algorithms, t.algorithm) {
		return nil, refuse(ReasonAlgorithm, nil)
	}
	if !slices.ContainsFunc(in.Types, func(typ string) bool { return strings.EqualFold(typ, t.typ) }) {
		return nil, refuse(ReasonType, nil)
	}
	return in, nil
}

// verify finds the key and checks the signature.
func (in *issuer) verify(ctx context.Context, t *jws) (KeySet, *Error) {
	set, key, refused := findKey(ctx, in.keys, t)
	if refused != nil {
		return KeySet{}, refused
	}
	return set, t.verify(key)
}

// findKey finds the one key of a token, asking for new keys if its kid is not
// known.
func findKey(ctx context.Context, source KeySource, t *jws) (KeySet, Key, *Error) {
	set, err := source.Keys(ctx)
	if err != nil {
		return KeySet{}, Key{}, unreachable(err)
	}
	key, err := choose(set.Keys, t.kid, t.algorithm)
	if errors.Is(err, errUnknownKey) {
		if set, err = source.Refresh(ctx); err != nil {
			return KeySet{}, Key{}, unreachable(err)
		}
		key, err = choose(set.Keys, t.kid, t.algorithm)
	}
	if err != nil {
		return KeySet{}, Key{}, refuse(ReasonKey, err)
	}
	return set, key, nil
}
