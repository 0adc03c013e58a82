//go:build unix

package authserver

import (
	"io/fs"
	"syscall"
)

// ofRoot says whether a file is root's, who may then let the server's group read it:
// so are secrets mounted by Kubernetes, which no one else can own.
func ofRoot(info fs.FileInfo) bool {
	stat, ok := info.Sys().(*syscall.Stat_t)
	return ok && stat.Uid == 0
}
