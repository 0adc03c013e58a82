package api

import (
	"net/http"
	"net/url"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// operationInput reads the parameters of an operation on scores: those of the
// URL, or of a POST those of a Parameters resource, by name. A Coding is given as
// system|code; a Period as its two ends, under period.start and period.end.
func (s *Server) operationInput(c *gin.Context) (url.Values, error) {
	if c.Request.Method != http.MethodPost {
		a, err := s.asked(c)
		return a.values, err
	}
	values, err := queryOf(c.Request.URL.RawQuery)
	if err != nil {
		return nil, err
	}
	body, err := s.body(c)
	if err != nil {
		return nil, err
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return nil, err
	}
	defer document.Release()
	root := document.Root()
	if root.Type() != "Parameters" {
		return nil, fail(http.StatusBadRequest, fhir.IssueStructure, "The operation takes Parameters.")
	}
	for p := range root.Each("parameter") {
		if err := addInput(values, p); err != nil {
			return nil, err
		}
	}
	return values, nil
}

// addInput reads one parameter.
func addInput(values url.Values, p fhir.Node) error {
	name, value := p.Get("name").Text(), p.Choice("value[x]")
	switch {
	case value.Type() == "Coding":
		values.Add(name, value.Get("system").Text()+"|"+value.Get("code").Text())
	case value.Type() == "Period":
		values.Add(name+".start", value.Get("start").Text())
		values.Add(name+".end", value.Get("end").Text())
	case value.Type() == "Reference":
		values.Add(name, patientKey(value, ""))
	case value.Exists() && value.Kind().Primitive():
		values.Add(name, value.Text())
	default:
		return failures(http.StatusBadRequest, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueNotSupported, Expression: p.Path(),
			Text: "A parameter has a primitive value, a Coding, a Period or a Reference here."})
	}
	return nil
}

// badInput refuses a parameter of an operation.
func badInput(code fhir.IssueType, text string) error { return fail(http.StatusBadRequest, code, text) }
