//go:build unix

package api_test

import (
	"context"
	"io"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/scoring"
)

// BenchmarkIngestWithToken posts the same submissions to two servers by turns:
// one that asks for no token, and one whose requests all carry one, signed with
// ES384, with a scope of a system. Of-open is the median over the rounds of the
// rate with a token by the rate without, each held against the one beside it;
// the target is 0.95. Run it with a fixed count, as -benchtime 16384x.
func BenchmarkIngestWithToken(b *testing.B) {
	open, guarded := startIngest(b, filepath.Join(b.TempDir(), "open.db")), startGuarded(b, filepath.Join(b.TempDir(), "guarded.db"))
	var without, with tally
	var ratios []float64
	for from := 0; from < b.N; from += ingestRound {
		n := min(ingestRound, b.N-from)
		plain := measure(b, func() { open.post(n) })
		token := measure(b, func() { guarded.post(n) })
		without.add(n, plain)
		with.add(n, token)
		ratios = append(ratios, plain.wall.Seconds()/token.wall.Seconds())
	}
	b.ReportMetric(0, "ns/op")
	slices.Sort(ratios)
	b.ReportMetric(ratios[len(ratios)/2], "of-open")
	b.ReportMetric(with.best, "submissions/s")
	b.ReportMetric(without.best, "open/s")
	b.ReportMetric(with.micros(), "cpu-µs")
	b.ReportMetric(without.micros(), "open-cpu-µs")
}

// TestIngestWithTokenIsTheSameWork holds the yardstick: the submissions arrive,
// and without the token none would.
func TestIngestWithTokenIsTheSameWork(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "guarded.db")
	startGuarded(t, path).post(70)
	require.Len(t, readRows(t, openRaw(t, path), 0), 70)
	bare := startGuarded(t, filepath.Join(t.TempDir(), "bare.db"))
	bare.clients[0].template[0] = strings.Replace(bare.clients[0].template[0], "Authorization", "Authorisation", 1)
	require.ErrorContains(t, bare.clients[0].run(&bare.posted, 1), "status 401")
}

// startGuarded is startIngest with requests that carry a token.
func startGuarded(tb testing.TB, path string) *poster {
	tb.Helper()
	metrics := api.NewMetrics()
	db, err := sqlite.Open(context.Background(), path, sqlite.Options{Observe: metrics.Batch})
	require.NoError(tb, err)
	tb.Cleanup(func() { require.NoError(tb, db.Close()) })
	listener := listen(tb)
	base := "http://" + listener.Addr().String() + "/fhir"
	verifier, err := auth.New(auth.Options{Audience: []string{base}, Issuers: []auth.Issuer{{URL: login, Keys: auth.NewFixedKeys(loginRing().Public())}}})
	require.NoError(tb, err)
	p := newPoster(tb, listener, api.New(api.Options{
		Store: db, BaseURL: base, Bands: scoring.UsualBands, Targets: []api.Target{{Name: target}},
		Logger: slog.New(slog.NewJSONHandler(io.Discard, nil)), Auth: &api.Auth{Verifier: verifier},
	}, metrics).Handler())
	token := (&authRig{rig: &rig{t: tb, base: base}}).token("system/QuestionnaireResponse.c", "")
	for _, client := range p.clients {
		client.template[0] = strings.Replace(client.template[0], "\r\n\r\n", "\r\nAuthorization: Bearer "+token+"\r\n\r\n", 1)
	}
	return p
}
