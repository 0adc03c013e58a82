package api

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// condition is the search of a conditional interaction (R4 http.html
// 3.1.0.4.3, 3.1.0.7.1, 3.1.0.8.1), evaluated in the transaction that acts on it.
type condition struct {
	// name is how the sender gave it, for what is told of it.
	name  string
	query store.Query
	// none says that its parts exclude each other, so that nothing can match.
	none bool
}

// condition reads the query part of a conditional interaction. Unlike a search
// it must be understood in full: to leave a part out would act on others.
func (s *Server) condition(name, query string) (*condition, error) {
	values, err := url.ParseQuery(query)
	if err != nil {
		return nil, fail(http.StatusBadRequest, fhir.IssueValue, name+" must be a search without its question mark.")
	}
	for param := range values {
		if err := checkModifier(param); err != nil {
			return nil, err
		}
	}
	p, err := s.parseSearch("QuestionnaireResponse", values, true)
	if err != nil {
		return nil, err
	}
	if p.criteria == 0 {
		return nil, fail(http.StatusBadRequest, fhir.IssueValue, name+" names no condition.")
	}
	p.query.Total, p.query.Limit, p.query.After = false, 2, ""
	return &condition{name: name, query: p.query, none: p.none}, nil
}

// find gives the one match, or says that there is none; several are refused.
func (c *condition) find(tx store.Tx) (match store.Resource, found bool, err error) {
	if c.none {
		return store.Resource{}, false, nil
	}
	page, err := tx.Search(c.query)
	switch {
	case err != nil || len(page.Resources) == 0:
		return store.Resource{}, false, err
	case len(page.Resources) > 1:
		return store.Resource{}, false, fail(http.StatusPreconditionFailed, fhir.IssueMultipleMatches, c.name+" matches more than one resource.")
	}
	return page.Resources[0], true, nil
}

// anyVersion is what If-Match: * asks for: that the resource exists.
const anyVersion = -1

// ifMatch reads the version of an If-Match header, 0 for none. Tags are
// compared weakly, since R4 has only weak ones (http.html 3.1.0.1.3).
func ifMatch(header string) (int64, error) {
	header = strings.TrimSpace(header)
	switch header {
	case "":
		return 0, nil
	case "*":
		return anyVersion, nil
	}
	text := strings.TrimPrefix(header, "W/")
	if unquoted, ok := strings.CutPrefix(text, `"`); ok {
		if text, ok = strings.CutSuffix(unquoted, `"`); !ok {
			text = ""
		}
	}
	version, err := strconv.ParseInt(text, 10, 64)
	if err != nil || version < 1 || text[0] == '+' {
		return 0, fail(http.StatusBadRequest, fhir.IssueValue, `If-Match names a version as W/"1".`)
	}
	return version, nil
}

// stale refuses to act on a version other than the one expected; 0 expects none.
func stale(expected, current int64) error {
	if expected == 0 || expected == anyVersion && current != 0 || expected == current {
		return nil
	}
	if current == 0 {
		return fail(http.StatusPreconditionFailed, fhir.IssueConflict, "If-Match names a version, and there is no such resource.")
	}
	return fail(http.StatusPreconditionFailed, fhir.IssueConflict, "The response has changed since: its version is "+strconv.FormatInt(current, 10)+". Read it again and repeat.")
}

// sameTag says whether a list of entity tags, as of If-None-Match, names one;
// tags are compared weakly (RFC 9110 section 8.8.3.2).
func sameTag(list, tag string) bool {
	for each := range strings.SplitSeq(list, ",") {
		each = strings.TrimSpace(each)
		if each == "*" || strings.TrimPrefix(each, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}

// preference is the value of one preference of a Prefer header, "" if it was
// not given (RFC 7240 section 2): names ignore case, values may be quoted, the
// first of a name counts.
func preference(header, name string) string {
	for each := range strings.FieldsFuncSeq(header, func(r rune) bool { return r == ',' || r == ';' }) {
		key, value, _ := strings.Cut(each, "=")
		if strings.EqualFold(strings.TrimSpace(key), name) {
			return strings.Trim(strings.TrimSpace(value), `"`)
		}
	}
	return ""
}
