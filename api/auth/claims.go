package auth

import (
	"fmt"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
)

// grant judges the claims of a verified token.
func (v *Verifier) grant(t *jws) (*Grant, *Error) {
	audience, err := t.claims.texts("aud")
	if err != nil || !slices.ContainsFunc(audience, v.isAudience) {
		return nil, refuse(ReasonAudience, err)
	}
	if slices.ContainsFunc(otherKinds, t.claims.has) {
		return nil, refuse(ReasonType, nil)
	}
	limits := period{now: v.now(), leeway: v.options.Leeway, longest: v.options.MaxLifetime}
	expires, refused := limits.check(t.claims, t.typ == "at+jwt")
	if refused != nil {
		return nil, refused
	}
	grant := &Grant{Expires: expires}
	for name, into := range map[string]*string{"iss": &grant.Issuer, "sub": &grant.Subject, "client_id": &grant.ClientID, "jti": &grant.TokenID} {
		if *into, err = t.claims.text(name); err != nil {
			return nil, refuse(ReasonClaims, fmt.Errorf("%s: %w", name, err))
		}
	}
	return grant, v.fill(grant, t.claims)
}

// otherKinds are claims of ID tokens and of security events, which are no
// access tokens whatever their typ says (RFC 8725 section 3.12; OpenID Connect
// Core 1.0 sections 3.1.3.6 and 3.3.2.11; RFC 8417 section 2.2).
var otherKinds = []string{"at_hash", "c_hash", "nonce", "events"}

func (v *Verifier) isAudience(text string) bool { return slices.Contains(v.options.Audience, text) }

// fill reads scope, patient and fhirUser, of a token or of an introspection.
func (v *Verifier) fill(grant *Grant, claims object) *Error {
	scope, err := claims.text("scope")
	if err != nil {
		return refuse(ReasonClaims, fmt.Errorf("scope: %w", err))
	}
	scopes, _, err := ParseScopes(scope)
	if err != nil {
		return refuse(ReasonClaims, fmt.Errorf("scope: %w", err))
	}
	patient, err := claims.optional("patient")
	if err == nil {
		grant.User, err = claims.optional("fhirUser")
	}
	if err != nil {
		return refuse(ReasonClaims, err)
	}
	grant.Patient = strings.TrimPrefix(patient, "Patient/")
	if grant.Patient != "" && !fhir.IsID(grant.Patient) || patient == "Patient/" {
		return refuse(ReasonClaims, fmt.Errorf("patient: %w", errMember))
	}
	grant.Scopes = v.honoured(scopes, grant.Patient)
	return nil
}

// honoured gives the scopes that grant something: of patient/ those of a token
// with a patient, of user/ what the configuration allows.
func (v *Verifier) honoured(scopes []Scope, patient string) []Scope {
	var kept []Scope
	for _, scope := range scopes {
		allows := scope.Allows
		switch {
		case scope.Context == PatientContext && patient == "", scope.Context == UserContext && v.options.Users == UserNone:
			allows = 0
		case scope.Context == UserContext && v.options.Users == UserRead:
			allows &= Read | Search
		}
		if allows != scope.Allows {
			scope.Allows, scope.text = allows, ""
		}
		if allows != 0 {
			kept = append(kept, scope)
		}
	}
	return kept
}
