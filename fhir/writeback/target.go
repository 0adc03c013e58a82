package writeback

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/observation"
)

// ErrNotSent is wrapped by a RoundTripper that failed before anything went to
// the target, for instance because it got no access token. Without it every
// failure after a connection was had counts as in doubt.
var ErrNotSent = errors.New("writeback: nothing was sent to the target")

// ErrLogin is ErrNotSent for what a person must change: the credentials are
// missing, or are refused where tokens are given. The target is then asked more
// slowly.
var ErrLogin = fmt.Errorf("%w: this service could not log in", ErrNotSent)

// Target is one FHIR server that Observations are written to.
type Target struct {
	// Name is the target's name in the store; it appears in logs and metrics.
	Name string
	// Base is the service base URL, such as https://ehr.example/fhir.
	Base string
	// Mode is how it is written to; "" is Auto. One that is set is kept even if the
	// target does not say that it can do it, until the target refuses it.
	Mode Mode
	// Subject is how its patients are found; the zero value leaves references as
	// they are.
	Subject Subject
	// Profile is what it takes of a score: in what resources, with which codings.
	Profile observation.Profile
	// Transport carries the requests; nil means one of its own with limits for
	// connecting and for TLS. Whatever a target needs on top, such as an
	// Authorization header, wraps a transport and goes here.
	Transport http.RoundTripper
}

// client speaks to one target.
type client struct {
	base string
	// kind is the type whose abilities are looked at.
	kind string
	http *http.Client
	now  func() time.Time
}

// client checks the target and makes its client. Redirects are not followed:
// the body must not go to an address that nobody configured.
func (t Target) client(now func() time.Time) (*client, error) {
	base, err := url.Parse(t.Base)
	switch {
	case t.Name == "":
		return nil, errors.New("writeback: the target has no name")
	case err != nil:
		return nil, fmt.Errorf("writeback: the base of target %s is not a URL", t.Name)
	case base.Scheme != "http" && base.Scheme != "https", base.Host == "":
		return nil, fmt.Errorf("writeback: the base of target %s must be an absolute http or https URL", t.Name)
	case t.Mode != "" && !slices.Contains(Modes(), t.Mode):
		return nil, fmt.Errorf("writeback: target %s has no write mode %q; choose one of %s", t.Name, t.Mode, modeNames())
	case base.RawQuery != "" || base.Fragment != "" || base.User != nil:
		return nil, fmt.Errorf("writeback: the base of target %s must have no query, fragment or user", t.Name)
	}
	if err := t.Subject.check(); err != nil {
		return nil, fmt.Errorf("target %s: %w", t.Name, err)
	}
	if err := t.Profile.Check(); err != nil {
		return nil, fmt.Errorf("writeback: target %s: %w", t.Name, err)
	}
	transport := t.Transport
	if transport == nil {
		transport = NewTransport()
	}
	return &client{
		base: strings.TrimRight(base.String(), "/"),
		kind: t.Profile.Shape.Type(),
		now:  now,
		http: &http.Client{
			Transport:     transport,
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}, nil
}

// NewTransport is a transport of its own, with limits for connecting and for
// TLS, that keeps enough idle connections for every sender, and sends the head of a
// request and a score, which has some 12 kB, in one write.
func NewTransport() *http.Transport {
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.MaxIdleConnsPerHost = 64
	transport.WriteBufferSize = 32 << 10
	transport.TLSHandshakeTimeout = 10 * time.Second
	return transport
}

// instance is the address of a resource by its id.
func (c *client) instance(kind, id string) string {
	return c.base + "/" + kind + "/" + url.PathEscape(id)
}

// matching is the address of the resources of a type that carry an identifier,
// for conditional update and for search.
func (c *client) matching(kind string, id identifier) string {
	return c.base + "/" + kind + "?" + id.query()
}

// query is the search for an identifier.
func (id identifier) query() string { return "identifier=" + token(id) }

// token is a system and a value as they stand in a query.
func token(id identifier) string {
	return url.QueryEscape(escapeToken(id.system) + "|" + escapeToken(id.value))
}

// escapeToken escapes what has a meaning within a search value (R4 search.html
// 3.1.1.4.0).
func escapeToken(text string) string {
	if !strings.ContainsAny(text, `\,$|`) {
		return text // as ours are
	}
	return tokenEscapes.Replace(text)
}

var tokenEscapes = strings.NewReplacer(`\`, `\\`, `,`, `\,`, `$`, `\$`, `|`, `\|`)
