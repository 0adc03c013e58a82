package login_test

import (
	"context"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/fhir/writeback/login"
)

// put replaces a file whole, as those who renew secrets do.
func put(t *testing.T, path, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(path+".new", []byte(text), 0o600))
	require.NoError(t, os.Rename(path+".new", path))
}

func secretFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	put(t, path, text)
	return path
}

// TestBasic holds for the two examples of RFC 7617, sections 2 and 2.1.
func TestBasic(t *testing.T) {
	t.Parallel()
	for want, c := range map[string]struct{ user, password string }{
		"Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==": {"Aladdin", "open sesame\n"},
		"Basic dGVzdDoxMjPCow==":             {"test", "123£"},
	} {
		source, err := login.Basic(c.user, secretFile(t, c.password), nil)
		require.NoError(t, err)
		value, err := source.Authorization(t.Context(), "")
		require.NoError(t, err)
		require.Equal(t, want, value)
	}
}

func TestSecretsThatAreRefused(t *testing.T) {
	t.Parallel()
	basic := func(password string) error {
		_, err := login.Basic("tidemark", secretFile(t, password), nil)
		return err
	}
	bearer := func(token string) error {
		_, err := login.Bearer(secretFile(t, token), nil)
		return err
	}
	_, noFile := login.Bearer(filepath.Join(t.TempDir(), "none"), nil)
	_, colon := login.Basic("a:b", secretFile(t, "c"), nil)
	_, control := login.Basic("a\x07", secretFile(t, "c"), nil)
	for name, c := range map[string]struct {
		err     error
		setting string
	}{
		"a user with a colon":                {colon, "auth.user"},
		"a user with a bell":                 {control, "auth.user"},
		"no password":                        {basic("\n"), "auth.password_file"},
		"a password of two lines":            {basic("invented\nsecret"), "auth.password_file"},
		"a password that is no text":         {basic("invented\xff"), "auth.password_file"},
		"no file":                            {noFile, "auth.token_file"},
		"a token with its scheme":            {bearer("Bearer invented"), "auth.token_file"},
		"a token of two lines":               {bearer("invented\ninvented"), "auth.token_file"},
		"a token that would end its header":  {bearer("invented\r\nHost: a"), "auth.token_file"},
		"a file too large to hold a secret":  {bearer(strings.Repeat("a", 65<<10)), "auth.token_file"},
		"a token with = before its very end": {bearer("invented=a"), "auth.token_file"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var fault *login.Fault
			require.ErrorAs(t, c.err, &fault)
			require.Equal(t, c.setting, fault.Setting)
			require.NotContains(t, c.err.Error(), "invented", "what the file holds is not repeated")
		})
	}
}

func TestBearerFollowsItsFile(t *testing.T) {
	t.Parallel()
	path, clock := secretFile(t, "first\n"), newClock()
	source, err := login.Bearer(path, clock.now)
	require.NoError(t, err)
	wants := func(want string) {
		t.Helper()
		value, err := source.Authorization(t.Context(), "")
		require.NoError(t, err)
		require.Equal(t, want, value)
	}
	wants("Bearer first")
	put(t, path, "second")
	clock.pass(time.Second)
	wants("Bearer second")
	require.NoError(t, os.Remove(path))
	clock.pass(time.Second)
	_, err = source.Authorization(t.Context(), "")
	require.ErrorIs(t, err, writeback.ErrLogin, "a token that was taken away is not used any more")
	put(t, path, "third")
	clock.pass(time.Second)
	wants("Bearer third")
}

// answering is a server that takes one Authorization and remembers all.
type answering struct {
	takes string
	heard []string
	fail  error
}

func (a *answering) RoundTrip(r *http.Request) (*http.Response, error) {
	text := ""
	if r.Body != nil {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return nil, err
		}
		text = string(body)
	}
	a.heard = append(a.heard, r.Header.Get("Authorization")+" "+text)
	if a.fail != nil {
		return nil, a.fail
	}
	status := http.StatusUnauthorized
	if r.Header.Get("Authorization") == a.takes {
		status = http.StatusOK
	}
	return &http.Response{StatusCode: status, Body: io.NopCloser(strings.NewReader("answer")), Header: http.Header{}, Request: r}, nil
}

// offering is a Source with one value after the other.
type offering struct{ values []string }

func (o *offering) Authorization(_ context.Context, rejected string) (string, error) {
	if rejected != "" && len(o.values) > 1 {
		o.values = o.values[1:]
	}
	if o.values[0] == "" {
		return "", writeback.ErrLogin
	}
	return o.values[0], nil
}

func TestTransport(t *testing.T) {
	t.Parallel()
	const base = "https://ehr.example/fhir/"
	send := func(t *testing.T, next http.RoundTripper, source login.Source, address, body string) (*http.Response, error) {
		t.Helper()
		transport, err := login.New(next, base, source)
		require.NoError(t, err)
		request, err := http.NewRequest(http.MethodPut, address, strings.NewReader(body))
		require.NoError(t, err)
		response, err := transport.RoundTrip(request)
		require.Empty(t, request.Header.Get("Authorization"), "the request that was given is not changed")
		if err == nil {
			t.Cleanup(func() { _ = response.Body.Close() })
		}
		return response, err
	}

	t.Run("gives credentials to the target and to nobody else", func(t *testing.T) {
		t.Parallel()
		for address, covered := range map[string]bool{
			"https://ehr.example/fhir": true, "https://ehr.example/fhir/": true, "https://ehr.example/fhir/Observation?identifier=a": true,
			"http://ehr.example/fhir/Observation": false, "https://ehr.example:8443/fhir/Observation": false, "https://ehr.example/fhirs": false,
			"https://ehr.example/": false, "https://ehr.example.org/fhir/Observation": false, "https://other.example/fhir/Observation": false,
		} {
			next := &answering{takes: "Bearer a"}
			_, err := send(t, next, &offering{[]string{"Bearer a"}}, address, "score")
			if covered {
				require.NoError(t, err, address)
				require.Equal(t, []string{"Bearer a score"}, next.heard)
				continue
			}
			require.ErrorIs(t, err, writeback.ErrNotSent, address)
			require.Empty(t, next.heard, address)
		}
	})
	t.Run("does not repeat a request whose credentials are the same", func(t *testing.T) {
		t.Parallel()
		next := &answering{takes: "none"}
		response, err := send(t, next, &offering{[]string{"Basic a"}}, base, "score")
		require.NoError(t, err)
		require.Equal(t, http.StatusUnauthorized, response.StatusCode)
		require.Len(t, next.heard, 1)
		body, err := io.ReadAll(response.Body)
		require.NoError(t, err)
		require.Equal(t, "answer", string(body), "the refusal can still be read")
	})
	t.Run("repeats one, once, with credentials that are new", func(t *testing.T) {
		t.Parallel()
		next := &answering{takes: "Bearer b"}
		response, err := send(t, next, &offering{[]string{"Bearer a", "Bearer b"}}, base, "score")
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, response.StatusCode)
		require.Equal(t, []string{"Bearer a score", "Bearer b score"}, next.heard)
		next = &answering{takes: "Bearer c"}
		response, err = send(t, next, &offering{[]string{"Bearer a", "Bearer b", "Bearer c"}}, base, "score")
		require.NoError(t, err)
		require.Equal(t, http.StatusUnauthorized, response.StatusCode)
		require.Len(t, next.heard, 2)
	})
	t.Run("sends nothing without credentials", func(t *testing.T) {
		t.Parallel()
		next := &answering{}
		_, err := send(t, next, &offering{[]string{""}}, base, "score")
		require.ErrorIs(t, err, writeback.ErrLogin)
		require.Empty(t, next.heard)
	})
	t.Run("gives on what the network says", func(t *testing.T) {
		t.Parallel()
		broken := errors.New("broken")
		_, err := send(t, &answering{fail: broken}, &offering{[]string{"Bearer a"}}, base, "score")
		require.ErrorIs(t, err, broken)
		require.NotErrorIs(t, err, writeback.ErrNotSent, "it may have arrived")
	})
	t.Run("needs a base", func(t *testing.T) {
		t.Parallel()
		for _, bad := range []string{"", "/fhir", ":"} {
			_, err := login.New(&answering{}, bad, &offering{})
			require.Error(t, err, bad)
		}
	})
}
