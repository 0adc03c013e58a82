package test_test

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/test/postgrestest"
)

// cycles is how often the fault of a test comes: a few times, or in the campaign
// one for so many kills as there are.
func cycles(t testing.TB, few, kills int) int {
	t.Helper()
	text := os.Getenv("TIDEMARK_CAMPAIGN")
	if text == "" {
		return few
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err, "TIDEMARK_CAMPAIGN")
	return max(few, n/kills)
}

// settled waits until nothing is left to deliver, and nothing parked.
func settled(t testing.TB, s *server) {
	t.Helper()
	require.Eventually(t, func() bool { return metric(t, s, "tidemark_writeback_pending", "") == 0 }, leasePatience*time.Duration(cycles(t, 1, 20)), 50*time.Millisecond, "%s", s.log)
	require.Zero(t, metric(t, s, "tidemark_writeback_parked", ""), "nothing here is for a person to decide")
}

// cluster is a PostgreSQL server of the test's own, with the address of a schema.
func cluster(t testing.TB, settings ...string) (*postgrestest.Cluster, string) {
	t.Helper()
	if why := postgrestest.Missing(); why != "" {
		t.Skip("SKIPPED: ", why)
	}
	own, err := postgrestest.Start(settings...)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, own.Stop()) })
	database, err := own.Create(context.Background())
	require.NoError(t, err)
	return own, database
}

// requestTime is what a hospital has to answer in a campaign. Four times that is
// how long a delivery lies still when the program is killed that holds it.
const requestTime = time.Second

// TestKilledAtRandomInstants kills the program under load, over and over, and
// holds what is stored to what was acknowledged each time, and at the end what
// each hospital took, and what a portal that subscribed was told, to what is
// stored.
func TestKilledAtRandomInstants(t *testing.T) {
	t.Parallel()
	t.Run("SQLite", func(t *testing.T) {
		t.Parallel()
		killAtRandom(t, filepath.Join(t.TempDir(), "tidemark.db"))
	})
	t.Run("PostgreSQL", func(t *testing.T) {
		t.Parallel()
		_, database := cluster(t)
		killAtRandom(t, database)
	})
}

func killAtRandom(t *testing.T, database string) {
	l, w := newLoad(t, 4), newWards(t)
	n, portal := cycles(t, 4, 1), newSubscriber(t, l.seed)
	for cycle := range n {
		s := w.serve(t, database, subscriberSettings...)
		if cycle == 0 {
			portal.begins(t, s.fhir)
		} else {
			portal.comesBack(t, s.fhir)
			l.settle(t, s.fhir)
			audit(t, s.fhir, l).require(t, l.seed)
		}
		instant := time.Duration(l.senders[0].random.IntN(800)) * time.Millisecond
		poured := make(chan struct{})
		go func() { defer close(poured); l.pourFor(instant+200*time.Millisecond, s.fhir) }()
		time.Sleep(instant)
		s.kill()
		<-poured
		if cycle%20 == 19 {
			forms, acknowledged, _ := l.counts()
			t.Logf("%d kills, %d forms, %d steps acknowledged", cycle+1, forms, acknowledged)
		}
	}
	s := w.serve(t, database, subscriberSettings...)
	portal.settlesDown(t, s.fhir)
	l.settle(t, s.fhir)
	settled(t, s)
	a := auditAll(t, s.fhir, l)
	w.judge(a)
	a.require(t, l.seed)
	portal.audit(t, l)
	forms, acknowledged, open := l.counts()
	t.Logf("%d kills: %d forms, %d steps acknowledged, %d that nobody repeated; %s", n, forms, acknowledged, open, w.resources())
	require.Positive(t, acknowledged)
	checked := tidemarkWithin(t, leasePatience, "", []string{"TIDEMARK_DATABASE=" + database}, "verify")
	require.Equal(t, 0, checked.code, "%s%s", checked.out, checked.err)
}
