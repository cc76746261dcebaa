package folder

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// LockName is the file in the folder that says who writes it. It is there while a run
// writes, or after one was killed.
const LockName = ".lapwear-lock"

// Holder is a run that claims a folder.
type Holder struct {
	PID     int       `json:"pid"`
	Host    string    `json:"host"`
	User    string    `json:"user,omitempty"`
	Started time.Time `json:"started"`
	Command string    `json:"command"`
}

// String names the holder in a message.
func (h Holder) String() string {
	if h.PID == 0 {
		return "a run that did not say its name"
	}
	s := fmt.Sprintf("%q, process %d on host %q", h.Command, h.PID, h.Host)
	if h.User != "" {
		s += fmt.Sprintf(" by user %q", h.User)
	}
	return s + ", since " + h.Started.Format(time.RFC3339)
}

// HeldError says that another run claims the folder.
type HeldError struct {
	Dir    string
	Holder Holder
}

func (e *HeldError) Error() string {
	return fmt.Sprintf("lock output folder %q: %v writes it; wait for it, or give another folder with --out", e.Dir, e.Holder)
}

// Lock is a claim to a folder.
type Lock struct {
	// Stale is the run that was killed while it held the folder; nil if there was none.
	Stale *Holder

	path string
	file *os.File
	made bool // the folder, for this claim
}

// errBusy says that another process has the file.
var errBusy = errors.New("held by another process")

// pollEvery is how often a lock that is waited for is tried again.
const pollEvery = 100 * time.Millisecond

// Acquire claims a folder, which it makes if need be, and waits so long for another run
// to end. The claim ends with the process; where the file system knows no locks it rests
// on what the file says: a holder of this host that no longer runs has lost it, one of
// another host has not.
func Acquire(ctx context.Context, dir string, me Holder, wait time.Duration) (*Lock, error) {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	for {
		l, err := try(filepath.Join(dir, LockName), me, flock)
		var held *HeldError
		if err == nil || !errors.As(err, &held) {
			return l, err
		}
		held.Dir = dir
		select {
		case <-ctx.Done():
			return nil, err
		case <-time.After(pollEvery):
		}
	}
}

// try claims the lock file once.
func try(path string, me Holder, flock func(*os.File) error) (*Lock, error) {
	for {
		dir := filepath.Dir(path)
		if err := restore(dir, flock); err != nil {
			return nil, err
		}
		_, missing := os.Stat(dir)
		if err := os.MkdirAll(dir, 0o777); err != nil {
			return nil, fmt.Errorf("make the output folder: %w; give another with --out", err)
		}
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
		if err != nil {
			return nil, fmt.Errorf("lock output folder: %w; give another with --out", err)
		}
		there := readHolder(f)
		l, err := claimFile(f, path, me, flock)
		var held *HeldError
		switch {
		case errors.As(err, &held):
			return nil, err
		case errors.Is(err, errAgain):
			continue
		case errors.Is(err, errBusy):
			return nil, &HeldError{Holder: there}
		case err != nil:
			return nil, fmt.Errorf("lock output folder: %w; give another with --out", err)
		}
		l.made = missing != nil
		return l, nil
	}
}

// errAgain says that the lock file changed meanwhile.
var errAgain = errors.New("the lock file changed")

// claimFile claims an open lock file, which it closes if it cannot.
func claimFile(f *os.File, path string, me Holder, flock func(*os.File) error) (*Lock, error) {
	err := flock(f)
	switch {
	case errors.Is(err, errors.ErrUnsupported):
		f.Close()
		return claimByWord(path, me)
	case err != nil:
		f.Close()
		return nil, err
	case !sameFile(f, path): // whoever held it may have removed the file after it was opened here
		f.Close()
		return nil, errAgain
	}
	return claim(f, path, me)
}

// guardMost is how long a process may take to judge and claim by word; what is older was
// left by one that was killed meanwhile.
const guardMost = 10 * time.Second

// claimByWord judges and claims where the system has no locks. Only one process at a time
// may: the one that has made the guard file. errAgain: it is another.
func claimByWord(path string, me Holder) (*Lock, error) {
	guard := path + "-claim"
	g, err := os.OpenFile(guard, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, fs.ErrExist) {
		if info, err := os.Stat(guard); err == nil && time.Since(info.ModTime()) > guardMost {
			os.Remove(guard)
		}
		time.Sleep(time.Millisecond)
		return nil, errAgain
	}
	if err != nil {
		return nil, err
	}
	defer os.Remove(guard)
	defer g.Close()
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, err
	}
	there := readHolder(f)
	if err := byWord(there, me); err != nil {
		f.Close()
		return nil, &HeldError{Holder: there}
	}
	return claim(f, path, me)
}

// byWord judges by what the file says.
func byWord(there, me Holder) error {
	if there.PID == 0 || there.Host == me.Host && (there.PID == me.PID || !alive(there.PID)) {
		return nil
	}
	return errBusy
}

func claim(f *os.File, path string, me Holder) (*Lock, error) {
	l := &Lock{path: path, file: f}
	if there := readHolder(f); there.PID != 0 {
		l.Stale = &there
	}
	text, err := json.Marshal(me)
	if info, failed := f.Stat(); err == nil && (failed != nil || info.Size() > 0) {
		err = f.Truncate(0) // some file systems write to the disk at once what was emptied before
	}
	if err == nil {
		_, err = f.WriteAt(append(text, '\n'), 0)
	}
	if err != nil {
		l.Release()
		return nil, err
	}
	return l, nil
}

// readHolder reads who holds the file; a zero Holder when it does not say.
func readHolder(f *os.File) Holder {
	var h Holder
	text, err := io.ReadAll(io.NewSectionReader(f, 0, 1<<16))
	if err != nil || json.Unmarshal(text, &h) != nil {
		return Holder{}
	}
	return h
}

func sameFile(f *os.File, path string) bool {
	a, errA := f.Stat()
	b, errB := os.Stat(path)
	return errA == nil && errB == nil && os.SameFile(a, b)
}

// Abandon says that the holder ends in the middle of its work, as it was told to: whoever
// claims the folder next need not be warned. The folder stays claimed until the process
// ends, for something of it may be writing yet; a file system that knows no locks frees it now.
func (l *Lock) Abandon() error { return l.file.Truncate(0) }

// Release gives the folder up; one that was made for the claim and is still empty goes.
func (l *Lock) Release() error {
	err := os.Remove(l.path)
	if l.made {
		os.Remove(filepath.Dir(l.path))
	}
	return errors.Join(err, l.file.Close())
}
