package authserver_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// withJKU signs an assertion whose header names where its key is.
func withJKU(t *testing.T, address string) string {
	t.Helper()
	data, err := clientRing().Format()
	require.NoError(t, err)
	var file struct {
		Keys []struct {
			ID      string `json:"kid"`
			Private string `json:"private_key"`
		} `json:"keys"`
	}
	require.NoError(t, json.Unmarshal(data, &file))
	key, err := jwt.ParseECPrivateKeyFromPEM([]byte(file.Keys[0].Private))
	require.NoError(t, err)
	token := jwt.NewWithClaims(jwt.SigningMethodES384, jwt.MapClaims(goodClaims("jku")))
	token.Header["kid"], token.Header["jku"] = file.Keys[0].ID, address
	text, err := token.SignedString(key)
	require.NoError(t, err)
	return text
}

// The whole story of a rotation: the next key is known before it signs, and
// tokens of the previous one are good until they expire.
func TestKeysRotateWithoutATokenRefused(t *testing.T) {
	t.Parallel()
	d := newDial()
	path, file := ringFile(t, d)
	keys := file.Keys()
	v, err := auth.New(auth.Options{Audience: []string{baseURL}, Now: d.now, Issuers: []auth.Issuer{{URL: issuer, Keys: keys}}})
	require.NoError(t, err)
	token := func() string {
		ring, err := file.Ring()
		require.NoError(t, err)
		return sign(t, ring, "at+jwt", members{"iss": issuer, "sub": "a", "client_id": "a", "jti": "a", "aud": baseURL, "iat": d.Load(), "exp": d.Load() + 300, "scope": "system/*.r"})
	}
	rotate := func() error {
		ring, err := authserver.ReadRing(path)
		require.NoError(t, err)
		if ring, err = ring.Rotate(d.now()); err != nil {
			return err
		}
		return authserver.WriteRing(path, ring)
	}
	require.ErrorIs(t, rotate(), authserver.ErrTooSoon)
	kids := map[any]bool{}
	for range 3 {
		d.turn(authserver.RotationPause)
		before := token()
		require.NoError(t, rotate())
		d.turn(10 * time.Second)
		for _, text := range []string{before, token()} {
			_, err = v.Verify(t.Context(), text)
			require.NoError(t, err)
			kids[part(t, strings.Split(text, ".")[0])["kid"]] = true
		}
		require.ErrorIs(t, rotate(), authserver.ErrTooSoon)
	}
	require.Len(t, kids, 4, "the first key and one for each rotation")
	ring, err := file.Ring()
	require.NoError(t, err)
	require.Len(t, ring.Public(), 3, "previous, current and next")
	t.Run("new keys end all tokens", func(t *testing.T) {
		text := token()
		_, err = v.Verify(t.Context(), text)
		require.NoError(t, err)
		require.NoError(t, authserver.WriteRing(path, mustRing("ES384")))
		d.turn(10 * time.Second)
		_, err = v.Verify(t.Context(), text)
		require.Error(t, err)
	})
}

func TestARingIsReadAsItWasWritten(t *testing.T) {
	t.Parallel()
	for _, ring := range []*authserver.Ring{clientRing(), clientRSA()} {
		data, err := ring.Format()
		require.NoError(t, err)
		again, err := authserver.ParseRing(data)
		require.NoError(t, err)
		require.Equal(t, ring.Public(), again.Public())
		second, err := again.Format()
		require.NoError(t, err)
		require.Equal(t, string(data), string(second))
	}
}

func TestPublishedKeysAreBareAndReadable(t *testing.T) {
	t.Parallel()
	ring := append(clientRing().Public(), clientRSA().Public()...)
	data, err := auth.FormatKeys(ring)
	require.NoError(t, err)
	again, err := auth.ParseKeys(data)
	require.NoError(t, err)
	require.Equal(t, ring, again)
	var set struct{ Keys []map[string]any }
	require.NoError(t, json.Unmarshal(data, &set))
	for _, key := range set.Keys {
		for name := range key {
			require.Contains(t, []string{"kid", "kty", "use", "alg", "crv", "x", "y", "n", "e"}, name, "nothing private and no certificates")
		}
	}
}

func TestFilesOfKeysThatAreNotRightAreRefused(t *testing.T) {
	t.Parallel()
	data, err := clientRing().Format()
	require.NoError(t, err)
	good := string(data)
	require.NoError(t, err)
	for name, body := range map[string]string{
		"empty":             "",
		"not JSON":          "keys",
		"another format":    strings.Replace(good, "tidemark-keys-1", "tidemark-keys-2", 1),
		"two current keys":  strings.Replace(good, `"next"`, `"current"`, 1),
		"no current key":    strings.Replace(good, `"current"`, `"previous"`, 1),
		"an unknown state":  strings.Replace(good, `"next"`, `"future"`, 1),
		"another algorithm": strings.Replace(good, `"ES384"`, `"RS384"`, 1),
		"HS384":             strings.Replace(good, `"ES384"`, `"HS384"`, 1),
		"no PEM":            strings.Replace(good, "BEGIN PRIVATE", "BEGIN PUBLIC", 1),
		"no kid":            strings.Replace(good, `"kid": "`, `"kid": "", "x": "`, 1),
	} {
		_, err := authserver.ParseRing([]byte(body))
		require.ErrorIs(t, err, authserver.ErrRing, name)
		require.NotContains(t, err.Error(), "PRIVATE")
	}
	t.Run("readable by others", func(t *testing.T) {
		t.Parallel()
		path := filepath.Join(t.TempDir(), "keys")
		write(t, path, good, 0o644)
		_, err := authserver.OpenRing(path, nil)
		require.ErrorIs(t, err, authserver.ErrExposed)
		require.NoError(t, os.Chmod(path, 0o640))
		_, err = authserver.ReadRing(path)
		if os.Geteuid() == 0 {
			require.NoError(t, err, "root may let the server's group read it, as a mounted secret is")
			require.NoError(t, os.Chmod(path, 0o660))
			_, err = authserver.ReadRing(path)
		}
		require.ErrorIs(t, err, authserver.ErrExposed)
	})
	t.Run("not there", func(t *testing.T) {
		t.Parallel()
		_, err := authserver.OpenRing(filepath.Join(t.TempDir(), "keys"), nil)
		require.ErrorIs(t, err, os.ErrNotExist)
	})
	t.Run("an algorithm that is not made here", func(t *testing.T) {
		t.Parallel()
		_, err := authserver.NewRing("ES256", noon)
		require.ErrorContains(t, err, "RS384 or ES384")
	})
}

func TestAWrittenRingIsItsOwnersAlone(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "keys")
	require.NoError(t, authserver.WriteRing(path, clientRing()))
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, left, 1, "nothing is left beside it")
	require.Error(t, authserver.WriteRing(filepath.Join(path, "below", "a-file"), clientRing()))
}

func TestClientsAreReadFromTheirFile(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	public, err := auth.FormatKeys(clientRing().Public())
	require.NoError(t, err)
	write(t, filepath.Join(folder, "portal.json"), string(public), 0o600)
	path := filepath.Join(folder, "clients.json")
	write(t, path, `{"clients":[{"client_id":"a","client_name":"Fernway Portal","jwks_file":"portal.json","scope":"system/Observation.rs system/Device.read"},
		{"client_id":"b","jwks":`+string(public)+`,"scope":"system/*.cruds"},{"client_id":"c","jwks_uri":"https://c.example/jwks","scope":"system/*.cruds"}]}`, 0o600)
	clients, err := authserver.ReadClients(path, nil, nil)
	require.NoError(t, err)
	require.Len(t, clients, 3)
	require.Equal(t, "https://c.example/jwks", clients[2].JWKSURL)
	require.Len(t, clients[0].Scopes, 2)
	for _, client := range clients[:2] {
		set, err := client.Keys.Keys(t.Context())
		require.NoError(t, err)
		require.Equal(t, clientRing().Public(), set.Keys)
	}
}

func TestAFileOfClientsSaysAllThatIsWrong(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "clients.json")
	write(t, path, `{"clients":[{"client_id":"a","scope":"system/Observation.rs"},
		{"client_id":"a","jwks":{"keys":[]},"scope":"user/Observation.rs"},
		{"jwks_uri":"http://a.example","scope":"system/Observation.sr"},
		{"client_id":"d","jwks_file":"none.json","scope":""},
		{"client_id":"e","jwks_uri":"https://e.example","jwks":{},"scope":"system/*.r"},
		{"client_id":"f","jwks":{"keys":[{"kty":"oct","k":"AQAB","kid":"a"}]},"scope":"system/*.r"}]}`, 0o600)
	_, err := authserver.ReadClients(path, nil, nil)
	for _, text := range []string{"client 1: name one of", "client 2", "there twice", "user/Observation.rs is not of system/", "no key that can verify",
		"client 3: client_id is missing", "cannot be read: system/Observation.sr", "not an absolute https", "client 4", "none.json", "client 5: name one of", "private or symmetric"} {
		require.ErrorContains(t, err, text)
	}
	for name, body := range map[string]string{"an unknown name": `{"clients":[{"client_secret":"a"}]}`, "two objects": `{"clients":[]}{}`, "not JSON": `clients`} {
		write(t, path, body, 0o600)
		_, err := authserver.ReadClients(path, nil, nil)
		require.Error(t, err, name)
	}
	_, err = authserver.ReadClients(filepath.Join(t.TempDir(), "none"), nil, nil)
	require.ErrorIs(t, err, os.ErrNotExist)
}
