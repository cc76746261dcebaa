package remote_test

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"lapwear/cache/cachetest"
)

// A server whose disk is full takes no more; what it has is whole, and is served.
func TestFullServer(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 6)
	disk := t.TempDir()
	if err := syscall.Mount("lapwear-test", disk, "tmpfs", 0, "size=64k"); err != nil {
		t.Skipf("mounting a small disk takes a right that this user does not have: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(disk, syscall.MNT_DETACH) })
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, Store: disk})
	r := m.run(t, person{web: web, token: webToken})
	m.good(t, "the disk fills", r)
	if r.stats.Unsent == 0 || r.stats.Sent == 0 || r.warned == "" {
		t.Errorf("the disk fills: %+v, %s", r.stats, r.warned)
	}
	r = m.run(t, person{web: web})
	m.good(t, "the disk is full", r)
	if r.stats.Found == 0 || r.stats.Rejected > 0 || r.computed == 0 {
		t.Errorf("the disk is full: computed %d, %+v", r.computed, r.stats)
	}
	must(t, os.RemoveAll(filepath.Join(disk, "actions")))
	must(t, os.RemoveAll(filepath.Join(disk, "blobs")))
	must(t, syscall.Mount("lapwear-test", disk, "tmpfs", syscall.MS_REMOUNT, "size=16m"))
	if r = m.run(t, person{web: web, token: webToken}); r.stats.Sent != m.tasks {
		t.Errorf("there is room again: %+v, %s", r.stats, r.warned)
	}
}

// A laptop whose disk is full reads from the server what it cannot keep.
func TestFullLaptop(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 4)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	m.run(t, person{web: web, token: webToken})
	disk := t.TempDir()
	if err := syscall.Mount("lapwear-test", disk, "tmpfs", 0, "size=12k"); err != nil {
		t.Skipf("mounting a small disk takes a right that this user does not have: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(disk, syscall.MNT_DETACH) })
	r := m.run(t, person{web: web, cache: filepath.Join(disk, "cache")})
	m.good(t, "the laptop's disk is full", r)
	if r.computed != 0 || r.stats.Failures+r.stats.Rejected > 0 || !strings.Contains(r.warned, "is not stored here") {
		t.Errorf("computed %d, %+v, %s", r.computed, r.stats, r.warned)
	}
}
