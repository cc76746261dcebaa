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
	gone := &queue{ring: -1, wishes: make(chan wish), waiting: map[uint64]chan<- syscall.Errno{}}
	gone.requests, gone.indexes, gone.tail = make([]request, 2), make([]uint32, 2), new(uint32)
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

// An answer that is not the disk's is not the last word; one that says that something is lost is.
func TestAnswers(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "x"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	q := &queue{wishes: make(chan wish)}
	defer close(q.wishes)
	answer := syscall.Errno(0)
	go func() {
		for w := range q.wishes {
			w.done <- answer
		}
	}()
	for _, errno := range []syscall.Errno{0, unix.ECANCELED, unix.EAGAIN, unix.EINTR, unix.EINVAL, unix.EOPNOTSUPP, unix.EIO, unix.ENOSPC, unix.EDQUOT} {
		answer = errno
		told := errno == unix.EIO || errno == unix.ENOSPC || errno == unix.EDQUOT
		if err := q.flush(f); errors.Is(err, errno) != told && errno != 0 || !told && err != nil {
			t.Errorf("%v: %v", errno, err)
		}
	}
}

// A queue that is full takes no more.
func TestFullQueue(t *testing.T) {
	q := &queue{ring: -1, waiting: map[uint64]chan<- syscall.Errno{}, requests: make([]request, 2), indexes: make([]uint32, 2), tail: new(uint32)}
	for i := range uint64(atOnce) {
		q.waiting[i] = nil
	}
	if q.begin(0, nil) || *q.tail != 0 || q.last != 0 {
		t.Error("a full queue takes one more")
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
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	if err := q.flush(w); !errors.Is(err, unix.EINVAL) {
		t.Errorf("a pipe: %v", err)
	}
}
