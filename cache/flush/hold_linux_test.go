//go:build linux && (amd64 || arm64)

package flush

import (
	"os"
	"os/exec"
	"path/filepath"
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
	for range 1000 {
		if err = claim(f); err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("10 s after the process has ended the file is held: %v", err)
}

// held has a file held that is claimed, and claims it again.
func held(t *testing.T, path string) {
	q := kernel()
	if q == nil {
		t.Skip("the system gives no io_uring")
	}
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
	if err := claim(f); err != unix.EWOULDBLOCK {
		t.Fatalf("the file is not held: %v", err)
	}
}

func claim(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }

// Only regular files are held, short ones, and no more than so many.
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
	for reason, path := range map[string]string{"a folder": dir, "a pipe": fifo, "long": long, "of no disk": "/proc/self/status"} {
		fd, err := unix.Open(path, unix.O_RDONLY|unix.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		if mayHold(fd) {
			t.Errorf("%s: it is held", reason)
		}
	}
	q := &queue{ring: -1}
	q.held.Store(mostHeld)
	q.hold(0)
	Hold(filepath.Join(dir, "missing"))
}
