package edge

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// Proxies are the networks whose word on where a request comes from is taken.
// Of all others X-Forwarded-* is ignored, since anyone can send it. Forwarded
// (RFC 7239) is not read at all: a proxy that sets one header passes on the
// other as it came.
type Proxies []netip.Prefix

// has says whether an address is that of a proxy.
func (p Proxies) has(address netip.Addr) bool {
	return slices.ContainsFunc(p, func(network netip.Prefix) bool { return network.Contains(address) })
}

// Client is the address that a request comes from: that of the connection, or,
// through proxies, the last one that none of them has. An address that cannot be
// read ends the search, so that nobody hides behind it.
func (p Proxies) Client(request *http.Request) netip.Addr {
	address := peer(request.RemoteAddr)
	if !p.has(address) {
		return address
	}
	hops := strings.Split(strings.Join(request.Header.Values("X-Forwarded-For"), ","), ",")
	for _, hop := range slices.Backward(hops) {
		next, err := netip.ParseAddr(strings.TrimSpace(hop))
		if err != nil {
			break
		}
		address = next.Unmap().WithZone("")
		if !p.has(address) {
			break
		}
	}
	return address
}

// Encrypted says whether a request reached this server, or the proxy before it,
// by TLS.
func (p Proxies) Encrypted(request *http.Request) bool {
	return request.TLS != nil ||
		p.has(peer(request.RemoteAddr)) && strings.EqualFold(request.Header.Get("X-Forwarded-Proto"), "https")
}

// Key is what a client without a name is told apart by: its address, and of
// IPv6 the network of 64 bits, of which one customer has all (RFC 6177).
func Key(address netip.Addr) string {
	if address.Is6() {
		if network, err := address.Prefix(64); err == nil {
			return network.String()
		}
	}
	return address.String()
}

// peer reads the address of a connection; the zero Addr for one that has none.
func peer(remote string) netip.Addr {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return netip.Addr{}
	}
	address, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Addr{}
	}
	return address.Unmap().WithZone("")
}
