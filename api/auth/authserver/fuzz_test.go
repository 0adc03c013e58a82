package authserver_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth/authserver"
)

// FuzzTokenRequest sends any form and any media type to the token endpoint.
// Invariants: a token only for an assertion that the client signed, whatever
// stands beside it; every refusal is JSON with a code of RFC 6749; nothing may
// be kept by a cache.
func FuzzTokenRequest(f *testing.F) {
	d := newDial()
	o := options(f, d)
	good := sign(f, clientRing(), "JWT", goodClaims("a"))
	rest := "&client_assertion_type=" + strings.ReplaceAll(authserver.AssertionJWT, ":", "%3A") + "&scope=system/QuestionnaireResponse.r"
	f.Add("grant_type=client_credentials&client_assertion="+good+rest, "application/x-www-form-urlencoded", "")
	f.Add("grant_type=client_credentials&client_assertion="+good[:len(good)-3]+rest, "application/x-www-form-urlencoded; charset=UTF-8", "")
	f.Add("grant_type=client_credentials&grant_type=password", "application/x-www-form-urlencoded", "scope=a")
	f.Add("%zz;&=&&", "multipart/form-data; boundary=a", "%")
	f.Fuzz(func(t *testing.T, body, media, query string) {
		o.Replays = authserver.NewMemoryReplays(d.now)
		r := post(body)
		r.Header.Set("Content-Type", media)
		r.URL.RawQuery = query
		w := send(server(t, o).TokenHandler(nil), r)
		require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
		require.Equal(t, "application/json", w.Header().Get("Content-Type"))
		if w.Code == http.StatusOK {
			if !strings.Contains(body, good) && r.PostForm.Get("client_assertion") != good {
				t.Fatal("a token for an assertion that nobody signed")
			}
			return
		}
		var answer struct {
			Error string `json:"error"`
		}
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &answer))
		require.Contains(t, []string{"invalid_request", "invalid_client", "invalid_scope", "unsupported_grant_type"}, answer.Error)
		require.Equal(t, http.StatusBadRequest, w.Code)
	})
}

// Memory full of what could still be used is no reason to forget any of it.
func TestAFullMemoryOfReplaysRefuses(t *testing.T) {
	t.Parallel()
	d := newDial()
	m := authserver.NewMemoryReplays(d.now)
	until := d.now().Add(authserverLife)
	for n := range 200_000 {
		fresh, err := m.Use(t.Context(), "a", string(rune(n+0x10000)), until)
		require.NoError(t, err)
		require.True(t, fresh)
	}
	_, err := m.Use(t.Context(), "a", "one more", until)
	require.ErrorIs(t, err, authserver.ErrReplaysFull)
	d.turn(authserverLife)
	fresh, err := m.Use(t.Context(), "a", "one more", d.now().Add(authserverLife))
	require.NoError(t, err)
	require.True(t, fresh, "when the others have expired")
}

const authserverLife = authserver.MaxLifetime
