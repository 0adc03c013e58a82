package config_test

import (
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

func TestHooks(t *testing.T) {
	t.Parallel()
	read := func(t *testing.T, hosts, networks string) config.Settings {
		t.Helper()
		s, err := config.Read("", env("TIDEMARK_AUTH", "off", "TIDEMARK_SUBSCRIPTION_HOSTS", hosts, "TIDEMARK_SUBSCRIPTION_NETWORKS", networks))
		require.NoError(t, err)
		return s
	}
	t.Run("are none by default", func(t *testing.T) {
		t.Parallel()
		s := read(t, "", "")
		require.NoError(t, s.Check())
		require.Empty(t, s.Hosts())
	})
	t.Run("are lists", func(t *testing.T) {
		t.Parallel()
		s := read(t, "portal.example, any.example:* ,,10.20.0.1:8443", "10.20.3.4/16, ::1/128")
		require.NoError(t, s.Check())
		require.Equal(t, []string{"portal.example", "any.example:*", "10.20.0.1:8443"}, s.Hosts())
		networks, err := s.Networks()
		require.NoError(t, err)
		require.Equal(t, []netip.Prefix{netip.MustParsePrefix("10.20.0.0/16"), netip.MustParsePrefix("::1/128")}, networks)
	})
	t.Run("are refused where they say too much or nothing", func(t *testing.T) {
		t.Parallel()
		for _, c := range []struct{ hosts, networks, setting string }{
			{"*", "", "TIDEMARK_SUBSCRIPTION_HOSTS"}, {"*.portal.example", "", "TIDEMARK_SUBSCRIPTION_HOSTS"},
			{"https://portal.example", "", "TIDEMARK_SUBSCRIPTION_HOSTS"}, {"Portal.example", "", "TIDEMARK_SUBSCRIPTION_HOSTS"},
			{"portal.example", "0.0.0.0/0", "TIDEMARK_SUBSCRIPTION_NETWORKS"}, {"portal.example", "::/0", "TIDEMARK_SUBSCRIPTION_NETWORKS"},
			{"portal.example", "10.0.0.1", "TIDEMARK_SUBSCRIPTION_NETWORKS"}, {"", "10.0.0.0/8", "TIDEMARK_SUBSCRIPTION_NETWORKS"},
		} {
			require.ErrorContains(t, read(t, c.hosts, c.networks).Check(), c.setting, c)
		}
	})
}
