package postgrestest

import (
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"runtime"
	"strconv"
	"syscall"
)

// servant is the user that the server runs as where the tests run as root, which
// PostgreSQL refuses: the one that its package makes.
func servant() (*syscall.Credential, error) {
	account, err := user.Lookup("postgres")
	if err != nil {
		return nil, fmt.Errorf("PostgreSQL does not run as root, and there is no user postgres: %w", err)
	}
	uid, err := strconv.ParseUint(account.Uid, 10, 32)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.ParseUint(account.Gid, 10, 32)
	if err != nil {
		return nil, err
	}
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
}

// attributes are those of the server's processes: they end when this one does,
// however that happens.
func attributes(dir string) (*syscall.SysProcAttr, error) {
	attributes := &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}
	if os.Geteuid() != 0 {
		return attributes, nil
	}
	servant, err := servant()
	if err != nil {
		return nil, err
	}
	attributes.Credential = servant
	return attributes, os.Chown(dir, int(servant.Uid), int(servant.Gid))
}

// start starts a process from a thread that lives as long as this process: the
// kernel sends the signal when that thread ends.
func start(command *exec.Cmd) error {
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		started <- command.Start()
		select {}
	}()
	return <-started
}

// plenty says whether a directory can be written to and has two gigabytes free.
func plenty(dir string) bool {
	var system syscall.Statfs_t
	if syscall.Statfs(dir, &system) != nil || system.Bavail*uint64(system.Bsize) < 2<<30 { //nolint:gosec // a block size
		return false
	}
	trial, err := os.MkdirTemp(dir, "tidemark-")
	return err == nil && os.Remove(trial) == nil
}
