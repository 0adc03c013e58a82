package api

import (
	"fmt"
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// extract scores a response and stores nothing (SDC QuestionnaireResponse
// $extract, type level): the response alone or in Parameters.
func (s *Server) extract(c *gin.Context) (reply, error) {
	call, err := s.operation(c)
	if err != nil {
		return reply{}, err
	}
	defer call.release()
	as, err := shapeOf(call.query, call.root)
	if err != nil {
		return reply{}, err
	}
	source, err := call.resource("questionnaire-response")
	if err != nil {
		return reply{}, err
	}
	return s.extracted(call, source, as, "")
}

// extractStored scores a stored response again and stores nothing (instance
// level).
func (s *Server) extractStored(c *gin.Context) (reply, error) {
	call, err := s.operation(c)
	if err != nil {
		return reply{}, err
	}
	defer call.release()
	as, err := shapeOf(call.query, call.root)
	if err != nil {
		return reply{}, err
	}
	found, err := s.instance(c, "QuestionnaireResponse")
	if err != nil {
		return reply{}, err
	}
	document, err := fhir.Decode(found.Body)
	if err != nil {
		return reply{}, fmt.Errorf("api: a stored response does not decode: %w", err)
	}
	defer document.Release()
	return s.extracted(call, document.Root(), as, s.location(found.Key.String(), found.Version))
}

// extracted writes the score of a response, and beside it what is to be told of
// it.
func (s *Server) extracted(call operation, source fhir.Node, as shape, derivedFrom string) (reply, error) {
	response, err := s.options.Forms.Read(source)
	if err != nil {
		return reply{}, err
	}
	if err := s.extractsBy(call, &response); err != nil {
		return reply{}, err
	}
	status := source.Get("status").Path()
	switch {
	case response.Status == questionnaire.InProgress:
		return reply{}, refusedAt(fhir.IssueBusinessRule, status, "A response that is in progress is not scored; complete it first.")
	case !response.Status.Scored():
		told := append(slices.Clone(response.Issues), fhir.Issue{
			Severity: fhir.Warning, Code: fhir.IssueBusinessRule, Expression: status,
			Text: "Nothing was extracted: only a completed or amended response is scored.",
		})
		return reply{status: http.StatusOK, body: told.JSON()}, nil
	}
	body, err := as.write(extractFrom(&response, &s.options.Bands, derivedFrom))
	if err != nil || len(response.Issues) == 0 {
		return reply{status: http.StatusOK, body: body}, err
	}
	return parameters("return", body, "issues", response.Issues.JSON()), nil
}

// extractsBy holds the parameter questionnaire, by canonical or as a resource,
// against the form that the response answers; only forms known here are scored.
func (s *Server) extractsBy(call operation, response *questionnaire.Response) error {
	given := call.named("questionnaire")
	if !given.Exists() || response.Form == nil {
		return nil
	}
	at, canonical := given.Choice("value[x]"), given.Choice("value[x]").Text()
	if resource := given.Get("resource"); resource.Exists() {
		at, canonical = resource.Get("url"), resource.Get("url").Text()
		if version := resource.Get("version"); version.Exists() {
			canonical += "|" + version.Text()
		}
	}
	form, known := s.options.Forms.Catalog().Form(canonical)
	switch {
	case !known:
		return refusedAt(fhir.IssueNotFound, at.Path(), "The form given is not known here, or not in that version; responses are scored by published and registered forms only.")
	case form.Canonical != response.Form.Canonical:
		return refusedAt(fhir.IssueBusinessRule, at.Path(), "The form given is not the one that the response says it answers.")
	}
	return nil
}
