package fsx

import (
	"io/fs"
	"syscall"
)

// changed tells what a program cannot set back: a change in place that restores
// the time of last modification still shows here.
func changed(fi fs.FileInfo) int64 {
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return st.Ctim.Nano()
	}
	return 0
}
