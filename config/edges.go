package config

import (
	"fmt"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"time"
)

// Edges are the settings of what a request meets before it is looked at.
type Edges struct {
	// TLSCert and TLSKey are the files that the FHIR server is encrypted with;
	// TLSClientCA is the file of the authorities whose clients' certificates are
	// taken, and TLSClientAuth whether they are "required" or "optional".
	TLSCert, TLSKey, TLSClientCA, TLSClientAuth string
	// TrustedProxies are the addresses or networks, separated by commas, whose
	// X-Forwarded-For and X-Forwarded-Proto are believed.
	TrustedProxies string

	rate, burst, concurrent, total, maxBody, maxEntries, bodyTimeout, requestTimeout string
}

func edgeSettings() []Setting {
	return []Setting{
		{"TIDEMARK_TLS_CERT", "", "file with the certificate chain (PEM) of the FHIR server, read again when it changes; empty serves without TLS", func(s *Settings) *string { return &s.TLSCert }},
		{"TIDEMARK_TLS_KEY", "", "file with its private key (PEM)", func(s *Settings) *string { return &s.TLSKey }},
		{"TIDEMARK_TLS_CLIENT_CA", "", "file with the authorities (PEM) of clients' certificates; empty asks for none", func(s *Settings) *string { return &s.TLSClientCA }},
		{"TIDEMARK_TLS_CLIENT_AUTH", "required", "whether a client's certificate is required or optional", func(s *Settings) *string { return &s.TLSClientAuth }},
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

// TLS says whether the FHIR server is encrypted.
func (e Edges) TLS() bool { return e.TLSCert != "" }

// scheme is that of the FHIR server's own address.
func (e Edges) scheme() string {
	if e.TLS() {
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
	if s.TLSClientAuth != "required" && s.TLSClientAuth != "optional" {
		bad("TIDEMARK_TLS_CLIENT_AUTH", "it must be required or optional")
	}
	for _, f := range []struct{ name, file, with, other string }{
		{"TIDEMARK_TLS_CERT", s.TLSCert, "TIDEMARK_TLS_KEY", s.TLSKey},
		{"TIDEMARK_TLS_KEY", s.TLSKey, "TIDEMARK_TLS_CERT", s.TLSCert},
		{"TIDEMARK_TLS_CLIENT_CA", s.TLSClientCA, "TIDEMARK_TLS_CERT", s.TLSCert},
	} {
		if f.file == "" {
			continue
		}
		if f.other == "" {
			bad(f.name, "it needs %s beside it", f.with)
		}
		if info, err := os.Stat(f.file); err != nil {
			bad(f.name, "%v", err)
		} else if !info.Mode().IsRegular() {
			bad(f.name, "%s is no file", f.file)
		}
	}
	if !isLoopback(s.Listen) && !s.TLS() && s.TrustedProxies == "" {
		bad("TIDEMARK_TLS_CERT", "tokens and answers would travel readable for all on the way; set it and TIDEMARK_TLS_KEY, or name the proxy that has the certificate in TIDEMARK_TRUSTED_PROXIES")
	}
}
