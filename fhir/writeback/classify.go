package writeback

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"net/http"
)

// action is what a request asks of the target.
type action uint8

const (
	// creating is the conditional update by identifier.
	creating action = iota
	// adding is the conditional create by identifier, posting the create without
	// a condition.
	adding
	posting
	// bundling is the transaction that creates, rebundling that which updates by
	// id.
	bundling
	rebundling
	// updating is the update by id.
	updating
	// reading is the read by id, searching that by identifier.
	reading
	searching
)

// writes says whether the action changes the target.
func (a action) writes() bool { return a != reading && a != searching }

// creates says whether it makes a resource that is not there.
func (a action) creates() bool { return a.writes() && a != updating && a != rebundling }

// transacts says whether it is a transaction, and conditional whether it needs
// what R4 leaves to the server: conditional interactions and transactions.
func (a action) transacts() bool   { return a == bundling || a == rebundling }
func (a action) conditional() bool { return a == creating || a == adding || a.transacts() }

// class is what an answer means for the next step.
type class uint8

const (
	// done: the target did what was asked.
	done class = iota
	// again: the target did nothing; try later.
	again
	// slowly is again, for what only a person can change, but is not the fault
	// of the one delivery.
	slowly
	// refused: it will never take this; a person must decide.
	refused
	// doubtful: it may or may not have done it.
	doubtful
	// conflicting: it did nothing, since it holds something else than expected.
	conflicting
	// absent: it has no such resource.
	absent
)

// verdict is the meaning of an answer.
type verdict struct {
	class class
	fault Fault
	// broad says that the fault is the target's as a whole, so that other
	// deliveries would meet it too.
	broad bool
}

// writeVerdicts says what every status means that has a meaning of its own in
// the answer to a write. Statuses not listed are judged by their hundred. The
// numbers are those of RFC 9110 section 15, RFC 6585 and R4 http.html 3.1.0;
// that 408 and all of 5xx prove nothing about what was done is caution: servers
// and gateways answer so while the write goes on behind them.
var writeVerdicts = map[int]verdict{
	200: {class: done}, 201: {class: done}, 203: {class: done}, 204: {class: done},
	202: {class: doubtful, fault: FaultAccepted},
	// Some servers answer If-None-Match of a write so (from memory).
	304: {class: conflicting, fault: FaultConflict},
	400: {class: refused, fault: FaultContent},
	401: {class: slowly, fault: FaultLogin, broad: true},
	403: {class: slowly, fault: FaultForbidden},
	404: {class: absent, fault: FaultGone},
	405: {class: refused, fault: FaultUnsupported},
	407: {class: slowly, fault: FaultLogin, broad: true},
	408: {class: doubtful, fault: FaultTimeout},
	409: {class: conflicting, fault: FaultConflict},
	410: {class: absent, fault: FaultGone},
	412: {class: conflicting, fault: FaultConflict},
	421: {class: again, fault: FaultConnect},
	422: {class: refused, fault: FaultContent},
	423: {class: again, fault: FaultConflict},
	424: {class: again, fault: FaultConflict},
	425: {class: again, fault: FaultBusy},
	428: {class: conflicting, fault: FaultConflict},
	429: {class: again, fault: FaultThrottled, broad: true},
	501: {class: refused, fault: FaultUnsupported},
	502: {class: doubtful, fault: FaultBusy, broad: true},
	503: {class: doubtful, fault: FaultBusy, broad: true},
	504: {class: doubtful, fault: FaultTimeout, broad: true},
	505: {class: refused, fault: FaultUnsupported},
	511: {class: slowly, fault: FaultLogin, broad: true},
}

// classifyStatus says what a status means as the answer to an action.
func classifyStatus(a action, status int) verdict {
	v, listed := writeVerdicts[status]
	if !listed {
		v = byHundred(status)
	}
	switch {
	case a == adding && v.class == done && status != http.StatusCreated:
		// There is one already, and nothing was done (R4 http.html 3.1.0.8.1).
		return verdict{class: conflicting, fault: FaultConflict}
	case a.transacts() && v.class == absent:
		return verdict{class: refused, fault: FaultUnsupported}
	case a.creates() && v.class == absent:
		return verdict{class: refused, fault: FaultType}
	case a.writes():
		return v
	case a == searching && (v.class == absent || v.class == refused):
		return verdict{class: refused, fault: FaultUnsearchable}
	case status == http.StatusNotModified:
		return verdict{class: again, fault: FaultNotFHIR}
	case v.class == doubtful, v.class == conflicting:
		// What a read came to is known: nothing.
		return verdict{class: again, fault: v.fault, broad: v.broad}
	case v.fault == FaultContent:
		return verdict{class: refused, fault: FaultRequest}
	default:
		return v
	}
}

// byHundred judges a status that has no meaning of its own here, as RFC 9110
// section 15 asks of a client.
func byHundred(status int) verdict {
	switch status / 100 {
	case 2:
		return verdict{class: doubtful, fault: FaultAccepted}
	case 3:
		return verdict{class: slowly, fault: FaultRedirect, broad: true}
	case 4:
		return verdict{class: refused, fault: FaultRequest}
	default:
		return verdict{class: doubtful, fault: FaultServer}
	}
}

// classifyError says what it means that there was no answer. Begun says that a
// connection was had, after which the request may have arrived.
func classifyError(a action, err error, begun bool) verdict {
	v := verdict{class: doubtful, fault: networkFault(err), broad: true}
	if !begun || errors.Is(err, ErrNotSent) || !a.writes() {
		v.class = again
	}
	if errors.Is(err, ErrLogin) {
		v.class = slowly
	}
	return v
}

// networkFault names the cause of a failed request by the types of its errors.
func networkFault(err error) Fault {
	var dns *net.DNSError
	var operation *net.OpError
	var timeout net.Error
	switch {
	case errors.Is(err, ErrLogin):
		return FaultLogin
	case errors.Is(err, ErrNotSent):
		return FaultNotSent
	case errors.As(err, &dns):
		return FaultName
	case isCertificate(err):
		return FaultCertificate
	case errors.As(err, &operation) && operation.Op == "dial":
		return FaultConnect
	case errors.Is(err, context.Canceled):
		return FaultStopped
	case errors.Is(err, context.DeadlineExceeded), errors.As(err, &timeout) && timeout.Timeout():
		return FaultTimeout
	default:
		return FaultConnection
	}
}

// isCertificate says whether TLS itself failed.
func isCertificate(err error) bool {
	var certificate *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var authority x509.UnknownAuthorityError
	var alert tls.AlertError
	var operation *net.OpError
	told := errors.As(err, &operation) && operation.Op == "remote error" // as crypto/tls calls an alert of the other side
	return told || errors.As(err, &alert) || errors.As(err, &certificate) || errors.As(err, &record) || errors.As(err, &authority)
}
