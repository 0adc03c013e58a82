// Package api is Tidemark's FHIR server: one file for each resource, one
// mapping from errors to OperationOutcomes, and the admin listener beside it.
//
// A submission flows one way: the body is decoded, its answers are read and
// scored before anything is locked, and one job then writes the response, its
// Observation, the Provenance and what each target should hold in the store's
// next batch. What is answered after that is on disk.
package api
