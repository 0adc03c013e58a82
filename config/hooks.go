package config

import (
	"net/netip"
	"strings"
)

// Hooks are the settings of notifications by Subscription.
type Hooks struct {
	// SubscriptionHosts are the hosts, separated by commas, that a subscription may
	// have its endpoint at, as portal.example or portal.example:8443; "" offers no
	// subscriptions.
	SubscriptionHosts string
	// SubscriptionNetworks are networks, separated by commas, that such a host may
	// have its address in although they are not public.
	SubscriptionNetworks string
}

func hookSettings() []Setting {
	return []Setting{
		{"TIDEMARK_SUBSCRIPTION_HOSTS", "", "hosts that subscriptions may be notified at, as portal.example, portal.example:8443 or portal.example:*, separated by commas; empty offers no subscriptions", func(s *Settings) *string { return &s.SubscriptionHosts }},
		{"TIDEMARK_SUBSCRIPTION_NETWORKS", "", "networks that are not public, as 10.20.0.0/16, in which those hosts may have their addresses, separated by commas", func(s *Settings) *string { return &s.SubscriptionNetworks }},
	}
}

// Hosts lists the SubscriptionHosts.
func (h Hooks) Hosts() []string { return listed(h.SubscriptionHosts) }

// Networks reads the SubscriptionNetworks.
func (h Hooks) Networks() (networks []netip.Prefix, err error) {
	for _, text := range listed(h.SubscriptionNetworks) {
		network, err := netip.ParsePrefix(text)
		if err != nil {
			return nil, err
		}
		networks = append(networks, network.Masked())
	}
	return networks, nil
}

// listed are the parts of a list, without white space.
func listed(text string) []string {
	var parts []string
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part != "" {
			parts = append(parts, part)
		}
	}
	return parts
}

// checkHooks reports what is wrong with the Hooks. What a host is, is known to
// who calls it.
func (s *Settings) checkHooks(bad func(name, format string, args ...any)) {
	networks, err := s.Networks()
	switch {
	case err != nil:
		bad("TIDEMARK_SUBSCRIPTION_NETWORKS", "it must be a list of networks, as 10.20.0.0/16")
	case len(networks) > 0 && s.SubscriptionHosts == "":
		bad("TIDEMARK_SUBSCRIPTION_NETWORKS", "it does nothing without TIDEMARK_SUBSCRIPTION_HOSTS")
	}
	for _, network := range networks {
		if network.Bits() == 0 {
			bad("TIDEMARK_SUBSCRIPTION_NETWORKS", "%s is everything; name the networks", network)
		}
	}
	for _, host := range s.Hosts() {
		if strings.ContainsAny(strings.TrimSuffix(host, ":*"), "/*@ ") || strings.ToLower(host) != host {
			bad("TIDEMARK_SUBSCRIPTION_HOSTS", "%q is no host; write its full name in small letters, as portal.example, without scheme, path and wildcard", host)
		}
	}
}
