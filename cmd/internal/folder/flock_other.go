//go:build !unix

package folder

import (
	"errors"
	"os"
)

// flock claims an open file; here what stands in the file has to do.
func flock(*os.File) error { return errors.ErrUnsupported }

// alive tells whether a process of this host runs.
func alive(pid int) bool {
	p, err := os.FindProcess(pid)
	if err != nil {
		return false
	}
	p.Release()
	return true
}

// likeOwner gives a folder the owner of another, as far as this process may.
func likeOwner(string, os.FileInfo) {}
