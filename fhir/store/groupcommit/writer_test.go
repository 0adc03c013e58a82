package groupcommit_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/groupcommit"
)

var errRefused = errors.New("refused")

// rig is a writer on a fake database, whose statistics and log are kept.
type rig struct {
	*groupcommit.Writer[*list]
	database *fake
	mu       sync.Mutex
	stats    []groupcommit.Stats
	log      bytes.Buffer
}

// newRig starts one that is closed with the test.
func newRig(t *testing.T, database *fake, options groupcommit.Options) *rig {
	r := &rig{database: database}
	options.Logger = slog.New(slog.NewTextHandler(&r.log, nil))
	options.Observe = func(s groupcommit.Stats) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.stats = append(r.stats, s)
	}
	r.Writer = groupcommit.New(database, options)
	t.Cleanup(func() {
		r.Close()
		require.Zero(t, database.open(), "every transaction has ended")
	})
	return r
}

// job is what a batch of a test is made of.
type job struct {
	keys []string
	run  func(*list) error
}

// batch runs jobs in one batch, in order: it holds the writer up with a job of
// its own until all of them wait. The answers are in the order of the jobs.
func (r *rig) batch(t *testing.T, jobs ...job) []error {
	t.Helper()
	running, release := make(chan struct{}), make(chan struct{})
	held := make(chan error, 1)
	go func() {
		held <- r.Do(context.Background(), nil, func(*list) error {
			close(running)
			<-release
			return errRefused
		})
	}()
	<-running
	answers := make([]error, len(jobs))
	var group sync.WaitGroup
	for i, j := range jobs {
		group.Go(func() { answers[i] = r.Do(context.Background(), j.keys, j.run) })
		require.Eventually(t, func() bool { return r.Queued() == i+1 }, 2*time.Minute, 10*time.Microsecond)
	}
	close(release)
	group.Wait()
	require.ErrorIs(t, <-held, errRefused)
	return answers
}

// last gives the statistics of the last batch.
func (r *rig) last(t *testing.T) groupcommit.Stats {
	t.Helper()
	r.Close()
	r.mu.Lock()
	defer r.mu.Unlock()
	require.NotEmpty(t, r.stats)
	return r.stats[len(r.stats)-1]
}

// The holding job is transaction 1, the batch of the test transaction 2, its
// replay those after.
func inBatch(step string) func(string, int) bool {
	return func(s string, transaction int) bool { return s == step && transaction == 2 }
}

func TestBatch(t *testing.T) {
	t.Parallel()
	run := func(name string, test func(t *testing.T)) {
		t.Run(name, func(t *testing.T) { t.Parallel(); test(t) })
	}
	add := func(item string) job { return job{run: adding(item)} }

	run("CommitsManyJobsOnceInOrder", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		require.Equal(t, []error{nil, nil, nil}, r.batch(t, add("a"), add("b"), add("c")))
		require.Equal(t, []string{"a", "b", "c"}, r.database.contents())
		require.Equal(t, 2, r.database.begun)
		stats := r.last(t)
		require.Positive(t, stats.Run)
		require.Positive(t, stats.Commit)
		stats.Run, stats.Commit = 0, 0
		require.Equal(t, groupcommit.Stats{Jobs: 3}, stats)
	})
	run("LocksItsKeysOnceInOrder", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		r.batch(t, job{keys: []string{"c", "a"}, run: adding("x")}, job{keys: []string{"b", "a"}, run: adding("y")}, add("z"))
		require.Equal(t, []string{"a", "b", "c"}, r.database.locked[1])
	})
	run("IsNoLargerThanTheLimit", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{MaxJobs: 2})
		r.batch(t, add("a"), add("b"), add("c"), add("d"), add("e"))
		require.Equal(t, 4, r.database.begun)
		require.Equal(t, 1, r.last(t).Jobs)
	})
	run("UnderLoadDoesNotWaitLong", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		jobs := make([]job, 20)
		for i := range jobs {
			jobs[i] = add("x")
		}
		r.batch(t, jobs...)
		require.NoError(t, r.Do(context.Background(), nil, adding("y")), "though the others do not come back")
	})
	run("OfFewCallersDoesNotWait", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{Linger: time.Hour})
		r.batch(t, add("a"), add("b"), add("c"))
		require.NoError(t, r.Do(context.Background(), nil, adding("d")))
	})
	run("FailedJobRollsBackAlone", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		answers := r.batch(t, add("a"), job{run: func(l *list) error { l.add("b"); return errRefused }}, add("c"))
		require.Equal(t, []error{nil, errRefused, nil}, answers)
		require.Equal(t, []string{"a", "c"}, r.database.contents())
		require.Equal(t, 1, r.last(t).Failed)
	})
	run("PanickingJobRollsBackAlone", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		answers := r.batch(t, add("a"), job{run: func(l *list) error { l.add("b"); panic("Oona Thistledown") }}, add("c"))
		require.NoError(t, answers[0])
		require.ErrorIs(t, answers[1], groupcommit.ErrPanic)
		require.NoError(t, answers[2])
		require.Equal(t, []string{"a", "c"}, r.database.contents())
		r.Close()
		require.Contains(t, r.log.String(), "writer_test.go", "the log says where")
		require.NotContains(t, r.log.String()+answers[1].Error(), "Oona")
	})
	run("RuntimeErrorIsNamed", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		answers := r.batch(t, job{run: func(l *list) error { return errors.New(l.items[7]) }})
		require.ErrorIs(t, answers[0], groupcommit.ErrPanic)
		require.ErrorContains(t, answers[0], "index out of range")
	})
	run("JobThatEndsItsGoroutineRollsBackAlone", func(t *testing.T) {
		r := newRig(t, &fake{}, groupcommit.Options{})
		leave := job{run: func(l *list) error { l.add("b"); runtime.Goexit(); return nil }}
		answers := r.batch(t, add("a"), leave, add("c"), leave, add("d"))
		for i, failed := range []bool{false, true, false, true, false} {
			require.Equal(t, failed, errors.Is(answers[i], groupcommit.ErrPanic), "job %d", i)
		}
		require.Equal(t, []string{"a", "c", "d"}, r.database.contents())
		require.NoError(t, r.Do(context.Background(), nil, adding("e")), "the writer goes on")
	})
	run("OfFailuresOnlyIsNotCommitted", func(t *testing.T) {
		r := newRig(t, &fake{broken: inBatch("commit")}, groupcommit.Options{})
		require.Equal(t, []error{errRefused}, r.batch(t, job{run: func(*list) error { return errRefused }}))
		require.Zero(t, r.last(t).Commit)
	})
}

func TestLostBatch(t *testing.T) {
	t.Parallel()
	for _, step := range []string{"savepoint", "release", "rollback to", "flush"} {
		t.Run("IsReplayedJobByJobWhenItLosesIts "+step, func(t *testing.T) {
			t.Parallel()
			r := newRig(t, &fake{broken: inBatch(step)}, groupcommit.Options{})
			runs := 0
			answers := r.batch(t,
				job{run: func(l *list) error { runs++; l.add("a"); return nil }},
				job{run: func(*list) error { return errRefused }},
				job{run: adding("c")})
			require.Equal(t, []error{nil, errRefused, nil}, answers)
			require.Equal(t, []string{"a", "c"}, r.database.contents())
			require.LessOrEqual(t, runs, 2)
			require.Equal(t, 5, r.database.begun, "held, batch, three alone")
			stats := r.last(t)
			require.True(t, stats.Replayed)
			require.Equal(t, 3, stats.Jobs)
			require.Equal(t, 1, stats.Failed)
		})
	}
	t.Run("FailsTheCulpritAloneInTheReplay", func(t *testing.T) {
		t.Parallel()
		// Whichever transaction holds the culprit is lost.
		database := &fake{}
		culprit := 0
		database.broken = func(step string, transaction int) bool {
			return step == "flush" && transaction == culprit
		}
		r := newRig(t, database, groupcommit.Options{})
		answers := r.batch(t, job{run: adding("a")},
			job{run: func(l *list) error {
				database.mu.Lock()
				defer database.mu.Unlock()
				culprit = database.begun
				l.add("b")
				return nil
			}}, job{run: adding("c")})
		require.NoError(t, answers[0])
		require.ErrorIs(t, answers[1], errBroken)
		require.NotErrorIs(t, answers[1], store.ErrUnknownOutcome, "it is known: nothing is kept")
		require.NoError(t, answers[2])
		require.Equal(t, []string{"a", "c"}, database.contents())
	})
	t.Run("GivesASingleJobItsOwnErrorFirst", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{broken: inBatch("rollback to")}, groupcommit.Options{})
		require.Equal(t, []error{errRefused}, r.batch(t, job{run: func(*list) error { return errRefused }}))
		require.Equal(t, 2, r.database.begun, "and is not run again")
	})
	lostToAnother := func(times int) *fake {
		return &fake{fault: groupcommit.ErrAgain, broken: func(step string, transaction int) bool {
			return step == "flush" && transaction > 1 && transaction <= 1+times
		}}
	}
	t.Run("IsRunAgainThoughOfASingleJobWhenItWasLostToAnother", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, lostToAnother(2), groupcommit.Options{})
		require.Equal(t, []error{nil}, r.batch(t, job{run: adding("a")}))
		require.Equal(t, []string{"a"}, r.database.contents(), "once")
		require.Equal(t, 4, r.database.begun, "held, lost twice, kept")
		require.True(t, r.last(t).Replayed)
	})
	t.Run("IsGivenUpWhenItIsLostToOthersAgainAndAgain", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, lostToAnother(100), groupcommit.Options{})
		answers := r.batch(t, job{run: adding("a")}, job{run: adding("b")})
		require.ErrorIs(t, answers[0], groupcommit.ErrAgain)
		require.ErrorIs(t, answers[1], groupcommit.ErrAgain)
		require.Empty(t, r.database.contents())
		require.Equal(t, 8, r.database.begun, "held, batch, three times each")
		require.Equal(t, 2, r.last(t).Failed)
	})
	t.Run("IsAnsweredWithTheReasonWhenThereIsNoTransaction", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{broken: inBatch("begin")}, groupcommit.Options{})
		answers := r.batch(t, job{run: adding("a")}, job{run: adding("b")})
		for _, answer := range answers {
			require.ErrorIs(t, answer, errBroken)
			require.NotErrorIs(t, answer, store.ErrUnknownOutcome)
		}
		require.Empty(t, r.database.contents())
		require.NoError(t, r.Do(context.Background(), nil, adding("c")), "the next batch may work")
	})
}

func TestFailedCommit(t *testing.T) {
	t.Parallel()
	t.Run("IsUnknownToAllThatHadSucceeded", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{broken: inBatch("commit")}, groupcommit.Options{})
		runs := 0
		answers := r.batch(t,
			job{run: func(l *list) error { runs++; return nil }},
			job{run: func(*list) error { return errRefused }},
			job{run: adding("c")})
		require.ErrorIs(t, answers[0], store.ErrUnknownOutcome)
		require.ErrorIs(t, answers[0], errBroken, "with the cause")
		require.Equal(t, errRefused, answers[1], "of this one it is known that nothing is kept")
		require.ErrorIs(t, answers[2], store.ErrUnknownOutcome)
		require.Equal(t, 1, runs, "it is never run again")
		require.NoError(t, r.Do(context.Background(), nil, adding("d")), "the writer goes on")
		require.Equal(t, []string{"d"}, r.database.contents())
	})
	t.Run("IsToldToTheObserver", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{broken: inBatch("commit")}, groupcommit.Options{})
		r.batch(t, job{run: adding("a")})
		require.True(t, r.last(t).Unknown)
	})
	t.Run("InAReplayIsUnknownToThatJobAlone", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{broken: func(step string, transaction int) bool {
			return step == "flush" && transaction == 2 || step == "commit" && transaction == 3
		}}, groupcommit.Options{})
		answers := r.batch(t, job{run: adding("a")}, job{run: adding("b")})
		require.ErrorIs(t, answers[0], store.ErrUnknownOutcome)
		require.NoError(t, answers[1])
	})
	t.Run("StaysUnknownThoughTheRollbackFailsToo", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{broken: func(step string, transaction int) bool {
			return transaction == 2 && (step == "commit" || step == "rollback")
		}}, groupcommit.Options{})
		require.ErrorIs(t, r.batch(t, job{run: adding("a")})[0], store.ErrUnknownOutcome)
	})
}

func TestContext(t *testing.T) {
	t.Parallel()
	t.Run("EndedWithdrawsAJobThatWaits", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{}, groupcommit.Options{})
		ctx, cancel := context.WithCancel(context.Background())
		withdrawn := make(chan error, 1)
		answers := r.batch(t, job{run: func(*list) error { return nil }}, job{run: func(*list) error {
			// The third job waits behind this batch of two, for it came later.
			go func() {
				withdrawn <- r.Do(ctx, nil, func(l *list) error { l.add("ran"); return nil })
			}()
			for r.Queued() == 0 {
				runtime.Gosched()
			}
			cancel()
			return <-withdrawn
		}})
		require.NoError(t, answers[0])
		require.ErrorIs(t, answers[1], context.Canceled)
		require.NoError(t, r.Do(context.Background(), nil, adding("next")))
		require.Equal(t, []string{"next"}, r.database.contents())
	})
	t.Run("EndedBeforehandTakesNothing", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{}, groupcommit.Options{})
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		require.ErrorIs(t, r.Do(ctx, nil, adding("a")), context.Canceled)
		require.Zero(t, r.database.begun)
	})
	t.Run("EndedFreesACallerThatFindsTheQueueFull", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{}, groupcommit.Options{Queue: 1})
		running, release := make(chan struct{}), make(chan struct{})
		results := make(chan error, 2)
		go func() {
			results <- r.Do(context.Background(), nil, func(*list) error { close(running); <-release; return nil })
		}()
		<-running
		go func() { results <- r.Do(context.Background(), nil, adding("queued")) }()
		require.Eventually(t, func() bool { return r.Queued() == 1 }, 2*time.Minute, time.Microsecond)
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Millisecond)
		defer cancel()
		require.ErrorIs(t, r.Do(ctx, nil, adding("held back")), context.DeadlineExceeded)
		close(release)
		require.NoError(t, <-results)
		require.NoError(t, <-results)
		require.Equal(t, []string{"queued"}, r.database.contents())
	})
}

func TestClose(t *testing.T) {
	t.Parallel()
	t.Run("FinishesTheBatchUnderWayAndRefusesThoseWaiting", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{}, groupcommit.Options{})
		running, release := make(chan struct{}), make(chan struct{})
		first, second := make(chan error, 1), make(chan error, 1)
		go func() {
			first <- r.Do(context.Background(), nil, func(l *list) error { close(running); <-release; l.add("a"); return nil })
		}()
		<-running
		go func() { second <- r.Do(context.Background(), nil, adding("b")) }()
		require.Eventually(t, func() bool { return r.Queued() == 1 }, 2*time.Minute, time.Microsecond)
		closed := make(chan struct{})
		go func() { r.Close(); close(closed) }()
		require.ErrorIs(t, r.Do(context.Background(), nil, adding("c")), store.ErrClosed)
		require.ErrorIs(t, <-second, store.ErrClosed, "though the batch under way is not done")
		select {
		case <-closed:
			require.Fail(t, "closed before the batch under way was done")
		case <-time.After(10 * time.Millisecond):
		}
		close(release)
		<-closed
		require.NoError(t, <-first)
		require.Equal(t, []string{"a"}, r.database.contents())
	})
	t.Run("UnderLoadAnswersEverybody", func(t *testing.T) {
		t.Parallel()
		r := newRig(t, &fake{}, groupcommit.Options{MaxJobs: 4, Queue: 2})
		var group sync.WaitGroup
		var accepted atomic.Int64
		for worker := range 32 {
			group.Go(func() {
				for r.Do(context.Background(), nil, adding(fmt.Sprint(worker))) == nil {
					accepted.Add(1)
				}
			})
		}
		require.Eventually(t, func() bool { return accepted.Load() > 100 }, 2*time.Minute, time.Millisecond)
		r.Close()
		group.Wait()
		require.Len(t, r.database.contents(), int(accepted.Load()))
	})
}
