package groupcommit

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"
	"slices"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// ErrPanic says that a job panicked or ended its goroutine; nothing of it is
// kept, and its neighbours went on. The value is not part of the text, for it
// may hold patient data.
var ErrPanic = errors.New("store: job panicked")

// ErrAgain says that a transaction was lost to something outside it, such as
// another process that writes or a connection that broke, before its COMMIT, so
// that running its jobs again may help. A backend wraps it.
var ErrAgain = errors.New("store: transaction lost to something outside it")

// maxAgain is how often a single job is run again for that reason.
const maxAgain = 3

// run carries the current batch through and answers it, replaying it job by job
// if the transaction is lost.
func (w *Writer[T]) run() {
	if len(w.current) == 0 {
		return
	}
	stats := Stats{Jobs: len(w.current)}
	if !w.attempt(w.current, &stats, true) {
		w.replay(&stats)
	}
	w.observe(stats)
}

// resume deals with a batch whose goroutine a job has ended: the transaction is
// rolled back by then, the culprit is answered, the rest runs one by one.
func (w *Writer[T]) resume() {
	w.options.Logger.Error("store: a job ended the writer's goroutine")
	for _, r := range w.current {
		if r.running && !r.answered {
			r.answer(fmt.Errorf("%w: it ended its goroutine", ErrPanic))
		}
	}
	stats := Stats{Jobs: len(w.current), Failed: 1}
	w.replay(&stats)
	w.observe(stats)
}

// replay runs every job not yet answered in a transaction of its own.
func (w *Writer[T]) replay(stats *Stats) {
	stats.Replayed = true
	for i, r := range w.current {
		for try := 1; !r.answered; try++ {
			w.attempt(w.current[i:i+1], stats, try < maxAgain)
		}
	}
}

// attempt runs some jobs in one transaction. It returns false, with nobody
// answered, if the transaction of several jobs was lost before its COMMIT. That
// of a single job is answered, since running it again would not help, unless
// again allows it and it was lost for a reason outside it.
func (w *Writer[T]) attempt(requests []*request[T], stats *Stats, again bool) bool {
	start := time.Now()
	batch, err := w.backend.Begin(context.Background(), aheadOf(requests))
	if err != nil {
		w.options.Logger.Error("store: cannot begin a transaction", slog.Any("error", err))
		answerAll(requests, fmt.Errorf("begin a transaction: %w", err))
		return true
	}
	open := true
	defer func() {
		if open {
			w.rollback(batch)
		}
	}()
	results, err := w.runJobs(batch, requests)
	stats.Run += since(start)
	if err == nil {
		open = false
		w.commit(batch, requests, results, stats)
		return true
	}
	w.options.Logger.Warn("store: batch lost before its commit",
		slog.Int("jobs", len(requests)), slog.Any("error", err))
	if len(requests) > 1 || again && errors.Is(err, ErrAgain) {
		return false
	}
	if results[0] != nil {
		err = results[0]
	}
	requests[0].answer(err)
	stats.Failed++
	return true
}

// runJobs runs each job behind its savepoint and returns their own errors. The
// second result is not nil if the transaction as a whole is lost.
func (w *Writer[T]) runJobs(batch Batch[T], requests []*request[T]) ([]error, error) {
	results := make([]error, len(requests))
	for i, r := range requests {
		if err := batch.Savepoint(); err != nil {
			return results, fmt.Errorf("set a savepoint: %w", err)
		}
		results[i] = w.runJob(r, batch.Tx())
		if results[i] == nil {
			if err := batch.Release(); err != nil {
				return results, fmt.Errorf("release a savepoint: %w", err)
			}
		} else if err := batch.RollbackTo(); err != nil {
			return results, fmt.Errorf("roll back to a savepoint: %w", err)
		}
	}
	if err := batch.Flush(); err != nil {
		return results, fmt.Errorf("flush the batch: %w", err)
	}
	return results, nil
}

// runJob runs one job and turns its panic into an error. A job that ends the
// goroutine stays marked as running, by which resume knows it.
func (w *Writer[T]) runJob(r *request[T], tx T) (err error) {
	r.running = true
	defer func() {
		if value := recover(); value != nil {
			r.running = false
			err = w.panicked(value)
		}
	}()
	err = r.job(tx)
	r.running = false
	return err
}

// panicked logs where a job panicked and words the error.
func (w *Writer[T]) panicked(value any) error {
	w.options.Logger.Error("store: job panicked",
		slog.String("type", fmt.Sprintf("%T", value)), slog.String("stack", string(debug.Stack())))
	if fault, ok := value.(runtime.Error); ok {
		return fmt.Errorf("%w: %w", ErrPanic, fault)
	}
	return fmt.Errorf("%w with a %T", ErrPanic, value)
}

// commit makes the batch durable and answers everybody. If every job failed
// there is nothing to keep, and no disk is flushed.
func (w *Writer[T]) commit(batch Batch[T], requests []*request[T], results []error, stats *Stats) {
	failed := 0
	for _, result := range results {
		if result != nil {
			failed++
		}
	}
	stats.Failed += failed
	var unknown error
	if failed == len(results) {
		w.rollback(batch)
	} else {
		start := time.Now()
		err := batch.Commit()
		w.flush = since(start)
		stats.Commit += w.flush
		if err != nil {
			stats.Unknown = true
			unknown = fmt.Errorf("%w: %w", store.ErrUnknownOutcome, err)
			w.options.Logger.Error("store: COMMIT failed", slog.Int("jobs", len(requests)), slog.Any("error", err))
			w.rollback(batch)
		}
	}
	w.expected = len(w.current) + len(w.queue)
	for i, r := range requests {
		if results[i] != nil {
			r.answer(results[i])
		} else {
			r.answer(unknown)
		}
	}
}

// rollback gives a transaction up. Its error changes no answer: what was not
// committed is not kept.
func (w *Writer[T]) rollback(batch Batch[T]) {
	if err := batch.Rollback(); err != nil {
		w.options.Logger.Warn("store: rollback failed", slog.Any("error", err))
	}
}

// observe tells the observer of a batch.
func (w *Writer[T]) observe(stats Stats) {
	if w.options.Observe != nil {
		stats.Queued = len(w.queue)
		w.options.Observe(stats)
	}
}

// answerAll gives every request the same answer.
func answerAll[T any](requests []*request[T], err error) {
	for _, r := range requests {
		r.answer(err)
	}
}

// aheadOf gathers what is known of some requests.
func aheadOf[T any](requests []*request[T]) Ahead {
	ahead := Ahead{Jobs: len(requests)}
	for _, r := range requests {
		ahead.Keys = append(ahead.Keys, r.keys...)
		ahead.Heads = append(ahead.Heads, r.heads...)
	}
	slices.Sort(ahead.Keys)
	ahead.Keys = slices.Compact(ahead.Keys)
	return ahead
}
