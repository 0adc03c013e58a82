package writeback

import (
	"net/http"
	"slices"
	"strings"
)

// suspicion is that a target does not do what the mode of a delivery needs. A
// plain request proves it, or shows that the content was at fault.
type suspicion struct {
	// way and action are what was tried.
	way    way
	action action
	// sure says that the answer left no doubt, so that any write that is taken
	// proves it.
	sure bool
}

// notSupported is the issue type of what is not offered (R4
// codesystem-issue-type.html).
const notSupported = "not-supported"

// saysNotSupported says whether issues are about the interaction: an issue with
// an element beside it is about the content, but for an entry of a Bundle.
func saysNotSupported(issues []string) bool {
	return slices.ContainsFunc(issues, func(issue string) bool {
		about, found := strings.CutPrefix(issue, notSupported)
		return found && (about == "" || strings.HasPrefix(about, " at Bundle.") && !strings.Contains(about, ".resource"))
	})
}

// suspect says whether an answer may mean that the target does not do what was
// asked at all. R4 has 400 for a conditional interaction that is not offered
// (http.html 3.1.0.8.1), which is that for a fault of the content as well;
// servers also answer 405, 412, 422 and 501, and 404 or 410 where they have no
// base to post to (common practice).
func suspect(asked action, a answer) (suspected, sure bool) {
	if !asked.conditional() {
		return false, false
	}
	says := saysNotSupported(a.issues)
	switch a.status {
	case http.StatusMethodNotAllowed, http.StatusNotImplemented:
		return true, true
	case http.StatusBadRequest:
		return true, says
	case http.StatusNotFound, http.StatusGone:
		return asked.transacts(), asked.transacts() && says
	case http.StatusPreconditionFailed, http.StatusUnprocessableEntity:
		return says, says
	default:
		return false, false
	}
}

// tryPlainly goes on without what the target may not do, for this delivery: it
// is searched, or read, and then written by a plain request.
func (s *delivering) tryPlainly(a answer) bool {
	suspected, sure := suspect(s.next, a)
	if s.suspicion != nil || !suspected {
		return false
	}
	s.suspicion = &suspicion{s.way, s.next, sure}
	s.way = wayOf(SearchThenWrite)
	s.look()
	return true
}

// acquit drops the suspicion where the target had another reason: the resource
// that was to be updated is not there.
func (s *delivering) acquit() {
	if s.suspicion != nil && s.suspicion.action == rebundling && !s.suspicion.sure {
		s.way, s.suspicion = s.suspicion.way, nil
	}
}

// convict remembers what a plain write has proved: the target took plainly what
// it had refused. That an update by id was taken says nothing of a conditional
// create, unless that was refused in so many words.
func (s *delivering) convict() {
	if s.suspicion != nil && (s.suspicion.sure || s.next == posting || s.suspicion.action == rebundling) {
		s.w.fallBack(s.suspicion.way.mode)
	}
	if s.unmatching {
		s.w.unmatch()
	}
}

// refusesMatch says that an answer is about If-Match itself, which the target
// does not do: the resource is then read right before it is updated without.
func (s *delivering) refusesMatch(a answer) bool {
	if s.next != updating || s.unmatching || !saysNotSupported(a.issues) {
		return false
	}
	switch a.status {
	case http.StatusBadRequest, http.StatusPreconditionFailed, http.StatusNotImplemented:
		s.unmatching = true
		s.look()
		return true
	default:
		return false
	}
}
