//go:build unix

package cache

import (
	"io/fs"
	"path/filepath"
	"syscall"
	"testing"
)

// Files and folders are as open as the umask allows, so that a team can share one.
func TestPermissions(t *testing.T) {
	for _, mask := range []int{0o022, 0o002, 0o077} {
		dir := filepath.Join(t.TempDir(), "c")
		old := syscall.Umask(mask)
		s := open(t, dir, Options{})
		put(t, s, actionA, entryA(), cycles, residue)
		must(t, s.PutRun("r", nil))
		path := filepath.Join(t.TempDir(), "lap")
		write(t, path, "x")
		_, err := s.FileID(path, false)
		must(t, err)
		must(t, s.Flush())
		must(t, s.Sync())
		syscall.Umask(old)
		files := 0
		must(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			fi, _ := d.Info()
			want := fs.FileMode(0o666 &^ mask)
			if d.IsDir() {
				want = fs.FileMode(0o777 &^ mask)
			}
			if fi.Mode().Perm() != want {
				t.Errorf("umask %03o: %s has %v, want %v", mask, path, fi.Mode().Perm(), want)
			}
			files++
			return err
		}))
		if files < 9 {
			t.Errorf("only %d files looked at", files)
		}
		s.Close()
	}
}
