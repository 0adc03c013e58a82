// Package fhir is FHIR R4 on the wire: it decodes JSON strictly, keeps decimals
// and dates exact, names every fault with the FHIRPath of the element at fault,
// and writes OperationOutcomes.
//
// The model library's own decoder is not used for input, because it ignores
// unknown names, accepts quoted numbers and nulls, takes a missing status for
// the first code of its list and does not look at resourceType; and it loses
// contained resources and the `_name` companions of primitives. Its types serve
// output.
package fhir
