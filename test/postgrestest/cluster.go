// Package postgrestest runs a PostgreSQL cluster of its own for tests: made in a
// directory that goes with it, on a free port of the loopback interface, with a
// password nobody else knows. It needs the server's programs (on Debian the
// package postgresql) and says so where they are not installed.
package postgrestest

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"tidemark.example/tidemark/test/ports"
)

// Missing says why no cluster can be made here, empty if one can.
func Missing() string {
	if _, err := binaries(); err != nil {
		return err.Error()
	}
	if os.Geteuid() == 0 {
		if _, err := servant(); err != nil {
			return err.Error()
		}
	}
	return ""
}

// binaries finds the directory with initdb and postgres: that of the newest
// version where Debian installs it, or one on the PATH.
func binaries() (string, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres") // the pattern is right
	slices.SortFunc(found, func(a, b string) int { return version(b) - version(a) })
	if path, err := exec.LookPath("postgres"); err == nil {
		found = append(found, path)
	}
	for _, path := range found {
		dir := filepath.Dir(path)
		if _, err := os.Stat(filepath.Join(dir, "initdb")); err == nil {
			return dir, nil
		}
	}
	return "", errors.New("PostgreSQL's server is not installed here (no initdb and postgres in /usr/lib/postgresql/*/bin or on the PATH)")
}

// version is the version in a path such as /usr/lib/postgresql/17/bin/postgres.
func version(path string) int {
	number, err := strconv.Atoi(filepath.Base(filepath.Dir(filepath.Dir(path))))
	if err != nil {
		return 0
	}
	return number
}

// Cluster is a running server. Make one with Start and end it with Stop.
type Cluster struct {
	dir, bin   string
	password   roleSecret
	port       int
	attributes *syscall.SysProcAttr
	server     *exec.Cmd
	exited     chan struct{}
	log        *os.File
	schemas    atomic.Int64
}

// roleSecret is a password; printed it does not show itself.
type roleSecret string

// String implements fmt.Stringer.
func (roleSecret) String() string { return "[redacted]" }

// Start makes a cluster and waits until it answers. Settings are those of
// postgresql.conf, such as "max_connections=20"; it flushes to disk as a real
// one does, unless they say otherwise.
func Start(settings ...string) (*Cluster, error) { return StartIn(place(), settings...) }

// StartIn is Start in a directory of the caller's.
func StartIn(parent string, settings ...string) (*Cluster, error) {
	return begin(parent, roleSecret(rand.Text()), func(c *Cluster) error { return c.make(settings) })
}

// begin makes the files of a cluster, by a function, and starts its server.
func begin(parent string, password roleSecret, files func(*Cluster) error) (*Cluster, error) {
	bin, err := binaries()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp(parent, "tidemark-postgres-")
	if err != nil {
		return nil, err
	}
	c := &Cluster{dir: dir, bin: bin, password: password}
	if c.attributes, err = attributes(c.dir); err == nil {
		err = files(c)
	}
	if err != nil {
		return nil, errors.Join(err, os.RemoveAll(dir))
	}
	for try := 0; ; try++ { // another process may take the port in between
		if err = c.Restart(); err == nil || try == 3 {
			break
		}
		c.port = 0
	}
	if err != nil {
		return nil, errors.Join(err, c.Stop())
	}
	return c, nil
}

// OnDisk is the setting of the environment that puts clusters on the disk, for
// measurements.
const OnDisk = "TIDEMARK_TEST_POSTGRES_ON_DISK"

// place is where a cluster is made: in memory where there is plenty, for a test
// waits for its flushes more than for anything else. What a killed process has
// written is there as well.
func place() string {
	if os.Getenv(OnDisk) == "" && plenty("/dev/shm") {
		return "/dev/shm"
	}
	return ""
}

// make runs initdb.
func (c *Cluster) make(settings []string) error {
	secret := filepath.Join(c.dir, "password")
	if err := os.WriteFile(secret, []byte(string(c.password)+"\n"), 0o644); err != nil { //nolint:gosec // read by the user that the server runs as; the directory is that user's alone
		return err
	}
	if err := c.run("initdb", "-D", c.data(), "-U", "tidemark", "--pwfile="+secret,
		"--auth=scram-sha-256", "--encoding=UTF8", "--locale=C", "--wal-segsize=4", "--no-sync", "--no-instructions"); err != nil {
		return err
	}
	lines := append([]string{"listen_addresses='127.0.0.1'", "unix_socket_directories=''", "shared_buffers=64MB",
		"max_connections=200", "log_min_messages=warning"}, settings...)
	file, err := os.OpenFile(filepath.Join(c.data(), "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = file.WriteString("\n" + strings.Join(lines, "\n") + "\n")
	return errors.Join(err, file.Close())
}

// run runs one of PostgreSQL's programs, as the user that its server runs as.
func (c *Cluster) run(program string, args ...string) error {
	command := exec.Command(filepath.Join(c.bin, program), args...) //nolint:gosec // a program of PostgreSQL's
	command.SysProcAttr, command.Dir = c.attributes, c.dir
	command.Env = append(os.Environ(), "PGPASSWORD="+string(c.password))
	if output, err := command.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w\n%s", program, err, output)
	}
	return nil
}

func (c *Cluster) data() string { return filepath.Join(c.dir, "data") }

// Restart starts the server, on the port it had before, and waits until it
// answers.
func (c *Cluster) Restart() error {
	if c.port == 0 {
		var err error
		if c.port, err = ports.Free(); err != nil {
			return err
		}
	}
	output, err := os.OpenFile(filepath.Join(c.dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	server := exec.Command(filepath.Join(c.bin, "postgres"), "-D", c.data(), "-p", strconv.Itoa(c.port)) //nolint:gosec // a program of PostgreSQL's
	server.SysProcAttr, server.Dir, server.Stdout, server.Stderr = c.attributes, c.dir, output, output
	if err := start(server); err != nil {
		return errors.Join(err, output.Close())
	}
	c.server, c.log, c.exited = server, output, make(chan struct{})
	go func(exited chan struct{}) {
		_ = server.Wait() // the log says why
		close(exited)
	}(c.exited)
	return c.wait()
}

// wait waits until the server answers.
func (c *Cluster) wait() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	for {
		conn, err := pgx.Connect(ctx, c.Address("public"))
		if err == nil {
			return conn.Close(ctx)
		}
		select {
		case <-c.exited:
			text, _ := os.ReadFile(filepath.Join(c.dir, "log"))
			return fmt.Errorf("the server ended: %s", bytes.TrimSpace(text))
		case <-ctx.Done():
			return fmt.Errorf("the server does not answer: %w", err)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Halt ends the server: with SIGINT its sessions are cut off and what was
// committed is written down, with SIGQUIT it drops everything where it stands.
func (c *Cluster) Halt(signal syscall.Signal) error {
	if c.server == nil {
		return nil
	}
	if err := c.server.Process.Signal(signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case <-c.exited:
	case <-time.After(30 * time.Second):
		return errors.Join(errors.New("the server does not end"), c.server.Process.Kill())
	}
	c.server = nil
	return c.log.Close()
}

// Stop ends the server and removes everything.
func (c *Cluster) Stop() error { return errors.Join(c.Halt(syscall.SIGQUIT), os.RemoveAll(c.dir)) }

// Password is that of the role in the addresses.
func (c *Cluster) Password() string { return string(c.password) }

// Bin is the directory of PostgreSQL's programs.
func (c *Cluster) Bin() string { return c.bin }

// Address is the address of a schema.
func (c *Cluster) Address(schema string) string {
	address := url.URL{Scheme: "postgres", User: url.UserPassword("tidemark", string(c.password)),
		Host: net.JoinHostPort("127.0.0.1", strconv.Itoa(c.port)), Path: "/postgres",
		RawQuery: url.Values{"search_path": {schema}, "sslmode": {"disable"}}.Encode()}
	return address.String()
}

// Create makes a new, empty schema and gives its address.
func (c *Cluster) Create(ctx context.Context) (string, error) {
	name := "s" + strconv.FormatInt(c.schemas.Add(1), 10)
	return c.Address(name), c.Exec(ctx, name, "CREATE SCHEMA "+name)
}

// Exec runs a statement in a schema.
func (c *Cluster) Exec(ctx context.Context, schema, statement string, args ...any) error {
	conn, err := pgx.Connect(ctx, c.Address(schema))
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, statement, args...)
	return errors.Join(err, conn.Close(ctx))
}
