package api_test

import (
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
)

// TestClientKeysArePublished to everybody, whatever they accept, and apart from
// the keys of the token endpoint.
func TestClientKeysArePublished(t *testing.T) {
	t.Parallel()
	const path = "/fhir/.well-known/jwks.json"
	const set = `{"keys":[]}`
	keys := func(o *api.Options) {
		o.ClientKeys = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/jwk-set+json")
			_, _ = io.WriteString(w, set)
		})
	}
	for name, r := range map[string]*rig{"where everybody may do everything": newRig(t, keys), "where requests carry tokens": newAuthRig(t, keys).rig} {
		t.Run(name, func(t *testing.T) {
			answer := r.do(http.MethodGet, path, "", "Accept", "application/jwk-set+json")
			require.Equal(t, http.StatusOK, answer.status, "%s", answer.body)
			require.Equal(t, set, string(answer.body))
			require.Equal(t, "application/jwk-set+json", answer.header.Get("Content-Type"))
		})
	}
	t.Run("by a server that logs in by them only", func(t *testing.T) {
		require.Equal(t, http.StatusNotFound, newRig(t).do(http.MethodGet, path, "").status)
		require.NotEqual(t, api.KeysURL("/fhir"), path)
	})
}
