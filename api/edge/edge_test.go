package edge_test

import (
	"crypto/tls"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/edge"
)

func request(remote string, headers ...string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, "/fhir/metadata", nil)
	r.RemoteAddr = remote
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Add(headers[i], headers[i+1])
	}
	return r
}

var proxies = edge.Proxies{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("2001:db8:f::/48")}

func TestClient(t *testing.T) {
	t.Parallel()
	const forwarded = "X-Forwarded-For"
	for name, c := range map[string]struct {
		proxies edge.Proxies
		request *http.Request
		want    string
	}{
		"is who connects":                                        {nil, request("192.0.2.1:4711"), "192.0.2.1"},
		"is who connects, whatever it says":                      {nil, request("192.0.2.1:4711", forwarded, "203.0.113.9", "X-Real-Ip", "203.0.113.9", "Forwarded", "for=203.0.113.9"), "192.0.2.1"},
		"is who connects, if that is no proxy":                   {proxies, request("192.0.2.1:4711", forwarded, "203.0.113.9"), "192.0.2.1"},
		"is whom a proxy names":                                  {proxies, request("10.1.1.1:4711", forwarded, "203.0.113.9"), "203.0.113.9"},
		"is the last that no proxy has":                          {proxies, request("10.1.1.1:4711", forwarded, "198.51.100.7, 203.0.113.9, 10.2.2.2"), "203.0.113.9"},
		"is not what the client wrote before the proxy":          {proxies, request("10.1.1.1:4711", forwarded, "198.51.100.7", forwarded, "203.0.113.9"), "203.0.113.9"},
		"is the first proxy, if all are":                         {proxies, request("10.1.1.1:4711", forwarded, "10.3.3.3, 10.2.2.2"), "10.3.3.3"},
		"is the proxy, if it says nothing":                       {proxies, request("10.1.1.1:4711"), "10.1.1.1"},
		"is the proxy, if nothing can be read":                   {proxies, request("10.1.1.1:4711", forwarded, "unknown"), "10.1.1.1"},
		"is the last before what cannot be read":                 {proxies, request("10.1.1.1:4711", forwarded, "203.0.113.9, unknown, 10.2.2.2"), "10.2.2.2"},
		"is not read from Forwarded":                             {proxies, request("10.1.1.1:4711", "Forwarded", "for=203.0.113.9"), "10.1.1.1"},
		"by IPv6":                                                {proxies, request("[2001:db8:f::1]:4711", forwarded, "2001:db8:1::7"), "2001:db8:1::7"},
		"by IPv6 that is IPv4":                                   {proxies, request("[::ffff:10.1.1.1]:4711", forwarded, "::ffff:203.0.113.9"), "203.0.113.9"},
		"without a zone":                                         {nil, request("[fe80::1%eth0]:4711"), "fe80::1"},
		"is nobody over a connection without an address":         {proxies, request("@"), "invalid IP"},
		"is nobody over a connection whose address is no number": {proxies, request("pipe:1", forwarded, "203.0.113.9"), "invalid IP"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.want, c.proxies.Client(c.request).String())
		})
	}
}

func TestKey(t *testing.T) {
	t.Parallel()
	key := func(address string) string { return edge.Key(netip.MustParseAddr(address)) }
	require.Equal(t, "192.0.2.1", key("192.0.2.1"))
	require.Equal(t, key("2001:db8:1:2::1"), key("2001:db8:1:2:ffff::9"), "one network is one client")
	require.NotEqual(t, key("2001:db8:1:2::1"), key("2001:db8:1:3::1"))
	require.Equal(t, edge.Key(netip.Addr{}), edge.Key(netip.Addr{}))
}

func TestHarden(t *testing.T) {
	t.Parallel()
	serve := func(p edge.Proxies, r *http.Request) http.Header {
		w := httptest.NewRecorder()
		edge.Harden(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTeapot) }), p).ServeHTTP(w, r)
		return w.Header()
	}
	secure := request("192.0.2.1:4711")
	secure.TLS = &tls.ConnectionState{}

	t.Run("every answer says what a browser may do with it", func(t *testing.T) {
		t.Parallel()
		h := serve(nil, request("192.0.2.1:4711"))
		require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
		require.Equal(t, "no-store", h.Get("Cache-Control"))
		require.Equal(t, "default-src 'none'; frame-ancestors 'none'", h.Get("Content-Security-Policy"))
		require.Equal(t, "no-referrer", h.Get("Referrer-Policy"))
		require.Empty(t, h.Get("Strict-Transport-Security"), "not without TLS (RFC 6797 section 7.2)")
	})
	for name, c := range map[string]struct {
		proxies edge.Proxies
		request *http.Request
		strict  bool
	}{
		"by TLS":                           {nil, secure, true},
		"by the TLS of a proxy":            {proxies, request("10.1.1.1:4711", "X-Forwarded-Proto", "https"), true},
		"not without that of a proxy":      {proxies, request("10.1.1.1:4711", "X-Forwarded-Proto", "http"), false},
		"not because anyone says so":       {proxies, request("192.0.2.1:4711", "X-Forwarded-Proto", "https"), false},
		"not where no proxy is trusted":    {nil, request("10.1.1.1:4711", "X-Forwarded-Proto", "https"), false},
		"not by another word of the proxy": {proxies, request("10.1.1.1:4711", "X-Forwarded-Proto", "https, http"), false},
	} {
		t.Run("TLS is asked for from now on "+name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.strict, serve(c.proxies, c.request).Get("Strict-Transport-Security") != "")
		})
	}
}

func TestIsRequestID(t *testing.T) {
	t.Parallel()
	for _, id := range []string{"0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d", "0B1E5A6C-7D2F-4C3B-9A18-5E6F7A8B9C0D", "4bf92f3577b34da6a3ce929d0e0e4736"} {
		require.True(t, edge.IsRequestID(id), id)
	}
	for _, id := range []string{
		"", "oona-thistledown", "2021-03-04", "0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0", "0b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d0", "0b1e5a6c07d2f-4c3b-9a18-5e6f7a8b9c0d",
		"g" + "b1e5a6c-7d2f-4c3b-9a18-5e6f7a8b9c0d", "4bf92f3577b34da6a3ce929d0e0e473-", "4bf92f3577b34da6a3ce929d0e0e473\n", "urn:uuid:0b1e5a6c-7d2f-4c3b-9a18", "------------------------------------",
	} {
		require.False(t, edge.IsRequestID(id), id)
	}
}
