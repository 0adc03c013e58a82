package auth

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// How an issuer is asked about opaque tokens.
const (
	// keepOpaque is the longest that an answer is remembered, which is how
	// long a revoked token is still taken.
	keepOpaque = 30 * time.Second
	// maxAsking bounds the questions under way, since anybody can cause one.
	maxAsking = 32
)

// ask verifies an opaque token at the issuers that answer about them (RFC 7662).
func (v *Verifier) ask(ctx context.Context, of digest, token string) (*Grant, *Error) {
	select {
	case v.asking <- struct{}{}:
		defer func() { <-v.asking }()
	case <-ctx.Done():
		return nil, unreachable(ctx.Err())
	}
	var last *Error
	for _, in := range v.opaque {
		grant, refused := v.askOne(ctx, in, token)
		if refused == nil {
			until := v.now().Add(keepOpaque)
			if grant.Expires.Before(until) {
				until = grant.Expires
			}
			v.cache.put(of, entry{grant: grant, until: until})
			return grant, nil
		}
		if last == nil || refused.Status == http.StatusServiceUnavailable {
			last = refused // one that could not be asked may know the token
		}
	}
	return nil, last
}

func (v *Verifier) askOne(ctx context.Context, in *issuer, token string) (*Grant, *Error) {
	form := url.Values{"token": {token}, "token_type_hint": {"access_token"}}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, in.Introspection.URL, strings.NewReader(form.Encode()))
	if err != nil {
		return nil, unreachable(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	request.Header.Set("Accept", "application/json")
	// RFC 6749 section 2.3.1: both are form-encoded first.
	request.SetBasicAuth(url.QueryEscape(in.Introspection.ClientID), url.QueryEscape(string(in.Introspection.Secret)))
	body, _, err := v.fetcher.do(request)
	if err != nil {
		return nil, unreachable(err)
	}
	answer, err := readObject(body)
	if err != nil {
		return nil, unreachable(err)
	}
	return v.introspected(in, answer)
}

// introspected judges an answer. What it need not carry is held to the same
// rules where it does: issuer, audience, times.
func (v *Verifier) introspected(in *issuer, answer object) (*Grant, *Error) {
	var active bool
	if err := json.Unmarshal(answer["active"], &active); err != nil || !active {
		return nil, refuse(ReasonInactive, err)
	}
	if answer.has("iss") {
		if iss, err := answer.text("iss"); err != nil || iss != in.URL {
			return nil, refuse(ReasonIssuer, err)
		}
	}
	if answer.has("aud") {
		if audience, err := answer.texts("aud"); err != nil || !slices.ContainsFunc(audience, v.isAudience) {
			return nil, refuse(ReasonAudience, err)
		}
	}
	limits := period{now: v.now(), leeway: v.options.Leeway, longest: v.options.MaxLifetime}
	expires, refused := limits.check(answer, false)
	if refused != nil {
		return nil, refused
	}
	grant := &Grant{Issuer: in.URL, Expires: expires}
	var err error
	if grant.ClientID, err = answer.text("client_id"); err != nil {
		return nil, refuse(ReasonClaims, fmt.Errorf("client_id: %w", err))
	}
	if grant.Subject, err = answer.optional("sub"); err == nil {
		grant.TokenID, err = answer.optional("jti")
	}
	if err != nil {
		return nil, refuse(ReasonClaims, err)
	}
	if refused := v.fill(grant, answer); refused != nil {
		return nil, refused
	}
	return grant, nil
}
