//go:build !linux && !darwin && !freebsd

package main

// freeSpace is not known here.
func freeSpace(string) (bytes uint64, known bool) { return 0, false }
