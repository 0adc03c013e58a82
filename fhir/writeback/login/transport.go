package login

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"

	"tidemark.example/tidemark/fhir/writeback"
)

// Source gives what proves who we are.
type Source interface {
	// Authorization gives the value of that header. Rejected is the value that the
	// target has just refused, "" otherwise; a Source that has no other gives the
	// same again. Its errors wrap writeback.ErrNotSent.
	Authorization(ctx context.Context, rejected string) (string, error)
}

// Fault is what is wrong with one setting of a target at the start.
type Fault struct {
	// Setting is its name within the target, as auth.token_file.
	Setting string
	err     error
}

// Error says what is wrong.
func (f *Fault) Error() string { return f.err.Error() }

// Unwrap gives the cause.
func (f *Fault) Unwrap() error { return f.err }

// failure is why nothing was sent.
type failure struct{ kind, cause error }

// failed makes an error that wraps writeback.ErrNotSent or ErrLogin, and speaks
// for itself.
func failed(kind error, format string, args ...any) error {
	return &failure{kind, fmt.Errorf(format, args...)}
}

// Error gives the cause alone; the kind is for programs.
func (f *failure) Error() string { return f.cause.Error() }

// Unwrap gives both.
func (f *failure) Unwrap() []error { return []error{f.kind, f.cause} }

// errElsewhere guards the credentials: they are for one server.
var errElsewhere = failed(writeback.ErrNotSent, "the address is not of the target, and its credentials go nowhere else")

// maxDrained is how much of a refusal is read so that its connection can be used
// again, in bytes.
const maxDrained = 64 << 10

// transport puts the credentials on requests to one server.
type transport struct {
	next   http.RoundTripper
	base   *url.URL
	source Source
}

// New makes a transport for requests to a FHIR base, and to nothing else.
func New(next http.RoundTripper, base string, source Source) (http.RoundTripper, error) {
	u, err := url.Parse(base)
	if err != nil || u.Host == "" {
		return nil, errors.New("login: the base is not an absolute URL")
	}
	u.Path = strings.TrimSuffix(u.Path, "/")
	return &transport{next, u, source}, nil
}

// RoundTrip implements http.RoundTripper.
func (t *transport) RoundTrip(request *http.Request) (*http.Response, error) {
	if !t.covers(request.URL) {
		return nil, abandoned(request, errElsewhere)
	}
	value, err := t.source.Authorization(request.Context(), "")
	if err != nil {
		return nil, abandoned(request, err)
	}
	response, err := t.next.RoundTrip(with(request, value, request.Body))
	if err != nil || response.StatusCode != http.StatusUnauthorized {
		return response, err
	}
	body, again := rewound(request)
	if !again {
		return response, nil
	}
	fresh, err := t.source.Authorization(request.Context(), value)
	if err != nil || fresh == value {
		closeBody(body)
		return response, nil // the refusal stands; the Source has told its own
	}
	_, _ = io.CopyN(io.Discard, response.Body, maxDrained)
	_ = response.Body.Close()
	return t.next.RoundTrip(with(request, fresh, body))
}

// covers says whether an address is the base or under it.
func (t *transport) covers(u *url.URL) bool {
	rest, under := strings.CutPrefix(u.Path, t.base.Path)
	return u.Scheme == t.base.Scheme && u.Host == t.base.Host && under && (rest == "" || rest[0] == '/')
}

// with is the request with credentials. The one that was given is not changed,
// as http.RoundTripper asks.
func with(request *http.Request, authorization string, body io.ReadCloser) *http.Request {
	copied := request.Clone(request.Context())
	copied.Body = body
	copied.Header.Set("Authorization", authorization)
	return copied
}

// rewound gives the body once more, and whether it can be had.
func rewound(request *http.Request) (io.ReadCloser, bool) {
	if request.Body == nil || request.Body == http.NoBody {
		return request.Body, true
	}
	if request.GetBody == nil {
		return nil, false
	}
	body, err := request.GetBody()
	return body, err == nil
}

// abandoned closes the body of a request that is not sent, as
// http.RoundTripper asks.
func abandoned(request *http.Request, err error) error {
	closeBody(request.Body)
	return err
}

func closeBody(body io.ReadCloser) {
	if body != nil {
		_ = body.Close()
	}
}
