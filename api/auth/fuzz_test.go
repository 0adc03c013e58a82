package auth_test

import (
	"strings"
	"testing"

	"github.com/golang-jwt/jwt/v5"

	"tidemark.example/tidemark/api/auth"
)

// reference is golang-jwt's own parser with all it can check switched on. It
// takes more than we do; what it refuses, we must never take.
func reference() *jwt.Parser {
	return jwt.NewParser(jwt.WithValidMethods([]string{"ES256"}), jwt.WithIssuer(issuerURL), jwt.WithAudience(baseURL),
		jwt.WithExpirationRequired(), jwt.WithIssuedAt(), jwt.WithLeeway(auth.DefaultLeeway), jwt.WithStrictDecoding(), jwt.WithTimeFunc(atNoon))
}

// publicOf gives the key of a kid to the reference.
func publicOf(t *jwt.Token) (any, error) {
	if t.Header["kid"] == "p256" {
		return p256Key().Public(), nil
	}
	return nil, jwt.ErrTokenUnverifiable
}

// FuzzToken signs whatever header and claims it is given by a key of the
// issuer (ES256, the quickest to sign), and also takes them as they are. Invariants: nothing is accepted that
// golang-jwt's parser refuses, or that lacks what is required; what is refused
// says so by a status and a header; what is accepted is accepted again and
// grants the same.
func FuzzToken(f *testing.F) {
	quick := strings.NewReplacer(`"RS384"`, `"ES256"`, `"rsa"`, `"p256"`)
	f.Add(quick.Replace(goodHeader().json()), goodClaims().json(), "")
	for _, a := range attacks() {
		if parts := strings.Split(a.token(), "."); len(parts) == 3 && len(a.token()) < 4096 {
			f.Add(quick.Replace(unencoded(parts[0])), unencoded(parts[1]), parts[2])
		}
	}
	o := options(f)
	o.Issuers[0].Algorithms = []string{"ES256"}
	f.Fuzz(func(t *testing.T, header, claims, signature string) {
		v := verifier(t, o)
		signed := b64([]byte(header)) + "." + b64([]byte(claims))
		for _, text := range []string{header, signed + "." + signature, resign(signed)} {
			judge(t, v, text)
		}
	})
}

// Without a token that is accepted the fuzzing would prove nothing.
func TestTheFirstSeedIsAccepted(t *testing.T) {
	t.Parallel()
	o := options(t)
	o.Issuers[0].Algorithms = []string{"ES256"}
	accepts(t, verifier(t, o), resign(b64([]byte(goodHeader().with(members{"alg": "ES256", "kid": "p256"}).json()))+"."+b64([]byte(goodClaims().json()))))
}

func resign(signed string) string {
	signature, err := jwt.SigningMethodES256.Sign(signed, p256Key())
	if err != nil {
		panic(err)
	}
	return signed + "." + b64(signature)
}

func unencoded(part string) string {
	data, err := jwt.NewParser().DecodeSegment(part)
	if err != nil {
		return part
	}
	return string(data)
}

// judge holds one answer to the invariants.
func judge(t *testing.T, v *auth.Verifier, text string) {
	t.Helper()
	grant, err := v.Verify(t.Context(), text)
	if err != nil {
		judgeRefusal(t, grant, err)
		return
	}
	token, err := reference().Parse(text, publicOf)
	if err != nil {
		t.Fatalf("golang-jwt refuses what was accepted: %v", err)
	}
	claims := token.Claims.(jwt.MapClaims)
	for name, have := range map[string]string{"sub": grant.Subject, "client_id": grant.ClientID, "jti": grant.TokenID, "iss": grant.Issuer} {
		if have == "" || claims[name] != have {
			t.Fatalf("%s is %q, and golang-jwt reads another", name, have)
		}
	}
	if token.Header["typ"] == nil || token.Header["crit"] != nil || token.Header["jwk"] != nil || grant.Expires.Sub(noon) > auth.DefaultMaxLifetime+auth.DefaultLeeway {
		t.Fatal("accepted in spite of its header or life")
	}
	for _, scope := range grant.Scopes {
		if !strings.Contains(" "+claims["scope"].(string)+" ", " "+scope.String()+" ") || scope.Context == auth.UserContext || scope.Context == auth.PatientContext && grant.Patient == "" {
			t.Fatal("a scope that the token has not, or that grants nothing here")
		}
	}
	if again, err := v.Verify(t.Context(), text); err != nil || again != grant {
		t.Fatal("accepted once and not again")
	}
}

func judgeRefusal(t *testing.T, grant *auth.Grant, err error) {
	t.Helper()
	refusal := refused(t, err)
	header := refusal.WWWAuthenticate()
	if grant != nil || refusal.Status != 401 || refusal.Reason == "" || refusal.Issue == "" || !strings.HasPrefix(header, `Bearer realm="fhir", error="invalid_token", `) || strings.ContainsAny(header, "\r\n\x00") {
		t.Fatalf("refused as %d %s", refusal.Status, header)
	}
}

// FuzzScope holds the reading of scopes to what must hold for any text: what is
// written again reads the same, nothing is granted that the text does not name,
// a restriction never gets lost, and what is granted of a scope by itself is
// itself.
func FuzzScope(f *testing.F) {
	for _, text := range []string{"system/Observation.rs", "patient/*.cruds", "user/Patient.read", "system/*.*", "openid launch/patient",
		"patient/Observation.rs?category=http://c|survey&code=a,|b,s|", "system/Observation.dus", "system/Observation.r?_id=1", "a  b", "system/A.r?code=%26%25"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		scopes, left, err := auth.ParseScopes(text)
		if err != nil {
			if scopes != nil || left != nil {
				t.Fatal("an error with scopes")
			}
			return
		}
		if len(scopes)+len(left) != len(strings.Split(text, " ")) {
			t.Fatal("a scope was lost or made")
		}
		for _, scope := range scopes {
			judgeScope(t, scope)
		}
		if within := auth.Within(scopes, scopes); len(within) > len(scopes) || len(scopes) > 0 && len(within) == 0 {
			t.Fatal("what is allowed is not granted as it was asked for")
		}
	})
}

func judgeScope(t *testing.T, scope auth.Scope) {
	t.Helper()
	text := scope.String()
	if strings.Contains(text, "?") != (len(scope.Filters) > 0) || scope.Allows == 0 {
		t.Fatalf("%q is read without its restriction, or allows nothing", text)
	}
	rebuilt := auth.Scope{Context: scope.Context, Type: scope.Type, Allows: scope.Allows, Filters: scope.Filters}
	again, err := auth.ParseScope(rebuilt.String())
	if err != nil || rebuilt.String() != (auth.Scope{Context: again.Context, Type: again.Type, Allows: again.Allows, Filters: again.Filters}).String() {
		t.Fatalf("%q is written as %q, which reads as something else", text, rebuilt)
	}
	grant := &auth.Grant{Scopes: []auth.Scope{scope}}
	if scope.Context == auth.PatientContext && (grant.Allows(scope.Type, scope.Allows) || len(grant.Restriction(scope.Type, scope.Allows)) > 0) {
		t.Fatal("patient/ grants without a patient")
	}
	if len(scope.Filters) > 0 && grant.Restriction(scope.Type, scope.Allows).Unrestricted() {
		t.Fatal("a restricted scope is unrestricted")
	}
}
