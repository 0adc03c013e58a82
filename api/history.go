package api

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// historyBefore carries the version that the next page of a history goes on
// below: versions are only ever added in front, so pages are stable.
const historyBefore = "_before"

// history answers the versions of one resource, newest first (R4 http.html
// 3.1.0.12), the deletion of a response included.
func (s *Server) history(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		key, err := keyOf(resource, c.Param("id"))
		if err != nil {
			return reply{}, err
		}
		query, err := parseHistory(c.Request.URL.Query(), preference(prefer(c), "handling") == "strict")
		if err != nil {
			return reply{}, err
		}
		page, err := s.versions(c.Request.Context(), key, query)
		if err != nil {
			return reply{}, stored(c.Request.Context(), err)
		}
		return reply{status: http.StatusOK, body: s.historyBundle(key, query, page)}, nil
	}
}

// historyQuery is which versions of a resource to give.
type historyQuery struct {
	count  int
	before int64
	// since is when the versions wanted begin; from and to bound the time at which
	// they were current. Zero is no bound.
	since, from, to time.Time
	used            url.Values
}

// filtered says whether some versions may be left out.
func (q *historyQuery) filtered() bool { return !q.since.IsZero() || !q.from.IsZero() }

func parseHistory(values url.Values, strict bool) (historyQuery, error) {
	q := historyQuery{count: defaultCount, used: url.Values{}}
	for name, all := range values {
		if strings.Contains(name, ":") {
			return q, checkModifier(name)
		}
		if len(all) > 1 && name != "_format" && name != "_pretty" {
			return q, badParam(clipName(name), "given once")
		}
		if all[0] == "" {
			continue
		}
		known, err := q.apply(name, all[0])
		switch {
		case err != nil:
			return q, err
		case known:
			q.used.Set(name, all[0])
		case strict:
			return q, fail(http.StatusBadRequest, fhir.IssueNotSupported, "The parameter "+clipName(name)+" is not supported for a history.")
		}
	}
	return q, nil
}

// apply takes one parameter into account and says whether it knows it.
func (q *historyQuery) apply(name, value string) (bool, error) {
	switch name {
	case "_count":
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 {
			return true, badParam(name, "a whole number")
		}
		q.count = min(n, maxCount)
	case historyBefore:
		n, err := strconv.ParseInt(value, 10, 64)
		if err != nil || n < 1 {
			return true, badParam(name, "left as the server wrote it")
		}
		q.before = n
	case "_since", "_at":
		// A plus in a query that was not encoded arrives as a space.
		at, err := fhir.ParseDateTime([]byte(strings.ReplaceAll(value, " ", "+")))
		if err != nil {
			return true, badParam(name, "a date or a time such as 2026-03-04T10:00:00Z")
		}
		if name == "_since" {
			q.since, _ = at.Range()
		} else {
			q.from, q.to = at.Range()
		}
	case "_format", "_pretty":
	default:
		return false, nil
	}
	return true, nil
}

// historyPage is one page of versions.
type historyPage struct {
	versions []store.Resource
	// newest is the number of the newest version, which is how many there are.
	newest int64
	more   bool
}

// chunk is how many versions are read at a time.
const chunk = 50

// versions reads down from the newest version, or the page's beginning, until
// the page is full. Which versions were written since, or current at, some time
// is a run without gaps, since times never run backwards.
func (s *Server) versions(ctx context.Context, key store.Key, q historyQuery) (historyPage, error) {
	current, err := s.options.Store.Get(ctx, key)
	if err != nil {
		return historyPage{}, err
	}
	page := historyPage{newest: current.Version}
	before := q.before
	if before == 0 || before > current.Version+1 {
		before = current.Version + 1
	}
	// next is when the version above the one looked at was written; for the
	// first of a later page that is read along with it.
	var next time.Time
	if before <= current.Version {
		above, err := s.options.Store.Version(ctx, key, before)
		if err != nil {
			return historyPage{}, err
		}
		next = above.LastUpdated
	}
	for before > 1 {
		versions, err := s.options.Store.History(ctx, key, before, chunk)
		if err != nil {
			return historyPage{}, err
		}
		for _, v := range versions {
			if q.below(v, next) {
				return page, nil
			}
			if len(page.versions) == q.count {
				page.more = q.count > 0
				return page, nil
			}
			if q.to.IsZero() || !v.LastUpdated.After(q.to) {
				page.versions = append(page.versions, v)
			}
			before, next = v.Version, v.LastUpdated
		}
		if len(versions) == 0 {
			break
		}
	}
	return page, nil
}

// below says that a version and all before it are too old: written before
// since, or replaced, at next, before the time they should be current at.
func (q *historyQuery) below(v store.Resource, next time.Time) bool {
	if !q.since.IsZero() && v.LastUpdated.Before(q.since) {
		return true
	}
	return !q.from.IsZero() && !next.IsZero() && !next.After(q.from)
}

// historyBundle writes the page. Each entry tells what was asked for and what
// became of it (bdl-3, bdl-4); the total is told where it is known.
func (s *Server) historyBundle(key store.Key, q historyQuery, page historyPage) []byte {
	self := s.options.BaseURL + "/" + key.String() + "/_history"
	link := func(relation string, values url.Values) string {
		address := self
		if len(values) > 0 {
			address += "?" + values.Encode()
		}
		return `{"relation":"` + relation + `","url":` + strconv.Quote(address) + `}`
	}
	body := []byte(`{"resourceType":"Bundle","type":"history","timestamp":"` + time.Now().UTC().Format(fhir.InstantFormat) + `"`)
	if !q.filtered() {
		body = append(body, `,"total":`+strconv.FormatInt(page.newest, 10)...)
	}
	body = append(body, `,"link":[`+link("self", q.used)...)
	if page.more {
		next := url.Values{}
		for name, values := range q.used {
			next[name] = slices.Clone(values)
		}
		next.Set(historyBefore, strconv.FormatInt(page.versions[len(page.versions)-1].Version, 10))
		body = append(body, ","+link("next", next)...)
	}
	body = append(body, ']')
	for i, v := range page.versions {
		body = append(body, [2]string{`,`, `,"entry":[`}[boolIndex(i == 0)]...)
		body = s.appendHistoryEntry(body, v)
	}
	if len(page.versions) > 0 {
		body = append(body, ']')
	}
	return append(body, '}')
}

func boolIndex(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (s *Server) appendHistoryEntry(body []byte, v store.Resource) []byte {
	body = append(body, `{"fullUrl":"`+s.options.BaseURL+"/"+v.Key.String()+`",`...)
	address, status := v.Key.String(), http.StatusOK
	switch {
	case v.Deleted:
		status = http.StatusNoContent
	case v.Version == 1:
		status = http.StatusCreated
	}
	if v.Method == http.MethodPost {
		address = v.Type
	}
	if !v.Deleted {
		body = append(append(append(body, `"resource":`...), v.Body...), ',')
	}
	return append(body, `"request":{"method":"`+v.Method+`","url":"`+address+`"},"response":{"status":"`+
		strconv.Itoa(status)+` `+http.StatusText(status)+`","etag":`+strconv.Quote(etag(v.Version))+
		`,"lastModified":"`+v.LastUpdated.Format(fhir.InstantFormat)+`"}}`...)
}
