package test_test

import (
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// waiting is how often a condition is looked at.
const waiting = 20 * time.Millisecond

// storied are the weeks of the story whose answers are rows of the check table
// above (see checks), and what they must therefore read.
var storied = map[string]map[int]string{
	"Oona Thistledown": {
		2: "24.90  Mild", 4: "42.00  Moderate", 5: "49.90  Moderate", 6: "60.50  Severe", 7: "76.20  Severe",
		8: "60.50  Severe", 9: "39.00  Moderate", 10: "42.00  Moderate", 11: "39.80  Moderate",
		// The row of 17.5 with itch corrected from 3 to 3.5.
		12: "18.00  Mild, amended",
	},
	"Casper Quillfeather": {
		1: "76.20  Severe", 3: "(entered in error)", 4: "60.50  Severe", 6: "39.00  Moderate", 8: "49.90  Moderate",
		9: "42.00  Moderate", 10: "39.80  Moderate", 12: "25.00  Moderate",
	},
	"Mirren Ashby-Vale": {3: "15.00  Mild", 9: "4.66  Mild", 12: "15.00  Mild"},
}

// weeksOf are the lines that the story draws for a patient, one for each week.
func weeksOf(t testing.TB, story, patient string) []string {
	t.Helper()
	_, rest, found := strings.Cut(story, "\n   "+patient+",")
	require.True(t, found, "%s is not in the story", patient)
	var weeks []string
	for line := range strings.Lines(rest) {
		if strings.HasPrefix(line, "     2") {
			weeks = append(weeks, strings.TrimRight(line, "\n"))
		} else if len(weeks) > 0 {
			break
		}
	}
	return weeks
}

func TestDemoOnce(t *testing.T) {
	t.Parallel()
	temporary := t.TempDir()
	r := tidemark(t, "", []string{"TMPDIR=" + temporary}, "demo", "--once")
	require.Equal(t, 0, r.code, r.err)
	require.Empty(t, r.err)

	t.Run("its scores are those of the check table", func(t *testing.T) {
		t.Parallel()
		for patient, expected := range storied {
			weeks := weeksOf(t, r.out, patient)
			require.Len(t, weeks, 12, patient)
			for week, text := range expected {
				require.True(t, strings.HasSuffix(weeks[week-1], " "+text), "%s, week %d: %s", patient, week, weeks[week-1])
			}
		}
	})
	t.Run("its weeks are seven days apart and end today", func(t *testing.T) {
		t.Parallel()
		for patient := range storied {
			var days []time.Time
			for _, line := range weeksOf(t, r.out, patient) {
				day, err := time.Parse(time.DateOnly, strings.Fields(line)[0])
				require.NoError(t, err)
				days = append(days, day)
			}
			for i := 1; i < len(days); i++ {
				require.Equal(t, 7*24*time.Hour, days[i].Sub(days[i-1]))
			}
			require.InDelta(t, 0, time.Since(days[11]).Hours(), 48, "today, in whatever zone")
		}
	})
	t.Run("it shows the working of a score", func(t *testing.T) {
		t.Parallel()
		for _, text := range []string{"A   = 10.0 %", "A/5  = 2.00", "7B/2 = 10.50", "C    = 5.50", "= 18.00 of 103"} {
			require.Contains(t, r.out, text)
		}
	})
	t.Run("the refused response is told every reason", func(t *testing.T) {
		t.Parallel()
		_, refusal, found := strings.Cut(r.out, "5. ")
		require.True(t, found)
		refusal, _, _ = strings.Cut(refusal, "6. ")
		require.Equal(t, 2, strings.Count(refusal, "\n     - "), refusal)
		require.Contains(t, refusal, "intensity.erythema")
		require.Contains(t, refusal, "symptoms.itch")
	})
	t.Run("the hospital holds each score once, but not the one taken back in time", func(t *testing.T) {
		t.Parallel()
		require.Regexp(t, `holds 3[56] scores, each once`, r.out)
	})
	t.Run("it leaves nothing behind", func(t *testing.T) {
		t.Parallel()
		left, err := os.ReadDir(temporary)
		require.NoError(t, err)
		require.Empty(t, left)
	})
}

func TestDemoStaysUp(t *testing.T) {
	t.Parallel()
	temporary := t.TempDir()
	cmd := exec.Command(binary, "demo")
	cmd.Env = environment("TMPDIR=" + temporary)
	var out, faults lockedBuffer
	cmd.Stdout, cmd.Stderr = &out, &faults
	require.NoError(t, cmd.Start())
	ended := make(chan struct{})
	go func() { _ = cmd.Wait(); close(ended) }() // its code is in ProcessState
	t.Cleanup(func() { _ = cmd.Process.Kill(); <-ended })
	require.Eventually(t, func() bool { return strings.Contains(out.String(), "/metrics\n") }, patience, waiting, "%s", &faults)

	urls := regexp.MustCompile(`http://\S+`).FindAllString(out.String(), -1)
	require.GreaterOrEqual(t, len(urls), 5)
	for _, url := range urls {
		r, err := call(http.MethodGet, url, nil)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, r.status, "%s: %s", url, r.body)
	}
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	select {
	case <-ended:
	case <-time.After(patience):
		require.FailNow(t, "it does not end")
	}
	require.Equal(t, 0, cmd.ProcessState.ExitCode(), faults.String())
	left, err := os.ReadDir(temporary)
	require.NoError(t, err)
	require.Empty(t, left, "its database goes with it")
}
