package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/config"
)

const baseSetting = "TIDEMARK_BASE_URL"

// isHere says whether an address is surely of this machine.
func isHere(u *url.URL) bool {
	ip, err := netip.ParseAddr(u.Hostname())
	return u.Hostname() == "localhost" || err == nil && ip.IsLoopback()
}

// checkBase looks at the address that others know the server by.
func checkBase(ctx context.Context, c *checker) []finding {
	s := c.settings
	base, err := url.Parse(s.BaseURL)
	if err != nil {
		return []finding{wrong(baseSetting, "write an absolute URL", "it is none")}
	}
	var found []finding
	away := slices.ContainsFunc(s.Targets, func(t config.Target) bool {
		u, err := url.Parse(t.URL)
		return err == nil && !isHere(u)
	})
	switch {
	case isHere(base) && away:
		found = append(found, toSee(baseSetting, "set the address that hospitals and portals reach the server by", "%s is for this machine alone, and results in the chart refer to their response by it", s.BaseURL))
	case base.Scheme == "http" && !isHere(base):
		found = append(found, toSee(baseSetting, "let it begin with https", "%s can be read on the way", s.BaseURL))
	}
	if s.Auth == "token" && !slices.Contains(s.Audience(), s.BaseURL) {
		found = append(found, toSee("TIDEMARK_AUTH_AUDIENCE", "add "+s.BaseURL+", unless the authorization server is sure to write another", "tokens for %s are refused, and SMART clients ask for those", s.BaseURL))
	}
	return append(found, c.askBase(ctx))
}

// askBase sees whether it is this program that answers there.
func (c *checker) askBase(ctx context.Context) finding {
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	base := c.settings.BaseURL
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/metadata", nil)
	if err != nil {
		return wrong(baseSetting, "write an absolute URL", "it is none")
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return notLooked("nothing answers at %s from here; once serve runs, and if this machine may call it by that address, check again", base)
	}
	defer response.Body.Close()
	var statement struct{ Software struct{ Name string } }
	if json.NewDecoder(io.LimitReader(response.Body, maxDeliveriesAnswer)).Decode(&statement) != nil || statement.Software.Name != "Tidemark" {
		return wrong(baseSetting, "set the address of this server, with the path (/fhir), and see where a proxy sends it", "what answers at %s is not Tidemark (HTTP status %d)", base, response.StatusCode)
	}
	return ok("Tidemark answers at %s; tokens are for %s", base, strings.Join(c.settings.Audience(), ", "))
}

// Certificates that end so soon are worth a word (common practice: those of public
// authorities are renewed a month before they end).
const soon = 30 * 24 * time.Hour

// checkListeners looks at our own certificates.
func checkListeners(_ context.Context, c *checker) []finding {
	s := c.settings
	if !s.TLS.On() && !s.AdminTLS.On() {
		return []finding{ok("the server is without TLS, on this machine or behind a proxy")}
	}
	var found []finding
	if s.TLS.On() {
		host := ""
		if base, err := url.Parse(s.BaseURL); err == nil && base.Scheme == "https" {
			host = base.Hostname()
		}
		found = append(found, judgeListener(s.TLS, "TIDEMARK_TLS_", host)...)
	}
	if s.AdminTLS.On() {
		found = append(found, judgeListener(s.AdminTLS, "TIDEMARK_ADMIN_TLS_", "")...)
	}
	return found
}

// judgeListener looks at the certificate of one of them, which is for a host, if
// one is given.
func judgeListener(t config.TLS, prefix, host string) []finding {
	setting := prefix + "CERT"
	if _, err := edge.LoadCertificates(filesOf(t), nil, nil); err != nil {
		return []finding{wrong(setting+", "+prefix+"KEY or "+prefix+"CLIENT_CA", "name PEM files that belong together", "%v", err)}
	}
	pair, err := tls.LoadX509KeyPair(t.Cert, t.Key)
	if err != nil {
		return []finding{wrong(setting, "name a certificate and its key", "%v", err)}
	}
	found := []finding{judgeDates(pair.Leaf, setting, "have it renewed; the file is read again when it changes")}
	if host != "" && pair.Leaf.VerifyHostname(host) != nil {
		found = append(found, toSee(setting, "have a certificate for that name, unless a proxy has it, or set "+baseSetting, "it is not for %s", host))
	}
	return found
}

// judgeDates says whether a certificate is good now, and how long.
func judgeDates(c *x509.Certificate, setting, do string) finding {
	now := time.Now()
	until := c.NotAfter.UTC().Format(time.DateOnly)
	switch left := c.NotAfter.Sub(now); {
	case now.Before(c.NotBefore):
		return wrong(setting, "see to this machine's clock, else to the certificate", "the certificate is good from %s on only", c.NotBefore.UTC().Format(time.RFC3339))
	case left <= 0:
		return wrong(setting, do, "the certificate has expired on %s", until)
	case left < soon:
		return toSee(setting, do, "the certificate expires in %s, on %s", days(left), until)
	default:
		return ok("the certificate is good until %s, for %s", until, days(left))
	}
}

// days is a time in whole days.
func days(d time.Duration) string {
	if n := int(d.Hours() / 24); n != 1 {
		return fmt.Sprintf("%d days", n)
	}
	return "1 day"
}

// checkKeys looks at the files of signing keys.
func checkKeys(_ context.Context, c *checker) []finding {
	var found []finding
	if file := c.settings.AuthKeys; file != "" {
		found = append(found, judgeRing("TIDEMARK_AUTH_KEYS", file))
	}
	for _, t := range c.settings.Targets {
		if file := t.Auth.KeyFile; file != "" {
			found = append(found, judgeRing(t.Setting("auth.key_file"), file))
		}
	}
	if len(found) == 0 {
		return []finding{ok("none are needed")}
	}
	return found
}

func judgeRing(setting, file string) finding {
	ring, err := authserver.ReadRing(file)
	if err != nil {
		return wrong(setting, "tidemark keys make makes a file; it must be readable by the server's user alone", "%v", err)
	}
	for _, key := range ring.List() {
		if key.State == authserver.Current {
			return ok("%s signs by %s since %s, for %s", file, key.Algorithm, key.Since.Format(time.DateOnly), days(time.Since(key.Since)))
		}
	}
	return wrong(setting, "tidemark keys make makes a file", "%s has no key that signs", file)
}

// checkIssuers asks whether the keys of those whose tokens are taken can be had.
func checkIssuers(ctx context.Context, c *checker) []finding {
	issuers, _ := c.settings.Issuers() // Check has refused what is none
	if len(issuers) == 0 {
		return []finding{ok("no tokens of others are taken")}
	}
	var found []finding
	for _, i := range issuers {
		found = append(found, askIssuer(ctx, issuerOf(i), c.settings.Audience()))
	}
	return found
}

func askIssuer(ctx context.Context, issuer auth.Issuer, audience []string) finding {
	const setting = "TIDEMARK_AUTH_ISSUERS"
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	verifier, err := auth.New(auth.Options{Audience: audience, Issuers: []auth.Issuer{issuer}})
	if err != nil {
		return wrong(setting, "see how it is written in tidemark serve --help", "%v", err)
	}
	if err := verifier.Ready(ctx); err != nil {
		return broken(setting, "see that the URL is iss of its tokens and can be reached from here, or name its keys by jwks=", "the keys of %s cannot be had: %v", issuer.URL, err)
	}
	return ok("the keys of %s can be had", issuer.URL)
}
