package api_test

import (
	"context"
	"maps"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// login is the invented authorization server of these tests.
const login = "https://login.brindlemoor.example"

// The two patients that these tests keep apart.
const (
	oonaID   = "oona-thistledown"
	casperID = "casper-quillfeather"
)

var loginRing = sync.OnceValue(func() *authserver.Ring {
	ring, err := authserver.NewRing("ES384", time.Now())
	if err != nil {
		panic(err)
	}
	return ring
})

// authRig is a rig whose requests must carry tokens of login.
type authRig struct {
	*rig
}

func newAuthRig(t testing.TB, adjust ...func(*api.Options)) *authRig {
	t.Helper()
	guarded := func(o *api.Options) {
		verifier, err := auth.New(auth.Options{Audience: []string{o.BaseURL}, Issuers: []auth.Issuer{{URL: login, Keys: auth.NewFixedKeys(loginRing().Public())}}})
		require.NoError(t, err)
		o.Auth = &api.Auth{Verifier: verifier, Description: "Ask Brindlemoor.", Configuration: func(context.Context) (auth.Configuration, error) {
			return auth.OwnConfiguration(api.TokenURL(o.BaseURL), api.KeysURL(o.BaseURL), nil), nil
		}}
	}
	return &authRig{rig: newRig(t, append([]func(*api.Options){guarded}, adjust...)...)}
}

// claims are members of a token; nil takes one away.
type claims map[string]any

// token makes one for the scopes; patient is the launch patient, "" for none.
func (r *authRig) token(scope, patient string, more ...claims) string {
	r.t.Helper()
	now := time.Now().Unix()
	all := claims{"iss": login, "sub": "fernway-portal", "client_id": "fernway-portal", "jti": random(), "aud": r.base,
		"iat": now - 5, "exp": now + int64(slowMachine/time.Second), "scope": scope}
	if patient != "" {
		all["patient"] = patient
	}
	for _, each := range more {
		maps.Copy(all, each)
	}
	text, err := loginRing().Sign("at+jwt", all)
	require.NoError(r.t, err)
	return text
}

// as makes a request by a token.
func (r *authRig) as(token, method, path, body string, headers ...string) answer {
	r.t.Helper()
	return r.do(method, path, body, append([]string{"Authorization", "Bearer " + token}, headers...)...)
}

// everything is a system's token.
func (r *authRig) everything() string { return r.token("system/*.cruds", "") }

// keep stores a response as a system would, and gives its id.
func (r *authRig) keep(body response) string {
	r.t.Helper()
	a := r.as(r.everything(), http.MethodPost, "/fhir/QuestionnaireResponse", body.json())
	require.Equal(r.t, http.StatusCreated, a.status, "%s", a.body)
	return a.id()
}

// filledFor is a response about a patient.
func filledFor(patient, identifier string) response {
	body := oona(identifier)
	body.patient, body.source = "Patient/"+patient, "Patient/"+patient
	return body
}

// scopesFor are the needs in a context, each a scope.
func scopesFor(context string, needs []auth.Need) string {
	var all []string
	for _, need := range needs {
		all = append(all, context+"/"+need.Type+"."+need.Does.String())
	}
	if len(all) == 0 {
		return context + "/Encounter.r" // nothing is needed
	}
	return strings.Join(all, " ")
}
