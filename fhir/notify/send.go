package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/http"
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir/subscription"
)

// Reason is why a call failed, from a closed list.
type Reason string

// The reasons. Accepted is none: the endpoint answered 2xx.
const (
	Accepted Reason = "accepted"
	// NotAllowed is an endpoint that the operator does not allow (any more).
	NotAllowed Reason = "not-allowed"
	// Address is a host whose address must not be called.
	Address Reason = "address"
	Resolve Reason = "resolve"
	Connect Reason = "connect"
	TLS     Reason = "tls"
	Timeout Reason = "timeout"
	// Broken is a connection that ended without an answer, or with none of HTTP.
	Broken Reason = "broken"
	// Redirect is an answer that sends elsewhere, where nothing is sent.
	Redirect Reason = "redirect"
	// Refused is any 4xx, Failed any 5xx and whatever else is no success.
	Refused Reason = "refused"
	Failed  Reason = "failed"
)

// Reasons are all of them, for metrics.
func Reasons() []Reason {
	return []Reason{Accepted, NotAllowed, Address, Resolve, Connect, TLS, Timeout, Broken, Redirect, Refused, Failed}
}

// faults say for each reason what Subscription.error tells the client.
var faults = map[Reason]string{
	NotAllowed: "The host of the endpoint is not among those that this server calls.",
	Address:    "The host of the endpoint has an address that this server does not call.",
	Resolve:    "The host of the endpoint could not be resolved.",
	Connect:    "No connection to the endpoint could be made.",
	TLS:        "The endpoint has no certificate that is valid for its host, or offers no TLS of version 1.2 or later.",
	Timeout:    "The endpoint did not answer in time.",
	Broken:     "The endpoint ended the connection without an answer.",
	Redirect:   "The endpoint answered with a redirect, and none is followed.",
}

// maxAnswer is how much of an answer is read, in bytes; nothing in it counts.
const maxAnswer = 4 << 10

// caller makes the calls.
type caller struct {
	client *http.Client
	policy *Policy
	now    func() time.Time
}

// newCaller makes a caller that trusts the roots of a TLS configuration, nil for
// those of the system.
func newCaller(policy *Policy, trust *tls.Config, now func() time.Time) *caller {
	trust = trust.Clone()
	if trust == nil {
		trust = &tls.Config{}
	}
	trust.MinVersion = tls.VersionTLS12
	return &caller{policy: policy, now: now, client: &http.Client{
		// Whoever subscribes chooses where a call goes, so the environment has no say
		// in it: a proxy would resolve the name again.
		Transport: &http.Transport{
			Proxy: nil, DialContext: policy.dial, TLSClientConfig: trust, TLSHandshakeTimeout: 10 * time.Second,
			MaxResponseHeaderBytes: 64 << 10, MaxIdleConnsPerHost: 2, IdleConnTimeout: 30 * time.Second, DisableCompression: true,
		},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// call sends a body to the endpoint of a subscription, and says what became of it
// in two ways: by reason, and as the client is told.
func (c *caller) call(ctx context.Context, id string, s subscription.Subscription, key []byte, body []byte) (Reason, string) {
	if c.policy.Allows(s.Endpoint) != nil {
		return NotAllowed, faults[NotAllowed]
	}
	ctx, cancel := context.WithTimeout(ctx, s.Timeout)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, s.Endpoint.String(), bytes.NewReader(body))
	if err != nil {
		return NotAllowed, faults[NotAllowed]
	}
	for _, h := range s.Headers {
		request.Header.Add(h.Name, h.Value)
	}
	request.Header.Set("Content-Type", "application/fhir+json")
	request.Header.Set("User-Agent", "Tidemark")
	passOn(request)
	if key != nil {
		sign(request, body, key, id, c.now())
	}
	response, err := c.client.Do(request)
	if err != nil {
		reason := reasonOf(err)
		return reason, faults[reason]
	}
	// What is read is read so that the connection can serve again.
	_, _ = io.CopyN(io.Discard, response.Body, maxAnswer)
	_ = response.Body.Close()
	return judgeStatus(response.StatusCode)
}

// judgeStatus says what a status means.
func judgeStatus(status int) (Reason, string) {
	switch {
	case status >= 200 && status < 300:
		return Accepted, ""
	case status >= 300 && status < 400:
		return Redirect, faults[Redirect]
	case status >= 400 && status < 500:
		return Refused, "The endpoint answered " + strconv.Itoa(status) + "."
	}
	return Failed, "The endpoint answered " + strconv.Itoa(status) + "."
}

// remoteAlert is how crypto/tls names an operation that an alert of the other side
// ended.
const remoteAlert = "remote error"

// reasonOf classifies what a call failed with.
func reasonOf(err error) Reason {
	var dns *net.DNSError
	var certificate *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var operation *net.OpError
	var slow interface{ Timeout() bool }
	switch {
	case errors.Is(err, errAddress):
		return Address
	case errors.As(err, &dns):
		return Resolve
	case errors.As(err, &certificate), errors.As(err, &record), errors.As(err, &operation) && operation.Op == remoteAlert:
		return TLS
	case errors.As(err, &slow) && slow.Timeout():
		return Timeout
	case errors.As(err, &operation) && operation.Op == "dial":
		return Connect
	}
	return Broken
}
