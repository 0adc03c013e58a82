// Package notify delivers what happens to those who subscribed to it: it gives
// recorded events their numbers in each subscription, and calls the endpoints.
//
// An event is sent at least once and in order, one call at a time for each
// subscription, whichever replica makes it; what was not accepted is sent again.
// A call goes to a host that is allowed, at an address that was checked, follows
// no redirect, and is signed with the key that the client chose
// (policy.go, signature.go).
package notify
