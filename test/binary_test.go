package test_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// binary is the program as it ships, built once for all tests of the package.
var binary string

func TestMain(m *testing.M) {
	flag.Parse()
	// Most tests here wait for another program most of the time.
	if given := flag.Lookup("test.parallel"); given.Value.String() == given.DefValue {
		if err := given.Value.Set("6"); err != nil {
			panic(err)
		}
	}
	os.Exit(build(m.Run))
}

// build makes the program and runs the tests on it.
func build(run func() int) int {
	dir, err := os.MkdirTemp("", "tidemark-test-")
	if err != nil {
		fmt.Fprintln(os.Stderr, "making a directory for the program:", err)
		return 1
	}
	defer os.RemoveAll(dir)
	binary = filepath.Join(dir, "tidemark")
	if out, err := exec.Command("go", "build", "-o", binary, "../cmd/tidemark").CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "building the program: %v\n%s", err, out)
		return 1
	}
	return run()
}

// patience is how long a test waits for what takes milliseconds on a machine
// that has nothing else to do.
const patience = 2 * time.Minute

// environment is the least a program needs, with the settings of a test; none
// of the machine's own settings leak in.
func environment(settings ...string) []string {
	return append([]string{"PATH=" + os.Getenv("PATH"), "HOME=" + os.TempDir(), "TMPDIR=" + os.TempDir()}, settings...)
}

// result is what a command that has ended left behind.
type result struct {
	code     int
	out, err string
}

// tidemark runs a command to its end.
func tidemark(t testing.TB, input string, settings []string, args ...string) result {
	t.Helper()
	return tidemarkWithin(t, patience, input, settings, args...)
}

// tidemarkWithin gives a command more time.
func tidemarkWithin(t testing.TB, patience time.Duration, input string, settings []string, args ...string) result {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, args...)
	cmd.Env, cmd.Stdin = environment(settings...), strings.NewReader(input)
	var out, faults bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &faults
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		require.NoError(t, err)
	}
	require.NoError(t, ctx.Err(), "the command took too long: %s", args)
	return result{cmd.ProcessState.ExitCode(), out.String(), faults.String()}
}

// server is a running `tidemark serve`.
type server struct {
	t           testing.TB
	cmd         *exec.Cmd
	fhir, admin string
	log         *lockedBuffer
	ended       chan struct{}
}

// lockedBuffer collects what a process writes while a test reads it.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// serve starts the server on a database and free ports and waits until it says
// that it serves.
func serve(t testing.TB, database string, settings ...string) *server {
	t.Helper()
	return serveWith(t, nil, database, settings...)
}

// serveWith is serve with arguments.
func serveWith(t testing.TB, args []string, database string, settings ...string) *server {
	t.Helper()
	s := &server{t: t, log: &lockedBuffer{}, ended: make(chan struct{})}
	s.cmd = exec.Command(binary, append([]string{"serve"}, args...)...)
	s.cmd.Env = environment(append([]string{
		"TIDEMARK_AUTH=off", "TIDEMARK_LISTEN=127.0.0.1:0", "TIDEMARK_ADMIN_LISTEN=127.0.0.1:0", "TIDEMARK_DATABASE=" + database,
	}, settings...)...)
	stderr, err := s.cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, s.cmd.Start())
	t.Cleanup(s.kill)
	serving := make(chan [2]string, 1)
	go s.follow(stderr, serving)
	select {
	case addresses := <-serving:
		s.fhir, s.admin = "http://"+addresses[0]+"/fhir", "http://"+addresses[1]
	case <-s.ended:
		require.FailNow(t, "the server ended", s.log.String())
	case <-time.After(patience):
		require.FailNow(t, "the server did not start", s.log.String())
	}
	return s
}

// follow collects the log, and tells the addresses from the line that has them.
func (s *server) follow(log io.Reader, serving chan<- [2]string) {
	lines := bufio.NewScanner(io.TeeReader(log, s.log))
	for lines.Scan() {
		var line struct{ Msg, FHIR, Admin string }
		if json.Unmarshal(lines.Bytes(), &line) == nil && line.Msg == "serving" {
			serving <- [2]string{line.FHIR, line.Admin}
		}
	}
	_ = s.cmd.Wait() // its code is in ProcessState
	close(s.ended)
}

// kill ends the server as kill -9 does, with nothing finished.
func (s *server) kill() {
	_ = s.cmd.Process.Kill() // it may have ended already
	<-s.ended
}

// stop asks it to end as an init system does, and answers its exit code.
func (s *server) stop() int {
	s.t.Helper()
	require.NoError(s.t, s.cmd.Process.Signal(syscall.SIGTERM))
	select {
	case <-s.ended:
	case <-time.After(patience):
		require.FailNow(s.t, "the server did not end", s.log.String())
	}
	return s.cmd.ProcessState.ExitCode()
}

// client keeps no connections, so that none outlives a server.
var client = &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: patience}

// reply is what came back.
type reply struct {
	status   int
	location string
	body     []byte
}

// call makes one request; an error is one of the network.
func call(method, url string, body []byte) (reply, error) {
	request, err := http.NewRequestWithContext(context.Background(), method, url, bytes.NewReader(body))
	if err != nil {
		return reply{}, err
	}
	request.Header.Set("Content-Type", "application/fhir+json")
	response, err := client.Do(request)
	if err != nil {
		return reply{}, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	return reply{response.StatusCode, response.Header.Get("Location"), text}, err
}

// get reads what must be there.
func get(t testing.TB, url string) []byte {
	t.Helper()
	r, err := call(http.MethodGet, url, nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, r.status, "%s: %s", url, r.body)
	return r.body
}

// resource is what the tests read of a resource.
type resource struct {
	ResourceType, ID, Status string
	Meta                     struct{ VersionID string }
	Identifier               json.RawMessage
	ValueQuantity            struct{ Value json.Number }
	DerivedFrom              []struct{ Reference string }
	Issue                    []struct {
		Severity, Code string
		Details        struct{ Text string }
		Expression     []string
	}
	Total int
}

func parse(t testing.TB, body []byte) resource {
	t.Helper()
	var r resource
	require.NoError(t, json.Unmarshal(body, &r), "%s", body)
	return r
}

// oona is an invented response, worked out by hand: 20/5 + 3.5*8 + itch + 4.
func oona(identifier, itch string) []byte {
	return responseOf(identifier, "20", "211112", itch, "4")
}

// responseOf writes a response with the six grades in the order of the form.
func responseOf(identifier, extent, grades, itch, sleep string) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `{"resourceType":"QuestionnaireResponse","identifier":{"system":"https://fernway-portal.example/responses","value":%q},`+
		`"questionnaire":"https://tidemark.example/fhir/Questionnaire/scorad-self-assessment|1.0.0","status":"completed",`+
		`"subject":{"reference":"Patient/oona-thistledown"},"authored":"2026-03-04T19:30:00+01:00","source":{"reference":"RelatedPerson/bram-thistledown"},`+
		`"item":[{"linkId":"extent.method","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":"direct"}}]},`+
		`{"linkId":"extent.direct","answer":[{"valueDecimal":%s}]}`, identifier, extent)
	for i, sign := range []string{"erythema", "oedema", "oozing", "excoriation", "lichenification", "dryness"} {
		fmt.Fprintf(&b, `,{"linkId":"intensity.%s","answer":[{"valueCoding":{"system":"https://tidemark.example/fhir/CodeSystem/scorad-grade","code":%q}}]}`,
			sign, [...]string{"absent", "mild", "moderate", "severe"}[grades[i]-'0'])
	}
	fmt.Fprintf(&b, `,{"linkId":"symptoms.itch","answer":[{"valueDecimal":%s}]},{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":%s}]}]}`, itch, sleep)
	return []byte(b.String())
}
