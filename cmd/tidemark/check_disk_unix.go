//go:build linux || darwin || freebsd

package main

import "golang.org/x/sys/unix"

// freeSpace is how many bytes a user may still write to the disk of a directory.
func freeSpace(dir string) (bytes uint64, known bool) {
	var disk unix.Statfs_t
	if err := unix.Statfs(dir, &disk); err != nil || disk.Bsize <= 0 {
		return 0, false
	}
	return uint64(max(disk.Bavail, 0)) * uint64(disk.Bsize), true //nolint:gosec,unconvert // both are positive; their types differ by system
}
