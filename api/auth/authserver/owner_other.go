//go:build !unix

package authserver

import "io/fs"

// ofRoot is not known here.
func ofRoot(fs.FileInfo) bool { return false }
