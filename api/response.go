package api

import (
	"net/http"
	"strconv"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// createResponse takes a completed, or begun, questionnaire response.
func (s *Server) createResponse(c *gin.Context) (reply, error) {
	return s.ingest(c, func(sub *submission) error {
		return sub.createUnless(c.GetHeader("If-None-Exist"))
	})
}

// updateResponse takes an amendment, a retraction, or more of what was begun.
func (s *Server) updateResponse(c *gin.Context) (reply, error) {
	return s.ingest(c, func(sub *submission) error {
		return sub.replace(c.Param("id"), c.GetHeader("If-Match"), c.GetHeader("If-None-Match"))
	})
}

// updateWhere updates the response that a search finds, or creates one.
func (s *Server) updateWhere(c *gin.Context) (reply, error) {
	return s.ingest(c, func(sub *submission) error {
		return sub.replaceWhere(c.Request.URL.RawQuery, c.GetHeader("If-Match"), c.GetHeader("If-None-Match"))
	})
}

// createUnless makes it a new resource, unless the search of a conditional
// create finds one; "" is no condition.
func (sub *submission) createUnless(condition string) (err error) {
	if condition != "" {
		if sub.ifNoneExist, err = sub.server.condition("If-None-Exist", condition); err != nil {
			return err
		}
	}
	return sub.create()
}

// replace makes it the next version of a resource, whose id the body must have.
func (sub *submission) replace(id, match, noneMatch string) error {
	if root := sub.response.Root.Get("id"); !root.Is(id) {
		return failures(http.StatusBadRequest, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueInvalid, Class: fhir.Malformed, Expression: sub.response.Root.Path() + ".id",
			Text: "The id of the resource must be there and equal the id in the URL.",
		})
	}
	version, err := ifMatch(match)
	sub.planned, sub.update, sub.ifMatch, sub.ifNoneMatch = id, true, version, noneMatch
	return err
}

// replaceWhere makes it the next version of the resource that a search finds.
func (sub *submission) replaceWhere(query, match, noneMatch string) (err error) {
	if sub.where, err = sub.server.condition("The condition of the update", query); err != nil {
		return err
	}
	if sub.ifMatch, err = ifMatch(match); err != nil {
		return err
	}
	sub.ifNoneMatch = noneMatch
	return sub.create()
}

// ingest reads, scores and stores one response.
func (s *Server) ingest(c *gin.Context, aim func(*submission) error) (reply, error) {
	body, err := s.body(c)
	if err != nil {
		return reply{}, err
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return reply{}, err
	}
	defer document.Release()
	response, err := s.options.Forms.Read(document.Root())
	if err != nil {
		return reply{}, err
	}
	sub := s.prepare(response)
	if err := aim(sub); err != nil {
		return reply{}, err
	}
	if sub.statement, err = s.headerStatement(c); err != nil {
		return reply{}, err
	}
	defer sub.statement.release()
	if err := s.submit(c.Request.Context(), sub); err != nil {
		return reply{}, err
	}
	return s.submittedReply(sub, prefer(c)), nil
}

// submittedReply answers by preference: the resource as stored, nothing, or the
// warnings.
func (s *Server) submittedReply(sub *submission, prefer string) reply {
	r := resourceReply(sub.result.status, sub.result.resource)
	r.location = s.location(sub.result.resource.Key.String(), sub.result.resource.Version)
	r.link = s.receiptLink(sub.result.resource.Key)
	switch preference(prefer, "return") {
	case "minimal":
		r.body, r.prefer = nil, "minimal"
	case "OperationOutcome":
		r.body, r.prefer = sub.issues().JSON(), "OperationOutcome"
	case "representation":
		r.prefer = "representation"
	}
	return r
}

func (s *Server) location(reference string, version int64) string {
	return s.options.BaseURL + "/" + reference + "/_history/" + strconv.FormatInt(version, 10)
}
