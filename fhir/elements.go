package fhir

import (
	"slices"

	"tidemark.example/tidemark/fhir/schema"
)

// Element is what R4 says of one element of a type, for those who choose among
// them; see package schema.
type Element = schema.Element

// IsResource says whether R4 has a type of resource of this name.
func IsResource(name string) bool { return schema.Resource(name) != nil }

// Names says whether a name without its type (value) or in full (valueQuantity)
// is that of an element.
func Names(e *Element, name string) bool { return e.Name == name || e.Choice == name+"[x]" }

// HasElement says whether a type of resource has an element of a name.
func HasElement(resource, name string) bool {
	kind := schema.Resource(resource)
	return kind != nil && slices.ContainsFunc(kind.Elements, func(e *Element) bool { return Names(e, name) && e.Kind != schema.PrimitiveElement })
}
