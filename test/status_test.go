package test_test

import (
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// tookOne is the row of a target that took a score some time ago.
var tookOne = regexp.MustCompile(`<th scope="row">brindlemoor</th>\s(<td.*</td>\s)+<td><time datetime="[^"]*">\d+ (second|minute)s? ago</time></td>\s<td class="number">0</td>`)

// TestStatusPage: whoever opens the admin listener sees how the targets stand, what
// waits for a person, and nothing of a patient; the FHIR server has no page.
func TestStatusPage(t *testing.T) {
	t.Parallel()
	h := newHospital(t)
	file := filepath.Join(t.TempDir(), "tidemark.yaml")
	cert, key := filepath.Join(t.TempDir(), "ours.crt"), filepath.Join(t.TempDir(), "ours.key")
	ends := time.Now().Add(10 * 24 * time.Hour)
	certificateUntil(t, cert, key, ends)
	database := filepath.Join(t.TempDir(), "tidemark.db")
	require.NoError(t, os.WriteFile(file, []byte("TIDEMARK_EHR_URL:\n  - {name: brindlemoor, url: "+h.base+"}\n  - {name: registry, url: 'https://127.0.0.1:1/fhir', tls: {client_cert: "+cert+", client_key: "+key+"}}\n"), 0o600))
	h.revive()
	s := serveWith(t, []string{"--config", file}, database)
	r, err := call(http.MethodPost, s.fhir+"/QuestionnaireResponse", oona("status", "6"))
	require.NoError(t, err)
	require.Equal(t, http.StatusCreated, r.status)

	var page string
	require.Eventually(t, func() bool {
		page = string(get(t, s.admin+"/"))
		return tookOne.MatchString(page)
	}, patience, 50*time.Millisecond, "the last delivery shows")
	require.Eventually(t, func() bool {
		page = string(get(t, s.admin+"/"))
		return strings.Contains(page, "Sending to registry is paused")
	}, patience, 50*time.Millisecond, "a server that does not answer is something to see to")
	require.NotContains(t, page, "Sending to brindlemoor is paused")
	require.Contains(t, page, "SQLite")
	for _, private := range []string{"oona", "thistledown", "fernway", "42.00"} {
		require.NotContains(t, strings.ToLower(page), private)
	}
	require.Contains(t, page, "<td>none yet</td>", "the other took none")
	for _, url := range []string{s.admin + "/index.html", strings.TrimSuffix(s.fhir, "fhir")} {
		require.Equal(t, http.StatusNotFound, answered(t, url))
	}
	const soon = "Certificate toward registry: the certificate expires in 9 days"
	require.Contains(t, page, soon)
	require.Contains(t, page, "TIDEMARK_EHR_URL[1].tls.client_cert: have it renewed")
	require.InDelta(t, ends.Unix(), metric(t, s, "tidemark_writeback_certificate_expiry_timestamp_seconds", `target="registry"`), 1)
	require.Zero(t, metric(t, s, "tidemark_writeback_certificate_expiry_timestamp_seconds", `target="brindlemoor"`))
	certificateUntil(t, cert, key, time.Now().Add(300*24*time.Hour))
	page = string(get(t, s.admin+"/"))
	require.NotContains(t, page, soon)
	require.Contains(t, page, `<th scope="row">Certificate toward registry</th>`)
	require.NoError(t, os.WriteFile(key, []byte("no key"), 0o600))
	require.Regexp(t, "<li><strong>Certificate toward registry: [^<]*key", string(get(t, s.admin+"/")))
	certificateUntil(t, cert, key, time.Now().Add(300*24*time.Hour))

	require.Equal(t, 0, s.stop())
	s = serveWith(t, []string{"--config", file}, database)
	require.Regexp(t, tookOne, string(get(t, s.admin+"/")), "whoever delivered it, and whenever this process began")
}
