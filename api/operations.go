package api

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// sdcOperation is where SDC's operations are defined.
const sdcOperation = "http://hl7.org/fhir/uv/sdc/OperationDefinition/"

// operation is what an operation was sent: nothing, one resource alone, or
// Parameters, and the parameters of the URL.
type operation struct {
	document *fhir.Document
	root     fhir.Node
	query    url.Values
}

// operation reads a call. Release it.
func (s *Server) operation(c *gin.Context) (operation, error) {
	query, err := queryOf(c.Request.URL.RawQuery)
	if err != nil || c.Request.ContentLength == 0 {
		return operation{query: query}, err
	}
	body, err := s.body(c)
	if err != nil {
		return operation{}, err
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return operation{}, err
	}
	return operation{document: document, root: document.Root(), query: query}, nil
}

func (o operation) release() {
	if o.document != nil {
		o.document.Release()
	}
}

// named gives the first parameter of a name.
func (o operation) named(name string) fhir.Node {
	if o.root.Type() == "Parameters" {
		for p := range o.root.Each("parameter") {
			if p.Get("name").Is(name) {
				return p
			}
		}
	}
	return fhir.Node{}
}

// text is a simple parameter, of the body or else of the URL.
func (o operation) text(name string) string {
	if value := o.named(name).Choice("value[x]"); value.Exists() {
		return value.Text()
	}
	return o.query.Get(name)
}

// resource is the resource that the operation is about: alone, or the parameter
// of that name.
func (o operation) resource(name string) (fhir.Node, error) {
	switch {
	case !o.root.Exists():
		return fhir.Node{}, malformed(fhir.IssueRequired, "", "The body is empty; send the resource, or Parameters with the parameter "+name+".")
	case o.root.Type() != "Parameters":
		return o.root, nil
	}
	if resource := o.named(name).Get("resource"); resource.Exists() {
		return resource, nil
	}
	return fhir.Node{}, malformed(fhir.IssueRequired, "Parameters", "The parameter "+name+" with a resource is missing.")
}

// parameters answers with Parameters that hold a resource each, in the order
// given: name, resource, name, resource.
func parameters(pairs ...any) reply {
	body := []byte(`{"resourceType":"Parameters","parameter":[`)
	for i := 0; i < len(pairs); i += 2 {
		if i > 0 {
			body = append(body, ',')
		}
		body = append(body, `{"name":"`+pairs[i].(string)+`","resource":`...)
		body = append(append(body, pairs[i+1].([]byte)...), '}')
	}
	return reply{status: http.StatusOK, body: append(body, `]}`...)}
}

// quoted writes a string as JSON.
func quoted(text string) string {
	out, err := json.Marshal(text)
	if err != nil {
		panic(fmt.Errorf("api: a string that JSON cannot hold: %w", err)) // there is none
	}
	return string(out)
}

// instance is the current version of what an operation is called on.
func (s *Server) instance(c *gin.Context, resource string) (store.Resource, error) {
	key, err := keyOf(resource, c.Param("id"))
	if err != nil {
		return store.Resource{}, err
	}
	if device, ok := s.device(key.ID); ok && resource == "Device" {
		return device, nil
	}
	if _, published := s.shelf[resource]; published {
		if found, ok := s.shelf.current(resource, key.ID); ok {
			return store.Resource{Key: key, Body: found.JSON}, nil
		}
	}
	found, err := s.options.Store.Get(c.Request.Context(), key)
	if err == nil && found.Deleted {
		err = fail(http.StatusGone, fhir.IssueDeleted, "The resource was deleted.")
	}
	return found, err
}

// instanceForm is the form that an operation is called on.
func (s *Server) instanceForm(c *gin.Context) (*questionnaire.Form, error) {
	found, err := s.instance(c, "Questionnaire")
	if err != nil {
		return nil, err
	}
	document, err := fhir.Decode(found.Body)
	if err != nil {
		return nil, fmt.Errorf("api: a form that is served is not FHIR: %w", err)
	}
	defer document.Release()
	form, ok := s.options.Forms.Catalog().Form(document.Root().Get("url").Text())
	if !ok {
		return nil, store.ErrNotFound
	}
	return form, nil
}
