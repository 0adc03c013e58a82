package auth_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
)

func request(target string, authorization ...string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, target, nil)
	for _, value := range authorization {
		r.Header.Add("Authorization", value)
	}
	return r
}

func TestTheTokenIsTakenFromTheHeader(t *testing.T) {
	t.Parallel()
	for _, value := range []string{"Bearer a.b-c_~+/d==", "bearer a.b-c_~+/d==", "BEARER  a.b-c_~+/d=="} {
		token, err := auth.Bearer(request("/fhir/Observation", value))
		require.NoError(t, err, value)
		require.Equal(t, "a.b-c_~+/d==", token)
	}
}

// RFC 6750 section 3: without a token there is no error to name; what is not a
// request for a token is invalid_request.
func TestRequestsWithoutATokenAreAnswered(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		r      *http.Request
		status int
		code   string
	}{
		"no header":                 {request("/fhir/Observation"), 401, ""},
		"Basic":                     {request("/fhir/Observation", "Basic YTpi"), 401, ""},
		"an empty header":           {request("/fhir/Observation", ""), 401, ""},
		"Bearer alone":              {request("/fhir/Observation", "Bearer"), 400, "invalid_request"},
		"Bearer and a space":        {request("/fhir/Observation", "Bearer "), 400, "invalid_request"},
		"two tokens":                {request("/fhir/Observation", "Bearer a b"), 400, "invalid_request"},
		"two tokens with a comma":   {request("/fhir/Observation", "Bearer a,Bearer b"), 400, "invalid_request"},
		"two headers":               {request("/fhir/Observation", "Bearer a", "Bearer b"), 400, "invalid_request"},
		"a token in quotes":         {request("/fhir/Observation", `Bearer "a"`), 400, "invalid_request"},
		"a token not in ASCII":      {request("/fhir/Observation", "Bearer é"), 400, "invalid_request"},
		"only padding":              {request("/fhir/Observation", "Bearer =="), 400, "invalid_request"},
		"padding within":            {request("/fhir/Observation", "Bearer a=b"), 400, "invalid_request"},
		"a token in the address":    {request("/fhir/Observation?access_token=a"), 400, "invalid_request"},
		"one there and in a header": {request("/fhir/Observation?_count=1&access_token=a", "Bearer a"), 400, "invalid_request"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := verifier(t, options(t)).Request(c.r)
			refusal := refused(t, err)
			require.Equal(t, c.status, refusal.Status)
			require.Equal(t, c.code, refusal.Code)
			require.Equal(t, fhir.IssueLogin, refusal.Issue)
			want := `Bearer realm="fhir"`
			if c.code != "" {
				want += `, error="invalid_request", error_description="` + refusal.Text + `"`
			}
			require.Equal(t, want, refusal.WWWAuthenticate())
		})
	}
}

func TestARequestWithAGoodTokenIsGranted(t *testing.T) {
	t.Parallel()
	grant, err := verifier(t, options(t)).Request(request("/fhir/Observation", "Bearer "+token(goodHeader(), goodClaims())))
	require.NoError(t, err)
	require.Equal(t, "01-token", grant.TokenID)
	require.Equal(t, issuerURL, grant.Issuer)
	require.Equal(t, "fernway-portal", grant.Subject)
	require.Equal(t, noon.Unix()+290, grant.Expires.Unix())
}

// Nothing of a token is told to the sender or written to a log with an error.
func TestErrorsRepeatNothingOfAToken(t *testing.T) {
	t.Parallel()
	v := verifier(t, options(t))
	for _, a := range attacks() {
		text := a.token()
		_, err := v.Verify(t.Context(), text)
		refusal := refused(t, err)
		for _, secret := range []string{"attacker", "someone-else", "01-token", "logout", "Practitioner", "RSA'"} {
			require.NotContains(t, err.Error(), secret, a.name)
			require.NotContains(t, refusal.WWWAuthenticate(), secret, a.name)
		}
		require.NotContains(t, refusal.Text, `"`, "it stands in quotes in a header")
	}
}

func TestASecretDoesNotShowItself(t *testing.T) {
	t.Parallel()
	in := auth.Introspection{ClientID: "a", Secret: "hunter2"}
	data, err := json.Marshal(in)
	require.NoError(t, err)
	for _, text := range []string{fmt.Sprint(in), fmt.Sprintf("%+v", in), fmt.Sprintf("%#v", in), fmt.Sprintf("%q", in.Secret), string(data)} {
		require.NotContains(t, text, "hunter2")
	}
}
