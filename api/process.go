package api

import (
	"bytes"
	"net/http"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// processResponse consumes a response (SDC Questionnaire $process-response,
// type level): it is scored and stored as if it had been created.
func (s *Server) processResponse(c *gin.Context) (reply, error) {
	call, err := s.operation(c)
	if err != nil {
		return reply{}, err
	}
	defer call.release()
	in, err := call.resource("in")
	if err != nil {
		return reply{}, err
	}
	return s.consume(c, in)
}

// processResponseTo consumes a response to the form it is called on, which need
// not name the form again.
func (s *Server) processResponseTo(c *gin.Context) (reply, error) {
	form, err := s.instanceForm(c)
	if err != nil {
		return reply{}, err
	}
	call, err := s.operation(c)
	if err != nil {
		return reply{}, err
	}
	defer call.release()
	in, err := call.resource("in")
	if err != nil {
		return reply{}, err
	}
	named := in.Get("questionnaire")
	if in.Type() == "QuestionnaireResponse" && !named.Exists() {
		return s.consumeAs(c, in, form)
	}
	if known, ok := s.options.Forms.Catalog().Form(named.Text()); ok && known.URL != form.URL {
		return reply{}, refusedAt(fhir.IssueBusinessRule, named.Path(), "The response answers another form than the one it was sent to.")
	}
	return s.consume(c, in)
}

// consumeAs names the form in the response.
func (s *Server) consumeAs(c *gin.Context, in fhir.Node, form *questionnaire.Form) (reply, error) {
	body := bytes.Replace(in.Raw(), []byte("{"), []byte(`{"questionnaire":`+quoted(form.Canonical)+`,`), 1)
	document, err := fhir.Decode(body)
	if err != nil {
		return reply{}, err
	}
	defer document.Release()
	return s.consume(c, document.Root())
}

// consume scores and stores a response that is more than a draft.
func (s *Server) consume(c *gin.Context, in fhir.Node) (reply, error) {
	if status := in.Get("status"); status.Is(string(questionnaire.InProgress)) {
		return reply{}, refusedAt(fhir.IssueBusinessRule, status.Path(), "A response that is in progress is not processed; complete it first, or keep it as a draft by POST to QuestionnaireResponse.")
	}
	response, err := s.options.Forms.Read(in)
	if err != nil {
		return reply{}, err
	}
	sub := s.prepare(response)
	if err := sub.create(); err != nil {
		return reply{}, err
	}
	if sub.statement, err = s.headerStatement(c); err != nil {
		return reply{}, err
	}
	defer sub.statement.release()
	if err := s.submit(c.Request.Context(), sub); err != nil {
		return reply{}, err
	}
	kept := sub.result.resource
	return reply{status: http.StatusOK, body: sub.issues().JSON(), location: s.location(kept.Key.String(), kept.Version)}, nil
}
