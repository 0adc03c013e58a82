package test_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// checks are the rows of the project's check table (arithmetic on the published
// formula A/5 + 7B/2 + C, cut at 25 and 50): what is answered and what it comes to.
var checks = []struct{ extent, grades, itch, sleep, objective, scorad, band string }{
	{"0", "000000", "0", "0", "0.00", "0.00", "clear"},
	{"100", "333333", "10", "10", "83.00", "103.00", "severe"},
	{"100", "000000", "0", "0", "20.00", "20.00", "mild"},
	{"0", "333333", "0", "0", "63.00", "63.00", "severe"},
	{"0", "000000", "10", "10", "0.00", "20.00", "mild"},
	{"1", "000000", "0", "0", "0.20", "0.20", "mild"},
	{"0", "100000", "0", "0", "3.50", "3.50", "mild"},
	{"0", "000001", "2", "0", "3.50", "5.50", "mild"},
	{"10", "110100", "3", "2", "12.50", "17.50", "mild"},
	{"20", "211112", "6", "4", "32.00", "42.00", "moderate"},
	{"18.5", "211211", "5.7", "2.4", "31.70", "39.80", "moderate"},
	{"36", "210211", "4.2", "3.1", "31.70", "39.00", "moderate"},
	{"45", "221222", "7.5", "5.5", "47.50", "60.50", "severe"},
	{"60", "322322", "8.3", "6.9", "61.00", "76.20", "severe"},
	{"92", "332333", "9.5", "9", "77.90", "96.40", "severe"},
	{"9.5", "111111", "1", "1", "22.90", "24.90", "mild"},
	{"10", "111111", "1", "1", "23.00", "25.00", "moderate"},
	{"10.5", "111111", "1", "1", "23.10", "25.10", "moderate"},
	{"29.5", "221212", "5", "4", "40.90", "49.90", "moderate"},
	{"30", "221212", "5", "4", "41.00", "50.00", "moderate"},
	{"30.5", "221212", "5", "4", "41.10", "50.10", "severe"},
	{"5", "110101", "0", "0", "15.00", "15.00", "mild"},
	{"5", "110101", "10", "10", "15.00", "35.00", "moderate"},
	{"2.3", "100000", "0.7", "0", "3.96", "4.66", "mild"},
}

// scored is what the tests read of a scored response.
type scored struct {
	ResourceType   string
	Status         string
	Issued         string
	ValueQuantity  struct{ Value json.Number }
	Interpretation []struct{ Coding []struct{ Code string } }
	Component      []struct {
		Code          struct{ Coding []struct{ Code string } }
		ValueQuantity struct{ Value json.Number }
	}
}

func (s scored) component(code string) string {
	for _, c := range s.Component {
		if c.Code.Coding[0].Code == code {
			return c.ValueQuantity.Value.String()
		}
	}
	return ""
}

// lines reads one JSON document from each line.
func lines[T any](t testing.TB, text string) []T {
	t.Helper()
	var all []T
	for line := range strings.Lines(text) {
		var one T
		require.NoError(t, json.Unmarshal([]byte(line), &one), "%s", line)
		all = append(all, one)
	}
	return all
}

// totals are the scores in the order they were written in.
func totals(t testing.TB, out string) []string {
	t.Helper()
	all := []string{}
	for _, s := range lines[scored](t, out) {
		require.Equal(t, "Observation", s.ResourceType)
		all = append(all, s.ValueQuantity.Value.String())
	}
	return all
}

// line is a response on one line, told apart by its itch: its score is 36 more.
func line(n int) string { return string(oona(fmt.Sprint("line-", n), fmt.Sprint(n%11))) + "\n" }

func TestScoreCheckTable(t *testing.T) {
	t.Parallel()
	var input strings.Builder
	for i, c := range checks {
		input.Write(responseOf(fmt.Sprint("check-", i), c.extent, c.grades, c.itch, c.sleep))
		input.WriteByte('\n')
	}
	r := tidemark(t, input.String(), nil, "score")
	require.Equal(t, 0, r.code, r.err)
	require.Empty(t, r.err)
	all := lines[scored](t, r.out)
	require.Len(t, all, len(checks))
	for i, c := range checks {
		require.Equal(t, c.scorad, all[i].ValueQuantity.Value.String(), "row %d", i)
		require.Equal(t, c.objective, all[i].component("objective"), "row %d", i)
		require.Equal(t, c.band, all[i].Interpretation[0].Coding[0].Code, "row %d", i)
		require.Equal(t, "2026-03-04T19:30:00.000+01:00", all[i].Issued, "issued is authored where nothing is stored")
	}
}

func TestScoreLines(t *testing.T) {
	t.Parallel()
	refused := strings.Replace(line(3), `"valueDecimal":20`, `"valueDecimal":120`, 1)
	for name, c := range map[string]struct {
		input  string
		totals []string
		lines  []string
		code   int
	}{
		"one response on a line":           {line(1) + line(2), []string{"37.00", "38.00"}, nil, 0},
		"no newline at the end":            {line(1) + strings.TrimSpace(line(2)), []string{"37.00", "38.00"}, nil, 0},
		"carriage returns and empty lines": {"\n" + strings.Replace(line(1), "\n", "\r\n", 1) + "\r\n\n" + line(2), []string{"37.00", "38.00"}, nil, 0},
		"nothing":                          {"", []string{}, nil, 0},
		"a refused one among others":       {line(1) + "\n" + refused + line(5), []string{"37.00", "41.00"}, []string{"line 3"}, 1},
		"a refused one first":              {refused + line(5), []string{"41.00"}, []string{"line 1"}, 1},
		"a broken line among others":       {line(1) + "{\"resourceType\":\n" + line(2), []string{"37.00", "38.00"}, []string{"line 2"}, 1},
		"a broken line first":              {line(1)[:300] + "\n" + line(2) + line(3), []string{"38.00", "39.00"}, []string{"line 1"}, 1},
		"a broken line last":               {line(1) + line(2)[:300], []string{"37.00"}, []string{"line 2"}, 1},
		"one in progress":                  {strings.Replace(line(1), "completed", "in-progress", 1) + line(2), []string{"38.00"}, []string{"line 1"}, 1},
		"another resource":                 {`{"resourceType":"Patient","id":"oona-thistledown"}` + "\n" + line(2), []string{"38.00"}, []string{"line 1"}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := tidemark(t, c.input, nil, "score", "-")
			require.Equal(t, c.code, r.code, r.err)
			require.Equal(t, c.totals, totals(t, r.out))
			outcomes := lines[resource](t, r.err)
			require.Len(t, outcomes, len(c.lines), r.err)
			for i, at := range c.lines {
				require.Equal(t, "OperationOutcome", outcomes[i].ResourceType)
				require.NotEmpty(t, outcomes[i].Issue)
				for _, issue := range outcomes[i].Issue {
					require.Contains(t, issue.Details.Text, "-, "+at+":")
				}
			}
		})
	}
}

func TestScoreFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	var pretty bytes.Buffer
	require.NoError(t, json.Indent(&pretty, oona("pretty", "9"), "", "  "))
	single := write("single.json", pretty.String())
	many := write("many.ndjson", line(1)+line(2))
	faulty := strings.Replace(string(oona("faulty", "6")), `"valueDecimal":6`, `"valueDecimal":-6`, 1)
	bundle := write("bundle.json", `{"resourceType":"Bundle","type":"collection","entry":[{"resource":`+string(oona("in-bundle-1", "4"))+
		`},{"resource":{"resourceType":"Patient","id":"oona-thistledown"}},{"resource":`+faulty+`},{"resource":`+string(oona("in-bundle-2", "5"))+`}]}`)

	t.Run("one document on many lines", func(t *testing.T) {
		t.Parallel()
		r := tidemark(t, "", nil, "score", single)
		require.Equal(t, 0, r.code, r.err)
		require.Equal(t, []string{"45.00"}, totals(t, r.out))
		require.Equal(t, 1, strings.Count(r.out, "\n"), "an Observation takes one line")
	})
	t.Run("one faulty document on many lines is one refusal", func(t *testing.T) {
		t.Parallel()
		r := tidemark(t, pretty.String()[:pretty.Len()/2], nil, "score")
		require.Equal(t, 1, r.code)
		require.Empty(t, r.out)
		require.Len(t, lines[resource](t, r.err), 1)
	})
	t.Run("a Bundle gives a score for each response in it", func(t *testing.T) {
		t.Parallel()
		r := tidemark(t, "", nil, "score", bundle)
		require.Equal(t, 1, r.code)
		require.Equal(t, []string{"40.00", "41.00"}, totals(t, r.out))
		outcomes := lines[resource](t, r.err)
		require.Len(t, outcomes, 1)
		require.True(t, strings.HasPrefix(outcomes[0].Issue[0].Expression[0], "Bundle.entry[2].resource.item["), "%v", outcomes[0].Issue[0].Expression)
	})
	t.Run("several files and standard input come in the order named", func(t *testing.T) {
		t.Parallel()
		r := tidemark(t, line(10), nil, "score", many, "-", single)
		require.Equal(t, 0, r.code, r.err)
		require.Equal(t, []string{"37.00", "38.00", "46.00", "45.00"}, totals(t, r.out))
	})
	t.Run("a file that is not there is a mistake of usage, and what came before is scored", func(t *testing.T) {
		t.Parallel()
		r := tidemark(t, "", nil, "score", many, filepath.Join(dir, "none.ndjson"))
		require.Equal(t, 2, r.code)
		require.Equal(t, []string{"37.00", "38.00"}, totals(t, r.out))
		require.Contains(t, r.err, "none.ndjson")
	})
	t.Run("a directory is none of the program's files", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, 3, tidemark(t, "", nil, "score", dir).code)
	})
	t.Run("two runs give the same bytes", func(t *testing.T) {
		t.Parallel()
		require.Equal(t, tidemark(t, "", nil, "score", bundle).out, tidemark(t, "", nil, "score", bundle).out)
	})
}

func TestScoreKeepsTheOrder(t *testing.T) {
	t.Parallel()
	var input strings.Builder
	want := []string{}
	for n := range 3000 {
		if n%7 == 3 {
			input.WriteString("{}\n")
			continue
		}
		input.WriteString(line(n))
		want = append(want, fmt.Sprintf("%d.00", 36+n%11))
	}
	r := tidemark(t, input.String(), nil, "score")
	require.Equal(t, 1, r.code)
	require.Equal(t, want, totals(t, r.out))
	outcomes := lines[resource](t, r.err)
	require.Len(t, outcomes, 3000-len(want))
	for i, o := range outcomes {
		require.Contains(t, o.Issue[0].Details.Text, fmt.Sprintf("-, line %d:", 7*i+4))
	}
}

// repeated is a stream of the same line, some number of times.
type repeated struct {
	line []byte
	left int
	at   int
}

// Read implements io.Reader.
func (r *repeated) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) && r.left > 0 {
		c := copy(p[n:], r.line[r.at:])
		n, r.at = n+c, r.at+c
		if r.at == len(r.line) {
			r.at, r.left = 0, r.left-1
		}
	}
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// peak scores that many lines and gives the most memory it took, and how much
// was read and written, in bytes.
func peak(t testing.TB, count int) (memory, volume int64) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, "score")
	cmd.Env, cmd.Stdin = environment(), &repeated{line: []byte(line(6)), left: count}
	out := &newlines{}
	cmd.Stdout, cmd.Stderr = out, io.Discard
	require.NoError(t, cmd.Run())
	require.Equal(t, count, out.count)
	memory = cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss * 1024 // kB on Linux
	return memory, int64(count*len(line(6))) + out.size
}

// newlines counts lines and bytes and keeps nothing.
type newlines struct {
	count int
	size  int64
}

// Write implements io.Writer.
func (n *newlines) Write(p []byte) (int, error) {
	n.count += bytes.Count(p, []byte("\n"))
	n.size += int64(len(p))
	return len(p), nil
}

func TestScoreTakesFlatMemory(t *testing.T) {
	t.Parallel()
	if raceDetector {
		t.Skip("the race detector keeps a shadow of all memory, so nothing can be said of the program's own")
	}
	const count = 50000
	most, volume := peak(t, count)
	t.Logf("%d MB went through in %d MB of memory", volume>>20, most>>20)
	require.Greater(t, volume, int64(400<<20), "enough to show if it were kept")
	require.Less(t, most, int64(200<<20))
}

func TestScoreToldToStop(t *testing.T) {
	t.Parallel()
	cmd := exec.Command(binary, "score")
	cmd.Env = environment()
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	var out, faults lockedBuffer
	cmd.Stdout, cmd.Stderr = &out, &faults
	require.NoError(t, cmd.Start())
	_, err = io.WriteString(in, line(1)+line(2))
	require.NoError(t, err)
	require.Eventually(t, func() bool { return strings.Count(out.String(), "\n") == 2 }, patience, waiting, "what was read is scored while it waits for more")
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case err := <-ended:
		require.Error(t, err, "half of an input must not look like all of it")
		require.Equal(t, 3, cmd.ProcessState.ExitCode(), faults.String())
		require.Equal(t, []string{"37.00", "38.00"}, totals(t, out.String()), "what was read is scored")
	case <-time.After(patience):
		require.NoError(t, cmd.Process.Kill())
		require.FailNow(t, "it waits for its input for ever")
	}
}
