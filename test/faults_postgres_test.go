package test_test

import (
	"context"
	"fmt"
	"net/url"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// served is the real program, in one or more replicas, with a portal before it
// and a hospital behind it.
type served struct {
	t        testing.TB
	load     *load
	wards    wards
	replicas []*server
}

// newServed starts replicas on a database.
func newServed(t testing.TB, database string, replicas int) *served {
	t.Helper()
	s := &served{t: t, load: newLoad(t, 4), wards: newWards(t)}
	for range replicas {
		s.replicas = append(s.replicas, s.wards.serve(t, database))
	}
	return s
}

// bases are the addresses of the replicas.
func (s *served) bases() []string {
	var all []string
	for _, r := range s.replicas {
		all = append(all, r.fhir)
	}
	return all
}

// pours lets the portal pour while something happens, and a while after.
func (s *served) pours(after time.Duration, happens func()) {
	s.t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); s.load.pour(ctx, s.bases()...) }()
	happens()
	time.Sleep(after)
	stop()
	<-done
}

// instant is a random time from 200 ms to 1 s.
func (s *served) instant() time.Duration {
	return time.Duration(200+s.load.senders[0].random.IntN(800)) * time.Millisecond
}

// holds is the end of every fault: all senders get their answers, the hospital
// catches up, and the books are compared.
func (s *served) holds() {
	s.t.Helper()
	base := s.replicas[0].fhir
	s.load.settle(s.t, base)
	settled(s.t, s.replicas[0])
	a := auditAll(s.t, base, s.load)
	s.wards.judge(a)
	a.require(s.t, s.load.seed)
	forms, acknowledged, open := s.load.counts()
	s.t.Logf("%d forms, %d steps acknowledged, %d that nobody repeated; %s", forms, acknowledged, open, s.wards.resources())
	require.Positive(s.t, acknowledged)
	for _, r := range s.replicas {
		require.Equal(s.t, 0, r.stop(), "%s", r.log)
	}
}

// TestPostgreSQLDropsEverything restarts the server as after a crash, under load.
func TestPostgreSQLDropsEverything(t *testing.T) {
	t.Parallel()
	own, database := cluster(t)
	s := newServed(t, database, 2)
	for range cycles(t, 3, 10) {
		s.pours(500*time.Millisecond, func() {
			time.Sleep(s.instant())
			require.NoError(t, own.Halt(syscall.SIGQUIT))
			require.NoError(t, own.Restart())
		})
	}
	s.holds()
}

// TestPostgreSQLFailsOver kills the server and promotes its synchronous standby,
// under load: what was acknowledged is on the standby.
func TestPostgreSQLFailsOver(t *testing.T) {
	t.Parallel()
	for n := range cycles(t, 1, 20) {
		t.Run(fmt.Sprint("round ", n), failsOver)
	}
}

func failsOver(t *testing.T) {
	own, database := cluster(t)
	ctx, cancel := context.WithTimeout(context.Background(), leasePatience)
	defer cancel()
	standby, err := own.Standby(ctx)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, standby.Stop()) })
	at, err := url.Parse(database)
	require.NoError(t, err)
	s := newServed(t, own.Either(standby, at.Query().Get("search_path")), 2)
	s.pours(2*time.Second, func() {
		time.Sleep(s.instant())
		require.NoError(t, own.Halt(syscall.SIGQUIT))
		require.NoError(t, standby.Promote(ctx))
	})
	s.holds()
}

// TestFrozenReplicaWakes stops one of two replicas in the middle of its work and
// lets it go on when its leases are over and the other has done what it held.
func TestFrozenReplicaWakes(t *testing.T) {
	t.Parallel()
	for n := range cycles(t, 1, 20) {
		t.Run(fmt.Sprint("round ", n), freezesAndWakes)
	}
}

func freezesAndWakes(t *testing.T) {
	_, database := cluster(t)
	s := newServed(t, database, 2)
	for _, h := range s.wards {
		h.troubled(slowly)
	}
	frozen := s.replicas[1].cmd.Process
	s.pours(0, func() {
		time.Sleep(s.instant())
		require.NoError(t, frozen.Signal(syscall.SIGSTOP))
	})
	t.Cleanup(func() { _ = frozen.Signal(syscall.SIGCONT) }) // it may have ended
	s.load.pourFor(time.Second, s.replicas[0].fhir)
	time.Sleep(5 * requestTime)
	s.load.pourFor(time.Second, s.replicas[0].fhir)
	s.pours(time.Second, func() { require.NoError(t, frozen.Signal(syscall.SIGCONT)) })
	for _, h := range s.wards {
		h.troubled(nil)
	}
	s.holds()
}
