// Package login makes this service known to a hospital's FHIR server.
//
// NewNetwork is the way there, with TLS of its own. New wraps it so that every
// request carries what a Source gives: Basic (RFC 7617), Bearer (RFC 6750) from
// a file, or the access tokens of SMART Backend Services, which a Client gets by
// signed assertions and which are kept until shortly before they end. A request
// that is answered with 401 is sent once more if the Source has something else
// to offer by then, and its answer stands.
//
// What cannot be sent for want of credentials fails with writeback.ErrNotSent,
// so that no delivery counts as in doubt; with writeback.ErrLogin where a person
// must change something. Files are read again when they change. No error and no
// log repeats a secret, a token or an assertion, nor what a token endpoint says
// beyond its error code.
//
// Sources: SMART App Launch 2.2.0 (backend-services,
// client-confidential-asymmetric, conformance); RFC 6749, 6750, 7523 and 7617.
package login
