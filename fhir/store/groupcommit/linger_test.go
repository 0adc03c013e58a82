package groupcommit_test

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// batchesFor commits a batch of twenty callers in the time given, has
// seventeen of them come back at once and three only after a pause, and says
// how many batches all twenty went into. Its clock is not the real one.
func batchesFor(t *testing.T, commit, pause time.Duration, options groupcommit.Options) (batches int) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		database := &fake{broken: func(step string, transaction int) bool {
			if step == "commit" && transaction == 2 {
				time.Sleep(commit)
			}
			return false
		}}
		r := newRig(t, database, options)
		jobs := make([]job, 20)
		for i := range jobs {
			jobs[i] = job{run: adding("x")}
		}
		r.batch(t, jobs...)
		before := database.begun
		var group sync.WaitGroup
		for i := range jobs {
			group.Go(func() {
				if i >= 17 {
					time.Sleep(pause)
				}
				if err := r.Do(context.Background(), nil, adding("y")); err != nil {
					t.Error(err)
				}
			})
		}
		group.Wait()
		r.Close()
		batches = database.begun - before
	})
	return batches
}

func TestLinger(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		commit, pause time.Duration
		options       groupcommit.Options
		batches       int
	}{
		"waits as long as the last commit took":       {commit: 8 * time.Millisecond, pause: 7 * time.Millisecond, batches: 1},
		"waits no longer than the last commit took":   {commit: 8 * time.Millisecond, pause: 9 * time.Millisecond, batches: 2},
		"waits the least after a commit of no time":   {pause: groupcommit.MinLinger / 2, batches: 1},
		"waits the most after a commit that stalled":  {commit: time.Hour, pause: groupcommit.MaxLinger - time.Millisecond, batches: 1},
		"waits no longer after a commit that stalled": {commit: time.Hour, pause: groupcommit.MaxLinger + time.Millisecond, batches: 2},
		"waits as long as it is told":                 {pause: time.Minute, options: groupcommit.Options{Linger: time.Hour}, batches: 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			require.Equal(t, c.batches, batchesFor(t, c.commit, c.pause, c.options))
		})
	}
	t.Run("does not wait if it is told so", func(t *testing.T) {
		t.Parallel()
		require.Greater(t, batchesFor(t, time.Second, time.Microsecond, groupcommit.Options{Linger: -1}), 1)
	})
}
