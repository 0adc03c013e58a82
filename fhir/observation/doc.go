// Package observation writes what an assessment came to as FHIR: the score's
// Observation with one component for every answer and part, the Provenance that
// says what it was computed from and by what, and the Device that computed it.
//
// The Observation is written by appending prepared fragments and not by the
// model library, because it is written for every response on the way in; a test
// decodes it into the library's types and an independent validator.
package observation
