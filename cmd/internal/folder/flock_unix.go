//go:build unix

package folder

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// flock claims an open file until it is closed or the process ends, however it ends.
func flock(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	switch {
	case errors.Is(err, unix.EWOULDBLOCK):
		return errBusy
	case errors.Is(err, unix.ENOSYS), errors.Is(err, unix.ENOLCK), errors.Is(err, unix.EOPNOTSUPP), errors.Is(err, unix.EINVAL):
		return errors.ErrUnsupported
	}
	return err
}

// alive tells whether a process of this host runs.
func alive(pid int) bool {
	err := unix.Kill(pid, 0)
	return err == nil || errors.Is(err, unix.EPERM)
}

// likeOwner gives a folder the owner of another, as far as this process may.
func likeOwner(path string, as os.FileInfo) {
	var st unix.Stat_t
	if unix.Stat(path, &st) != nil {
		return
	}
	if uid, gid, ok := owner(as); ok && (uid != int(st.Uid) || gid != int(st.Gid)) {
		if os.Chown(path, uid, gid) != nil {
			os.Chown(path, -1, gid)
		}
	}
}
