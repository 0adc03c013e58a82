package login

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/writeback"
)

const (
	// assertionTime is how long an assertion is good for. SMART allows five
	// minutes; four leave a server whose clock is a minute behind content, and
	// serve one whose clock is some minutes ahead.
	assertionTime = 4 * time.Minute
	// patience is how long a token endpoint may take.
	patience = 15 * time.Second
	// maxDocument is the most that is read of an answer, in bytes.
	maxDocument = 64 << 10
	// longestKept is the longest that a token is kept whatever it says, and
	// unsaidKept how long if it says nothing: what SMART recommends it to be.
	longestKept, unsaidKept = 24 * time.Hour, 5 * time.Minute
	// telltaleSkew is how far clocks differ for it to be worth a word, since
	// servers allow about a minute.
	telltaleSkew = time.Minute
)

// Signer signs claims as a JWT with a header typ, by the key that is current.
type Signer interface {
	Sign(typ string, claims any) (string, error)
}

// ClientOptions configure a Client. All but those that say so are needed.
type ClientOptions struct {
	// Base is the FHIR base of the server that tokens are for. TokenURL is the
	// token endpoint, "" for the one that the base's smart-configuration names.
	Base, TokenURL string
	// ID is client_id, Scope what is asked for.
	ID, Scope string
	// Keys sign the assertions; their public ones are registered with the server.
	Keys Signer
	// Transport carries the requests.
	Transport http.RoundTripper
	// Now is the clock; nil for the system's.
	Now func() time.Time
}

// Client gets access tokens as a backend service (SMART App Launch 2.2.0). It
// keeps none; see SMART.
type Client struct {
	options ClientOptions
	http    *http.Client
}

// Token is an access token.
type Token struct {
	// Text is the token itself, a secret.
	Text string
	// Scope is what was granted, "" if the server does not say.
	Scope string
	// Lifetime is how long it is good for from when it was asked for.
	Lifetime time.Duration
}

// String shows no token.
func (t Token) String() string { return "[token for " + t.Lifetime.String() + "]" }

// GoString shows no token.
func (t Token) GoString() string { return t.String() }

// LogValue shows no token.
func (t Token) LogValue() slog.Value { return slog.StringValue(t.String()) }

// NewClient makes a client. Redirects are not followed: an assertion is for the
// one address.
func NewClient(options ClientOptions) (*Client, error) {
	for name, missing := range map[string]bool{
		"Base": options.Base == "", "ID": options.ID == "", "Scope": options.Scope == "", "Keys": options.Keys == nil, "Transport": options.Transport == nil,
	} {
		if missing {
			return nil, fmt.Errorf("login: %s of a client is missing", name)
		}
	}
	if options.Now == nil {
		options.Now = time.Now
	}
	return &Client{options, &http.Client{
		Transport: options.Transport, Timeout: patience,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// Token asks for a token now. Errors wrap writeback.ErrNotSent, and
// writeback.ErrLogin if asking again cannot help.
func (c *Client) Token(ctx context.Context) (Token, error) {
	endpoint, algorithms, err := c.endpoint(ctx)
	if err != nil {
		return Token{}, err
	}
	assertion, err := c.assertion(endpoint)
	if err != nil {
		return Token{}, failed(writeback.ErrLogin, "%w", err)
	}
	form := url.Values{
		"grant_type": {"client_credentials"}, "scope": {c.options.Scope},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"}, "client_assertion": {assertion},
	}
	answer, err := c.exchange(ctx, http.MethodPost, endpoint, form)
	if err != nil {
		return Token{}, err
	}
	if answer.status != http.StatusOK {
		return Token{}, c.refused(answer, algorithmOf(assertion), algorithms)
	}
	return answer.token()
}

// assertion proves who we are to one token endpoint, once (RFC 7523 section 3;
// SMART client-confidential-asymmetric).
func (c *Client) assertion(endpoint string) (string, error) {
	now := c.options.Now()
	return c.options.Keys.Sign("JWT", struct {
		Issuer   string `json:"iss"`
		Subject  string `json:"sub"`
		Audience string `json:"aud"`
		ID       string `json:"jti"`
		Issued   int64  `json:"iat"`
		Expires  int64  `json:"exp"`
	}{c.options.ID, c.options.ID, endpoint, rand.Text(), now.Unix(), now.Add(assertionTime).Unix()})
}

// algorithmOf is alg of a JWT that was just made.
func algorithmOf(jwt string) string {
	head, _, _ := strings.Cut(jwt, ".")
	text, err := base64.RawURLEncoding.DecodeString(head)
	var header struct {
		Algorithm string `json:"alg"`
	}
	if err != nil || json.Unmarshal(text, &header) != nil {
		return ""
	}
	return header.Algorithm
}

// endpoint is where tokens are given, and the algorithms that are taken there if
// the server says so.
func (c *Client) endpoint(ctx context.Context) (address string, algorithms []string, err error) {
	if c.options.TokenURL != "" {
		return c.options.TokenURL, nil, nil
	}
	place := strings.TrimSuffix(c.options.Base, "/") + "/.well-known/smart-configuration"
	answer, err := c.exchange(ctx, http.MethodGet, place, nil)
	if err != nil {
		return "", nil, err
	}
	var found struct {
		Endpoint   string   `json:"token_endpoint"`
		Algorithms []string `json:"token_endpoint_auth_signing_alg_values_supported"`
	}
	if err := answer.read(&found); err != nil {
		return "", nil, failed(answer.kind(), "%s gives no smart-configuration (HTTP status %d): %w; if the server publishes none, name its token endpoint",
			place, answer.status, err)
	}
	if !isConfidential(found.Endpoint) {
		return "", nil, failed(writeback.ErrLogin, "%s names no token endpoint with an absolute https URL", place)
	}
	return found.Endpoint, found.Algorithms, nil
}

// isConfidential says whether what is sent to an address is read there only: by
// https, or on this machine.
func isConfidential(address string) bool {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Fragment != "" || u.User != nil {
		return false
	}
	ip, err := netip.ParseAddr(u.Hostname())
	return u.Scheme == "https" || u.Scheme == "http" && (u.Hostname() == "localhost" || err == nil && ip.IsLoopback())
}

// document is an answer that should be JSON.
type document struct {
	status int
	header http.Header
	body   []byte
}

// exchange makes one request.
func (c *Client) exchange(ctx context.Context, method, address string, form url.Values) (*document, error) {
	request, err := http.NewRequestWithContext(ctx, method, address, strings.NewReader(form.Encode()))
	if err != nil {
		return nil, failed(writeback.ErrLogin, "%w", err)
	}
	request.Header.Set("Accept", "application/json")
	request.Header.Set("User-Agent", "tidemark")
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	response, err := c.http.Do(request)
	if err != nil {
		return nil, failed(writeback.ErrNotSent, "%w", err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(io.LimitReader(response.Body, maxDocument+1))
	if err != nil {
		return nil, failed(writeback.ErrNotSent, "reading the answer of %s: %w", address, err)
	}
	return &document{response.StatusCode, response.Header, body}, nil
}

// kind is the error for an answer that was not hoped for: whether to ask again
// or to have something changed.
func (d *document) kind() error {
	switch {
	case d.status == http.StatusRequestTimeout, d.status == http.StatusTooEarly, d.status == http.StatusTooManyRequests:
		return writeback.ErrNotSent
	case d.status >= 300 && d.status < 500:
		return writeback.ErrLogin
	}
	return writeback.ErrNotSent
}

// The ways in which a document is none.
var (
	errStatus   = errors.New("the status is not 200")
	errTooLarge = errors.New("the answer is too large")
	errNotJSON  = errors.New("the answer is no JSON; does a gateway answer in its place?")
)

// read reads a document that was found.
func (d *document) read(into any) error {
	if d.status != http.StatusOK {
		return errStatus
	}
	return d.json(into)
}

// json reads a document whatever its status. The text of a JSON error could
// repeat what was sent, so it is left out.
func (d *document) json(into any) error {
	if len(d.body) > maxDocument {
		return errTooLarge
	}
	if kind, _, err := mime.ParseMediaType(d.header.Get("Content-Type")); err == nil && strings.Contains(kind, "html") {
		return errNotJSON
	}
	if json.Unmarshal(d.body, into) != nil {
		return errNotJSON
	}
	return nil
}

// token reads the answer that has one (RFC 6749 section 5.1).
func (d *document) token() (Token, error) {
	var answer struct {
		Text    string          `json:"access_token"`
		Type    string          `json:"token_type"`
		Expires json.RawMessage `json:"expires_in"`
		Scope   string          `json:"scope"`
	}
	err := d.read(&answer)
	switch {
	case err != nil:
	case !strings.EqualFold(answer.Type, "bearer"):
		err = errors.New("token_type is not bearer")
	case !bearerToken.MatchString(answer.Text):
		err = errors.New("access_token is missing, or is none")
	}
	if err != nil {
		return Token{}, failed(writeback.ErrNotSent, "the token endpoint gives no token: %w", err)
	}
	return Token{answer.Text, answer.Scope, lifetime(answer.Expires)}, nil
}

// lifetime reads expires_in, which some servers quote. A token that says nothing
// is kept as long as SMART wants tokens to live.
func lifetime(text json.RawMessage) time.Duration {
	if len(text) == 0 || string(text) == "null" {
		return unsaidKept
	}
	seconds, err := strconv.ParseFloat(strings.Trim(string(text), `"`), 64)
	if kept := seconds > 0; err != nil || !kept {
		return 0
	}
	return time.Duration(min(seconds, longestKept.Seconds()) * float64(time.Second))
}

// refusalCodes are the error codes of token endpoints (RFC 6749 section 5.2; the
// last three are of 4.1.2.1, and in use there). No other text is repeated.
var refusalCodes = []string{
	"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type", "invalid_scope",
	"access_denied", "server_error", "temporarily_unavailable",
}

// refused says why there is no token, as far as the endpoint tells, and what may
// be the cause.
func (c *Client) refused(d *document, algorithm string, algorithms []string) error {
	var answer struct {
		Code string `json:"error"`
	}
	kind, code, reason := d.kind(), "", "it names no error code of OAuth"
	if d.json(&answer) == nil && slices.Contains(refusalCodes, answer.Code) {
		code, reason = answer.Code, answer.Code
		if answer.Code == "server_error" || answer.Code == "temporarily_unavailable" {
			kind = writeback.ErrNotSent
		}
	}
	text := fmt.Sprintf("the token endpoint gives no token: %s (HTTP status %d)", reason, d.status)
	if len(algorithms) > 0 && !slices.Contains(algorithms, algorithm) {
		text += fmt.Sprintf("; our keys are for %s, and it takes %s", algorithm, strings.Join(algorithms, ", "))
	}
	if date, err := http.ParseTime(d.header.Get("Date")); err == nil {
		if skew := c.options.Now().Sub(date).Round(time.Second); skew.Abs() > telltaleSkew {
			text += fmt.Sprintf("; this machine's clock differs from the server's by %s", skew)
		}
	}
	return &failure{kind, &Refusal{Code: code, text: text}}
}

// Refusal is what a token endpoint says in place of a token.
type Refusal struct {
	// Code is OAuth's (RFC 6749 section 5.2), "" if it names none.
	Code string
	text string
}

// Error says what was refused, and what may be the cause.
func (r *Refusal) Error() string { return r.text }
