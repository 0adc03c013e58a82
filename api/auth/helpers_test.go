package auth_test

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/base64"
	"encoding/json"
	"maps"
	"math/big"
	"sync"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
)

// The invented parties of these tests.
const (
	issuerURL = "https://login.brindlemoor.example"
	baseURL   = "https://tidemark.brindlemoor.example/fhir"
)

// noon is what the clock of these tests shows.
var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func atNoon() time.Time { return noon }

// Keys are made once: an RSA key takes a while.
var (
	rsaKey    = sync.OnceValue(func() *rsa.PrivateKey { return mustRSA(2048) })
	otherRSA  = sync.OnceValue(func() *rsa.PrivateKey { return mustRSA(2048) })
	weakRSA   = sync.OnceValue(func() *rsa.PrivateKey { return mustRSA(1024) })
	p384Key   = sync.OnceValue(func() *ecdsa.PrivateKey { return mustEC(elliptic.P384()) })
	p256Key   = sync.OnceValue(func() *ecdsa.PrivateKey { return mustEC(elliptic.P256()) })
	otherP384 = sync.OnceValue(func() *ecdsa.PrivateKey { return mustEC(elliptic.P384()) })
)

func mustRSA(bits int) *rsa.PrivateKey {
	key, err := rsa.GenerateKey(rand.Reader, bits)
	if err != nil {
		panic(err)
	}
	return key
}

func mustEC(curve elliptic.Curve) *ecdsa.PrivateKey {
	key, err := ecdsa.GenerateKey(curve, rand.Reader)
	if err != nil {
		panic(err)
	}
	return key
}

// members is a JSON object in the making.
type members map[string]any

// with gives a copy with changes; a nil value takes a member away.
func (m members) with(changes members) members {
	copied := maps.Clone(m)
	for name, value := range changes {
		if value == nil {
			delete(copied, name)
			continue
		}
		copied[name] = value
	}
	return copied
}

func (m members) json() string {
	data, err := json.Marshal(m)
	if err != nil {
		panic(err)
	}
	return string(data)
}

func b64(data []byte) string { return base64.RawURLEncoding.EncodeToString(data) }

// jwk writes a public key as a JWK with more members.
func jwk(public crypto.PublicKey, kid string, more members) members {
	var m members
	switch key := public.(type) {
	case *rsa.PublicKey:
		m = members{"kty": "RSA", "n": b64(key.N.Bytes()), "e": b64(big.NewInt(int64(key.E)).Bytes())}
	case *ecdsa.PublicKey:
		size := (key.Curve.Params().BitSize + 7) / 8
		point, err := key.Bytes()
		if err != nil {
			panic(err)
		}
		m = members{"kty": "EC", "crv": key.Curve.Params().Name, "x": b64(point[1 : 1+size]), "y": b64(point[1+size:])}
	}
	return m.with(members{"kid": kid, "use": "sig"}).with(more)
}

func jwks(keys ...members) []byte { return []byte(members{"keys": keys}.json()) }

// issuerKeys is the set of the issuer of these tests.
func issuerKeys() []byte {
	return jwks(
		jwk(rsaKey().Public(), "rsa", members{"alg": "RS384"}),
		jwk(rsaKey().Public(), "rsa-any", nil),
		jwk(p384Key().Public(), "ec", members{"alg": "ES384"}),
		jwk(p384Key().Public(), "ec-any", nil),
		jwk(p256Key().Public(), "p256", nil),
		jwk(weakRSA().Public(), "weak", nil),
		jwk(rsaKey().Public(), "twice", nil),
		jwk(otherRSA().Public(), "twice", nil),
		jwk(rsaKey().Public(), "for-encryption", members{"use": "enc"}),
		jwk(rsaKey().Public(), "for-signing-only", members{"key_ops": []string{"sign"}}),
	)
}

func parsedKeys(t testing.TB, set []byte) auth.KeySource {
	t.Helper()
	keys, err := auth.ParseKeys(set)
	require.NoError(t, err)
	return auth.NewFixedKeys(keys)
}

// goodHeader and goodClaims are of a token that is accepted.
func goodHeader() members { return members{"alg": "RS384", "kid": "rsa", "typ": "at+jwt"} }

func goodClaims() members {
	return members{
		"iss": issuerURL, "sub": "fernway-portal", "client_id": "fernway-portal", "jti": "01-token", "aud": baseURL,
		"iat": noon.Unix() - 10, "exp": noon.Unix() + 290, "scope": "system/QuestionnaireResponse.crus system/Observation.rs",
	}
}

// sign signs whatever it is given by the method of a name.
func sign(header, claims string, method jwt.SigningMethod, key any) string {
	signed := b64([]byte(header)) + "." + b64([]byte(claims))
	signature, err := method.Sign(signed, key)
	if err != nil {
		panic(err)
	}
	return signed + "." + b64(signature)
}

// token signs with the RSA key of the issuer.
func token(header, claims members) string {
	return sign(header.json(), claims.json(), jwt.SigningMethodRS384, rsaKey())
}

// options are those of the verifier of these tests.
func options(t testing.TB) auth.Options {
	t.Helper()
	return auth.Options{Audience: []string{baseURL}, Now: atNoon,
		Issuers: []auth.Issuer{{URL: issuerURL, Keys: parsedKeys(t, issuerKeys())}}}
}

func verifier(t testing.TB, o auth.Options) *auth.Verifier {
	t.Helper()
	v, err := auth.New(o)
	require.NoError(t, err)
	return v
}

// refused asks that the error is an *auth.Error and gives it.
func refused(t testing.TB, err error) *auth.Error {
	t.Helper()
	var refusal *auth.Error
	require.ErrorAs(t, err, &refusal)
	return refusal
}
