package folder

import (
	"os"
	"syscall"
)

// syncFileRangeWrite is SYNC_FILE_RANGE_WRITE of sync_file_range(2).
const syncFileRangeWrite = 2

// startWriting tells the disk to write what a file holds, without waiting for it: flushing it takes less time then. It is a hint.
func startWriting(f *os.File) {
	c, err := f.SyscallConn()
	if err != nil {
		return
	}
	_ = c.Control(func(fd uintptr) { _ = syscall.SyncFileRange(int(fd), 0, 0, syncFileRangeWrite) })
}
