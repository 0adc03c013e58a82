package writeback

import (
	"bytes"
	"context"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/http/httptrace"
	"regexp"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
)

// Limits on what is read of an answer, in bytes. An Observation of ours has
// some 16 KiB and an OperationOutcome is expected to be shorter than the other.
const (
	maxAnswer  = 4 << 20
	maxOutcome = 64 << 10
)

// maxIssues is how many issues of a refusal are kept in its reason.
const maxIssues = 5

// mediaType is that of FHIR JSON (R4 http.html 3.1.0.1.9).
const mediaType = "application/fhir+json"

// exchange is one request and what came of it.
type exchange struct {
	action  action
	url     string
	body    []byte
	ifMatch string
	// form is that of a search by POST, "" for a search by GET.
	form string
	// ifNoneExist is the query of a conditional create.
	ifNoneExist string
}

// exchange is a request about a content that is no transaction; id is that of the
// resource at the target and match its version, "" where they are not known.
func (c *client) exchange(a action, want *content, id, match string) exchange {
	x := exchange{action: a, url: c.matching(want.kind, want.identifier)}
	switch a {
	case creating:
		x.body = want.encode("")
	case adding, posting:
		x.url, x.body = c.base+"/"+want.kind, want.encode("")
		if a == adding {
			x.ifNoneExist = want.identifier.query()
		}
	case updating:
		x.url, x.body, x.ifMatch = c.instance(want.kind, id), want.encode(id), match
	case reading:
		x.url = c.instance(want.kind, id)
	}
	return x
}

// transaction is the one that creates a content, or updates it by its id. The
// provenance may be nil.
func (c *client) transaction(a action, want content, id, match string, provenance map[string]any) (exchange, error) {
	if a == bundling {
		id, match = "", ""
	}
	body, err := want.transaction(id, match, provenance)
	return exchange{action: a, url: c.base, body: body}, err
}

// answer is what came of a request.
type answer struct {
	verdict
	status int
	// resource is the body, nil if there was none or it is no FHIR JSON.
	resource map[string]any
	// id and etag are how the target calls the resource and its version, "" if
	// it does not say.
	id, etag string
	// issues are codes and elements from the OperationOutcome of a refusal.
	issues []string
	// wait is what the target asks for by Retry-After.
	wait time.Duration
}

// do makes a request and judges the answer.
func (c *client) do(ctx context.Context, x exchange, limit time.Duration) answer {
	begun := true
	trace := &httptrace.ClientTrace{
		// A transport that traces tells when it looks for a connection and when
		// it has one; one that does not is taken to have sent.
		GetConn: func(string) { begun = false },
		GotConn: func(httptrace.GotConnInfo) { begun = true },
	}
	request, err := x.request(httptrace.WithClientTrace(ctx, trace))
	if err != nil {
		return answer{verdict: verdict{class: again, fault: FaultNotSent}}
	}
	response, err := c.http.Do(request)
	if err != nil {
		return answer{verdict: classifyError(x.action, err, begun)}
	}
	defer func() { _ = response.Body.Close() }()
	a := answer{verdict: classifyStatus(x.action, response.StatusCode), status: response.StatusCode}
	a.wait = retryAfter(response.Header, c.now(), limit)
	if a.class == done {
		a.take(x.action, response)
	} else {
		a.issues = issuesOf(response.Body)
	}
	return a
}

// request builds the HTTP request.
func (x exchange) request(ctx context.Context) (*http.Request, error) {
	method := http.MethodGet
	var body io.Reader
	switch {
	case x.action.writes():
		method, body = x.action.method(), bytes.NewReader(x.body)
	case x.form != "":
		method, body = http.MethodPost, strings.NewReader(x.form)
	}
	request, err := http.NewRequestWithContext(ctx, method, x.url, body)
	if err != nil {
		return nil, err
	}
	header := request.Header
	header.Set("Accept", mediaType)
	header.Set("User-Agent", "tidemark")
	if !x.action.writes() {
		// A search must not be answered from what the server found before.
		header.Set("Cache-Control", "no-cache")
		if x.form != "" {
			header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		return request, nil
	}
	header.Set("Content-Type", mediaType)
	header.Set("Prefer", "return=representation")
	if x.ifMatch != "" {
		header.Set("If-Match", x.ifMatch)
	}
	if x.action == creating {
		header.Set("If-None-Match", "*")
	}
	if x.ifNoneExist != "" {
		header.Set("If-None-Exist", x.ifNoneExist)
	}
	return request, nil
}

// method is the HTTP method of a write. Go's transport repeats neither by itself
// once a byte was sent.
func (a action) method() string {
	if a == creating || a == updating {
		return http.MethodPut
	}
	return http.MethodPost
}

// take reads the body of a success. A success that is not proved by FHIR, such
// as the login page of a gateway, is none.
func (a *answer) take(asked action, response *http.Response) {
	var body []byte
	var err error
	if response.Body != http.NoBody {
		body, err = io.ReadAll(io.LimitReader(response.Body, maxAnswer+1))
	}
	switch {
	case err != nil:
		a.unproved(asked, networkFault(err))
		return
	case len(body) > maxAnswer:
		a.unproved(asked, FaultTooLarge)
		return
	case len(body) > 0 && !isXML(response.Header):
		if a.resource, err = parseResource(body); err != nil {
			a.unproved(asked, FaultNotFHIR)
			return
		}
	}
	if asked.transacts() {
		a.unbundle(asked)
		return
	}
	a.id, a.etag = named(a.resource, response.Header)
}

// prove takes a success only for what its body shows: the answer to a read must be
// the resource, that to a write may be an OperationOutcome or nothing.
func (a *answer) prove(asked action, kind string) {
	is, _ := a.resource["resourceType"].(string)
	proved := is == kind || asked == searching && is == "Bundle"
	if asked.writes() {
		proved = proved || is == "OperationOutcome" || a.resource == nil
	}
	if !proved {
		a.unproved(asked, FaultNotFHIR)
	}
}

// unproved turns a success into what it is worth without a body that proves it.
func (a *answer) unproved(asked action, fault Fault) {
	a.verdict = verdict{class: again, fault: fault}
	if asked.writes() {
		a.class = doubtful
	}
}

// isXML says whether the server answers in FHIR's XML whatever was asked for.
func isXML(header http.Header) bool {
	kind, _, err := mime.ParseMediaType(header.Get("Content-Type"))
	return err == nil && kind == "application/fhir+xml"
}

// named finds the resource's id and version tag: in the resource itself, else
// in the headers (R4 http.html 3.1.0.5, 3.1.0.8).
func named(resource map[string]any, header http.Header) (id, etag string) {
	etag = header.Get("ETag")
	if kind, _ := resource["resourceType"].(string); kind != "" && kind != "OperationOutcome" && kind != "Bundle" {
		id, _ = resource["id"].(string)
		meta, _ := resource["meta"].(map[string]any)
		if version, _ := meta["versionId"].(string); etag == "" && fhir.IsID(version) {
			etag = `W/"` + version + `"`
		}
	}
	for _, name := range []string{"Location", "Content-Location"} {
		reference, ok := fhir.ParseReference([]byte(header.Get(name)))
		if ok && id == "" {
			id = reference.ID
		}
		if ok && etag == "" && reference.Version != "" {
			etag = `W/"` + reference.Version + `"`
		}
	}
	if !fhir.IsID(id) {
		id = ""
	}
	return id, etag
}

// fhirPath is what an expression may look like to be repeated: names and
// positions, so that nothing of the content can stand in it.
var fhirPath = regexp.MustCompile(`^[A-Z][A-Za-z]{1,30}(\.[a-z][A-Za-z]{1,40}(\[\d{1,3}\])?){0,10}$`)

// issuesOf reads the issues of a refusal: codes of the closed set and elements,
// never text, which may quote the content.
func issuesOf(body io.Reader) []string {
	text, err := io.ReadAll(io.LimitReader(body, maxOutcome))
	if err != nil {
		return nil
	}
	tree, err := parseResource(text)
	if err != nil || tree["resourceType"] != "OperationOutcome" {
		return nil
	}
	var issues []string
	all, _ := tree["issue"].([]any)
	for _, each := range all {
		issue, _ := each.(map[string]any)
		if named := nameIssue(issue); named != "" && !slices.Contains(issues, named) && len(issues) < maxIssues {
			issues = append(issues, named)
		}
	}
	return issues
}

// nameIssue writes one issue, "" if it says nothing that may be repeated.
func nameIssue(issue map[string]any) string {
	code, _ := issue["code"].(string)
	if !slices.Contains(issueTypes, fhir.IssueType(code)) {
		return ""
	}
	paths, _ := issue["expression"].([]any)
	if len(paths) > 0 {
		if path, _ := paths[0].(string); fhirPath.MatchString(path) {
			return code + " at " + path
		}
	}
	return code
}

// issueTypes is the closed set of http://hl7.org/fhir/issue-type (R4
// codesystem-issue-type.html).
var issueTypes = []fhir.IssueType{
	fhir.IssueInvalid, fhir.IssueStructure, fhir.IssueRequired, fhir.IssueValue, fhir.IssueInvariant,
	fhir.IssueSecurity, fhir.IssueLogin, fhir.IssueUnknown, fhir.IssueExpired, fhir.IssueForbidden,
	fhir.IssueSuppressed, fhir.IssueProcessing, fhir.IssueNotSupported, fhir.IssueDuplicate,
	fhir.IssueMultipleMatches, fhir.IssueNotFound, fhir.IssueDeleted, fhir.IssueTooLong,
	fhir.IssueCodeInvalid, fhir.IssueExtension, fhir.IssueTooCostly, fhir.IssueBusinessRule,
	fhir.IssueConflict, fhir.IssueTransient, "lock-error", fhir.IssueNoStore, fhir.IssueException,
	fhir.IssueTimeout, "incomplete", fhir.IssueThrottled, fhir.IssueInformational,
}

// errSearch says that an answer to a search cannot be used.
var errSearch = errors.New("writeback: the target did not search by identifier")

// matches are the resources of a searchset that carry the identifier. An entry
// that does not shows that the target ignored the parameter, after which
// finding nothing would prove nothing.
func matches(bundle map[string]any, kind string, id identifier) ([]map[string]any, error) {
	if bundle["resourceType"] != "Bundle" {
		return nil, errSearch
	}
	var found []map[string]any
	entries, _ := bundle["entry"].([]any)
	for _, each := range entries {
		entry, _ := each.(map[string]any)
		search, _ := entry["search"].(map[string]any)
		if mode, _ := search["mode"].(string); mode != "" && mode != "match" {
			continue
		}
		resource, _ := entry["resource"].(map[string]any)
		if !carries(resource, kind, id) {
			return nil, errSearch
		}
		found = append(found, resource)
	}
	return found, nil
}

// address is how a resource within a Bundle is called.
func address(resource map[string]any) (id, etag string) {
	return named(resource, http.Header{})
}
