package auth_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
)

// The example of CDS Hooks 2.0, "Trusting CDS Clients": a JWT, and the key that its
// client published.
const (
	hookJWT = "eyJhbGciOiJFUzM4NCIsInR5cCI6IkpXVCIsImtpZCI6ImV4YW1wbGUta2lkIiwiamt1IjoiaHR0cHM6Ly9maGlyLWVoci5leGFtcGxlLmNvbS9qd2tfdXJpIn0." +
		"eyJpc3MiOiJodHRwczovL2ZoaXItZWhyLmV4YW1wbGUuY29tLyIsImF1ZCI6Imh0dHBzOi8vY2RzLmV4YW1wbGUub3JnL2Nkcy1zZXJ2aWNlcy9zb21lLXNlcnZpY2UiLCJleHAiOjE0MjI1Njg4NjAsImlhdCI6MTMxMTI4MDk3MCwianRpIjoiZWUyMmIwMjEtZTFiNy00NjExLWJhNWItOGVlYzZhMzNhYzFlIiwidGVuYW50IjoiMmRkZDZjM2EtOGU5YS00NGM2LWEzMDUtNTIxMTFhZDMwMmEyIn0." +
		"d1WfLjGRKlcWB94l9do4cM8REXeYJLL6SGUBO8VHZhfM8mwKYP70EMxJ67War4TQblEpaQrp11wx5p7oPFm2ETYgCicS84vXWEIYTdjooZdooCSDf2L8-i4awdoUwiEb"
	hookKeys = `{"keys":[{"kty":"EC","use":"sig","crv":"P-384","kid":"example-kid","alg":"ES384",
		"x":"46SDH7Znh821wblCBglA61sNE9ZrHYKKt3qRtRTmSXyOI_FIGBLWrWa0GPUkDCEk","y":"XMcRuuoGW7CXjQdy-F5i3FeBE0x9hPLdeFdSoDd3ELmx404tLX0VRRcqzAsPhXcI"}]}`
	hookExpires = 1422568860
)

// hookRules are those of the service that the example calls, at a time.
func hookRules(t *testing.T, at int64) *auth.AssertionRules {
	t.Helper()
	keys, err := auth.ParseKeys([]byte(hookKeys))
	require.NoError(t, err)
	return &auth.AssertionRules{
		Hook: true, Audience: "https://cds.example.org/cds-services/some-service", Algorithms: auth.DefaultAlgorithms, Leeway: auth.DefaultLeeway,
		Now: func() time.Time { return time.Unix(at, 0) },
		Client: func(issuer string) (auth.KeySource, string, bool) {
			return auth.NewFixedKeys(keys), "https://fhir-ehr.example.com/jwk_uri", issuer == "https://fhir-ehr.example.com/"
		},
	}
}

func TestTheExampleOfCDSHooks(t *testing.T) {
	t.Parallel()
	proved, err := hookRules(t, hookExpires-10).Verify(context.Background(), hookJWT)
	require.NoError(t, err)
	require.Equal(t, auth.Assertion{
		ClientID: "https://fhir-ehr.example.com/", ID: "ee22b021-e1b7-4611-ba5b-8eec6a33ac1e", Tenant: "2ddd6c3a-8e9a-44c6-a305-52111ad302a2",
		Until: time.Unix(hookExpires, 0).Add(auth.DefaultLeeway),
	}, proved)

	for name, c := range map[string]struct {
		change func(*auth.AssertionRules)
		reason auth.Reason
	}{
		"another service":   {func(r *auth.AssertionRules) { r.Audience = "https://cds.example.org/cds-services" }, auth.ReasonAudience},
		"after its end":     {func(r *auth.AssertionRules) { r.Now = hookRules(t, hookExpires+31).Now }, auth.ReasonExpired},
		"long before":       {func(r *auth.AssertionRules) { r.Now = hookRules(t, hookExpires-1000).Now }, auth.ReasonLifetime},
		"another algorithm": {func(r *auth.AssertionRules) { r.Algorithms = []string{"RS384"} }, auth.ReasonAlgorithm},
		"another jku": {func(r *auth.AssertionRules) {
			client := r.Client
			r.Client = func(id string) (auth.KeySource, string, bool) {
				keys, _, known := client(id)
				return keys, "https://fhir-ehr.example.com/other", known
			}
		}, auth.ReasonHeader},
		"as a client's assertion, which has a sub": {func(r *auth.AssertionRules) { r.Hook = false }, auth.ReasonClaims},
	} {
		rules := hookRules(t, hookExpires-10)
		c.change(rules)
		_, err := rules.Verify(context.Background(), hookJWT)
		var refused *auth.Error
		require.ErrorAs(t, err, &refused, name)
		require.Equal(t, c.reason, refused.Reason, name)
	}
}
