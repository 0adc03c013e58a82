package api

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// subrequest is an entry of a Bundle that is done as if it had been sent alone:
// it goes through the whole router, so that nothing differs, whoever asks.
type subrequest struct {
	method string
	url    *url.URL
	header http.Header
	body   []byte
}

// newSubrequest makes one of an entry, with what of the Bundle's own request
// holds for its parts.
func newSubrequest(c *gin.Context, e *entry) (*subrequest, error) {
	request := e.node.Get("request")
	address, err := url.Parse("/fhir/" + e.path)
	if err != nil {
		return nil, malformed(fhir.IssueValue, request.Get("url").Path(), "The url is none.")
	}
	r := &subrequest{method: e.method, url: address, header: http.Header{"Accept": {"application/fhir+json"}, "X-Request-Id": {requestID(c)}}}
	for _, name := range []string{"Authorization", "Forwarded", "X-Forwarded-For"} {
		if values := c.Request.Header.Values(name); len(values) > 0 {
			r.header[name] = values
		}
	}
	if handling := preference(prefer(c), "handling"); handling != "" {
		r.header.Set("Prefer", "handling="+handling)
	}
	for name, member := range map[string]string{"If-Match": "ifMatch", "If-None-Match": "ifNoneMatch", "If-None-Exist": "ifNoneExist"} {
		if value := request.Get(member); value.Exists() {
			r.header.Set(name, value.Text())
		}
	}
	if since, err := fhir.ParseDateTime(request.Get("ifModifiedSince").Bytes()); err == nil {
		r.header.Set("If-Modified-Since", since.Time.UTC().Format(http.TimeFormat))
	}
	if resource := e.node.Get("resource"); resource.Exists() && e.method != http.MethodGet && e.method != http.MethodHead {
		r.body = resource.Raw()
		r.header.Set("Content-Type", "application/fhir+json")
	}
	return r, nil
}

// partOfBundle marks the context of a subrequest, which the Bundle's own request
// is counted and logged for.
type partOfBundle struct{}

// recorder keeps an answer instead of sending it.
type recorder struct {
	header http.Header
	status int
	body   bytes.Buffer
}

// Header implements http.ResponseWriter.
func (r *recorder) Header() http.Header { return r.header }

// WriteHeader implements http.ResponseWriter.
func (r *recorder) WriteHeader(status int) {
	if r.status == 0 {
		r.status = status
	}
}

// Write implements http.ResponseWriter.
func (r *recorder) Write(data []byte) (int, error) {
	r.WriteHeader(http.StatusOK)
	return r.body.Write(data)
}

// dispatch does a subrequest and gives its answer, or the failure that it was
// answered with.
func (s *Server) dispatch(c *gin.Context, r *subrequest, node fhir.Node) (entryAnswer, error) {
	request, err := http.NewRequestWithContext(context.WithValue(c.Request.Context(), partOfBundle{}, true), r.method, r.url.String(), bytes.NewReader(r.body))
	if err != nil {
		return entryAnswer{}, malformed(fhir.IssueValue, node.Get("request").Path(), "The request is none.")
	}
	request.Header, request.RemoteAddr, request.Host = r.header.Clone(), c.Request.RemoteAddr, c.Request.Host
	request.RequestURI = r.url.RequestURI()
	rec := &recorder{header: http.Header{}}
	s.router.ServeHTTP(rec, request)
	if rec.status >= http.StatusBadRequest {
		return entryAnswer{}, refusal(rec, node)
	}
	a := entryAnswer{status: max(rec.status, http.StatusOK), etag: rec.header.Get("ETag"), location: rec.header.Get("Location"), read: true}
	if modified, err := http.ParseTime(rec.header.Get("Last-Modified")); err == nil {
		a.lastModified = modified.Format(time.RFC3339)
	}
	if rec.body.Len() > 0 {
		a.resource = rec.body.Bytes()
	}
	if key, version, ok := r.kept(); ok && isKept(key.Type) && version != wholeHistory && a.resource != nil {
		var body struct {
			Meta struct{ VersionID, LastUpdated string }
		}
		if err := json.Unmarshal(a.resource, &body); err != nil {
			return a, &fault{"a stored resource is no JSON", err}
		}
		a.location, a.lastModified = s.options.BaseURL+"/"+key.String()+"/_history/"+body.Meta.VersionID, body.Meta.LastUpdated
	}
	return a, nil
}

// refusal reads an OperationOutcome of our own back; its places are within the
// resource of the entry, or none.
func refusal(rec *recorder, node fhir.Node) error {
	var outcome struct {
		Issue []struct {
			Severity fhir.Severity
			Code     fhir.IssueType
			Details  struct {
				Text   string
				Coding []struct{ System, Code string }
			}
			Expression []string
		}
	}
	if err := json.Unmarshal(rec.body.Bytes(), &outcome); err != nil || len(outcome.Issue) == 0 {
		// HEAD has no body to tell why.
		return failures(rec.status, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueProcessing, Expression: node.Path(), Text: "The request was refused: " + http.StatusText(rec.status) + "."})
	}
	f := &failure{status: rec.status}
	resource := node.Get("resource")
	for _, i := range outcome.Issue {
		issue := fhir.Issue{Severity: i.Severity, Code: i.Code, Text: i.Details.Text}
		if len(i.Details.Coding) > 0 {
			issue.DetailSystem, issue.Detail = i.Details.Coding[0].System, i.Details.Coding[0].Code
		}
		if len(i.Expression) > 0 && resource.Exists() {
			if rest, ok := strings.CutPrefix(i.Expression[0], resource.Type()); ok {
				issue.Expression = resource.Path() + rest
			}
		}
		f.issues = append(f.issues, issue)
	}
	return f
}
