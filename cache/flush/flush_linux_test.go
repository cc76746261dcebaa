//go:build linux && (amd64 || arm64)

package flush

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The assumption: the structs are laid out as the kernel's, whose sizes are from linux/io_uring.h.
func TestLayout(t *testing.T) {
	for name, sizes := range map[string][2]uintptr{
		"parameters": {unsafe.Sizeof(parameters{}), 120},
		"request":    {unsafe.Sizeof(request{}), 64},
		"answer":     {unsafe.Sizeof(answer{}), 16},
		"request.id": {unsafe.Offsetof(request{}.id), 32},
		"requests":   {unsafe.Offsetof(parameters{}.asked), 40},
		"answers":    {unsafe.Offsetof(parameters{}.answered), 80},
	} {
		if sizes[0] != sizes[1] {
			t.Errorf("%s: %d bytes, want %d", name, sizes[0], sizes[1])
		}
	}
}

// Whether the kernel flushes depends on the system; a file is flushed in any case.
func TestQueueThatTakesNone(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "x"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	gone := &queue{ring: -1, wishes: make(chan wish), waiting: map[uint64]chan<- syscall.Errno{}, requests: make([]request, 2), indexes: make([]uint32, 2), tail: new(uint32)}
	go gone.ask()
	defer close(gone.wishes)
	for reason, q := range map[string]*queue{"none": nil, "a ring that is gone": gone} {
		if err := q.flush(f); err != nil {
			t.Errorf("%s: %v", reason, err)
		}
	}
	if *gone.tail != 0 || len(gone.waiting) != 0 {
		t.Errorf("%d requests are left, %d wait", *gone.tail, len(gone.waiting))
	}
	done := make(chan syscall.Errno, 1)
	gone.waiting[1] = done
	gone.giveUp()
	if errno := <-done; errno != unix.EIO {
		t.Errorf("who waits in vain is told %v", errno)
	}
	if err := gone.flush(f); err != nil {
		t.Errorf("given up: %v", err)
	}
}

// What the kernel says of a file reaches the one who waits for it.
func TestKernelsAnswer(t *testing.T) {
	q := kernel()
	if q == nil {
		t.Skip("the system gives no io_uring")
	}
	done := make(chan syscall.Errno, 1)
	q.wishes <- wish{file: -1, done: done}
	if errno := <-done; errno != unix.EBADF {
		t.Errorf("no file: %v", errno)
	}
	_, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	if err := q.flush(w); !errors.Is(err, unix.EINVAL) {
		t.Errorf("a pipe: %v", err)
	}
}
