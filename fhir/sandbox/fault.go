package sandbox

import (
	"net/http"
)

// quirks are the ways in which a server may differ from the standard.
type quirks struct {
	staleSearch         bool
	noConditionalCreate bool
	noConditionalUpdate int // the status it is refused with
	noUpdateCreate      bool
	changeIDs           bool
	ignoreIfMatch       bool
	dropComponents      bool
}

// Fault is one way to misbehave, for one request.
type Fault struct {
	quirks
	status     int
	retryAfter string
	lost       bool
	applied    bool
	html       bool
	noETag     bool
}

// Refuse answers with a status and does nothing; retryAfter is the header of
// that name, "" for none.
func Refuse(status int, retryAfter string) Fault {
	return Fault{status: status, retryAfter: retryAfter}
}

// FailAfterWrite does what was asked and answers with a status all the same.
func FailAfterWrite(status int) Fault { return Fault{status: status, applied: true} }

// Lost does what was asked and drops the connection, so that the outcome is
// unknown to the client; with applied false nothing was done.
func Lost(applied bool) Fault { return Fault{lost: true, applied: applied} }

// HTML answers a page instead of a resource, as a proxy does, and does nothing.
func HTML() Fault { return Fault{html: true} }

// NoETag leaves ETag and Last-Modified out.
func NoETag() Fault { return Fault{noETag: true} }

// NoConditionalUpdate refuses conditional updates with a status.
func NoConditionalUpdate(status int) Fault {
	return Fault{quirks: quirks{noConditionalUpdate: status}}
}

// NoConditionalCreate refuses If-None-Exist.
func NoConditionalCreate() Fault { return Fault{quirks: quirks{noConditionalCreate: true}} }

// NoUpdateCreate refuses an update of what is not there, which would let the
// client choose the id.
func NoUpdateCreate() Fault { return Fault{quirks: quirks{noUpdateCreate: true}} }

// ChangeIDs gives what a client creates under an id of its own another one.
func ChangeIDs() Fault { return Fault{quirks: quirks{changeIDs: true}} }

// IgnoreIfMatch overwrites whatever is there.
func IgnoreIfMatch() Fault { return Fault{quirks: quirks{ignoreIfMatch: true}} }

// DropComponents keeps everything of an Observation but its components.
func DropComponents() Fault { return Fault{quirks: quirks{dropComponents: true}} }

// StaleSearch finds nothing, as an index that lags behind.
func StaleSearch() Fault { return Fault{quirks: quirks{staleSearch: true}} }

// Misbehave queues faults, one for each coming request.
func (s *Server) Misbehave(faults ...Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = append(s.faults, faults...)
}

// next takes the fault of the request at hand, if one is queued.
func (s *Server) next() Fault {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.faults) == 0 {
		return Fault{}
	}
	fault := s.faults[0]
	s.faults = s.faults[1:]
	return fault
}

// before misbehaves without doing what was asked; it says whether it did.
func (f Fault) before(w http.ResponseWriter) bool {
	switch {
	case f.html:
		w.Header().Set("Content-Type", "text/html")
		_, _ = w.Write([]byte("<html><body>Please log in</body></html>"))
	case f.lost && !f.applied:
		hangUp()
	case f.status != 0 && !f.applied:
		a := refuse(f.status, usualCode(f.status), "the sandbox was told to refuse").answer()
		f.write(w, a)
	default:
		return false
	}
	return true
}

// after misbehaves once it was done.
func (f Fault) after(w http.ResponseWriter, a *answer) bool {
	switch {
	case f.lost:
		hangUp()
	case f.status != 0:
		f.write(w, refuse(f.status, usualCode(f.status), "the sandbox was told to fail").answer())
	case f.noETag:
		a.header.Del("ETag")
		a.header.Del("Last-Modified")
		return false
	default:
		return false
	}
	return true
}

func (f Fault) write(w http.ResponseWriter, a answer) {
	for name, values := range a.header {
		w.Header()[name] = values
	}
	if f.retryAfter != "" {
		w.Header().Set("Retry-After", f.retryAfter)
	}
	w.WriteHeader(a.status)
	_, _ = w.Write(a.body)
}

// hangUp drops the connection without an answer.
func hangUp() { panic(http.ErrAbortHandler) }
