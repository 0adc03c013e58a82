// Package audit writes AuditEvents: who did what to which patient's data, by
// which request, and what came of it.
//
// They follow the Basic Audit Log Patterns (IHE BALP 1.1; profiles
// IHE.BasicAudit.Create, Read, Update, Delete and Query and their Patient
// variants), which say that a client is the source of what it writes and of what
// it asks, and the server the source of what is read. A failure follows the same
// pattern with its outcome, and claims no profile, since those are for success
// only. A token is told of by its jti, or the end of it where it is opaque,
// never whole (pattern OAUTHaccessTokenUse.Minimal and Opaque).
//
// Nothing of a result is in an AuditEvent, only what was asked for and whose it
// was.
package audit
