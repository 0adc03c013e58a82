package auth_test

import (
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"tidemark.example/tidemark/api/auth"
)

// BenchmarkToken has three figures side by side for each algorithm, each the
// mean of one token: the signature check alone, a token met for the first time,
// and one that is remembered. They take turns, so that a busy machine slows all
// alike.
func BenchmarkToken(b *testing.B) {
	for _, c := range []struct {
		name, alg, kid string
		method         jwt.SigningMethod
		private        any
		public         any
	}{
		{"RS384 of 2048 bits", "RS384", "rsa", jwt.SigningMethodRS384, rsaKey(), rsaKey().Public()},
		{"ES384", "ES384", "ec", jwt.SigningMethodES384, p384Key(), p384Key().Public()},
	} {
		b.Run(c.name, func(b *testing.B) {
			text := sign(goodHeader().with(members{"alg": c.alg, "kid": c.kid}).json(), goodClaims().json(), c.method, c.private)
			at := strings.LastIndexByte(text, '.')
			signature, err := jwt.NewParser().DecodeSegment(text[at+1:])
			if err != nil {
				b.Fatal(err)
			}
			o := options(b)
			remembers := verifier(b, o)
			o.CacheSize = -1
			forgets := verifier(b, o)
			var raw, first, repeat time.Duration
			for b.Loop() {
				raw += took(func() error { return c.method.Verify(text[:at], signature, c.public) }, 1, b)
				first += took(verifies(b, forgets, text), 1, b)
				repeat += took(verifies(b, remembers, text), 100, b)
			}
			per := func(d time.Duration, times int) float64 { return float64(d.Nanoseconds()) / 1000 / float64(b.N*times) }
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(per(raw, 1), "µs/signature-alone")
			b.ReportMetric(per(first, 1), "µs/first-use")
			b.ReportMetric(per(repeat, 100), "µs/repeat")
		})
	}
}

func verifies(b *testing.B, v *auth.Verifier, text string) func() error {
	return func() error {
		_, err := v.Verify(b.Context(), text)
		return err
	}
}

// took measures how long some calls take.
func took(call func() error, times int, b *testing.B) time.Duration {
	start := time.Now()
	for range times {
		if err := call(); err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(start)
}
