//go:build linux && (amd64 || arm64)

package flush

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// holds is the variable that has TestHold do its work in a process of its own: the file to hold.
const holds = "FLUSH_HOLDS"

// A held file is open, as a claim to it shows, until the process has ended.
func TestHold(t *testing.T) {
	path := os.Getenv(holds)
	if path != "" {
		held(t, path)
		return
	}
	path = filepath.Join(t.TempDir(), "x")
	c := exec.Command(os.Args[0], "-test.run=^TestHold$")
	c.Env = append(os.Environ(), holds+"="+path)
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	f, err := os.OpenFile(path, os.O_RDONLY|os.O_CREATE, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const patience = time.Minute // the kernel lets go of it beside others' work
	for ended := time.Now(); time.Since(ended) < patience; time.Sleep(10 * time.Millisecond) {
		if err = claim(f); err == nil {
			return
		}
	}
	t.Errorf("%v after the process has ended the file is held: %v", patience, err)
}

// held has files held that are claimed, and claims them again.
func held(t *testing.T, path string) {
	q := kernel()
	if q == nil {
		t.Skip("the system gives no io_uring")
	}
	for i := range mostHeld + 1 {
		path := path + strings.Repeat("+", i)
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := claim(f); err != nil {
			t.Fatal(err)
		}
		q.hold(int(f.Fd()))
		f.Close()
		if f, err = os.Open(path); err != nil {
			t.Fatal(err)
		}
		if err := claim(f); (err == unix.EWOULDBLOCK) != (i < mostHeld) {
			t.Fatalf("file %d: held %t, want the first %d: %v", i, err != nil, mostHeld, err)
		}
		f.Close()
	}
}

func claim(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }

// Only regular files are held, short ones, of the root's file system.
func TestMayHold(t *testing.T) {
	dir := t.TempDir()
	fifo := filepath.Join(dir, "fifo")
	if err := unix.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	long := filepath.Join(dir, "long")
	if err := os.WriteFile(long, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(long, longHeld+1); err != nil {
		t.Fatal(err)
	}
	short := filepath.Join(dir, "short")
	if err := os.WriteFile(short, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for reason, path := range map[string]string{"short": short, "a folder": dir, "a pipe": fifo, "long": long, "of no disk": "/proc/self/status"} {
		fd, err := unix.Open(path, unix.O_RDONLY|unix.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		if held, want := mayHold(fd), path == short && onRootsExt4(t, dir); held != want {
			t.Errorf("%s: held %t, want %t", reason, held, want)
		}
	}
	Hold(filepath.Join(dir, "missing"))
}

func onRootsExt4(t *testing.T, dir string) bool {
	var root, own unix.Stat_t
	var system unix.Statfs_t
	if err := errors.Join(unix.Stat("/", &root), unix.Stat(dir, &own), unix.Statfs(dir, &system)); err != nil {
		t.Fatal(err)
	}
	return root.Dev == own.Dev && system.Type == unix.EXT4_SUPER_MAGIC
}
