package cache

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"sync/atomic"
	"time"
)

const (
	// beatEvery is how often a live lease is touched.
	beatEvery = time.Minute
	// leaseLife is how long a lease counts as live after its last touch.
	leaseLife = 15 * time.Minute
	// clockSkew is by how much the clocks of hosts sharing a store may differ.
	clockSkew = 5 * time.Minute
)

const leaseText = "lapwear lease 1\nhost %q\npid %d\nstart %d\n"

// lease is this store's sign of life, taken with the first use.
type lease struct {
	held atomic.Bool

	mu       sync.Mutex
	path     string
	text     string
	released bool
	stop     chan struct{}
	done     chan struct{}
}

// hold takes the lease unless it is taken.
func (l *lease) hold(s *Store) {
	if l.held.Load() {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.held.Load() || l.released {
		return
	}
	l.path, l.text = s.path(leasesDir, s.token), s.signature()
	if err := l.write(s); err != nil {
		s.warn(fmt.Sprintf("take lease on cache: %v; pruning by others may cost results while this runs", err))
	}
	l.stop, l.done = make(chan struct{}), make(chan struct{})
	go beat(l.stop, l.done, func() { l.refresh(s) })
	l.held.Store(true)
}

// write makes the lease file. A lease that is seen half written holds everything.
func (l *lease) write(s *Store) error {
	f, err := s.createFile(l.path)
	if err != nil {
		return err
	}
	_, err = f.Write([]byte(l.text))
	return errors.Join(err, f.Close(), s.fs.Touch(l.path, s.now().UnixNano()))
}

// signature says who this process is, and since when, on a lease.
func (s *Store) signature() string {
	host, _ := os.Hostname()
	return fmt.Sprintf(leaseText, host, os.Getpid(), s.now().UnixNano())
}

// beat gives signs of life until it is to stop, and then closes done.
func beat(stop <-chan struct{}, done chan<- struct{}, sign func()) {
	defer close(done)
	t := time.NewTicker(beatEvery)
	defer t.Stop()
	for {
		select {
		case <-stop:
			return
		case <-t.C:
			sign()
		}
	}
}

// refresh touches the lease, or makes it anew if it was taken for dead.
func (l *lease) refresh(s *Store) {
	if err := s.fs.Touch(l.path, s.now().UnixNano()); errors.Is(err, fs.ErrNotExist) {
		_ = l.write(s)
	}
}

func (l *lease) release(s *Store) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.released = true
	if l.stop == nil {
		return
	}
	close(l.stop)
	<-l.done
	l.stop = nil
	_ = s.fs.Remove(l.path)
}

// Lease is a live user of the store.
type Lease struct {
	Path  string
	Host  string
	PID   int
	Start time.Time // zero when the file cannot be read
	Seen  time.Time // when it last gave a sign of life
}

// String tells who holds the lease and since when.
func (l Lease) String() string {
	if l.Start.IsZero() {
		return fmt.Sprintf("unreadable lease %s", l.Path)
	}
	return fmt.Sprintf("process %d on %s since %s", l.PID, l.Host, l.Start.Format(time.RFC3339))
}

// leases lists the live leases and the files of dead ones.
func (s *Store) leases() (live []Lease, dead []file, err error) {
	names, err := s.fs.ReadDir(s.path(leasesDir))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	now := s.now()
	for _, name := range names {
		path := s.path(leasesDir, name)
		info, err := s.fs.Stat(path)
		if err != nil {
			continue
		}
		l := s.readLease(path)
		l.Seen = time.Unix(0, info.ModTime).UTC()
		if now.Sub(l.Seen) > leaseLife {
			dead = append(dead, file{path: path, info: info})
			continue
		}
		live = append(live, l)
	}
	return live, dead, nil
}

func (s *Store) readLease(path string) Lease {
	l := Lease{Path: path}
	b, err := s.readFile(path)
	if err != nil {
		return l
	}
	var start int64
	if _, err := fmt.Sscanf(string(b), leaseText, &l.Host, &l.PID, &start); err == nil {
		l.Start = time.Unix(0, start).UTC()
	}
	return l
}
