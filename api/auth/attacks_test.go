package auth_test

import (
	"crypto/hmac"
	"crypto/sha512"
	"crypto/x509"
	"encoding/asn1"
	"encoding/pem"
	"math/big"
	"net/http"
	"strconv"
	"strings"
	"testing"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
)

// attack is a token that must be refused.
type attack struct {
	name  string
	token func() string
	// reason tells that it is refused for what is wrong with it, and not for
	// something else that the test got wrong.
	reason auth.Reason
}

// header and claims make attacks that change a good token, signed well.
func header(name string, changes members, reason auth.Reason) attack {
	return attack{name, func() string { return token(goodHeader().with(changes), goodClaims()) }, reason}
}

func claims(name string, changes members, reason auth.Reason) attack {
	return attack{name, func() string { return token(goodHeader(), goodClaims().with(changes)) }, reason}
}

// raw makes an attack of text, signed well.
func raw(name, header, claims string, reason auth.Reason) attack {
	return attack{name, func() string { return sign(header, claims, jwt.SigningMethodRS384, rsaKey()) }, reason}
}

// edit makes an attack that changes the text of a good token.
func edit(name string, change func(head, body, signature string) string, reason auth.Reason) attack {
	return attack{name, func() string {
		parts := strings.Split(token(goodHeader(), goodClaims()), ".")
		return change(parts[0], parts[1], parts[2])
	}, reason}
}

// by makes an attack signed by a method and key of its choice.
func by(name string, changes members, method jwt.SigningMethod, key func() any, reason auth.Reason) attack {
	return attack{name, func() string {
		return sign(goodHeader().with(changes).json(), goodClaims().json(), method, key())
	}, reason}
}

// unsigned makes an attack with a signature of bytes.
func unsigned(name string, changes members, signature func(signed string) []byte, reason auth.Reason) attack {
	return attack{name, func() string {
		signed := b64([]byte(goodHeader().with(changes).json())) + "." + b64([]byte(goodClaims().json()))
		return signed + "." + b64(signature(signed))
	}, reason}
}

// attacks are those of RFC 8725 and of what has been found since, by the part
// of the token that they are in.
func attacks() []attack {
	var list []attack
	for _, part := range [][]attack{onAlgorithms(), onKeys(), onSignatures(), onHeaders(), onForm(), onTimes(), onAudience(), onClaims(), ofOtherKinds()} {
		list = append(list, part...)
	}
	return list
}

// onAlgorithms: RFC 8725 sections 2.1, 3.1 and 3.2.
func onAlgorithms() []attack {
	public := func() []byte {
		der, err := x509.MarshalPKIXPublicKey(rsaKey().Public())
		if err != nil {
			panic(err)
		}
		return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der})
	}
	none := func(alg string) attack {
		return edit("alg "+alg, func(_, body, _ string) string {
			return b64([]byte(goodHeader().with(members{"alg": alg}).json())) + "." + body + "."
		}, auth.ReasonForm)
	}
	return []attack{
		none("none"), none("None"), none("nOnE"), none("NONE"),
		edit("alg none with the signature kept", func(_, body, signature string) string {
			return b64([]byte(goodHeader().with(members{"alg": "none"}).json())) + "." + body + "." + signature
		}, auth.ReasonAlgorithm),
		unsigned("HS384 with the RSA public key as secret", members{"alg": "HS384"}, func(signed string) []byte {
			mac := hmac.New(sha512.New384, public())
			mac.Write([]byte(signed))
			return mac.Sum(nil)
		}, auth.ReasonAlgorithm),
		by("HS256 with the RSA modulus as secret", members{"alg": "HS256", "kid": "rsa-any"}, jwt.SigningMethodHS256, func() any { return rsaKey().N.Bytes() }, auth.ReasonAlgorithm),
		by("RS256 where RS384 and ES384 are allowed", members{"alg": "RS256", "kid": "rsa-any"}, jwt.SigningMethodRS256, func() any { return rsaKey() }, auth.ReasonAlgorithm),
		by("RS512 where RS384 and ES384 are allowed", members{"alg": "RS512", "kid": "rsa-any"}, jwt.SigningMethodRS512, func() any { return rsaKey() }, auth.ReasonAlgorithm),
		by("PS384 where RS384 and ES384 are allowed", members{"alg": "PS384", "kid": "rsa-any"}, jwt.SigningMethodPS384, func() any { return rsaKey() }, auth.ReasonAlgorithm),
		by("ES256 where RS384 and ES384 are allowed", members{"alg": "ES256", "kid": "p256"}, jwt.SigningMethodES256, func() any { return p256Key() }, auth.ReasonAlgorithm),
		header("alg in lower case", members{"alg": "rs384"}, auth.ReasonAlgorithm),
		header("alg with a space", members{"alg": "RS384 "}, auth.ReasonAlgorithm),
		header("alg missing", members{"alg": nil}, auth.ReasonAlgorithm),
		header("alg empty", members{"alg": ""}, auth.ReasonAlgorithm),
		header("alg an array", members{"alg": []string{"RS384"}}, auth.ReasonAlgorithm),
	}
}

// onKeys: RFC 8725 sections 2.2, 3.10 and 3.5; RFC 7515 section 10.
func onKeys() []attack {
	mine := func() any { return otherRSA() }
	ec := jwt.SigningMethodES384
	return []attack{
		by("a key of its own in jwk", members{"jwk": jwk(otherRSA().Public(), "rsa", nil)}, jwt.SigningMethodRS384, mine, auth.ReasonHeader),
		by("a key of its own at jku", members{"jku": "https://attacker.example/keys"}, jwt.SigningMethodRS384, mine, auth.ReasonHeader),
		header("jku of the issuer, and signed by it", members{"jku": issuerURL + "/jwks"}, auth.ReasonHeader),
		by("a key of its own at x5u", members{"x5u": "https://attacker.example/cert"}, jwt.SigningMethodRS384, mine, auth.ReasonHeader),
		by("a key of its own in x5c", members{"x5c": []string{"MIIB"}}, jwt.SigningMethodRS384, mine, auth.ReasonHeader),
		header("kid a path", members{"kid": "../../../dev/null"}, auth.ReasonKey),
		header("kid a query", members{"kid": "rsa' OR '1'='1"}, auth.ReasonKey),
		header("kid an address", members{"kid": "https://attacker.example/keys"}, auth.ReasonKey),
		header("kid unknown", members{"kid": "rsa2"}, auth.ReasonKey),
		header("kid in another case", members{"kid": "RSA"}, auth.ReasonKey),
		header("kid missing", members{"kid": nil}, auth.ReasonKey),
		header("kid empty", members{"kid": ""}, auth.ReasonKey),
		header("kid a number", members{"kid": 1}, auth.ReasonKey),
		header("kid of a thousand letters", members{"kid": strings.Repeat("k", 1000)}, auth.ReasonKey),
		header("kid of two keys", members{"kid": "twice"}, auth.ReasonKey),
		header("kid of a key for encryption", members{"kid": "for-encryption"}, auth.ReasonKey),
		header("kid of a key that may only sign", members{"kid": "for-signing-only"}, auth.ReasonKey),
		by("kid of an RSA key of 1024 bits", members{"kid": "weak"}, jwt.SigningMethodRS384, func() any { return weakRSA() }, auth.ReasonKey),
		by("kid of an RSA key, signed as ES384", members{"alg": "ES384"}, ec, func() any { return p384Key() }, auth.ReasonKey),
		header("kid of an EC key, signed as RS384", members{"kid": "ec-any"}, auth.ReasonKey),
		unsigned("ES384 with a key of another curve", members{"alg": "ES384", "kid": "p256"}, func(string) []byte { return make([]byte, 96) }, auth.ReasonKey),
		by("a key of another issuer", nil, jwt.SigningMethodRS384, mine, auth.ReasonSignature),
		by("ES384 by another key", members{"alg": "ES384", "kid": "ec"}, ec, func() any { return otherP384() }, auth.ReasonSignature),
	}
}

// onSignatures: RFC 8725 section 3.3.
func onSignatures() []attack {
	es := members{"alg": "ES384", "kid": "ec"}
	order := p384Key().Curve.Params().N
	fill := func(r, s *big.Int) func(string) []byte {
		return func(string) []byte { return append(r.FillBytes(make([]byte, 48)), s.FillBytes(make([]byte, 48))...) }
	}
	return []attack{
		edit("signature empty", func(head, body, _ string) string { return head + "." + body + "." }, auth.ReasonForm),
		edit("signature cut short", func(head, body, signature string) string {
			return head + "." + body + "." + signature[:len(signature)-2]
		}, auth.ReasonSignature),
		edit("signature of another token", func(head, body, _ string) string {
			other := token(goodHeader(), goodClaims().with(members{"jti": "other"}))
			return head + "." + body + other[strings.LastIndexByte(other, '.'):]
		}, auth.ReasonSignature),
		edit("claims changed after signing", func(head, _, signature string) string {
			return head + "." + b64([]byte(goodClaims().with(members{"scope": "system/*.cruds"}).json())) + "." + signature
		}, auth.ReasonSignature),
		edit("header changed after signing", func(_, body, signature string) string {
			return b64([]byte(goodHeader().with(members{"kid": "rsa-any"}).json())) + "." + body + "." + signature
		}, auth.ReasonSignature),
		unsigned("ES384 with r = s = 0 (CVE-2022-21449)", es, fill(new(big.Int), new(big.Int)), auth.ReasonSignature),
		unsigned("ES384 with r = s = the order", es, fill(order, order), auth.ReasonSignature),
		unsigned("ES384 with r = s = 1", es, fill(big.NewInt(1), big.NewInt(1)), auth.ReasonSignature),
		unsigned("ES384 in ASN.1, as TLS has it", es, func(signed string) []byte {
			plain, err := jwt.SigningMethodES384.Sign(signed, p384Key())
			if err != nil {
				panic(err)
			}
			der, err := asn1.Marshal(struct{ R, S *big.Int }{new(big.Int).SetBytes(plain[:48]), new(big.Int).SetBytes(plain[48:])})
			if err != nil {
				panic(err)
			}
			return der
		}, auth.ReasonSignature),
		unsigned("ES384 with bytes after the signature", es, func(signed string) []byte {
			plain, err := jwt.SigningMethodES384.Sign(signed, p384Key())
			if err != nil {
				panic(err)
			}
			return append(plain, 0)
		}, auth.ReasonSignature),
		unsigned("RSA signature zero", nil, func(string) []byte { return make([]byte, 256) }, auth.ReasonSignature),
	}
}

// onHeaders: RFC 7515 section 4.1.11, RFC 7797, RFC 8725 section 3.11.
func onHeaders() []attack {
	good := goodHeader().json()
	return []attack{
		header("crit unknown", members{"crit": []string{"exp2"}, "exp2": 1}, auth.ReasonHeader),
		header("crit empty", members{"crit": []string{}}, auth.ReasonHeader),
		header("b64 false", members{"crit": []string{"b64"}, "b64": false}, auth.ReasonHeader),
		header("b64 false without crit", members{"b64": false}, auth.ReasonHeader),
		header("cty JWT: a token within a token", members{"cty": "JWT"}, auth.ReasonHeader),
		header("zip, a bomb perhaps", members{"zip": "DEF"}, auth.ReasonHeader),
		header("p2c, work without end", members{"p2c": 2147483647}, auth.ReasonHeader),
		header("typ missing", members{"typ": nil}, auth.ReasonType),
		header("typ JWT where at+jwt is asked for", members{"typ": "JWT"}, auth.ReasonType),
		header("typ of a logout token", members{"typ": "logout+jwt"}, auth.ReasonType),
		header("typ a number", members{"typ": 1}, auth.ReasonType),
		raw("alg twice", strings.Replace(good, "{", `{"alg":"none",`, 1), goodClaims().json(), auth.ReasonForm),
		raw("header with text behind it", good+"{}", goodClaims().json(), auth.ReasonForm),
		raw("header not an object", `["RS384"]`, goodClaims().json(), auth.ReasonForm),
		raw("header null", `null`, goodClaims().json(), auth.ReasonForm),
		raw("header not UTF-8", strings.Replace(good, `"rsa"`, "\"\xff\"", 1), goodClaims().json(), auth.ReasonForm),
	}
}

// onForm: RFC 7515 section 3.1 and 7.1; RFC 8725 sections 2.5 and 3.8.
func onForm() []attack {
	return []attack{
		{"a JWE, in five parts", func() string { return strings.Repeat("e30.", 4) + "e30" }, auth.ReasonForm},
		{"ten thousand dots (CVE-2025-30204)", func() string { return strings.Repeat(".", 10_000) }, auth.ReasonForm},
		{"a token of a megabyte", func() string {
			return token(goodHeader(), goodClaims().with(members{"padding": strings.Repeat("x", 1<<20)}))
		}, auth.ReasonTooLong},
		{"two parts", func() string { return "e30.e30" }, auth.ReasonForm},
		{"no part at all", func() string { return "opaque-token-of-another-server" }, auth.ReasonForm},
		edit("JSON serialization instead of the compact one", func(head, body, signature string) string {
			return `{"protected":"` + head + `","payload":"` + body + `","signature":"` + signature + `"}`
		}, auth.ReasonForm),
		edit("signature with padding", func(head, body, signature string) string { return head + "." + body + "." + signature + "==" }, auth.ReasonForm),
		edit("header with padding", func(head, body, signature string) string { return head + "=." + body + "." + signature }, auth.ReasonForm),
		edit("line break in the signature", func(head, body, signature string) string {
			return head + "." + body + "." + signature[:8] + "\n" + signature[8:]
		}, auth.ReasonForm),
		edit("base64 with bits beyond the last byte", func(head, body, signature string) string {
			last := strings.IndexByte(alphabet, signature[len(signature)-1])
			return head + "." + body + "." + signature[:len(signature)-1] + alphabet[last^1:last^1+1]
		}, auth.ReasonForm),
		edit("the alphabet of plain base64", func(head, body, signature string) string { return head + "." + body + ".+" + signature[1:] }, auth.ReasonForm),
		raw("claims not an object", goodHeader().json(), `"iss"`, auth.ReasonForm),
		raw("claims nested a thousand deep", goodHeader().json(), `{"a":`+strings.Repeat("[", 1000)+strings.Repeat("]", 1000)+`}`, auth.ReasonForm),
		raw("a claim twice", goodHeader().json(), strings.Replace(goodClaims().json(), "{", `{"sub":"someone-else",`, 1), auth.ReasonForm),
		raw("a claim twice, once with an escape", goodHeader().json(), strings.Replace(goodClaims().json(), "{", `{"s\u0075b":"someone-else",`, 1), auth.ReasonForm),
		raw("a claim twice, deeper", goodHeader().json(), strings.Replace(goodClaims().json(), "{", `{"x":{"a":1,"a":2},`, 1), auth.ReasonForm),
		raw("claims not UTF-8", goodHeader().json(), strings.Replace(goodClaims().json(), "01-token", "\xc3\x28", 1), auth.ReasonForm),
		raw("claims with a byte order mark", goodHeader().json(), "\ufeff"+goodClaims().json(), auth.ReasonForm),
	}
}

// alphabet is that of base64url (RFC 4648 section 5).
const alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"

// number makes a claim of text that encoding/json would not write.
func number(name, claim, text string, reason auth.Reason) attack {
	body := goodClaims().with(members{claim: "PLACE"}).json()
	return raw(name, goodHeader().json(), strings.Replace(body, `"PLACE"`, text, 1), reason)
}

// onTimes: RFC 7519 sections 4.1.4 to 4.1.6. The leeway is 30 seconds, the
// longest life an hour.
func onTimes() []attack {
	now := noon.Unix()
	return []attack{
		claims("exp missing", members{"exp": nil}, auth.ReasonClaims),
		claims("exp text", members{"exp": strconv.FormatInt(now+290, 10)}, auth.ReasonClaims),
		number("exp with a fraction", "exp", strconv.FormatInt(now+290, 10)+".5", auth.ReasonClaims),
		number("exp with an exponent", "exp", "1e10", auth.ReasonClaims),
		number("exp larger than any number", "exp", "1e400", auth.ReasonClaims),
		number("exp beyond 64 bits", "exp", "18446744073709551616", auth.ReasonClaims),
		number("exp the largest of 64 bits", "exp", "9223372036854775807", auth.ReasonClaims),
		number("exp negative", "exp", "-1", auth.ReasonClaims),
		number("exp null", "exp", "null", auth.ReasonClaims),
		number("exp 0", "exp", "0", auth.ReasonClaims),
		claims("expired just now, with the leeway", members{"exp": now - 30}, auth.ReasonExpired),
		claims("expired a second beyond the leeway", members{"exp": now - 31}, auth.ReasonExpired),
		claims("expired a day ago", members{"exp": now - 86400}, auth.ReasonExpired),
		claims("good for longer than an hour and the leeway", members{"exp": now + 3631}, auth.ReasonLifetime),
		claims("good for a hundred years", members{"exp": now + 3153600000}, auth.ReasonLifetime),
		claims("nbf in the future", members{"nbf": now + 31}, auth.ReasonNotYet),
		claims("nbf text", members{"nbf": "now"}, auth.ReasonClaims),
		claims("iat in the future", members{"iat": now + 31}, auth.ReasonNotYet),
		claims("iat missing from an at+jwt (RFC 9068 section 2.2)", members{"iat": nil}, auth.ReasonClaims),
		claims("iat a list", members{"iat": []int64{now}}, auth.ReasonClaims),
	}
}

// onAudience: RFC 8725 sections 3.8 and 3.9; RFC 9068 section 4.
func onAudience() []attack {
	return []attack{
		claims("iss missing", members{"iss": nil}, auth.ReasonClaims),
		claims("iss of an attacker", members{"iss": "https://attacker.example"}, auth.ReasonIssuer),
		claims("iss with a slash at its end", members{"iss": issuerURL + "/"}, auth.ReasonIssuer),
		claims("iss in other case", members{"iss": strings.ToUpper(issuerURL)}, auth.ReasonIssuer),
		claims("iss of a tenant beside", members{"iss": issuerURL + "/tenant-2"}, auth.ReasonIssuer),
		claims("iss a list with the right one", members{"iss": []string{issuerURL}}, auth.ReasonClaims),
		claims("aud missing", members{"aud": nil}, auth.ReasonAudience),
		claims("aud empty", members{"aud": ""}, auth.ReasonAudience),
		claims("aud an empty list", members{"aud": []string{}}, auth.ReasonAudience),
		claims("aud of another server", members{"aud": "https://other.example/fhir"}, auth.ReasonAudience),
		claims("aud a part of the base", members{"aud": strings.TrimSuffix(baseURL, "/fhir")}, auth.ReasonAudience),
		claims("aud the base and more", members{"aud": baseURL + "/Patient"}, auth.ReasonAudience),
		claims("aud with a slash at its end", members{"aud": baseURL + "/"}, auth.ReasonAudience),
		claims("aud in other case", members{"aud": strings.ToUpper(baseURL)}, auth.ReasonAudience),
		claims("aud two others in one text", members{"aud": "https://other.example " + baseURL}, auth.ReasonAudience),
		claims("aud a list of others", members{"aud": []string{"https://other.example", "*"}}, auth.ReasonAudience),
		claims("aud a list with a number", members{"aud": []any{baseURL, 1}}, auth.ReasonAudience),
		claims("aud an object", members{"aud": members{"value": baseURL}}, auth.ReasonAudience),
	}
}

// onClaims: what must be there, with the name's exact case.
func onClaims() []attack {
	list := []attack{
		claims("patient a path", members{"patient": "../Patient/1"}, auth.ReasonClaims),
		claims("patient of another type", members{"patient": "Practitioner/1"}, auth.ReasonClaims),
		claims("patient a list", members{"patient": []string{"1", "2"}}, auth.ReasonClaims),
		claims("patient empty", members{"patient": ""}, auth.ReasonClaims),
		claims("patient only a prefix", members{"patient": "Patient/"}, auth.ReasonClaims),
		claims("scope a list", members{"scope": []string{"system/*.cruds"}}, auth.ReasonClaims),
		claims("scope with two spaces", members{"scope": "openid  system/Observation.r"}, auth.ReasonClaims),
		claims("scope with a line break", members{"scope": "openid\nsystem/Observation.r"}, auth.ReasonClaims),
		claims("scope of ten thousand", members{"scope": strings.TrimSpace(strings.Repeat("a ", 5000))}, auth.ReasonClaims),
		claims("fhirUser an object", members{"fhirUser": members{"reference": "Patient/1"}}, auth.ReasonClaims),
	}
	for _, name := range []string{"sub", "client_id", "jti", "scope"} {
		list = append(list,
			claims(name+" missing", members{name: nil}, auth.ReasonClaims),
			claims(name+" in other case", members{name: nil, strings.ToUpper(name): "x"}, auth.ReasonClaims),
			claims(name+" empty", members{name: ""}, auth.ReasonClaims),
			number(name+" null", name, "null", auth.ReasonClaims))
	}
	return list
}

// ofOtherKinds: RFC 8725 sections 2.8 and 3.12, cross-JWT confusion.
func ofOtherKinds() []attack {
	return []attack{
		claims("an ID token: at_hash", members{"at_hash": "x"}, auth.ReasonType),
		claims("an ID token: c_hash", members{"c_hash": "x"}, auth.ReasonType),
		claims("an ID token: nonce", members{"nonce": "x"}, auth.ReasonType),
		claims("a security event: events", members{"events": members{}}, auth.ReasonType),
		{"a client's assertion", func() string {
			return token(goodHeader().with(members{"typ": "JWT"}), members{"iss": "fernway-portal", "sub": "fernway-portal",
				"aud": baseURL + "/auth/token", "exp": noon.Unix() + 290, "jti": "a"})
		}, auth.ReasonIssuer},
		{"a client's assertion that names the issuer", func() string {
			return token(goodHeader().with(members{"typ": "JWT"}), members{"iss": issuerURL, "sub": "fernway-portal",
				"aud": baseURL + "/auth/token", "exp": noon.Unix() + 290, "jti": "a"})
		}, auth.ReasonType},
	}
}

// The same tokens without the change are accepted; see TestGoodTokens.
func TestAttacksAreRefused(t *testing.T) {
	t.Parallel()
	list := attacks()
	require.Greater(t, len(list), 100)
	v := verifier(t, options(t))
	names := map[string]bool{}
	for _, a := range list {
		require.False(t, names[a.name], "%s is there twice", a.name)
		names[a.name] = true
		t.Run(a.name, func(t *testing.T) {
			t.Parallel()
			text := a.token()
			for range 2 { // the second time from whatever is remembered
				grant, err := v.Verify(t.Context(), text)
				require.Nil(t, grant)
				refusal := refused(t, err)
				require.Equal(t, a.reason, refusal.Reason, refusal)
				requireUnauthorized(t, refusal)
			}
		})
	}
}

func requireUnauthorized(t *testing.T, refusal *auth.Error) {
	t.Helper()
	require.Equal(t, http.StatusUnauthorized, refusal.Status)
	issue, text := fhir.IssueUnknown, "The access token is not accepted; get one from the authorization server of this service."
	if refusal.Reason == auth.ReasonExpired {
		issue, text = fhir.IssueExpired, "The access token has expired; get a new one."
	}
	require.Equal(t, issue, refusal.Issue)
	require.Equal(t, `Bearer realm="fhir", error="invalid_token", error_description="`+text+`"`, refusal.WWWAuthenticate())
}

// Each allowed algorithm is accepted with its key, so that the refusals above
// are not of everything.
func TestGoodTokens(t *testing.T) {
	t.Parallel()
	o := options(t)
	o.Issuers[0].Algorithms = []string{"RS256", "RS384", "ES256", "ES384"}
	o.Issuers[0].Types = []string{"at+jwt", "JWT"}
	v := verifier(t, o)
	for name, text := range map[string]string{
		"RS384":                          token(goodHeader(), goodClaims()),
		"RS384 by a key without alg":     token(goodHeader().with(members{"kid": "rsa-any"}), goodClaims()),
		"RS256":                          sign(goodHeader().with(members{"alg": "RS256", "kid": "rsa-any"}).json(), goodClaims().json(), jwt.SigningMethodRS256, rsaKey()),
		"ES384":                          sign(goodHeader().with(members{"alg": "ES384", "kid": "ec"}).json(), goodClaims().json(), jwt.SigningMethodES384, p384Key()),
		"ES256":                          sign(goodHeader().with(members{"alg": "ES256", "kid": "p256"}).json(), goodClaims().json(), jwt.SigningMethodES256, p256Key()),
		"typ in full and in other case":  token(goodHeader().with(members{"typ": "application/AT+JWT"}), goodClaims()),
		"typ JWT where it is configured": token(goodHeader().with(members{"typ": "JWT"}), goodClaims()),
		"typ JWT without iat":            token(goodHeader().with(members{"typ": "JWT"}), goodClaims().with(members{"iat": nil})),
		"x5t, which names no key":        token(goodHeader().with(members{"x5t": "abc"}), goodClaims()),
		"aud among others":               token(goodHeader(), goodClaims().with(members{"aud": []string{"https://other.example", baseURL}})),
		"expired within the leeway":      token(goodHeader(), goodClaims().with(members{"exp": noon.Unix() - 29})),
		"nbf within the leeway":          token(goodHeader(), goodClaims().with(members{"nbf": noon.Unix() + 30})),
		"iat within the leeway":          token(goodHeader(), goodClaims().with(members{"iat": noon.Unix() + 30})),
		"the longest life":               token(goodHeader(), goodClaims().with(members{"exp": noon.Unix() + 3630})),
		"claims that we do not know":     token(goodHeader(), goodClaims().with(members{"acr": "x", "roles": []string{"a"}, "cnf": members{"a": 1}})),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			grant, err := v.Verify(t.Context(), text)
			require.NoError(t, err)
			require.Equal(t, "fernway-portal", grant.ClientID)
			require.True(t, grant.Allows("Observation", auth.Read|auth.Search))
			require.False(t, grant.Allows("Observation", auth.Create))
		})
	}
}
