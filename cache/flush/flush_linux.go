//go:build linux && (amd64 || arm64)

package flush

import (
	"errors"
	"os"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// File flushes a file or folder, as its method Sync does, and holds no processor while it waits.
func File(f *os.File) error { return kernel().flush(f) }

// flush flushes a file; where there is no queue, or the kernel's answer is not that of the disk, in a system call.
func (q *queue) flush(f *os.File) error {
	if q == nil {
		return f.Sync()
	}
	conn, err := f.SyscallConn()
	if err != nil {
		return f.Sync() // which says what is wrong with it
	}
	errno := notBegun
	err = conn.Control(func(fd uintptr) { // holds the descriptor
		w := wish{file: int32(fd), done: make(chan syscall.Errno, 1)}
		q.wishes <- w
		errno = <-w.done
	})
	switch {
	case err == nil && errno == 0:
		return nil
	case err == nil && slices.Contains(lost, errno):
		return &os.PathError{Op: "sync", Path: f.Name(), Err: errno}
	}
	return f.Sync()
}

// wish is a file that is to be flushed, and whom to tell the outcome.
type wish struct {
	file int32
	done chan syscall.Errno
}

// lost are the outcomes that say that something is lost, which is told but once. Others may be of the queue: it has no thread that flushes, say.
var lost = []syscall.Errno{unix.EIO, unix.ENOSPC, unix.EDQUOT}

// notBegun is the outcome of a flush that the kernel has not begun.
const notBegun = ^syscall.Errno(0)

// atOnce is how many flushes are left to the kernel at once; whoever comes then flushes by himself.
const atOnce = 64

// Of linux/io_uring.h.
const (
	sysSetup, sysEnter, sysRegister = 425, 426, 427

	oneMapping      = 1 << 0     // IORING_FEAT_SINGLE_MMAP: the two rings share one mapping, from Linux 5.4 on
	entriesAt       = 0x10000000 // IORING_OFF_SQES
	opFsync         = 3          // IORING_OP_FSYNC
	registerFiles   = 2          // IORING_REGISTER_FILES
	registerEvent   = 4          // IORING_REGISTER_EVENTFD
	updateFiles     = 6          // IORING_REGISTER_FILES_UPDATE
	registerWorkers = 19         // IORING_REGISTER_IOWQ_MAX_WORKERS, from Linux 5.15 on
)

// workers is how many of the kernel's threads flush: each has to be made, and what few of them flush at once reaches the disk together.
const workers = 3

// few is how many threads and open files have to be allowed at least: the workers count among a user's threads, and ring, bell and what the
// runtime polls it with among a process's files.
const few = 256

// requestsAt is where the parts of the ring of requests are: struct io_sqring_offsets.
type requestsAt struct {
	head, tail, mask, size, _, _, array, _ uint32
	_                                      uint64
}

// answersAt is where those of the ring of answers are: struct io_cqring_offsets.
type answersAt struct {
	head, tail, mask, size, _, array, _, _ uint32
	_                                      uint64
}

// parameters is struct io_uring_params.
type parameters struct {
	size, answers, _, _, _, features, _ uint32
	_                                   [3]uint32
	asked                               requestsAt
	answered                            answersAt
}

// request is struct io_uring_sqe.
type request struct {
	op, _ uint8
	_     uint16
	file  int32
	_, _  uint64
	_, _  uint32
	id    uint64
	_     [3]uint64
}

// answer is struct io_uring_cqe.
type answer struct {
	id     uint64
	result int32
	_      uint32
}

// queue has the kernel flush files (io_uring(7)).
type queue struct {
	ring int
	bell *os.File // rings when answers have come

	wishes chan wish

	mu       sync.Mutex
	last     uint64
	waiting  map[uint64]chan<- syscall.Errno // nil = no more are taken
	requests []request
	indexes  []uint32
	tail     *uint32 // of the requests

	answers              []answer
	answered, answersEnd *uint32 // up to where answers were taken, and are there

	held atomic.Uint32 // how many files were to be held
}

// kernel is the process's queue, nil where the kernel gives none.
var kernel = sync.OnceValue(func() *queue {
	q, err := newQueue()
	if err != nil {
		return nil
	}
	go q.listen()
	go q.ask()
	begun.Store(q)
	return q
})

func newQueue() (q *queue, err error) {
	for _, resource := range [...]int{unix.RLIMIT_NPROC, unix.RLIMIT_NOFILE} {
		var limit unix.Rlimit
		if err := unix.Getrlimit(resource, &limit); err != nil || limit.Cur < few {
			return nil, errors.ErrUnsupported
		}
	}
	var p parameters
	ring, _, errno := syscall.Syscall(sysSetup, atOnce, uintptr(unsafe.Pointer(&p)), 0)
	if errno != 0 {
		return nil, errno
	}
	defer func() {
		if err != nil {
			_ = unix.Close(int(ring))
		}
	}()
	if p.features&oneMapping == 0 {
		return nil, errors.ErrUnsupported
	}
	q = &queue{ring: int(ring), wishes: make(chan wish), waiting: map[uint64]chan<- syscall.Errno{}}
	if err := q.hang(); err != nil {
		return nil, err
	}
	if err := q.share(&p); err != nil {
		return nil, errors.Join(err, q.bell.Close())
	}
	most := [2]uint32{workers, 0}
	_, _, _ = syscall.Syscall6(sysRegister, ring, registerWorkers, uintptr(unsafe.Pointer(&most)), 2, 0, 0) // an older kernel makes more of them
	q.roomToHold()
	return q, nil
}

// hang makes the bell, and has the kernel ring it.
func (q *queue) hang() error {
	bell, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
	if err != nil {
		return err
	}
	q.bell = os.NewFile(uintptr(bell), "eventfd") // one that does not block has its readers wait without a processor
	if err := q.bell.SetReadDeadline(time.Time{}); err != nil {
		return errors.Join(err, q.bell.Close()) // the runtime does not poll it
	}
	fd := int32(bell)
	if _, _, errno := syscall.Syscall6(sysRegister, uintptr(q.ring), registerEvent, uintptr(unsafe.Pointer(&fd)), 1, 0, 0); errno != 0 {
		return errors.Join(errno, q.bell.Close())
	}
	return nil
}

// share maps the memory that is shared with the kernel, for as long as the process lives.
func (q *queue) share(p *parameters) error {
	length := max(p.asked.array+4*p.size, p.answered.array+uint32(unsafe.Sizeof(answer{}))*p.answers)
	rings, err := unix.Mmap(q.ring, 0, int(length), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED|unix.MAP_POPULATE)
	if err != nil {
		return err
	}
	requests, err := unix.Mmap(q.ring, entriesAt, int(p.size)*int(unsafe.Sizeof(request{})), unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED|unix.MAP_POPULATE)
	if err != nil {
		return errors.Join(err, unix.Munmap(rings))
	}
	at := func(offset uint32) unsafe.Pointer { return unsafe.Pointer(&rings[offset]) }
	q.requests = unsafe.Slice((*request)(unsafe.Pointer(&requests[0])), p.size)
	q.indexes, q.tail = unsafe.Slice((*uint32)(at(p.asked.array)), p.size), (*uint32)(at(p.asked.tail))
	q.answers = unsafe.Slice((*answer)(at(p.answered.array)), p.answers)
	q.answered, q.answersEnd = (*uint32)(at(p.answered.head)), (*uint32)(at(p.answered.tail))
	return nil
}

// ask has the kernel flush files. It is one thread that asks: the kernel has workers for each that does.
func (q *queue) ask() {
	runtime.LockOSThread()
	for w := range q.wishes {
		if !q.begin(w.file, w.done) {
			w.done <- notBegun
		}
	}
}

// begin has a file flushed, and tells whether the kernel takes it; then done is told the outcome.
func (q *queue) begin(file int32, done chan<- syscall.Errno) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.waiting == nil || len(q.waiting) >= atOnce {
		return false
	}
	q.last++
	tail := *q.tail
	slot := tail % uint32(len(q.requests)) // a power of two
	q.requests[slot] = request{op: opFsync, file: file, id: q.last}
	q.indexes[slot] = slot
	atomic.StoreUint32(q.tail, tail+1)
	q.waiting[q.last] = done
	for {
		n, _, errno := syscall.Syscall6(sysEnter, uintptr(q.ring), 1, 0, 0, 0, 0)
		if n == 1 && errno == 0 {
			return true
		}
		if errno != unix.EINTR {
			break
		}
	}
	atomic.StoreUint32(q.tail, tail) // the kernel has not taken it
	delete(q.waiting, q.last)
	return false
}

// listen tells those that wait, until the process ends.
func (q *queue) listen() {
	var count [8]byte
	for {
		_, err := q.bell.Read(count[:])
		q.tell()
		if err != nil { // none is known
			q.giveUp()
			return
		}
	}
}

// tell tells of the flushes that are done.
func (q *queue) tell() {
	q.mu.Lock()
	defer q.mu.Unlock()
	at := *q.answered
	for end := atomic.LoadUint32(q.answersEnd); at != end; at++ {
		a := q.answers[at%uint32(len(q.answers))]
		if done, ok := q.waiting[a.id]; ok {
			done <- syscall.Errno(-a.result)
			delete(q.waiting, a.id)
		}
	}
	atomic.StoreUint32(q.answered, at)
}

// giveUp fails those that wait, and takes no more.
func (q *queue) giveUp() {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, done := range q.waiting {
		done <- unix.EIO
	}
	q.waiting = nil
}
