package config_test

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

// served reads settings that differ from those of a try-out by the pairs.
func served(t *testing.T, pairs ...string) config.Settings {
	t.Helper()
	s, err := config.Read("", env(append([]string{"TIDEMARK_AUTH", "off"}, pairs...)...))
	require.NoError(t, err)
	return s
}

func TestLimits(t *testing.T) {
	t.Parallel()

	t.Run("are there without a word", func(t *testing.T) {
		t.Parallel()
		s := served(t)
		require.NoError(t, s.Check())
		require.Equal(t, config.Limits{
			Rate: 1000, Burst: 2000, Concurrent: 128, Total: 1024, MaxBody: 4 << 20, MaxEntries: 500,
			BodyTimeout: 20 * time.Second, RequestTimeout: 30 * time.Second,
		}, s.Limits())
	})
	t.Run("are taken as set", func(t *testing.T) {
		t.Parallel()
		s := served(t, "TIDEMARK_RATE", "0", "TIDEMARK_CONCURRENT", "0", "TIDEMARK_CONCURRENT_TOTAL", "7", "TIDEMARK_MAX_BODY", "1024", "TIDEMARK_BODY_TIMEOUT", "90s")
		require.NoError(t, s.Check())
		require.Equal(t, 0, s.Limits().Rate)
		require.Equal(t, 7, s.Limits().Total)
		require.EqualValues(t, 1024, s.Limits().MaxBody)
		require.Equal(t, 90*time.Second, s.Limits().BodyTimeout)
	})
	t.Run("of one client stay below that of all", func(t *testing.T) {
		t.Parallel()
		require.ErrorContains(t, served(t, "TIDEMARK_CONCURRENT", "8", "TIDEMARK_CONCURRENT_TOTAL", "8").Check(), "TIDEMARK_CONCURRENT_TOTAL")
		require.NoError(t, served(t, "TIDEMARK_CONCURRENT", "8", "TIDEMARK_CONCURRENT_TOTAL", "9").Check())
	})
	for name, values := range map[string][]string{
		"TIDEMARK_RATE":             {"-1", "1000001", "1e3", "0x10", "99999999999999999999", "10/s"},
		"TIDEMARK_BURST":            {"0", "-5", "10000001"},
		"TIDEMARK_CONCURRENT":       {"-1", "100001", "some"},
		"TIDEMARK_CONCURRENT_TOTAL": {"-1", "100001", "all"},
		"TIDEMARK_MAX_BODY":         {"0", "1023", "4MB", "67108865"},
		"TIDEMARK_MAX_ENTRIES":      {"0", "100001"},
		"TIDEMARK_BODY_TIMEOUT":     {"0s", "999ms", "20", "11m", "-5s"},
		"TIDEMARK_REQUEST_TIMEOUT":  {"0", "1h", "soon"},
	} {
		t.Run(name+" out of its range is refused", func(t *testing.T) {
			t.Parallel()
			for _, value := range values {
				require.ErrorContains(t, served(t, name, value).Check(), name+": ", value)
			}
		})
	}
}

func TestProxies(t *testing.T) {
	t.Parallel()

	t.Run("are none unless named", func(t *testing.T) {
		t.Parallel()
		proxies, err := served(t).Proxies()
		require.NoError(t, err)
		require.Empty(t, proxies)
	})
	t.Run("are addresses and networks of both kinds", func(t *testing.T) {
		t.Parallel()
		proxies, err := served(t, "TIDEMARK_TRUSTED_PROXIES", "10.1.2.3/8, 192.0.2.7,,2001:db8::/32,::1").Proxies()
		require.NoError(t, err)
		require.Equal(t, []netip.Prefix{
			netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("192.0.2.7/32"),
			netip.MustParsePrefix("2001:db8::/32"), netip.MustParsePrefix("::1/128"),
		}, proxies)
	})
	for _, wrong := range []string{"0.0.0.0/0", "::/0", "proxy.example", "10.0.0.0/33", "10.0.0", "*", "fe80::1%eth0", "10.0.0.1:80"} {
		t.Run(wrong+" is refused", func(t *testing.T) {
			t.Parallel()
			require.ErrorContains(t, served(t, "TIDEMARK_TRUSTED_PROXIES", "10.0.0.0/8,"+wrong).Check(), "TIDEMARK_TRUSTED_PROXIES")
		})
	}
}

func TestTLS(t *testing.T) {
	t.Parallel()
	file := write(t, "it is read when it is used\n")

	t.Run("makes the server's own address https", func(t *testing.T) {
		t.Parallel()
		s := served(t, "TIDEMARK_TLS_CERT", file, "TIDEMARK_TLS_KEY", file)
		require.NoError(t, s.Check())
		require.True(t, s.TLS.On())
		require.Equal(t, "https://127.0.0.1:8080/fhir", s.BaseURL)
		require.Equal(t, "https://a.example/fhir", served(t, "TIDEMARK_TLS_CERT", file, "TIDEMARK_BASE_URL", "https://a.example/fhir/").BaseURL)
	})
	t.Run("takes clients' certificates of named authorities", func(t *testing.T) {
		t.Parallel()
		for _, auth := range []string{"required", "optional"} {
			require.NoError(t, served(t, "TIDEMARK_TLS_CERT", file, "TIDEMARK_TLS_KEY", file, "TIDEMARK_TLS_CLIENT_CA", file, "TIDEMARK_TLS_CLIENT_AUTH", auth).Check())
		}
	})
	for name, c := range map[string]struct {
		setting string
		pairs   []string
	}{
		"a certificate without its key":           {"TIDEMARK_TLS_CERT: it needs", []string{"TIDEMARK_TLS_CERT", file}},
		"a key without its certificate":           {"TIDEMARK_TLS_KEY: it needs", []string{"TIDEMARK_TLS_KEY", file}},
		"clients' authorities without TLS":        {"TIDEMARK_TLS_CLIENT_CA: it needs", []string{"TIDEMARK_TLS_CLIENT_CA", file}},
		"a file that is not there":                {"TIDEMARK_TLS_KEY: stat", []string{"TIDEMARK_TLS_CERT", file, "TIDEMARK_TLS_KEY", file + "-none"}},
		"another word for required":               {"TIDEMARK_TLS_CLIENT_AUTH", []string{"TIDEMARK_TLS_CLIENT_AUTH", "yes"}},
		"an address for all, readable on the way": {"TIDEMARK_TLS_CERT: tokens", []string{"TIDEMARK_LISTEN", "0.0.0.0:8080"}},
	} {
		t.Run(name+" is refused", func(t *testing.T) {
			t.Parallel()
			require.ErrorContains(t, served(t, c.pairs...).Check(), c.setting)
		})
	}
	t.Run("may be that of a named proxy", func(t *testing.T) {
		t.Parallel()
		err := served(t, "TIDEMARK_LISTEN", "0.0.0.0:8080", "TIDEMARK_TRUSTED_PROXIES", "10.0.0.0/8").Check()
		require.NotContains(t, err.Error(), "TIDEMARK_TLS_CERT")
	})
}
