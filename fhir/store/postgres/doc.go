// Package postgres keeps resources in a PostgreSQL database that several
// replicas of the service may share.
//
// # Writing
//
// One connection of each process writes, driven by package groupcommit. A batch
// costs three trips to the server, however many jobs it holds: begin, lock and
// look up what the batch will ask; insert all rows that were held back, as
// arrays; commit. Bodies are compressed on other goroutines meanwhile.
//
// Every batch holds one advisory lock of the schema from its beginning until its
// commit is on disk, so that of all replicas one writes at a time. Locking the
// identity keys alone, in their sorted order, would let replicas write side by
// side and would be wrong: a job decides by more than its keys. A conditional
// create decides by a search, a deletion and an amendment by a version, and the
// time of a later version must not be earlier. With one lock there is no circle
// to wait in, and a job sees what it would see if it were alone, which is what
// SQLite gives it. What is left to gain from several locks is small, for the
// flush of the disk is shared by the jobs of a batch already.
//
// A replica that is frozen or cut off while it holds the lock is thrown out by
// the server (idle_in_transaction_session_timeout), and its batch is run again
// when it wakes. A transaction lost before its COMMIT, to a deadlock, a failed
// serialisation or a lost connection, is run again as well. A COMMIT whose
// answer is lost is store.ErrUnknownOutcome and is never run again by itself. So is
// one that a server with a synchronous standby answers with a warning of no SQLSTATE
// of its own: its wait for the standby was cancelled, and a failover would undo it.
// A trigger must therefore not warn when it is deferred to the COMMIT.
//
// # Deliveries
//
// Claims, begins and outcomes are transactions of one statement on the pool,
// beside the writer: workers of all replicas claim by FOR UPDATE SKIP LOCKED, and
// leases run by the clock of the database. They lock rows of one table and wait
// for nothing while they do, so that they cannot wait in a circle with a batch.
//
// # Limits
//
// The server must be PostgreSQL 14 or later, with fsync on, and the address must
// lead to sessions: a pooler that hands out transactions breaks the lock of the
// migrations and the prepared statements. Texts that are searched for and longer
// than a kilobyte are kept as their digest, for an entry of an index has a limit.
package postgres
