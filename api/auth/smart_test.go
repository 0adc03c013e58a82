package auth_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/api/auth"
)

// hospital is what an authorization server of a hospital publishes.
func hospital() auth.Metadata {
	return auth.Metadata{Issuer: issuerURL, JWKSURL: issuerURL + "/keys", TokenURL: issuerURL + "/token", AuthorizationURL: issuerURL + "/authorize",
		GrantTypes: []string{"authorization_code", "client_credentials"}, TokenAuthMethods: []string{"client_secret_basic", "private_key_jwt"},
		ChallengeMethods: []string{"S256", "plain"}, Capabilities: []string{"launch-ehr", "sso-openid-connect", "permission-offline", "permission-user"}}
}

func TestTheConfigurationIsThatOfTheIssuerWithOurPermissions(t *testing.T) {
	t.Parallel()
	c, err := auth.ConfigurationOf(hospital(), auth.UserNone, []string{"patient/Observation.rs"})
	require.NoError(t, err)
	require.Equal(t, issuerURL+"/token", c.TokenURL)
	require.Equal(t, issuerURL+"/authorize", c.AuthorizationURL)
	require.Equal(t, issuerURL, c.Issuer, "with sso-openid-connect SMART asks for it")
	require.Equal(t, []string{"S256"}, c.ChallengeMethods, "never plain")
	require.ElementsMatch(t, []string{"permission-v2", "permission-v1", "permission-patient", "launch-ehr", "sso-openid-connect", "client-confidential-asymmetric"}, c.Capabilities,
		"user scopes are not honoured, whatever the issuer says")
	c, err = auth.ConfigurationOf(hospital(), auth.UserRead, nil)
	require.NoError(t, err)
	require.Contains(t, c.Capabilities, "permission-user")
}

// SMART 2.2.0 conformance: these are required whatever else is there.
func TestRequiredMembersAreAlwaysThere(t *testing.T) {
	t.Parallel()
	bare, err := auth.ConfigurationOf(auth.Metadata{TokenURL: issuerURL + "/token"}, auth.UserNone, nil)
	require.NoError(t, err)
	for _, c := range []auth.Configuration{bare, auth.OwnConfiguration(issuerURL+"/token", issuerURL+"/keys", nil)} {
		data, err := json.Marshal(c)
		require.NoError(t, err)
		var document map[string]any
		require.NoError(t, json.Unmarshal(data, &document))
		for _, name := range []string{"grant_types_supported", "token_endpoint", "capabilities", "code_challenge_methods_supported"} {
			require.NotEmpty(t, document[name], name)
		}
		require.NotContains(t, document, "issuer", "there is no OpenID Connect")
		require.NotContains(t, document, "authorization_endpoint")
	}
}

func TestWithoutATokenEndpointNoConfigurationIsTrue(t *testing.T) {
	t.Parallel()
	for _, address := range []string{"", "token", "http://login.example/token"} {
		_, err := auth.ConfigurationOf(auth.Metadata{TokenURL: address}, auth.UserNone, nil)
		require.ErrorContains(t, err, "no token endpoint")
	}
}

func TestWithinKeepsWhatIsAllowedAsAWholeAndCutsTheRest(t *testing.T) {
	t.Parallel()
	for _, c := range [][3]string{
		{"system/Observation.cruds", "system/Observation.rs", "system/Observation.rs"},
		{"system/Observation.r", "system/Observation.rs", "system/Observation.r"},
		{"system/Observation.read", "system/*.cruds", "system/Observation.read"},
		{"system/Observation.write", "system/Observation.cu", "system/Observation.cu"},
		{"system/*.r", "system/Observation.rs system/AuditEvent.r", "system/Observation.r"},
		{"system/AuditEvent.r", "system/*.r", ""},
		{"system/AuditEvent.r", "system/AuditEvent.rs", "system/AuditEvent.r"},
		{"system/Observation.r", "user/Observation.r patient/Observation.r", ""},
		{"system/Observation.r?code=a", "system/Observation.rs?code=a", "system/Observation.r?code=a"},
		{"system/Observation.rs?code=a", "system/Observation.r?code=b", "system/Observation.r?code=a&code=b"},
		{"system/Observation.r", "system/Observation.r?code=a system/Observation.r?code=b", "system/Observation.r?code=a system/Observation.r?code=b"},
	} {
		asked, _, err := auth.ParseScopes(c[0])
		require.NoError(t, err)
		allowed, _, err := auth.ParseScopes(c[1])
		require.NoError(t, err)
		require.Equal(t, c[2], auth.FormatScopes(auth.Within(asked, allowed)), "%s within %s", c[0], c[1])
	}
}

// What is granted of scopes asked for permits what both sides permit: no more,
// so that a client gets nothing it is not registered with, and no less.
func TestWithinIsWhatBothPermit(t *testing.T) {
	t.Parallel()
	several := func(label string) *rapid.Generator[[]auth.Scope] {
		return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) auth.Scope { return aScope(t, label) }), 0, 4)
	}
	rapid.Check(t, func(t *rapid.T) {
		asked, allowed := several("asked").Draw(t, "asked"), several("allowed").Draw(t, "allowed")
		facts := someFacts(t)
		resource := rapid.SampledFrom([]string{"Observation", "Device", "AuditEvent"}).Draw(t, "resource")
		does := auth.Interaction(1 << rapid.IntRange(0, 4).Draw(t, "does"))
		context := rapid.SampledFrom([]auth.Context{auth.PatientContext, auth.SystemContext}).Draw(t, "context")
		permits := func(scopes []auth.Scope) bool {
			grant := &auth.Grant{Patient: "oona"}
			for _, scope := range scopes {
				if scope.Context == context {
					grant.Scopes = append(grant.Scopes, scope)
				}
			}
			return grant.Restriction(resource, does).Permits(facts)
		}
		within := auth.Within(asked, allowed)
		require.Equal(t, permits(asked) && permits(allowed), permits(within), "%s of %s within %s", auth.FormatScopes(within), auth.FormatScopes(asked), auth.FormatScopes(allowed))
		if text := auth.FormatScopes(within); text != "" {
			again, left, err := auth.ParseScopes(text)
			require.NoError(t, err)
			require.Empty(t, left, "what is written can be read")
			require.Equal(t, permits(within), permits(again))
		}
	})
}
