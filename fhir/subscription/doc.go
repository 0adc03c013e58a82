// Package subscription is topic-based Subscriptions in R4, after the
// Subscriptions R5 Backport guide (STU 1.1.0): the one topic there is, reading a
// Subscription with every fault listed, which scores its filters let through, and
// the notification Bundles that tell of them. It does no I/O; delivery is package
// notify.
package subscription
