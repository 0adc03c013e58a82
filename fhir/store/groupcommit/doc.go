// Package groupcommit is the one writer of a process: it runs many jobs in one
// transaction and answers each after the commit, so that a hundred submissions
// cost one flush of the disk instead of a hundred. It knows no database; a
// [Backend] gives it transactions, and both databases share it.
//
// What happens to a batch:
//
//   - Every job runs behind a savepoint of its own. One that returns an error,
//     panics, or goes on after a failed write is rolled back to it, alone.
//   - When the transaction itself is lost before its COMMIT, nothing of the
//     batch is kept, and each job is run again in a transaction of its own, so
//     that the culprit fails alone.
//   - When COMMIT fails, nobody can tell whether the batch is on disk: every job
//     that had succeeded is answered with store.ErrUnknownOutcome and is never
//     run again by itself.
//
// Jobs are taken in the order in which they came, so none starves.
package groupcommit
