// Package sqlite keeps resources in one SQLite file, without cgo and without a
// server beside it.
//
// One connection writes, driven by package groupcommit; a pool of others reads
// snapshots and is never blocked by it. The file is in WAL mode with
// synchronous=FULL: a commit returns only after the log has been flushed to
// disk. A commit is the costly part, and the number of pages it touches its
// price, so the writer holds rows back that nobody reads within the batch
// (bodies, search values, deliveries) and inserts them many at a time, and
// bodies are compressed on other goroutines meanwhile.
//
// No foreign keys are declared: every row is written by this package through
// one goroutine, and a check per row would cost as much as the row.
//
// # Limits
//
// One process should write to a file at a time; a second one (a maintenance
// command, say) is safe, it merely waits for its turn up to the busy timeout.
// The file must be on a local disk, for SQLite's locks do not hold on network
// file systems. Times are kept to the millisecond.
package sqlite
