package groupcommit

import (
	"context"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Ahead is what is known of the jobs of a batch before they run.
type Ahead struct {
	// Keys are their identity keys, sorted, each once.
	Keys []string
	// Heads are what they said that they would ask for.
	Heads []store.Heads
	// Jobs is the number of those that will run: 1 where a lost batch is replayed.
	Jobs int
}

// Backend opens transactions; T is what a job is given to work with.
type Backend[T any] interface {
	// Begin opens a transaction for a batch and takes the locks of its identity
	// keys, in whose order replicas never wait for each other in a circle.
	Begin(ctx context.Context, ahead Ahead) (Batch[T], error)
}

// Batch is one open transaction. It is used by one goroutine, and ends with
// Commit or Rollback.
type Batch[T any] interface {
	// Tx is what the next job works with.
	Tx() T
	// Savepoint marks the state a failed job falls back to.
	Savepoint() error
	// Release keeps what was done since the savepoint.
	Release() error
	// RollbackTo undoes what was done since the savepoint. An error says that
	// the transaction as a whole is lost.
	RollbackTo() error
	// Flush carries out what the backend has held back. It is called once, when
	// all jobs have run; its failure is a failed batch, not an unknown outcome.
	Flush() error
	// Commit makes the batch durable. An error leaves the outcome unknown.
	Commit() error
	// Rollback gives the transaction up; nothing of it is kept. It is called
	// after a failed Commit as well, and must leave the backend usable.
	Rollback() error
}

// Stats describes one batch once it is answered, for metrics.
type Stats struct {
	// Jobs ran in the batch; Failed of them had an error of their own.
	Jobs, Failed int
	// Queued is the number of jobs waiting when the batch was answered.
	Queued int
	// Run is the time from begin until the last job had run, Commit the time
	// that making it durable took; zero if it came to no commit.
	Run, Commit time.Duration
	// Replayed says that the batch was lost and its jobs ran one by one.
	Replayed bool
	// Unknown says that a COMMIT failed.
	Unknown bool
}
