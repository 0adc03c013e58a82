package auth

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// Limits of what is fetched from an issuer.
const (
	maxDocument  = 256 << 10
	fetchTimeout = 10 * time.Second
	maxRedirects = 3
)

// The faults of fetching.
var (
	errURL      = errors.New("not an absolute https URL (http is for this machine only)")
	errRedirect = errors.New("a redirect to another host")
	errAnswer   = errors.New("an answer that is not JSON or too large")
)

// checkURL takes absolute https URLs without user, query and fragment; http
// only to this machine, where nobody is in between.
func checkURL(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.User != nil || u.Fragment != "" || u.RawQuery != "" || strings.ContainsAny(text, " \"\\") {
		return errURL
	}
	if u.Scheme == "https" || u.Scheme == "http" && isLoopback(u.Hostname()) {
		return nil
	}
	return errURL
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// fetcher gets documents of issuers.
type fetcher struct{ client *http.Client }

// newFetcher makes one that follows redirects only on the same host, so that a
// document comes from where the configuration says.
func newFetcher(client *http.Client) fetcher {
	own := http.Client{Timeout: fetchTimeout}
	if client != nil {
		own = *client
	}
	own.CheckRedirect = func(r *http.Request, via []*http.Request) error {
		first := via[0].URL
		if len(via) > maxRedirects || r.URL.Scheme != first.Scheme || r.URL.Host != first.Host {
			return errRedirect
		}
		return nil
	}
	own.Jar = nil
	return fetcher{&own}
}

// get fetches a JSON document and says how long it may be kept.
func (f fetcher) get(ctx context.Context, address string) ([]byte, time.Duration, error) {
	if err := checkURL(address); err != nil {
		return nil, 0, err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, 0, fmt.Errorf("auth: asking an issuer: %w", err)
	}
	request.Header.Set("Accept", "application/json, application/jwk-set+json")
	return f.do(request)
}

// do sends a request and reads the JSON answer.
func (f fetcher) do(request *http.Request) ([]byte, time.Duration, error) {
	answer, err := f.client.Do(request)
	if err != nil {
		return nil, 0, fmt.Errorf("auth: asking an issuer: %w", err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return nil, 0, fmt.Errorf("auth: an issuer answered %d", answer.StatusCode)
	}
	media, _, err := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	if err != nil || media != "application/json" && !strings.HasSuffix(media, "+json") {
		return nil, 0, errAnswer
	}
	body, err := io.ReadAll(io.LimitReader(answer.Body, maxDocument+1))
	if err != nil {
		return nil, 0, fmt.Errorf("auth: reading an issuer's answer: %w", err)
	}
	if len(body) > maxDocument {
		return nil, 0, errAnswer
	}
	return body, keepFor(answer.Header), nil
}

// How long keys are kept. A set without Cache-Control is asked for again after
// a while, and one that says a long time is still asked for daily.
const (
	defaultKeep = 5 * time.Minute
	longestKeep = 24 * time.Hour
)

// keepFor reads max-age, no-store and no-cache of Cache-Control and Age (RFC
// 9111 sections 5.1 and 5.2.2).
func keepFor(header http.Header) time.Duration {
	keep := defaultKeep
	for directive := range strings.SplitSeq(strings.Join(header.Values("Cache-Control"), ","), ",") {
		name, value, _ := strings.Cut(strings.ToLower(strings.TrimSpace(directive)), "=")
		switch name {
		case "no-store", "no-cache":
			return 0
		case "max-age":
			seconds, err := strconv.ParseUint(strings.Trim(value, `"`), 10, 31)
			if err != nil {
				return 0 // RFC 9111 section 4.2.1: what cannot be read is stale
			}
			keep = time.Duration(seconds) * time.Second
		}
	}
	if age, err := strconv.ParseUint(header.Get("Age"), 10, 31); err == nil {
		keep -= time.Duration(age) * time.Second
	}
	return min(max(keep, 0), longestKeep)
}
