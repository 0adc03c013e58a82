package storetest

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// placeVariable tells a child process which database to write to.
const placeVariable = "TIDEMARK_STORETEST_PLACE"

// childPlace is where a child writes to, empty in the parent.
func childPlace() string { return os.Getenv(placeVariable) }

// testDurability: what was acknowledged is found again.
func testDurability(t *testing.T, driver Driver) {
	t.Run("AcknowledgedIsFoundAfterReopening", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		s, err := driver.Open(place, clock.Now)
		require.NoError(t, err)
		write(t, s, func(tx store.Tx) error { return everything(tx, "o1") })
		first := put(t, s, observation("o2"), store.Index{})
		tombstone := remove(t, s, observation("o2"))
		require.NoError(t, s.Close())
		s = driver.open(t, place, clock.Now)
		requireEverything(t, s, "o1")
		versions, err := s.History(context.Background(), observation("o2"), 0, 5)
		require.NoError(t, err)
		require.Equal(t, []store.Resource{tombstone, first}, versions)
		require.EqualValues(t, 2, put(t, s, observation("o1"), store.Index{}).Version)
	})
	t.Run("AcknowledgedIsFoundByAnotherThatOpensTheSameDatabase", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		one, other := driver.open(t, place, clock.Now), driver.open(t, place, clock.Now)
		for round := range 5 {
			id := fmt.Sprint("o", round)
			write(t, one, func(tx store.Tx) error { return everything(tx, id) })
			requireEverything(t, other, id)
			one, other = other, one
		}
	})
	t.Run("OpenedByManyAtOnce", func(t *testing.T) {
		t.Parallel()
		clock, place := NewClock(), driver.Create(t)
		results := make(chan error, 8)
		for i := range cap(results) {
			go func() {
				s, err := driver.Open(place, clock.Now)
				if err == nil {
					err = s.Write(context.Background(), nil, func(tx store.Tx) error { return everything(tx, fmt.Sprint("o", i)) })
				}
				if err == nil {
					err = s.Close()
				}
				results <- err
			}()
		}
		for range cap(results) {
			require.NoError(t, <-results)
		}
		s := driver.open(t, place, clock.Now)
		for i := range cap(results) {
			requireEverything(t, s, fmt.Sprint("o", i))
		}
	})
	for round := range 3 {
		t.Run(fmt.Sprintf("AcknowledgedSurvivesAKill%d", round+1), func(t *testing.T) {
			t.Parallel()
			testKill(t, driver, 40<<round)
		})
	}
}

// testKill lets a child write from many goroutines and say on its standard
// output what was acknowledged, kills it the moment it has said enough, and
// looks for all of it.
func testKill(t *testing.T, driver Driver, enough int) {
	place := driver.Create(t)
	root, _, _ := strings.Cut(t.Name(), "/")
	executable, err := os.Executable()
	require.NoError(t, err)
	child := exec.Command(executable, "-test.run=^"+root+"$")
	child.Env = append(os.Environ(), placeVariable+"="+place)
	child.Stderr = os.Stderr
	output, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	limit := time.AfterFunc(time.Minute, func() { _ = child.Process.Kill() })
	defer limit.Stop()

	lines := bufio.NewScanner(output)
	var acknowledged []string
	for len(acknowledged) < enough && lines.Scan() {
		acknowledged = append(acknowledged, lines.Text())
	}
	require.NoError(t, child.Process.Kill())
	for lines.Scan() {
		// Said before it died, and so promised as well.
		acknowledged = append(acknowledged, lines.Text())
	}
	_ = child.Wait() // It was killed; that is all it can say.
	require.GreaterOrEqual(t, len(acknowledged), enough)

	s := driver.open(t, place, time.Now)
	for _, id := range acknowledged {
		requireEverything(t, s, id)
	}
	requireNoOrphans(t, s)
}

// requireNoOrphans checks that what was cut off is missing altogether: every
// resource found has the identity key and the delivery of its job.
func requireNoOrphans(t *testing.T, s store.Store) {
	t.Helper()
	resources := int64(0)
	defer func() { requireSound(t, s, resources) }()
	require.NoError(t, s.Each(context.Background(), "Observation", func(resource store.Resource) error {
		requireEverything(t, s, resource.ID)
		resources++
		return nil
	}))
}

// runChild writes for ever and says what was acknowledged. It ends by being
// killed, or after a while if nobody does.
func runChild(driver Driver, place string) {
	s, err := driver.Open(place, time.Now)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	acknowledged := make(chan string)
	for writer := range 16 {
		go func() {
			for round := 0; ; round++ {
				id := fmt.Sprintf("w%d-%d", writer, round)
				err := s.Write(context.Background(), nil, func(tx store.Tx) error { return everything(tx, id) })
				if err != nil {
					fmt.Fprintln(os.Stderr, err)
					os.Exit(1)
				}
				acknowledged <- id
			}
		}()
	}
	for deadline := time.Now().Add(time.Minute); time.Now().Before(deadline); {
		if _, err := io.WriteString(os.Stdout, <-acknowledged+"\n"); err != nil {
			os.Exit(1)
		}
	}
	os.Exit(1)
}
