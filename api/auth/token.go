package auth

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// jws is a signed token in its three parts (RFC 7515 section 7.1), decoded but
// not yet verified.
type jws struct {
	header, claims object
	// algorithm, kid and typ are of the header; typ without application/ and
	// in lower case (RFC 7515 section 4.1.9).
	algorithm, kid, typ string
	// signed is what the signature is over.
	signed    string
	signature []byte
}

// The faults of a token's form and header.
var (
	errParts     = errors.New("not the three parts of a signed token")
	errSignature = errors.New("the signature is not of this key")
)

// named are the header parameters refused wherever they are: those that name or
// carry a key, that ask for an extension, or that say the content is another
// token (RFC 7515 section 4.1, RFC 7797; RFC 8725 sections 3.10 and 3.11).
var named = []string{"jwk", "x5u", "x5c", "crit", "b64", "cty", "zip", "enc", "p2c"}

// parseJWS decodes a compact JWS. Nothing in it may be trusted before verify.
func parseJWS(token string) (*jws, *Error) {
	if len(token) > MaxToken {
		return nil, refuse(ReasonTooLong, nil)
	}
	if strings.Count(token, ".") != 2 {
		return nil, refuse(ReasonForm, errParts)
	}
	last := strings.LastIndexByte(token, '.')
	head, body, _ := strings.Cut(token[:last], ".")
	t := &jws{signed: token[:last]}
	var err error
	if t.header, err = decodePart(head); err != nil {
		return nil, refuse(ReasonForm, err)
	}
	if t.claims, err = decodePart(body); err != nil {
		return nil, refuse(ReasonForm, err)
	}
	if t.signature, err = unbase64(token[last+1:]); err != nil || len(t.signature) == 0 {
		return nil, refuse(ReasonForm, errors.Join(errSignature, err))
	}
	return t, t.readHeader()
}

func decodePart(text string) (object, error) {
	data, err := unbase64(text)
	if err != nil {
		return nil, err
	}
	return readObject(data)
}

// readHeader reads alg, kid and typ, and refuses what must not be there.
func (t *jws) readHeader() *Error {
	if slices.ContainsFunc(named, t.header.has) {
		return refuse(ReasonHeader, nil)
	}
	var err error
	if t.algorithm, err = t.header.text("alg"); err != nil {
		return refuse(ReasonAlgorithm, err)
	}
	if t.kid, err = t.header.text("kid"); err != nil || len(t.kid) > maxKeyID {
		return refuse(ReasonKey, errMember)
	}
	typ, err := t.header.text("typ")
	if err != nil {
		return refuse(ReasonType, err)
	}
	t.typ = strings.TrimPrefix(strings.ToLower(typ), "application/")
	return nil
}

// verify checks the signature with one key, which choose has found to fit.
func (t *jws) verify(key Key) *Error {
	if err := algorithms[t.algorithm].method.Verify(t.signed, t.signature, key.Public); err != nil {
		return refuse(ReasonSignature, errSignature)
	}
	return nil
}

// period is when a token is good.
type period struct {
	now time.Time
	// leeway is for clocks that differ, longest how long it may still be good
	// for.
	leeway, longest time.Duration
}

// check reads exp, nbf and iat, and gives exp (RFC 7519 sections 4.1.4 to
// 4.1.6). Exp is required; issued asks for iat too.
func (p period) check(claims object, issued bool) (time.Time, *Error) {
	exp, err := claims.seconds("exp")
	if err != nil {
		return time.Time{}, refuse(ReasonClaims, fmt.Errorf("exp: %w", err))
	}
	expires := time.Unix(exp, 0)
	if !p.now.Before(expires.Add(p.leeway)) {
		return time.Time{}, refuse(ReasonExpired, nil)
	}
	if expires.Sub(p.now) > p.longest+p.leeway {
		return time.Time{}, refuse(ReasonLifetime, nil)
	}
	for _, name := range []string{"nbf", "iat"} {
		if !claims.has(name) && (name == "nbf" || !issued) {
			continue
		}
		at, err := claims.seconds(name)
		if err != nil {
			return time.Time{}, refuse(ReasonClaims, fmt.Errorf("%s: %w", name, err))
		}
		if time.Unix(at, 0).After(p.now.Add(p.leeway)) {
			return time.Time{}, refuse(ReasonNotYet, nil)
		}
	}
	return expires, nil
}
