package api

import (
	"fmt"
	"net/http"
	"net/url"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
)

// shape is what a score is extracted as. SDC's operation has no parameter for
// it; ours is optional, and without it the answer is one Observation.
type shape string

const (
	// single is one Observation with components.
	single shape = "single"
	// panel is a transaction Bundle of member Observations, the total and the
	// panel that holds them together.
	panel shape = "panel"
)

// shapeDocumentation tells clients of the parameter that SDC's definition of
// $extract does not have.
const shapeDocumentation = "Beside SDC's parameters takes shape (code, optional, in the URL or in Parameters): " +
	"single, the default, answers one Observation with components; panel answers a transaction Bundle with an " +
	"Observation for each answer, part and total, and a panel Observation that has them as members."

// shapeOf reads the shape asked for, from the query and from Parameters; the
// same in both is fine.
func shapeOf(query url.Values, body fhir.Node) (shape, error) {
	asked := single
	for i, value := range query["shape"] {
		if err := asked.set(value, i > 0, ""); err != nil {
			return "", err
		}
	}
	given := query.Has("shape")
	if body.Type() != "Parameters" {
		return asked, nil
	}
	for p := range body.Each("parameter") {
		if p.Get("name").Is("shape") {
			if err := asked.set(p.Choice("value[x]").Text(), given, p.Path()); err != nil {
				return "", err
			}
			given = true
		}
	}
	return asked, nil
}

// set takes a value, which must be known and, if there was one before, the same.
func (s *shape) set(value string, given bool, path string) error {
	switch was := *s; {
	case value != string(single) && value != string(panel):
		return failures(http.StatusBadRequest, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueValue, Class: fhir.Malformed, Expression: path,
			Text: "shape is single (one Observation with components) or panel (a Bundle with an Observation for each answer, part and total).",
		})
	case given && shape(value) != was:
		return failures(http.StatusBadRequest, fhir.Issue{
			Severity: fhir.Error, Code: fhir.IssueInvalid, Class: fhir.Malformed, Expression: path,
			Text: "shape is given twice, and differently; give it once.",
		})
	}
	*s = shape(value)
	return nil
}

// write puts a score, extracted as one Observation, into the shape.
func (s shape) write(score []byte) ([]byte, error) {
	if s == single {
		return score, nil
	}
	document, err := fhir.Decode(score)
	if err != nil {
		return nil, fmt.Errorf("api: an extracted score does not decode: %w", err)
	}
	defer document.Release()
	return observation.PanelBundle(make([]byte, 0, 4*len(score)), document.Root()), nil
}
