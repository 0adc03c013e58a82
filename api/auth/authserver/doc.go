// Package authserver is a small authorization server for places that have none:
// the token endpoint of SMART Backend Services, and the keys that go with it.
//
// A client that was registered with its public keys proves itself by a signed
// assertion and gets an access token of five minutes at most, for no more than
// the scopes it was registered with. There are no users, no refresh tokens and
// no secrets shared with anybody. What it issues, the Verifier of package auth
// verifies like the token of any other issuer.
//
// Server.Token does the work without HTTP; TokenHandler and KeysHandler put it
// on the network. Ring is the file of signing keys, which rotate: the next key
// is published before it signs, the previous one after.
//
// Sources: SMART App Launch 2.2.0 (backend-services,
// client-confidential-asymmetric); RFC 6749, 7523, 7591 and 9068.
package authserver
