package fsx

import (
	"os"
	"syscall"
)

// syncFileRangeWrite is SYNC_FILE_RANGE_WRITE of sync_file_range(2).
const syncFileRangeWrite = 2

func startWriting(f *os.File, off, n int64) {
	c, err := f.SyscallConn()
	if err != nil {
		return
	}
	_ = c.Control(func(fd uintptr) { _ = syscall.SyncFileRange(int(fd), off, n, syncFileRangeWrite) })
}
