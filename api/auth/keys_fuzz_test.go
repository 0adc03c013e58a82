package auth_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/api/auth"
)

// FuzzKeys holds the reading of key sets to what must hold for any text: a key
// that is given can be used, is not weak, and is read again as it is written.
func FuzzKeys(f *testing.F) {
	f.Add(issuerKeys())
	f.Add([]byte(`{"keys":[]}`))
	f.Add([]byte(`{"keys":[{"kty":"oct","k":"AQAB","kid":"a"}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		keys, err := auth.ParseKeys(data)
		if err != nil {
			if keys != nil {
				t.Fatal("an error with keys")
			}
			return
		}
		for _, key := range keys {
			judgeKey(t, key)
		}
		text, err := auth.FormatKeys(keys)
		if err != nil {
			t.Fatal(err)
		}
		again, err := auth.ParseKeys(text)
		require.NoError(t, err)
		require.Len(t, again, len(keys))
		for i := range keys {
			require.Equal(t, keys[i], again[i])
		}
	})
}

func judgeKey(t *testing.T, key auth.Key) {
	t.Helper()
	switch public := key.Public.(type) {
	case *rsa.PublicKey:
		if bits := public.N.BitLen(); key.Type != "RSA" || bits < 2048 || bits > 8192 || public.E < 65537 || public.E%2 == 0 {
			t.Fatal("a weak RSA key")
		}
	case *ecdsa.PublicKey:
		if _, err := public.Bytes(); err != nil || key.Type != "EC" || public.Curve != elliptic.P256() && public.Curve != elliptic.P384() {
			t.Fatal("a point that is not on its curve")
		}
	default:
		t.Fatal("a key of another kind")
	}
	if key.ID == "" {
		t.Fatal("a key without kid")
	}
}

// Coordinates that begin with zeros are one byte shorter as numbers, about once
// in 128 keys, and must not be so in the text (RFC 7518 section 6.2.1.2).
func TestEveryECKeyIsReadAsItIsWritten(t *testing.T) {
	t.Parallel()
	zeros := 0
	for range 600 {
		private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		require.NoError(t, err)
		point, err := private.PublicKey.Bytes()
		require.NoError(t, err)
		if point[1] == 0 || point[33] == 0 {
			zeros++
		}
		keys := []auth.Key{{ID: "a", Type: "EC", Public: private.Public()}}
		text, err := auth.FormatKeys(keys)
		require.NoError(t, err)
		again, err := auth.ParseKeys(text)
		require.NoError(t, err)
		require.Equal(t, keys, again)
	}
	t.Logf("%d of 600 keys had a coordinate that begins with zero", zeros)
}

func TestOnlyPublicKeysOfKnownKindsAreWritten(t *testing.T) {
	t.Parallel()
	for _, key := range []any{nil, rsaKey(), p384Key(), "key"} {
		_, err := auth.FormatKeys([]auth.Key{{ID: "a", Public: key}})
		require.Error(t, err)
	}
}

// Order and white space of JSON say nothing, so that they must change nothing.
func TestHowATokenIsWrittenDoesNotMatter(t *testing.T) {
	t.Parallel()
	o := options(t)
	o.Issuers[0].Algorithms = []string{"ES256"}
	v := verifier(t, o)
	rapid.Check(t, func(t *rapid.T) {
		text := resign(b64([]byte(shuffled(t, goodHeader().with(members{"alg": "ES256", "kid": "p256"}), "header"))) + "." +
			b64([]byte(shuffled(t, goodClaims(), "claims"))))
		grant, err := v.Verify(t.Context(), text)
		require.NoError(t, err)
		require.Equal(t, "01-token", grant.TokenID)
		require.True(t, grant.Allows("Observation", auth.Read|auth.Search))
	})
}

// shuffled writes an object in any order, with any white space.
func shuffled(t *rapid.T, m members, label string) string {
	names := make([]string, 0, len(m))
	for name := range m {
		names = append(names, name)
	}
	space := rapid.SampledFrom([]string{"", " ", "\n", "\t\r\n "}).Draw(t, label+" space")
	text := space + "{"
	for i, name := range rapid.Permutation(names).Draw(t, label) {
		if i > 0 {
			text += space + ","
		}
		pair := members{name: m[name]}.json()
		text += space + pair[1:len(pair)-1]
	}
	return text + space + "}" + space
}
