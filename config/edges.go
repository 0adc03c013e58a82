package config

import (
	"fmt"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
)

// TLS are the files that a listener is encrypted with.
type TLS struct {
	// Cert and Key hold the certificate chain and its key; ClientCA the authorities
	// whose clients' certificates are taken, and ClientAuth says whether they are
	// "required" or "optional".
	Cert, Key, ClientCA, ClientAuth string
}

// On says whether the listener is encrypted.
func (t TLS) On() bool { return t.Cert != "" }

// Edges are the settings of what a request meets before it is looked at.
type Edges struct {
	// TLS is that of the FHIR server, AdminTLS that of the admin listener.
	TLS, AdminTLS TLS
	// TrustedProxies are the addresses or networks, separated by commas, whose
	// X-Forwarded-For and X-Forwarded-Proto are believed.
	TrustedProxies string

	rate, burst, concurrent, total, maxBody, maxEntries, bodyTimeout, requestTimeout string
}

func edgeSettings() []Setting {
	return slices.Concat(
		tlsSettings("TIDEMARK_TLS_", "the FHIR server", func(s *Settings) *TLS { return &s.TLS }),
		tlsSettings("TIDEMARK_ADMIN_TLS_", "the admin listener", func(s *Settings) *TLS { return &s.AdminTLS }),
		limitSettings())
}

// tlsSettings are those of one listener.
func tlsSettings(prefix, of string, at func(*Settings) *TLS) []Setting {
	return []Setting{
		{prefix + "CERT", "", "file with the certificate chain (PEM) of " + of + ", read again when it changes; empty serves without TLS", func(s *Settings) *string { return &at(s).Cert }},
		{prefix + "KEY", "", "file with its private key (PEM)", func(s *Settings) *string { return &at(s).Key }},
		{prefix + "CLIENT_CA", "", "file with the authorities (PEM) of the certificates of clients of " + of + "; empty asks for none", func(s *Settings) *string { return &at(s).ClientCA }},
		{prefix + "CLIENT_AUTH", "required", "whether a client's certificate is required or optional, where authorities are named", func(s *Settings) *string { return &at(s).ClientAuth }},
	}
}

func limitSettings() []Setting {
	return []Setting{
		{"TIDEMARK_TRUSTED_PROXIES", "", "addresses or networks, as 10.0.0.0/8, separated by commas, whose X-Forwarded-For and X-Forwarded-Proto are believed", func(s *Settings) *string { return &s.TrustedProxies }},
		{"TIDEMARK_RATE", "1000", "requests a second that a client may make for long, each entry of a Bundle being one; 0 for no limit", func(s *Settings) *string { return &s.rate }},
		{"TIDEMARK_BURST", "2000", "requests that a client may make at a time after a rest", func(s *Settings) *string { return &s.burst }},
		{"TIDEMARK_CONCURRENT", "128", "requests of one client worked on at once; 0 for no limit", func(s *Settings) *string { return &s.concurrent }},
		{"TIDEMARK_CONCURRENT_TOTAL", "1024", "requests of all clients worked on at once; 0 for no limit", func(s *Settings) *string { return &s.total }},
		{"TIDEMARK_MAX_BODY", "4194304", "largest body in bytes, unpacked", func(s *Settings) *string { return &s.maxBody }},
		{"TIDEMARK_MAX_ENTRIES", "500", "most entries of a Bundle", func(s *Settings) *string { return &s.maxEntries }},
		{"TIDEMARK_BODY_TIMEOUT", "20s", "how long a body may take to arrive", func(s *Settings) *string { return &s.bodyTimeout }},
		{"TIDEMARK_REQUEST_TIMEOUT", "30s", "how long a whole request may take", func(s *Settings) *string { return &s.requestTimeout }},
	}
}

// Limits are the numbers among the Edges. A number that was left out is 0.
type Limits struct {
	Rate, Burst, Concurrent, Total int
	MaxBody                        int64
	MaxEntries                     int
	BodyTimeout, RequestTimeout    time.Duration
}

// Limits reads the numbers; what Check refuses is 0.
func (e Edges) Limits() Limits {
	number := func(text string) int {
		n, _ := strconv.Atoi(text) // Check has refused what is none
		return n
	}
	length := func(text string) time.Duration {
		d, _ := time.ParseDuration(text)
		return d
	}
	return Limits{
		Rate: number(e.rate), Burst: number(e.burst), Concurrent: number(e.concurrent), Total: number(e.total),
		MaxBody: int64(number(e.maxBody)), MaxEntries: number(e.maxEntries),
		BodyTimeout: length(e.bodyTimeout), RequestTimeout: length(e.requestTimeout),
	}
}

// Proxies reads the TrustedProxies.
func (e Edges) Proxies() ([]netip.Prefix, error) {
	var networks []netip.Prefix
	for part := range strings.SplitSeq(e.TrustedProxies, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		network, err := netip.ParsePrefix(part)
		if address, single := netip.ParseAddr(part); single == nil && address.Zone() == "" {
			network, err = netip.PrefixFrom(address, address.BitLen()), nil
		}
		switch {
		case err != nil:
			return nil, fmt.Errorf("%q is neither an address nor a network; write it as 10.0.0.7 or 10.0.0.0/8", part)
		case network.Bits() == 0:
			return nil, fmt.Errorf("%s is everyone, and anyone could then claim to be anybody; name the proxies", part)
		}
		networks = append(networks, network.Masked())
	}
	return networks, nil
}

// scheme is that of the FHIR server's own address.
func (e Edges) scheme() string {
	if e.TLS.On() {
		return "https://"
	}
	return "http://"
}

// checkEdges reports what is wrong with the Edges.
func (s *Settings) checkEdges(bad func(name, format string, args ...any)) {
	s.checkTLS(bad)
	if _, err := s.Proxies(); err != nil {
		bad("TIDEMARK_TRUSTED_PROXIES", "%v", err)
	}
	for _, n := range []struct {
		name, text  string
		least, most int
	}{
		{"TIDEMARK_RATE", s.rate, 0, 1_000_000},
		{"TIDEMARK_BURST", s.burst, 1, 10_000_000},
		{"TIDEMARK_CONCURRENT", s.concurrent, 0, 100_000},
		{"TIDEMARK_CONCURRENT_TOTAL", s.total, 0, 100_000},
		{"TIDEMARK_MAX_BODY", s.maxBody, 1024, 64 << 20},
		{"TIDEMARK_MAX_ENTRIES", s.maxEntries, 1, 100_000},
	} {
		if value, err := strconv.ParseInt(n.text, 10, 64); err != nil || value < int64(n.least) || value > int64(n.most) {
			bad(n.name, "%q is no whole number from %d to %d", n.text, n.least, n.most)
		}
	}
	for name, text := range map[string]string{"TIDEMARK_BODY_TIMEOUT": s.bodyTimeout, "TIDEMARK_REQUEST_TIMEOUT": s.requestTimeout} {
		if d, err := time.ParseDuration(text); err != nil || d < time.Second || d > 10*time.Minute {
			bad(name, "%q is no time from 1s to 10m", text)
		}
	}
	if l := s.Limits(); l.Concurrent > 0 && l.Total > 0 && l.Concurrent >= l.Total {
		bad("TIDEMARK_CONCURRENT_TOTAL", "it must be more than TIDEMARK_CONCURRENT, or one client can keep all others out")
	}
}

func (s *Settings) checkTLS(bad func(name, format string, args ...any)) {
	s.TLS.check("TIDEMARK_TLS_", bad)
	s.AdminTLS.check("TIDEMARK_ADMIN_TLS_", bad)
	if !isLoopback(s.Listen) && !s.TLS.On() && s.TrustedProxies == "" {
		bad("TIDEMARK_TLS_CERT", "tokens and answers would travel readable for all on the way; set it and TIDEMARK_TLS_KEY, or name the proxy that has the certificate in TIDEMARK_TRUSTED_PROXIES")
	}
	if s.AdminToken != "" && !isLoopback(s.AdminListen) && !s.AdminTLS.On() {
		bad("TIDEMARK_ADMIN_TLS_CERT", "the admin token would travel readable for all on the way; set it and TIDEMARK_ADMIN_TLS_KEY, let TIDEMARK_ADMIN_LISTEN be on 127.0.0.1, or set no token")
	}
}

// check reports what is wrong with the files of one listener.
func (t TLS) check(prefix string, bad func(name, format string, args ...any)) {
	if t.ClientAuth != "required" && t.ClientAuth != "optional" {
		bad(prefix+"CLIENT_AUTH", "it must be required or optional")
	}
	for _, f := range []struct{ name, file, with, other string }{
		{"CERT", t.Cert, "KEY", t.Key},
		{"KEY", t.Key, "CERT", t.Cert},
		{"CLIENT_CA", t.ClientCA, "CERT", t.Cert},
	} {
		if f.file == "" {
			continue
		}
		if f.other == "" {
			bad(prefix+f.name, "it needs %s beside it", prefix+f.with)
		}
		if info, err := os.Stat(f.file); err != nil {
			bad(prefix+f.name, "%v", err)
		} else if !info.Mode().IsRegular() {
			bad(prefix+f.name, "%s is no file", f.file)
		}
	}
}
