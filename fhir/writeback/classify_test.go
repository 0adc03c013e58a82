package writeback

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// Meanings that several statuses share, as the tables below name them.
var (
	isDone     = verdict{class: done}
	isAgain    = verdict{class: again}
	isRedirect = verdict{class: slowly, fault: FaultRedirect, broad: true}
	isLogin    = verdict{class: slowly, fault: FaultLogin, broad: true}
	isContent  = verdict{class: refused, fault: FaultContent}
	isRequest  = verdict{class: refused, fault: FaultRequest}
	isClash    = verdict{class: conflicting, fault: FaultConflict}
	isNoSearch = verdict{class: refused, fault: FaultUnsearchable}
	isType     = verdict{class: refused, fault: FaultType}
	isMissing  = verdict{class: refused, fault: FaultUnsupported}
	isGone     = verdict{class: absent, fault: FaultGone}
)

// fault is a verdict with another fault.
func (v verdict) with(fault Fault) verdict {
	v.fault = fault
	return v
}

// overall is a verdict on the target as a whole.
func (v verdict) overall() verdict {
	v.broad = true
	return v
}

// inDoubt is the verdict on a write that proves nothing.
func inDoubt(fault Fault) verdict { return verdict{class: doubtful, fault: fault} }

// statusCase is what one status means as the answer to each action.
type statusCase struct {
	status                                                                       int
	creating, adding, posting, bundling, rebundling, updating, reading, searched verdict
}

// statusCases are written out, not computed, so that they hold against a change
// of the rules as well as of the numbers (RFC 9110 section 15, RFC 6585, R4
// http.html 3.1.0).
var statusCases = []statusCase{
	{200, isDone, isClash, isDone, isDone, isDone, isDone, isDone, isDone},
	{201, isDone, isDone, isDone, isDone, isDone, isDone, isDone, isDone},
	{202, inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), isAgain.with(FaultAccepted), isAgain.with(FaultAccepted)},
	{203, isDone, isClash, isDone, isDone, isDone, isDone, isDone, isDone},
	{204, isDone, isClash, isDone, isDone, isDone, isDone, isDone, isDone},
	{206, inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), inDoubt(FaultAccepted), isAgain.with(FaultAccepted), isAgain.with(FaultAccepted)},
	{300, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect},
	{301, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect},
	{302, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect},
	{303, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect},
	{304, isClash, isClash, isClash, isClash, isClash, isClash, isAgain.with(FaultNotFHIR), isAgain.with(FaultNotFHIR)},
	{307, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect},
	{308, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect, isRedirect},
	{400, isContent, isContent, isContent, isContent, isContent, isContent, isRequest, isNoSearch},
	{401, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin},
	{402, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{403, isForbidden, isForbidden, isForbidden, isForbidden, isForbidden, isForbidden, isForbidden, isForbidden},
	{404, isType, isType, isType, isMissing, isMissing, isGone, isGone, isNoSearch},
	{405, isMissing, isMissing, isMissing, isMissing, isMissing, isMissing, isMissing, isNoSearch},
	{406, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{407, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin},
	{408, inDoubt(FaultTimeout), inDoubt(FaultTimeout), inDoubt(FaultTimeout), inDoubt(FaultTimeout), inDoubt(FaultTimeout), inDoubt(FaultTimeout), isAgain.with(FaultTimeout), isAgain.with(FaultTimeout)},
	{409, isClash, isClash, isClash, isClash, isClash, isClash, isAgain.with(FaultConflict), isAgain.with(FaultConflict)},
	{410, isType, isType, isType, isMissing, isMissing, isGone, isGone, isNoSearch},
	{412, isClash, isClash, isClash, isClash, isClash, isClash, isAgain.with(FaultConflict), isAgain.with(FaultConflict)},
	{413, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{414, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{415, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{421, isAgain.with(FaultConnect), isAgain.with(FaultConnect), isAgain.with(FaultConnect), isAgain.with(FaultConnect), isAgain.with(FaultConnect), isAgain.with(FaultConnect), isAgain.with(FaultConnect), isAgain.with(FaultConnect)},
	{422, isContent, isContent, isContent, isContent, isContent, isContent, isRequest, isNoSearch},
	{423, isAgain.with(FaultConflict), isAgain.with(FaultConflict), isAgain.with(FaultConflict), isAgain.with(FaultConflict), isAgain.with(FaultConflict), isAgain.with(FaultConflict), isAgain.with(FaultConflict), isAgain.with(FaultConflict)},
	{425, isAgain.with(FaultBusy), isAgain.with(FaultBusy), isAgain.with(FaultBusy), isAgain.with(FaultBusy), isAgain.with(FaultBusy), isAgain.with(FaultBusy), isAgain.with(FaultBusy), isAgain.with(FaultBusy)},
	{428, isClash, isClash, isClash, isClash, isClash, isClash, isAgain.with(FaultConflict), isAgain.with(FaultConflict)},
	{429, isThrottled, isThrottled, isThrottled, isThrottled, isThrottled, isThrottled, isThrottled, isThrottled},
	{431, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{451, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isRequest, isNoSearch},
	{500, inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), isAgain.with(FaultServer), isAgain.with(FaultServer)},
	{501, isMissing, isMissing, isMissing, isMissing, isMissing, isMissing, isMissing, isNoSearch},
	{502, inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), isBusy, isBusy},
	{503, inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), inDoubt(FaultBusy).overall(), isBusy, isBusy},
	{504, inDoubt(FaultTimeout).overall(), inDoubt(FaultTimeout).overall(), inDoubt(FaultTimeout).overall(), inDoubt(FaultTimeout).overall(), inDoubt(FaultTimeout).overall(), inDoubt(FaultTimeout).overall(), isSlow, isSlow},
	{505, isMissing, isMissing, isMissing, isMissing, isMissing, isMissing, isMissing, isNoSearch},
	{507, inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), isAgain.with(FaultServer), isAgain.with(FaultServer)},
	{511, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin, isLogin},
	{599, inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), inDoubt(FaultServer), isAgain.with(FaultServer), isAgain.with(FaultServer)},
}

var (
	isForbidden = verdict{class: slowly, fault: FaultForbidden}
	isThrottled = isAgain.with(FaultThrottled).overall()
	isBusy      = isAgain.with(FaultBusy).overall()
	isSlow      = isAgain.with(FaultTimeout).overall()
)

func TestClassifyStatus(t *testing.T) {
	t.Parallel()
	for _, c := range statusCases {
		t.Run(fmt.Sprint("Meaning", c.status), func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.creating, classifyStatus(creating, c.status), "conditional update")
			require.Equal(t, c.adding, classifyStatus(adding, c.status), "conditional create")
			require.Equal(t, c.posting, classifyStatus(posting, c.status), "create")
			require.Equal(t, c.bundling, classifyStatus(bundling, c.status), "transaction that creates")
			require.Equal(t, c.rebundling, classifyStatus(rebundling, c.status), "transaction that updates")
			require.Equal(t, c.updating, classifyStatus(updating, c.status), "update by id")
			require.Equal(t, c.reading, classifyStatus(reading, c.status), "read")
			require.Equal(t, c.searched, classifyStatus(searching, c.status), "search")
		})
	}
}

// TestClassifyStatusRules holds for every status there can be, listed or not.
func TestClassifyStatusRules(t *testing.T) {
	t.Parallel()
	for status := 200; status < 1000; status++ {
		for a := creating; a <= searching; a++ {
			v := classifyStatus(a, status)
			require.Equal(t, v.class == done, v.fault == "", "status %d: only a success has no fault", status)
			if v.fault != "" {
				require.NotEmpty(t, sentences[v.fault], "status %d: %s is explained", status, v.fault)
			}
			if !a.writes() {
				require.NotContains(t, []class{doubtful, conflicting}, v.class, "status %d: a read leaves no doubt", status)
			}
			if status >= 300 {
				require.NotEqual(t, done, v.class, "status %d is no success", status)
			}
		}
	}
}

func TestClassifyError(t *testing.T) {
	t.Parallel()
	wrapped := func(err error) error { return &url.Error{Op: "Put", URL: "http://ehr.example", Err: err} }
	for name, c := range map[string]struct {
		err   error
		fault Fault
	}{
		"NothingSentByTheTransport":   {fmt.Errorf("no token: %w", ErrNotSent), FaultNotSent},
		"CredentialsRefused":          {fmt.Errorf("invalid_client: %w", ErrLogin), FaultLogin},
		"HostNameUnknown":             {&net.OpError{Op: "dial", Err: &net.DNSError{Name: "ehr.example", IsNotFound: true}}, FaultName},
		"ConnectionRefused":           {&net.OpError{Op: "dial", Err: os.NewSyscallError("connect", syscall.ECONNREFUSED)}, FaultConnect},
		"ConnectionTimedOutOnDialing": {&net.OpError{Op: "dial", Err: os.ErrDeadlineExceeded}, FaultConnect},
		"CertificateOfAnotherHost":    {&tls.CertificateVerificationError{Err: x509.HostnameError{}}, FaultCertificate},
		"CertificateOfNobodyKnown":    {x509.UnknownAuthorityError{}, FaultCertificate},
		"PlainTextInPlaceOfTLS":       {tls.RecordHeaderError{Msg: "first record does not look like TLS"}, FaultCertificate},
		"AlertOfTheOtherSide":         {&net.OpError{Op: "remote error", Err: errors.New("tls: certificate required")}, FaultCertificate},
		"HandshakeRefused":            {tls.AlertError(40), FaultCertificate},
		"Stopped":                     {context.Canceled, FaultStopped},
		"NoAnswerInTime":              {context.DeadlineExceeded, FaultTimeout},
		"ReadTimedOut":                {&net.OpError{Op: "read", Err: os.ErrDeadlineExceeded}, FaultTimeout},
		"ConnectionReset":             {&net.OpError{Op: "read", Err: os.NewSyscallError("read", syscall.ECONNRESET)}, FaultConnection},
		"AnythingElse":                {errors.New("malformed HTTP response"), FaultConnection},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			idle := again // the class of what did nothing
			if c.fault == FaultLogin {
				idle = slowly
			}
			for _, a := range []action{creating, adding, posting, bundling, rebundling, updating} {
				before := classifyError(a, wrapped(c.err), false)
				require.Equal(t, verdict{class: idle, fault: c.fault, broad: true}, before, "before a connection was had nothing was done")
				after := classifyError(a, wrapped(c.err), true)
				want := verdict{class: doubtful, fault: c.fault, broad: true}
				if c.fault == FaultNotSent || c.fault == FaultLogin {
					want.class = idle
				}
				require.Equal(t, want, after, "afterwards nobody knows")
			}
			for _, a := range []action{reading, searching} {
				for _, begun := range []bool{false, true} {
					require.Equal(t, verdict{class: idle, fault: c.fault, broad: true}, classifyError(a, wrapped(c.err), begun))
				}
			}
			require.NotEmpty(t, sentences[c.fault])
		})
	}
}
