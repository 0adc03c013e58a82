package auth

import (
	"context"
	"fmt"
	"slices"
	"time"
)

// MaxAssertionLifetime is how far ahead exp of a client's assertion may lie
// (SMART App Launch 2.2.0, client-confidential-asymmetric: five minutes).
const MaxAssertionLifetime = 5 * time.Minute

// Assertion is what a client has proved by private_key_jwt.
type Assertion struct {
	ClientID string
	// ID is jti, which may be used once until Until.
	ID string
	// Until is when it cannot be accepted any more, leeway included.
	Until time.Time
	// Tenant is the organization that calls, of a CDS client's; "" if not told.
	Tenant string
}

// AssertionRules are how assertions of clients are verified (RFC 7523 section
// 3; SMART client-confidential-asymmetric), and the JWTs by which CDS clients
// call (CDS Hooks 2.0, Trusting CDS Clients). All fields but Hook are needed.
type AssertionRules struct {
	// Audience is what aud must contain: the address that is called.
	Audience string
	// Hook says that they are those of CDS clients, which must have iat and need
	// no sub.
	Hook bool
	// Algorithms are those allowed.
	Algorithms []string
	// Leeway is for the clocks of clients.
	Leeway time.Duration
	// Client gives the keys of a registered client and the address that it
	// registered for them, "" for none; false for one that is not known.
	Client func(id string) (keys KeySource, address string, known bool)
	// Now is the clock.
	Now func() time.Time
}

// Verify gives what an assertion proves, or an *Error, which the sender must
// not be told more of than that it failed. It does not know whether jti was
// used before.
func (r *AssertionRules) Verify(ctx context.Context, text string) (Assertion, error) {
	proved, refused := r.verify(ctx, text)
	if refused != nil {
		return Assertion{}, refused
	}
	return proved, nil
}

func (r *AssertionRules) verify(ctx context.Context, text string) (Assertion, *Error) {
	t, refused := parseJWS(text)
	if refused != nil {
		return Assertion{}, refused
	}
	id, err := t.claims.text("iss")
	if err != nil {
		return Assertion{}, refuse(ReasonClaims, fmt.Errorf("iss: %w", err))
	}
	keys, address, known := r.Client(id)
	if !known {
		return Assertion{}, refuse(ReasonIssuer, nil)
	}
	if refused := r.header(t, address); refused != nil {
		return Assertion{}, refused
	}
	_, key, refused := findKey(ctx, keys, t)
	if refused != nil {
		return Assertion{}, refused
	}
	if refused := t.verify(key); refused != nil {
		return Assertion{}, refused
	}
	return r.claims(t, id)
}

// header holds typ, alg and jku to what is allowed. A jku is not fetched; it
// must only be the address that was registered.
func (r *AssertionRules) header(t *jws, address string) *Error {
	if t.typ != "jwt" {
		return refuse(ReasonType, nil)
	}
	if !slices.Contains(r.Algorithms, t.algorithm) {
		return refuse(ReasonAlgorithm, nil)
	}
	if !t.header.has("jku") {
		return nil
	}
	if jku, err := t.header.text("jku"); err != nil || jku != address || address == "" {
		return refuse(ReasonHeader, err)
	}
	return nil
}

func (r *AssertionRules) claims(t *jws, id string) (Assertion, *Error) {
	if sub, err := t.claims.text("sub"); !r.Hook && (err != nil || sub != id) {
		return Assertion{}, refuse(ReasonClaims, fmt.Errorf("sub: %w", errMember))
	}
	audience, err := t.claims.texts("aud")
	if err != nil || !slices.Contains(audience, r.Audience) {
		return Assertion{}, refuse(ReasonAudience, err)
	}
	limits := period{now: r.Now(), leeway: r.Leeway, longest: MaxAssertionLifetime}
	expires, refused := limits.check(t.claims, r.Hook)
	if refused != nil {
		return Assertion{}, refused
	}
	jti, err := t.claims.text("jti")
	if err != nil || len(jti) > maxKeyID {
		return Assertion{}, refuse(ReasonClaims, fmt.Errorf("jti: %w", errMember))
	}
	proved := Assertion{ClientID: id, ID: jti, Until: expires.Add(r.Leeway)}
	if r.Hook {
		if proved.Tenant, err = t.claims.optional("tenant"); err != nil {
			return Assertion{}, refuse(ReasonClaims, fmt.Errorf("tenant: %w", err))
		}
	}
	return proved, nil
}
