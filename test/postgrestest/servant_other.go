//go:build !linux

package postgrestest

import (
	"errors"
	"os"
	"os/exec"
	"syscall"
)

// servant is another user to run the server as; only on Linux is there one.
func servant() (*struct{}, error) {
	return nil, errors.New("PostgreSQL does not run as root; run the tests as another user")
}

// attributes are those of the server's processes.
func attributes(string) (*syscall.SysProcAttr, error) {
	if os.Geteuid() == 0 {
		_, err := servant()
		return nil, err
	}
	return nil, nil //nolint:nilnil // no attributes are needed
}

func start(command *exec.Cmd) error { return command.Start() }

func plenty(string) bool { return false }
