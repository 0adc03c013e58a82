package observation

import (
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// Shape is in what resources a server takes a score.
type Shape string

// The shapes.
const (
	// Single is one Observation with a component for every answer and part.
	Single Shape = "observation"
	// PanelShape is an Observation for every answer, every part and the total, and
	// one that has them as its members, see Panel.
	PanelShape Shape = "panel"
	// Singles are those without the one that has them as its members.
	Singles Shape = "observations"
	// Document is a DocumentReference with the result in plain text.
	Document Shape = "document"
)

// Shapes lists them.
func Shapes() []Shape { return []Shape{Single, PanelShape, Singles, Document} }

// The members that are no answer and no part of a score; every other is called
// by its code of CodeSystem/scorad.
const (
	// Whole is the score itself, whether it has its answers as components or has
	// them beside it.
	Whole = ""
	// PanelMember is the Observation that has the others as its members.
	PanelMember = "panel"
	// DocumentMember is the DocumentReference.
	DocumentMember = "document"
)

// Members are the resources that a score of these parts is in this shape, by
// name. The score itself is the same member in every shape of Observations, so
// that a server which had one shape and gets another has no score twice.
func (s Shape) Members(parts []string) []string {
	switch s {
	case Document:
		return []string{DocumentMember}
	case PanelShape, Singles:
		members := append(make([]string, 0, len(parts)+2), parts...)
		members = append(members, Whole)
		if s == PanelShape {
			members = append(members, PanelMember)
		}
		return members
	default:
		return []string{Whole}
	}
}

// Type is the resource type that a server of this shape takes.
func (s Shape) Type() string { return MemberType(s.Members(nil)[0]) }

// Parts are the codes of the answers and parts that the score of a response has
// as components, in their order.
func Parts(r *questionnaire.Response) []string {
	var parts []string
	for _, measure := range Measures(r) {
		if measure.Code != Total {
			parts = append(parts, measure.Code)
		}
	}
	return parts
}

// PartsOf are those of a stored score.
func PartsOf(score fhir.Node) []string {
	var parts []string
	for component := range score.Each("component") {
		parts = append(parts, ourCode(component.Get("code")))
	}
	return parts
}

// MemberIdentifier is the value of a member's business identifier, in
// IdentifierSystem: it stays over all versions of a response.
func MemberIdentifier(score, member string) string {
	if member == Whole {
		return score
	}
	return score + "." + member
}

// Has says whether a version of a score has a member, in whatever shape.
func Has(score fhir.Node, member string) bool {
	switch member {
	case Whole, PanelMember, DocumentMember:
		return true
	}
	return componentOf(score, member).Exists()
}

// componentOf is the component of one of our codes.
func componentOf(score fhir.Node, code string) fhir.Node {
	for component := range score.Each("component") {
		if ourCode(component.Get("code")) == code {
			return component
		}
	}
	return fhir.Node{}
}
