// Package auth decides who may do what: it verifies access tokens and turns
// their SMART scopes into a Grant that the API asks before it answers.
//
// A Verifier takes a bearer token (a JWT of a configured issuer, or an opaque
// token that an issuer is asked about) and gives the Grant or an *Error that
// says status, WWW-Authenticate and issue code. A Grant does no I/O: Check
// says whether the scopes cover what is asked, Restriction to which resources
// (the patient's own, those of a category or code).
//
// The cryptography is the standard library's, behind golang-jwt's signing
// methods; parsing and every check are written out here, because a token is
// judged by what is refused. Algorithms are pinned by configuration, a key is
// chosen by kid, kty, alg and use before anything is verified, and nothing in
// a token says where a key comes from.
//
// Sources: SMART App Launch 2.2.0; RFC 6750, 7515, 7517, 7518, 7519, 7662,
// 8725 and 9068.
package auth
