package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/edge"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// errSlow is why the context of a request ends that has taken too long here.
var errSlow = errors.New("api: the request was given up, since it took too long")

// admit lets a request in as one of its address, until a token says whose it is
// (see identified), and gives it its time. The parts of a Bundle are in already.
func (s *Server) admit(c *gin.Context) {
	if c.Request.Context().Value(partOfBundle{}) != nil {
		return
	}
	ticket, refused := s.limiter.Enter("address " + edge.Key(s.options.Proxies.Client(c.Request)))
	if refused != nil {
		s.throttle(c, refused)
		return
	}
	s.metrics.inFlight.Inc()
	defer s.metrics.inFlight.Dec()
	defer ticket.Leave()
	exchangeOf(c).ticket = ticket
	if s.counted[c.FullPath()] {
		c.Next() // it stands ready and waits for nothing, so a timer would cost more than it
		return
	}
	ctx, cancel := context.WithTimeoutCause(c.Request.Context(), s.options.RequestTimeout, errSlow)
	defer cancel()
	c.Request = c.Request.WithContext(ctx)
	c.Next()
}

// identified makes the request one of the client that a verified token names.
// Until then it counts for its address: so do all whose tokens are refused, and
// who guesses at tokens is held back before they are looked at.
func (s *Server) identified(c *gin.Context, issuer, client string) error {
	ticket := exchangeOf(c).ticket
	if ticket == nil {
		return nil // part of a Bundle, which is counted as a whole
	}
	if refused := ticket.Become("client " + issuer + " " + client); refused != nil {
		return s.throttled(c, refused)
	}
	return nil
}

// chargeEntries counts a Bundle as what it holds, the first entry being the
// request itself.
func (s *Server) chargeEntries(c *gin.Context, entries int) {
	if ticket := exchangeOf(c).ticket; ticket != nil {
		ticket.Charge(entries - 1)
	}
}

func (s *Server) throttle(c *gin.Context, refused *edge.Refusal) {
	s.writeError(c, s.throttled(c, refused))
}

// throttled counts a refusal and makes it one to answer with: 429 is about the
// client (RFC 6585 section 4), 503 about all of them.
func (s *Server) throttled(c *gin.Context, refused *edge.Refusal) error {
	s.metrics.throttled.WithLabelValues(refused.Limit).Inc()
	after := refused.RetryAfter()
	c.Header("Retry-After", after)
	if refused.Limit == "capacity" {
		return fail(http.StatusServiceUnavailable, fhir.IssueThrottled, "The server works on as many requests as it can; repeat this one after "+after+" s.")
	}
	return fail(http.StatusTooManyRequests, fhir.IssueThrottled, "This client sends more requests than one may, over time or at once; repeat this one after "+after+" s.")
}

// slow tells a request that took this server too long from one that took too
// long to arrive. What may have been stored is told first.
func slow(c *gin.Context, err error) error {
	if !errors.Is(context.Cause(c.Request.Context()), errSlow) || !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, store.ErrUnknownOutcome) {
		return err
	}
	return fmt.Errorf("%w: %w", fail(http.StatusServiceUnavailable, fhir.IssueTimeout, "The request took the server too long and was given up; nothing was stored. Ask for less at once, or repeat it later."), err)
}

// RefusedByHTTP is the body to a request that net/http refuses by itself, since
// it is none.
func RefusedByHTTP(status int) []byte {
	code, text := fhir.IssueStructure, "The request is no valid HTTP/1.1; see RFC 9112. Where TLS is spoken, ask by https."
	switch status {
	case http.StatusRequestHeaderFieldsTooLarge:
		code, text = fhir.IssueTooLong, "The head of the request is too large; send shorter headers, or a search by POST to _search."
	case http.StatusNotImplemented:
		code, text = fhir.IssueNotSupported, "The Transfer-Encoding is not one that the server reads; send chunked, or a Content-Length."
	case http.StatusHTTPVersionNotSupported:
		code, text = fhir.IssueNotSupported, "The server speaks HTTP/1.1."
	}
	return one(status, code, text).issues.JSON()
}

// RefusalType is the Content-Type of RefusedByHTTP.
func RefusalType() string { return contentTypes[jsonTypes[0]][0] }

// defaultLimits fills in what Options leave open.
func (o *Options) defaultLimits() {
	if o.MaxBody == 0 {
		o.MaxBody = DefaultMaxBody
	}
	if o.MaxEntries == 0 {
		o.MaxEntries = DefaultMaxEntries
	}
	if o.BodyTimeout == 0 {
		o.BodyTimeout = DefaultBodyTimeout
	}
	if o.RequestTimeout == 0 {
		o.RequestTimeout = DefaultRequestTimeout
	}
}

// DefaultRequestTimeout is how long a request may take, its body's arrival
// included. It is well above what the slowest search takes.
const DefaultRequestTimeout = 30 * time.Second
