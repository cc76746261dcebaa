package fsx

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
)

// ErrFault is what a failed operation of Faulty returns.
var ErrFault = errors.New("fault on purpose")

// Faulty does the operations of another FS, counts them, and misbehaves at one
// of them. It is for tests, and safe for use by several goroutines.
//
// It also keeps account of what a power cut would lose: content written but not
// flushed, and names made in a folder that was not flushed since.
type Faulty struct {
	FS FS
	// At is the operation that fails, counted from 1; 0 for none. Once the FS is in use,
	// FailAfter sets it.
	At int
	// Crash makes every later operation fail too and have no effect, as if the
	// process had died.
	Crash bool

	mu    sync.Mutex
	ops   []string
	soft  map[string]bool // files with content that was not flushed
	names map[string]bool // names in folders that were not flushed
}

// Ops returns the operations so far, each as "verb base-name".
func (f *Faulty) Ops() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.ops)
}

// FailAfter has the operation after the next n fail, or none for a negative n, and returns its place in Ops, from 1.
func (f *Faulty) FailAfter(n int) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.At = 0
	if n >= 0 {
		f.At = len(f.ops) + n + 1
	}
	return f.At
}

func (f *Faulty) step(verb, name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ops = append(f.ops, verb+" "+filepath.Base(name))
	n := len(f.ops)
	if f.At > 0 && (n == f.At || f.Crash && n > f.At) {
		return fmt.Errorf("%s %s: %w", verb, name, ErrFault)
	}
	return nil
}

// note marks or unmarks what a power cut would lose. What makes or moves a name is done
// within it, so that nobody sees a name that is not on account yet.
func (f *Faulty) note(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.soft == nil {
		f.soft, f.names = map[string]bool{}, map[string]bool{}
	}
	change()
}

// PowerCut takes away what no flush had secured: the content of such files and
// such names. It works on the operating system's files.
func (f *Faulty) PowerCut() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, name := range slices.Sorted(maps.Keys(f.soft)) {
		if err := os.Truncate(name, 0); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	for _, name := range slices.Sorted(maps.Keys(f.names)) {
		if err := os.RemoveAll(name); err != nil {
			return err
		}
	}
	return nil
}

type faultyFile struct {
	File
	fs   *Faulty
	name string
}

func (h faultyFile) Read(b []byte) (int, error) {
	if err := h.fs.step("read", h.name); err != nil {
		return 0, err
	}
	return h.File.Read(b)
}

// Write leaves half the bytes behind when it fails, as a full disk does.
func (h faultyFile) Write(b []byte) (int, error) {
	if err := h.fs.step("write", h.name); err != nil {
		n, _ := h.File.Write(b[:len(b)/2])
		return n, err
	}
	h.fs.note(func() { h.fs.soft[h.name] = true })
	return h.File.Write(b)
}

func (h faultyFile) ReadAt(b []byte, off int64) (int, error) {
	if err := h.fs.step("read", h.name); err != nil {
		return 0, err
	}
	return h.File.ReadAt(b, off)
}

// WriteAt leaves half the bytes behind when it fails, as Write does.
func (h faultyFile) WriteAt(b []byte, off int64) (int, error) {
	if err := h.fs.step("write", h.name); err != nil {
		n, _ := h.File.WriteAt(b[:len(b)/2], off)
		return n, err
	}
	h.fs.note(func() { h.fs.soft[h.name] = true })
	return h.File.WriteAt(b, off)
}

func (h faultyFile) Truncate(size int64) error {
	if err := h.fs.step("truncate", h.name); err != nil {
		return err
	}
	return h.File.Truncate(size)
}

func (h faultyFile) Sync() error {
	if err := h.fs.step("sync", h.name); err != nil {
		return err
	}
	h.fs.note(func() { delete(h.fs.soft, h.name) })
	return h.File.Sync()
}

// Close always frees the handle, as the end of a process does.
func (h faultyFile) Close() error {
	err := h.fs.step("close", h.name)
	return errors.Join(err, h.File.Close())
}

func (h faultyFile) Stat() (Info, error) {
	if err := h.fs.step("fstat", h.name); err != nil {
		return Info{}, err
	}
	return h.File.Stat()
}

// Open opens a file for reading.
func (f *Faulty) Open(name string) (File, error) {
	if err := f.step("open", name); err != nil {
		return nil, err
	}
	h, err := f.FS.Open(name)
	if err != nil {
		return nil, err
	}
	return faultyFile{h, f, name}, nil
}

// Create makes a file that must not exist yet.
func (f *Faulty) Create(name string) (File, error) {
	if err := f.step("create", name); err != nil {
		return nil, err
	}
	var h File
	var err error
	f.note(func() {
		if h, err = f.FS.Create(name); err == nil {
			f.soft[name], f.names[name] = true, true
		}
	})
	if err != nil {
		return nil, err
	}
	return faultyFile{h, f, name}, nil
}

// Rename replaces what newname held.
func (f *Faulty) Rename(oldname, newname string) error {
	if err := f.step("rename", newname); err != nil {
		return err
	}
	var err error
	f.note(func() {
		if err = f.FS.Rename(oldname, newname); err != nil {
			return
		}
		if f.soft[oldname] {
			f.soft[newname] = true
		} else {
			delete(f.soft, newname)
		}
		delete(f.soft, oldname)
		delete(f.names, oldname)
		f.names[newname] = true
	})
	return err
}

// Remove removes a file or an empty folder.
func (f *Faulty) Remove(name string) error {
	if err := f.step("remove", name); err != nil {
		return err
	}
	f.note(func() { delete(f.soft, name); delete(f.names, name) })
	return f.FS.Remove(name)
}

// Stat follows links.
func (f *Faulty) Stat(name string) (Info, error) {
	if err := f.step("stat", name); err != nil {
		return Info{}, err
	}
	return f.FS.Stat(name)
}

// ReadDir lists a folder's names.
func (f *Faulty) ReadDir(name string) ([]string, error) {
	if err := f.step("readdir", name); err != nil {
		return nil, err
	}
	return f.FS.ReadDir(name)
}

// Mkdir makes one folder.
func (f *Faulty) Mkdir(name string) error {
	if err := f.step("mkdir", name); err != nil {
		return err
	}
	var err error
	f.note(func() {
		if err = f.FS.Mkdir(name); err == nil {
			f.names[name] = true
		}
	})
	return err
}

// SyncDir secures the names in a folder.
func (f *Faulty) SyncDir(name string) error {
	if err := f.step("syncdir", name); err != nil {
		return err
	}
	f.note(func() {
		for n := range f.names {
			if filepath.Dir(n) == filepath.Clean(name) {
				delete(f.names, n)
			}
		}
	})
	return f.FS.SyncDir(name)
}

// Touch sets the time of last change.
func (f *Faulty) Touch(name string, ns int64) error {
	if err := f.step("touch", name); err != nil {
		return err
	}
	return f.FS.Touch(name, ns)
}
