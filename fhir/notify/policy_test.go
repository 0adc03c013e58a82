package notify

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"net/url"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAddressesThatAreNotCalled: one of each network that the registries of IANA
// for special-purpose addresses list as not globally reachable, and what hides one.
func TestAddressesThatAreNotCalled(t *testing.T) {
	t.Parallel()
	p, err := NewPolicy(nil, nil)
	require.NoError(t, err)
	for _, text := range []string{
		"0.0.0.0", "0.1.2.3", "10.0.0.1", "10.255.255.255", "100.64.0.1", "100.127.255.255", "127.0.0.1", "127.8.0.1", "169.254.0.1", "169.254.169.254",
		"172.16.0.1", "172.31.255.255", "192.0.0.1", "192.0.2.7", "192.88.99.1", "192.168.0.1", "198.18.0.1", "198.19.255.255", "198.51.100.1",
		"203.0.113.9", "224.0.0.1", "239.1.1.1", "240.0.0.1", "255.255.255.255",
		"::", "::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1", "::ffff:169.254.169.254", "::127.0.0.1", "64:ff9b::7f00:1", "64:ff9b:1::1", "100::1",
		"2001::1", "2001:db8::1", "2002:7f00:1::", "3fff::1", "5f00::1", "fc00::1", "fd12:3456::1", "fe80::1", "fe80::1%eth0", "fec0::1", "ff02::1",
	} {
		require.False(t, p.callable(netip.MustParseAddr(text)), text)
	}
	for _, text := range []string{"8.8.8.8", "100.63.255.255", "100.128.0.0", "172.15.0.1", "172.32.0.1", "192.0.1.1", "223.255.255.255", "::ffff:8.8.8.8", "2600::1", "2a00:1450::1"} {
		require.True(t, p.callable(netip.MustParseAddr(text)), text)
	}
	p.networks = prefixes("10.20.0.0/16", "::1/128")
	for text, want := range map[string]bool{"10.20.255.1": true, "::ffff:10.20.0.1": true, "10.21.0.1": false, "::1": true, "127.0.0.1": false} {
		require.Equal(t, want, p.callable(netip.MustParseAddr(text)), text)
	}
}

func TestEndpointsThatAreAllowed(t *testing.T) {
	t.Parallel()
	p, err := NewPolicy([]string{"portal.example", "ports.example:8443", "any.example:*", "[2600::1]:8443", "10.20.0.1", "127.0.0.1:*", "localhost:*"}, prefixes("127.0.0.0/8"))
	require.NoError(t, err)
	for text, want := range map[string]bool{
		"https://portal.example/a?b=c": true, "https://portal.example:443/": true, "https://PORTAL.example/": true,
		"https://portal.example:8443/": false, "https://portal.example.evil.example/": false, "https://evilportal.example/": false,
		"https://a.portal.example/": false, "https://portal.example./": false, "http://portal.example/": false, "http://portal.example:443/": false,
		"https://ports.example:8443/": true, "https://ports.example/": false, "https://any.example:1/": true, "http://any.example/": false,
		"https://[2600::1]:8443/": true, "https://[2600::1]/": false, "https://[2600::2]:8443/": false,
		"https://10.20.0.1/": true, "http://10.20.0.1/": false, "http://127.0.0.1:9/": true, "http://localhost:9/": true, "http://127.0.0.2:9/": false,
		"https://2130706433/": false, "https://0x7f.1/": false, "https://127.1/": false, "https://portal.example%00.evil.example/": false,
	} {
		u, err := url.Parse(text)
		if err != nil {
			require.False(t, want, text)
			continue
		}
		require.Equal(t, want, p.Allows(u) == nil, text)
	}
	for _, bad := range []string{"", "https://portal.example", "portal.example/x", "*.portal.example", "portal.example:", "portal.example:99999", "Portal.example", "por tal", "fe80::1%eth0", "[::1"} {
		_, err := NewPolicy([]string{bad}, nil)
		require.Error(t, err, bad)
	}
}

// TestNamesAreResolvedOnceAndJudged: a name that stands for an address that must
// not be called is not called, whatever else it stands for, and a second answer
// of the name server changes nothing.
func TestNamesAreResolvedOnceAndJudged(t *testing.T) {
	t.Parallel()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, listener.Close()) }()
	_, port, _ := net.SplitHostPort(listener.Addr().String())
	asked := 0
	dial := func(networks []netip.Prefix, answers ...string) error {
		p, err := NewPolicy([]string{"portal.example:*"}, networks)
		require.NoError(t, err)
		asked = 0
		p.lookup = func(context.Context, string) (found []netip.Addr, err error) {
			asked++
			for _, text := range answers {
				found = append(found, netip.MustParseAddr(text))
			}
			return found, nil
		}
		conn, err := p.dial(context.Background(), "tcp", "portal.example:"+port)
		if err == nil {
			require.Equal(t, "127.0.0.1:"+port, conn.RemoteAddr().String())
			require.NoError(t, conn.Close())
		}
		return err
	}
	loopback := prefixes("127.0.0.0/8")
	require.NoError(t, dial(loopback, "127.0.0.1"))
	require.Equal(t, 1, asked)
	require.NoError(t, dial(loopback, "::ffff:127.0.0.1"))
	require.ErrorIs(t, dial(nil, "127.0.0.1"), errAddress)
	require.ErrorIs(t, dial(nil, "::ffff:127.0.0.1"), errAddress)
	require.ErrorIs(t, dial(loopback, "127.0.0.1", "169.254.169.254"), errAddress, "one of them is enough")
	require.ErrorIs(t, dial(prefixes("10.0.0.0/8"), "fd00::1"), errAddress)
	var dns *net.DNSError
	require.ErrorAs(t, dial(loopback), &dns)
	p, err := NewPolicy(nil, nil)
	require.NoError(t, err)
	p.lookup = func(context.Context, string) ([]netip.Addr, error) { return nil, errors.New("no literal is looked up") }
	_, err = p.dial(context.Background(), "tcp", "127.0.0.1:"+port)
	require.ErrorIs(t, err, errAddress)
}
