package notify

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// errAddress says that a name stands for an address that must not be called.
var errAddress = errors.New("notify: the host has an address that must not be called")

// reserved are the networks that are not the public internet: those of the
// special-purpose registries of IANA (RFC 6890), which are private, shared,
// local, for documentation or for translation into another family, multicast and
// what is kept for later. Of IPv6 everything outside 2000::/3 is one of them.
var reserved = prefixes(
	"0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24", "192.0.2.0/24",
	"192.31.196.0/24", "192.52.193.0/24", "192.88.99.0/24", "192.168.0.0/16", "192.175.48.0/24", "198.18.0.0/15", "198.51.100.0/24",
	"203.0.113.0/24", "224.0.0.0/4", "240.0.0.0/4",
	"2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3fff::/20",
)

var public6 = netip.MustParsePrefix("2000::/3")

func prefixes(texts ...string) []netip.Prefix {
	all := make([]netip.Prefix, len(texts))
	for i, text := range texts {
		all[i] = netip.MustParsePrefix(text)
	}
	return all
}

// Policy says whom an endpoint may be. Make one with NewPolicy.
type Policy struct {
	// ports are the allowed ones by host: "" is the usual port, "*" any.
	ports map[string][]string
	// networks may be called although they are reserved.
	networks []netip.Prefix
	// lookup resolves a name.
	lookup func(ctx context.Context, host string) ([]netip.Addr, error)
}

// NewPolicy allows hosts, as portal.example for its usual port,
// portal.example:8443 for another or portal.example:* for any, and of the
// addresses that are not public those within networks. The error names the host
// that is none.
func NewPolicy(hosts []string, networks []netip.Prefix) (*Policy, error) {
	p := &Policy{ports: map[string][]string{}, networks: networks, lookup: func(ctx context.Context, host string) ([]netip.Addr, error) {
		return net.DefaultResolver.LookupNetIP(ctx, "ip", host)
	}}
	for _, text := range hosts {
		host, port := text, ""
		if at := strings.LastIndexByte(text, ':'); at >= 0 && (text[0] == '[' || strings.Count(text, ":") == 1) && text[len(text)-1] != ']' {
			host, port = text[:at], text[at+1:]
			if n, err := strconv.Atoi(port); port != "*" && (err != nil || n < 1 || n > 65535) {
				return nil, fmt.Errorf("%q has no port behind its colon; write portal.example, portal.example:8443 or portal.example:*", text)
			}
		}
		host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
		if !isHost(host) {
			return nil, fmt.Errorf("%q is no host; write its full name in small letters, as portal.example, without scheme, path and wildcard", text)
		}
		p.ports[host] = append(p.ports[host], port)
	}
	return p, nil
}

// isHost takes names of letters, digits and hyphens, and addresses.
func isHost(text string) bool {
	if a, err := netip.ParseAddr(text); err == nil {
		return a.Zone() == ""
	}
	for label := range strings.SplitSeq(text, ".") {
		if label == "" || strings.Trim(label, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			return false
		}
	}
	return len(text) <= 253
}

// usualPorts are those that a URL leaves out.
var usualPorts = map[string]string{"https": "443", "http": "80"}

// Allows says why an endpoint must not be called, nil if it may.
func (p *Policy) Allows(endpoint *url.URL) error {
	host, port := strings.ToLower(endpoint.Hostname()), endpoint.Port()
	if endpoint.Scheme == "http" && !p.plain(host) {
		return errors.New("The endpoint must be https: what travels by http can be read and changed on the way.") //nolint:staticcheck // a sentence for the client
	}
	if port == "" {
		port = usualPorts[endpoint.Scheme]
	}
	for _, allowed := range p.ports[host] {
		if allowed == "*" || allowed == port || allowed == "" && port == usualPorts[endpoint.Scheme] {
			return nil
		}
	}
	return errors.New("The host and port of the endpoint are not among those that this server calls; ask its operator to allow them.") //nolint:staticcheck // a sentence for the client
}

// plain says whether a host may be called without TLS: this machine itself, if
// its addresses are allowed.
func (p *Policy) plain(host string) bool {
	if host == "localhost" {
		host = "127.0.0.1"
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback() && p.callable(a)
}

// callable says whether an address may be called. An IPv4 address within an IPv6
// one is judged as what it is.
func (p *Policy) callable(a netip.Addr) bool {
	if a.Zone() != "" {
		return false
	}
	a = a.Unmap()
	within := func(network netip.Prefix) bool { return network.Contains(a) }
	if slices.ContainsFunc(p.networks, within) {
		return true
	}
	return !slices.ContainsFunc(reserved, within) && (a.Is4() || public6.Contains(a))
}

// dial connects to a host that Allows has let through. Its name is resolved here,
// once, and what is called is an address that was judged: if any of them must not
// be called, none is.
func (p *Policy) dial(ctx context.Context, network, address string) (net.Conn, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	addresses := []netip.Addr{}
	if literal, err := netip.ParseAddr(host); err == nil {
		addresses = append(addresses, literal)
	} else if addresses, err = p.lookup(ctx, host); err != nil {
		return nil, err
	}
	for _, a := range addresses {
		if !p.callable(a) {
			return nil, errAddress
		}
	}
	dialer := net.Dialer{Timeout: 10 * time.Second}
	var last error = &net.DNSError{Err: "no address", Name: "the host", IsNotFound: true}
	for _, a := range addresses {
		conn, err := dialer.DialContext(ctx, network, net.JoinHostPort(a.Unmap().String(), port))
		if err == nil {
			return conn, nil
		}
		last = err
	}
	return nil, last
}
