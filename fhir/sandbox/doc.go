// Package sandbox is a stand-in for a hospital's FHIR server: in memory, with
// the real semantics of conditional create and update, version preconditions,
// read, history, search and transactions, of the kind that is asked for (Kind),
// and with switches to misbehave the way real servers and networks do. It serves
// the demo and the tests, and nothing else: it authenticates nobody.
package sandbox
