package api

import (
	"bytes"
	"cmp"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// reply is what a handler answers with.
type reply struct {
	status       int
	body         []byte
	etag         string
	lastModified time.Time
	location     string
	// link is the header of that name (RFC 8288), "" for none.
	link   string
	prefer string
	// zipped is the body compressed already, nil if it is not.
	zipped func() []byte
	// cache is the Cache-Control of what holds no patient data; nil is no-store.
	cache []string
	// handling is that of Prefer which was followed in a search, "" for none.
	handling string
	// media is the Content-Type of what is no FHIR resource, "" for one.
	media string
	// sent says that the handler has written the answer itself.
	sent bool
}

// resourceReply answers with a stored version.
func resourceReply(status int, r store.Resource) reply {
	return reply{status: status, body: r.Body, etag: etag(r.Version), lastModified: r.LastUpdated}
}

func etag(version int64) string { return `W/"` + strconv.FormatInt(version, 10) + `"` }

// handle runs a route and writes its reply or its error.
func (s *Server) handle(r route) gin.HandlerFunc {
	return func(c *gin.Context) {
		exchangeOf(c).route = &r
		trailOf(c.Request.Context()).follow(c, r)
		if r.submits() {
			s.metrics.received.WithLabelValues(cmp.Or(r.interaction, r.operation)).Inc()
		}
		err := s.authorise(c, r)
		var answer reply
		if err == nil {
			answer, err = r.handle(c)
		}
		if err != nil {
			s.writeError(c, err)
			return
		}
		s.write(c, answer)
	}
}

func (s *Server) write(c *gin.Context, r reply) {
	if r.sent {
		if s.counted[c.FullPath()] {
			s.published.count(c)
		}
		return
	}
	r = s.recorded(c, r)
	h := c.Writer.Header()
	if h["Vary"] == nil {
		h["Vary"] = varies
	} else {
		h.Add("Vary", varies[0])
	}
	if r.cache != nil {
		h["Cache-Control"] = r.cache
		if grantOf(c.Request.Context()) != nil { // whoever else asks must have a token
			h["Cache-Control"] = private[&r.cache[0]]
		}
	}
	if r.etag != "" {
		h.Set("ETag", r.etag)
	}
	if !r.lastModified.IsZero() {
		h.Set("Last-Modified", r.lastModified.UTC().Format(http.TimeFormat))
	}
	if r.location != "" {
		h.Set("Location", r.location)
	}
	if r.link != "" {
		h.Set("Link", r.link)
	}
	if r.prefer != "" {
		h.Set("Preference-Applied", "return="+r.prefer)
	}
	if r.handling != "" {
		h.Add("Preference-Applied", "handling="+r.handling)
	}
	if notModified(c.Request, r) {
		c.Status(http.StatusNotModified)
		c.Writer.WriteHeaderNow()
		return
	}
	c.Status(r.status)
	if len(r.body) == 0 {
		c.Writer.WriteHeaderNow()
		return
	}
	s.writeBody(c, r)
}

// writeBody writes the body in the format that the request asked for.
func (s *Server) writeBody(c *gin.Context, r reply) {
	h, answer := c.Writer.Header(), exchangeOf(c).format
	body := r.body
	if answer.pretty {
		body, r.zipped = indented(body), nil
	}
	if answer.coding.compresses(len(body)) {
		h["Content-Encoding"] = codedAsGzip
		if r.zipped != nil {
			body = r.zipped()
		} else {
			body = zip(body)
		}
	}
	s.account(c)
	h["Content-Type"] = contentTypes[answer.media]
	if r.media != "" {
		h.Set("Content-Type", r.media)
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	c.Writer.WriteHeaderNow()
	if c.Request.Method != http.MethodHead {
		// A client that hangs up has its answer as much as it ever will.
		_, _ = c.Writer.Write(body)
	}
}

// indented lays JSON out for people and changes no number and no string.
func indented(body []byte) []byte {
	var out bytes.Buffer
	if err := json.Indent(&out, body, "", "  "); err != nil {
		return body // what is no JSON is written as it is
	}
	return out.Bytes()
}

// notModified is the conditional read (R4 http.html 3.1.0.1.1; RFC 9110 section
// 13.2.2): tags are compared weakly, and only without any does the time count.
func notModified(request *http.Request, r reply) bool {
	if r.status != http.StatusOK || r.etag == "" || request.Method != http.MethodGet && request.Method != http.MethodHead {
		return false
	}
	if tags := request.Header.Get("If-None-Match"); tags != "" {
		return sameTag(tags, r.etag)
	}
	given := request.Header.Get("If-Modified-Since")
	if given == "" {
		return false
	}
	since, err := http.ParseTime(given)
	return err == nil && !r.lastModified.IsZero() && !r.lastModified.Truncate(time.Second).After(since)
}

// writeError tells the sender what classify says, and the log the cause.
func (s *Server) writeError(c *gin.Context, err error) {
	err = slow(c, err)
	f := classify(err)
	s.report(c, f, err)
	s.challenge(c, err)
	if f.status == http.StatusServiceUnavailable && c.Writer.Header().Get("Retry-After") == "" {
		c.Header("Retry-After", "2")
	}
	if r := exchangeOf(c).route; r != nil && r.submits() {
		s.metrics.refused(f.reason())
	}
	exchangeOf(c).reason = f.reason()
	s.write(c, reply{status: f.status, body: refusalBody(c, f)})
	c.Abort()
}

// refusalBody is an OperationOutcome, but for clients that speak no FHIR.
func refusalBody(c *gin.Context, f *failure) []byte {
	if isCDS(c.Request.URL.Path) {
		return cdsFaults(f.issues)
	}
	return f.issues.JSON()
}

// report logs the cause of what is the server's own fault.
func (s *Server) report(c *gin.Context, f *failure, err error) {
	if f.status >= http.StatusInternalServerError {
		s.options.Logger.ErrorContext(c.Request.Context(), "request failed", "request_id", requestID(c), "route", c.FullPath(), "error", err)
	}
}

func (s *Server) noRoute(c *gin.Context) {
	s.writeError(c, fail(http.StatusNotFound, fhir.IssueNotSupported, "The server has nothing at this path; its FHIR base is "+s.options.BaseURL+", and "+s.options.BaseURL+"/metadata lists what it offers."))
}

// noMethod does not repeat the method, which can be any text.
func (s *Server) noMethod(c *gin.Context) {
	allowed := s.allowed(c.Request.URL.Path)
	if len(allowed) == 0 {
		s.noRoute(c)
		return
	}
	c.Header("Allow", strings.Join(allowed, ", "))
	s.writeError(c, fail(http.StatusMethodNotAllowed, fhir.IssueNotSupported, "This path takes "+strings.Join(allowed, ", ")+" only."))
}

// matches compares a path with a route's pattern. An operation ($) or a history
// (_) is no id.
func matches(pattern, path string) bool {
	want, got := strings.Split(pattern, "/"), strings.Split(path, "/")
	if len(want) != len(got) {
		return false
	}
	for i := range want {
		id := strings.HasPrefix(want[i], ":") && got[i] != "" && !strings.ContainsAny(got[i][:1], "$_")
		if !id && want[i] != got[i] {
			return false
		}
	}
	return true
}
