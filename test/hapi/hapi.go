// Package hapi runs HAPI FHIR's JPA server, a hospital's server that others
// have written, for tests: on the loopback interface, with a database of its
// own, in a Java process that can be frozen, killed and started again. The
// script run builds it; without what that leaves behind there is none, which
// Missing says.
package hapi

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"tidemark.example/tidemark/test/ports"
)

// Classpath is the setting of the environment that holds the class path of the
// server, as the script run sets it.
const Classpath = "TIDEMARK_TEST_HAPI"

// patience is how long a start may take: 16 s on two idle processors, minutes on
// busy ones.
const patience = 10 * time.Minute

// Missing says why no server can be started here, empty if one can.
func Missing() string {
	if os.Getenv(Classpath) == "" {
		return Classpath + " is not set: test/hapi/run builds the server, sets it and runs this test"
	}
	if _, err := exec.LookPath("java"); err != nil {
		return "there is no java here"
	}
	return ""
}

// Server is a server that runs. Make one with Start and end it with Kill.
type Server struct {
	// Base is its FHIR base, which stays the same when it is started again.
	Base string

	dir, port string
	strangers bool
	process   *exec.Cmd
	input     io.WriteCloser
	said      chan string
	ended     chan struct{}
}

// Start makes a server whose database and log are in a directory that exists,
// and waits until it answers.
func Start(dir string) (*Server, error) {
	port, err := ports.Free()
	if err != nil {
		return nil, fmt.Errorf("hapi: %w", err)
	}
	s := &Server{dir: dir, port: strconv.Itoa(port)}
	return s, s.Restart()
}

// Restart kills the server if it runs and starts it on the same database and
// port.
func (s *Server) Restart() error {
	s.Kill()
	log, err := os.OpenFile(s.Log(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("hapi: its log: %w", err)
	}
	defer func() { _ = log.Close() }() // the process has its own
	// The start is most of the work: code is compiled fast rather than well.
	process := exec.Command("java", "-Xmx1g", "-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC",
		"-cp", os.Getenv(Classpath), "example.tidemark.hapi.Main", s.dir, s.port, fmt.Sprint(s.strangers))
	process.Stderr = log
	out, err := process.StdoutPipe()
	if err != nil {
		return fmt.Errorf("hapi: its output: %w", err)
	}
	// It ends with its input, and so with this process.
	if s.input, err = process.StdinPipe(); err != nil {
		return fmt.Errorf("hapi: its input: %w", err)
	}
	if err := process.Start(); err != nil {
		return fmt.Errorf("hapi: starting it: %w", err)
	}
	s.process, s.said, s.ended = process, make(chan string, 1), make(chan struct{})
	go s.follow(out)
	base, err := s.answer()
	if err != nil {
		s.Kill()
		return err
	}
	address, err := url.Parse(base)
	if err != nil || address.Port() == "" {
		s.Kill()
		return errors.New("hapi: it does not say where it answers")
	}
	s.Base, s.port = base, address.Port()
	return nil
}

// follow reads what the server prints until it ends.
func (s *Server) follow(out io.Reader) {
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		s.said <- lines.Text()
	}
	_ = s.process.Wait() // whoever ended it knows
	close(s.ended)
}

// answer is the next line that the server prints.
func (s *Server) answer() (string, error) {
	select {
	case line := <-s.said:
		return line, nil
	case <-s.ended:
		return "", fmt.Errorf("hapi: it ended: %s", tail(s.Log()))
	case <-time.After(patience):
		return "", fmt.Errorf("hapi: it does not answer: %s", tail(s.Log()))
	}
}

// AllowStrangers says whether references to other servers by their URL are
// taken from now on, and after a restart. At first they are refused, as HAPI has it.
func (s *Server) AllowStrangers(allow bool) error {
	if _, err := fmt.Fprintln(s.input, allow); err != nil {
		return fmt.Errorf("hapi: telling it: %w", err)
	}
	said, err := s.answer()
	if err == nil && said != fmt.Sprint(allow) {
		err = fmt.Errorf("hapi: it was told %t and says %q", allow, said)
	}
	s.strangers = allow
	return err
}

// Log is the file that holds what the server complained of.
func (s *Server) Log() string { return filepath.Join(s.dir, "log") }

// tail is the end of a file.
func tail(name string) []byte {
	const most = 2000
	text, _ := os.ReadFile(name) // no log says nothing
	return text[max(0, len(text)-most):]
}

// Freeze stops the process where it is: connections stay, and nothing answers.
func (s *Server) Freeze() error { return s.process.Process.Signal(syscall.SIGSTOP) }

// Thaw lets a frozen process go on.
func (s *Server) Thaw() error { return s.process.Process.Signal(syscall.SIGCONT) }

// Kill ends the process at once, with nothing finished, and waits for its end.
func (s *Server) Kill() {
	if s.process == nil {
		return
	}
	_ = s.process.Process.Kill() // it may have ended already
	_ = s.input.Close()
	<-s.ended
	s.process = nil
}
