package cli

import (
	"syscall"
	"testing"
)

// smallDisk mounts a file system in memory of a given size; without the right to mount
// the test is skipped.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("lapwear-test", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("mounting a small disk takes a right that this user does not have: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	return dir
}

// remount makes a small disk read-only, or gives it another size.
func remount(t *testing.T, dir string, readOnly bool, size string) {
	t.Helper()
	flags, options := uintptr(syscall.MS_REMOUNT), ""
	if readOnly {
		flags |= syscall.MS_RDONLY
	}
	if size != "" {
		options = "size=" + size
	}
	if err := syscall.Mount("lapwear-test", dir, "tmpfs", flags, options); err != nil {
		t.Fatal(err)
	}
}
