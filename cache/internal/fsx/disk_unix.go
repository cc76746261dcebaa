//go:build unix

package fsx

import (
	"errors"
	"io/fs"
	"syscall"
)

func inode(fi fs.FileInfo) uint64 {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Ino)
	}
	return 0
}

// cannotSync tells the errors by which a file system says that it has no flush
// for folders.
func cannotSync(err error) bool {
	return errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP)
}
