package test_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"tidemark.example/tidemark/test/postgrestest"
)

// smallDisk is a file system in memory of that many megabytes. Only root may make
// one.
func smallDisk(t testing.TB, megabytes string) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "tidemark-disk-") // within t.TempDir another user could not read it
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.Remove(dir)) })
	if err := syscall.Mount("tidemark", dir, "tmpfs", 0, "mode=0755,size="+megabytes+"m"); err != nil {
		t.Skip("SKIPPED: a small file system cannot be made here (it takes root): ", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	return dir
}

// filled takes what is left of a disk while something happens.
func filled(t testing.TB, dir string, happens func()) {
	t.Helper()
	ballast := filepath.Join(dir, "ballast")
	file, err := os.Create(ballast)
	require.NoError(t, err)
	chunk := make([]byte, 4096)
	for err == nil {
		_, err = file.Write(chunk)
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.NoError(t, file.Close())
	happens()
	require.NoError(t, os.Remove(ballast))
}

// refuses has the portal pour until it has met what it gets no answer to. What is
// written first may go where the journal had room before.
func (s *served) refuses() {
	s.t.Helper()
	_, _, before := s.load.counts()
	for began := time.Now(); ; {
		s.load.pourFor(2*time.Second, s.bases()...)
		if _, _, after := s.load.counts(); after > before {
			return
		}
		require.Less(s.t, time.Since(began), patience, "the fault must be felt")
	}
}

// TestDiskFull fills the disk of the database while the portal pours, kills the
// program there in some rounds, and makes room again.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	dir := smallDisk(t, "48")
	database := filepath.Join(dir, "tidemark.db")
	s := newServed(t, database, 1)
	for range cycles(t, 2, 20) {
		s.load.pourFor(s.instant(), s.bases()...)
		filled(t, dir, func() {
			s.refuses()
			if s.load.senders[0].random.IntN(2) == 0 {
				s.replicas[0].kill()
			}
		})
		s.awake(database)
		s.load.settle(t, s.replicas[0].fhir)
	}
	s.holds()
}

// awake starts the program again if it was killed.
func (s *served) awake(database string) {
	select {
	case <-s.replicas[0].ended:
		s.replicas[0] = s.wards.serve(s.t, database)
	default:
	}
}

// TestFilesMayNotGrow is a quota: the program may write no file beyond half the
// size that its journal has just now (setrlimit, RLIMIT_FSIZE).
func TestFilesMayNotGrow(t *testing.T) {
	t.Parallel()
	database := filepath.Join(t.TempDir(), "tidemark.db")
	s := newServed(t, database, 1)
	for range cycles(t, 2, 20) {
		s.load.pourFor(s.instant(), s.bases()...)
		journal, err := os.Stat(database + "-wal")
		require.NoError(t, err)
		process := s.replicas[0].cmd.Process.Pid
		var was unix.Rlimit
		require.NoError(t, unix.Prlimit(process, unix.RLIMIT_FSIZE, nil, &was))
		require.NoError(t, unix.Prlimit(process, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: uint64(journal.Size() / 2), Max: was.Max}, nil)) //nolint:gosec // a size
		s.refuses()
		require.NoError(t, unix.Prlimit(process, unix.RLIMIT_FSIZE, &was, nil))
		s.load.settle(t, s.replicas[0].fhir)
	}
	s.holds()
}

// TestDiskOfPostgreSQLFull fills the disk of the PostgreSQL server, which may end
// over it, and makes room again.
func TestDiskOfPostgreSQLFull(t *testing.T) {
	t.Parallel()
	if why := postgrestest.Missing(); why != "" {
		t.Skip("SKIPPED: ", why)
	}
	dir := smallDisk(t, "160")
	own, err := postgrestest.StartIn(dir, "max_wal_size=16MB", "min_wal_size=8MB", "wal_recycle=off")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, own.Stop()) })
	database, err := own.Create(context.Background())
	require.NoError(t, err)
	s := newServed(t, database, 1)
	for range cycles(t, 2, 20) {
		s.load.pourFor(s.instant(), s.bases()...)
		filled(t, dir, s.refuses)
		if err := own.Halt(syscall.SIGQUIT); err != nil && !errors.Is(err, os.ErrProcessDone) {
			require.NoError(t, err)
		}
		require.NoError(t, own.Restart())
		s.load.settle(t, s.replicas[0].fhir)
	}
	s.holds()
}
