package api

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// bundle takes a transaction or a batch (R4 http.html 3.1.0.11).
func (s *Server) bundle(c *gin.Context) (reply, error) {
	body, err := s.body(c)
	if err != nil {
		return reply{}, err
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return reply{}, err
	}
	defer document.Release()
	root := document.Root()
	if root.Type() != "Bundle" {
		return reply{}, fail(http.StatusBadRequest, fhir.IssueStructure, "The base takes a Bundle; send a single resource to its own path, as "+s.options.BaseURL+"/QuestionnaireResponse.")
	}
	kind := root.Get("type")
	if !kind.Is("transaction") && !kind.Is("batch") {
		return reply{}, failures(http.StatusUnprocessableEntity, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueNotSupported, Expression: "Bundle.type",
			Text: "The base takes Bundles of type transaction or batch.",
		})
	}
	if c.GetHeader("X-Provenance") != "" {
		return reply{}, fail(http.StatusBadRequest, fhir.IssueNotSupported, "X-Provenance speaks of one resource; in a transaction, send the Provenance as an entry of its own.")
	}
	entries, err := checkBundle(root, s.options.MaxEntries)
	if err != nil {
		return reply{}, err
	}
	s.chargeEntries(c, entries)
	answer := bundleReply{prefer: preference(prefer(c), "return")}
	if kind.Is("transaction") {
		answer.kind = "transaction-response"
		answer.entries, err = s.transaction(c, document)
	} else {
		trailOf(c.Request.Context()).batch()
		answer.kind, answer.entries = "batch-response", s.batch(c, root)
	}
	if err != nil {
		return reply{}, err
	}
	return answer.reply(), nil
}

// checkBundle holds what can be told before any entry is done, and counts them.
func checkBundle(root fhir.Node, most int) (int, error) {
	count := 0
	for range root.Each("entry") {
		if count++; count > most {
			return 0, fail(http.StatusRequestEntityTooLarge, fhir.IssueTooCostly, "A Bundle may have "+strconv.Itoa(most)+" entries; send several.")
		}
	}
	if total := root.Get("total"); total.Exists() {
		return 0, malformed(fhir.IssueInvariant, total.Path(), "Only results and histories have a total (bdl-1).")
	}
	return count, nil
}

// malformed is a failure of one issue against FHIR itself.
func malformed(code fhir.IssueType, expression, text string) error {
	return failures(http.StatusBadRequest, fhir.Issue{Severity: fhir.Error, Code: code, Class: fhir.Malformed, Expression: expression, Text: text})
}

// refusedAt is a failure of one issue against a rule.
func refusedAt(code fhir.IssueType, expression, text string) error {
	return failures(http.StatusUnprocessableEntity, fhir.Issue{Severity: fhir.Error, Code: code, Expression: expression, Text: text})
}

// entry is one request of a Bundle. Of what it can be, one is set; the zero
// entry is one that was refused.
type entry struct {
	node fhir.Node
	// method and path are what is asked for; the path is relative to the base.
	method, path string
	// sub writes a response, del deletes one, statement keeps a Provenance of the
	// sender's own; request is anything else that is done as if sent alone.
	sub       *submission
	del       *deletion
	statement *statement
	request   *subrequest
	// elsewhere says that the resource is one that this server does not keep.
	elsewhere bool
	answer    entryAnswer
}

// newEntry reads what an entry asks for, and of its resource nothing yet.
func (s *Server) newEntry(node fhir.Node) (entry, error) {
	e := entry{node: node}
	request := node.Get("request")
	switch {
	case node.Get("search").Exists():
		return e, malformed(fhir.IssueInvariant, node.Get("search").Path(), "Only results of a search have search (bdl-2).")
	case node.Get("response").Exists():
		return e, malformed(fhir.IssueInvariant, node.Get("response").Path(), "Only answers and histories have a response (bdl-4).")
	case strings.Contains(node.Get("fullUrl").Text(), "/_history/"):
		return e, malformed(fhir.IssueInvariant, node.Get("fullUrl").Path(), "A fullUrl names no version (bdl-8).")
	case !request.Exists():
		return e, malformed(fhir.IssueRequired, node.Path(), "request is missing: method and url say what to do with the entry (bdl-3).")
	}
	e.method = request.Get("method").Text()
	url, absolute := strings.CutPrefix(request.Get("url").Text(), s.options.BaseURL)
	switch {
	case !absolute && strings.Contains(strings.SplitN(url, "?", 2)[0], ":"):
		return e, refusedAt(fhir.IssueNotSupported, request.Get("url").Path(), "The url is one of another server; this one's base is "+s.options.BaseURL+".")
	case strings.Trim(url, "/") == "":
		return e, malformed(fhir.IssueValue, request.Get("url").Path(), "The url names the base itself; a Bundle does not hold another one.")
	}
	e.path = strings.TrimPrefix(url, "/")
	return e, nil
}

// response reads what an entry asks to do with a QuestionnaireResponse; false if
// it asks for anything else.
func (s *Server) response(e *entry) (bool, error) {
	path, query, conditional := strings.Cut(e.path, "?")
	kind, id, hasID := strings.Cut(path, "/")
	if kind != "QuestionnaireResponse" || hasID && (conditional || !fhir.IsID(id)) {
		return false, nil
	}
	request := e.node.Get("request")
	match, noneMatch := request.Get("ifMatch").Text(), request.Get("ifNoneMatch").Text()
	switch {
	case e.method == http.MethodPost && !hasID && !conditional:
		return true, s.prepareEntry(e, func(sub *submission) error {
			return sub.createUnless(request.Get("ifNoneExist").Text())
		})
	case e.method == http.MethodPut && hasID:
		return true, s.prepareEntry(e, func(sub *submission) error { return sub.replace(id, match, noneMatch) })
	case e.method == http.MethodPut && conditional:
		return true, s.prepareEntry(e, func(sub *submission) error { return sub.replaceWhere(query, match, noneMatch) })
	case e.method == http.MethodDelete && (hasID || conditional):
		e.del = &deletion{server: s, id: id}
		var err error
		if conditional {
			if e.del.where, err = s.condition("The condition of the deletion", query); err != nil {
				return true, err
			}
		}
		e.del.ifMatch, err = ifMatch(match)
		return true, err
	}
	return false, nil
}

func (s *Server) prepareEntry(e *entry, aim func(*submission) error) error {
	resource, err := e.resource()
	if err != nil {
		return err
	}
	response, err := s.options.Forms.Read(resource)
	if err != nil {
		return err
	}
	e.sub = s.prepare(response)
	return aim(e.sub)
}

func (e *entry) resource() (fhir.Node, error) {
	resource := e.node.Get("resource")
	if !resource.Exists() {
		return resource, malformed(fhir.IssueRequired, e.node.Path(), "resource is missing.")
	}
	return resource, nil
}

// inEntry names the entry that a failure without a place of its own is about.
func inEntry(err error, node fhir.Node) error {
	f := classify(err)
	if f.status >= http.StatusInternalServerError {
		return err
	}
	issues := make(fhir.Issues, len(f.issues))
	for i, issue := range f.issues {
		if !strings.HasPrefix(issue.Expression, "Bundle") {
			issue.Expression = node.Path()
		}
		issues[i] = issue
	}
	return &failure{f.status, issues}
}
