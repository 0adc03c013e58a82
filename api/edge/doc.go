// Package edge is what a request meets before anything of FHIR is looked at:
// who it comes from, how much each client may ask for, how a connection is kept
// and encrypted, and the headers that every answer carries. It knows nothing of
// FHIR and of what is stored.
//
// Sources: RFC 6585 section 4 (429), RFC 9110, RFC 9325 (TLS), RFC 6797 (HSTS),
// W3C Content Security Policy Level 3.
package edge
