package notify

import (
	"bytes"
	"encoding/base64"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// sharedSecret is the key test-shared-secret of RFC 9421, appendix B.1.5.
const sharedSecret = "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="

// TestSignatureOfRFC9421 is the test vector of its appendix B.2.5, "Signing a
// Request Using hmac-sha256".
func TestSignatureOfRFC9421(t *testing.T) {
	t.Parallel()
	key, err := base64.StdEncoding.DecodeString(sharedSecret)
	require.NoError(t, err)
	covered := []component{{"date", "Tue, 20 Apr 2021 02:07:55 GMT"}, {"@authority", "example.com"}, {"content-type", "application/json"}}
	params := signatureParams(covered, `;created=1618884473;keyid="test-shared-secret"`)
	require.Equal(t, `("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"`, params)
	require.Equal(t, "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=", mac(key, signatureBase(covered, params)))
}

// TestContentDigestOfRFC9530: the digest of {"hello": "world"} and a line feed, as
// the RFC's examples give it (appendix A and B).
func TestContentDigestOfRFC9530(t *testing.T) {
	t.Parallel()
	require.Equal(t, "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:", contentDigest([]byte("{\"hello\": \"world\"}\n")))
}

// TestThePortalsExampleVerifies runs the example for portals, which knows nothing
// of this code, on what is signed here, and on what was changed on the way.
func TestThePortalsExampleVerifies(t *testing.T) {
	t.Parallel()
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("SKIPPED: no python3, which the example for portals is written in")
	}
	body, key := []byte(`{"resourceType":"Bundle"}`), bytes.Repeat([]byte("k"), 32)
	at := time.Now()
	signed := func() *http.Request {
		request, err := http.NewRequest(http.MethodPost, "https://portal.example/hook?a=b", bytes.NewReader(body))
		require.NoError(t, err)
		request.Header.Set("Content-Type", "application/fhir+json")
		sign(request, body, key, "0192", at)
		return request
	}
	verify := func(request *http.Request, body []byte, url string) bool {
		file := filepath.Join(t.TempDir(), "body")
		require.NoError(t, os.WriteFile(file, body, 0o600))
		h := request.Header
		command := exec.Command(python, "../../examples/verify_notification.py", base64.StdEncoding.EncodeToString(key), "POST", url, //nolint:gosec // our own example
			h.Get("Content-Type"), h.Get("Content-Digest"), h.Get("Signature-Input"), h.Get("Signature"), file)
		out, err := command.CombinedOutput()
		t.Logf("%s", out)
		return err == nil
	}
	const here = "https://portal.example/hook?a=b"
	require.True(t, verify(signed(), body, here))
	require.False(t, verify(signed(), []byte(`{"resourceType":"Bundl"}`), here), "another body")
	require.False(t, verify(signed(), body, "https://portal.example/hook?a=c"), "another URL")
	other := signed()
	other.Header.Set("Content-Digest", contentDigest([]byte("x")))
	require.False(t, verify(other, []byte("x"), here), "another body and digest")
	at = at.Add(-10 * time.Minute)
	require.False(t, verify(signed(), body, here), "an old one")
	key[0]++
	right := signed()
	key[0]--
	require.False(t, verify(right, body, here), "another key")
}
