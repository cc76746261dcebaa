package folder

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync"
	"syscall"
	"time"

	"lapwear/cache/flush"
	"lapwear/cache/key"
)

// disk does the file operations of publishing. A test may have a say before each: an
// error of before is the operation's, which then has no effect.
type disk struct {
	before func(op, path string) error
}

func (d disk) ask(op, path string) error {
	if d.before == nil {
		return nil
	}
	return d.before(op, path)
}

// do does an operation unless it is to fail.
func (d disk) do(op, path string, f func() error) error {
	if err := d.ask(op, path); err != nil {
		return err
	}
	return f()
}

func (d disk) mkdir(path string) error {
	return d.do("mkdir", path, func() error { return os.Mkdir(path, 0o777) })
}

func (d disk) remove(path string) error {
	return d.do("remove", path, func() error { return os.Remove(path) })
}

// removeLast removes the last name of a file, and does not wait until its room is given back.
func (d disk) removeLast(path string) error {
	return d.do("remove", path, func() error {
		flush.Hold(path)
		return os.Remove(path)
	})
}

func (d disk) removeAll(path string) error {
	return d.do("remove all", path, func() error { return os.RemoveAll(path) })
}

func (d disk) rename(from, to string) error {
	return d.do("rename", to, func() error { return os.Rename(from, to) })
}

func (d disk) link(from, to string) error {
	return d.do("link", to, func() error { return os.Link(from, to) })
}

func (d disk) chmod(path string, mode fs.FileMode) error {
	return d.do("chmod", path, func() error { return os.Chmod(path, mode) })
}

func (d disk) stat(path string) (info fs.FileInfo, err error) {
	err = d.do("stat", path, func() error { info, err = os.Stat(path); return err })
	return info, err
}

func (d disk) lstat(path string) (info fs.FileInfo, err error) {
	err = d.do("lstat", path, func() error { info, err = os.Lstat(path); return err })
	return info, err
}

func (d disk) readDir(path string) (entries []fs.DirEntry, err error) {
	err = d.do("read folder", path, func() error { entries, err = os.ReadDir(path); return err })
	return entries, err
}

// Written is what is known of a file that was written.
type Written struct {
	Sum   key.ID      // of what was written, as key.OfUnkept has it
	Info  fs.FileInfo // what the file looked like once it was
	Began time.Time   // when writing began
}

// writer is a file that is being written, and hashed.
type writer struct {
	*os.File
	disk
	sum io.Writer
}

// Write leaves half the bytes behind when it is to fail, as a full disk does.
func (w writer) Write(b []byte) (int, error) {
	if err := w.ask("write", w.Name()); err != nil {
		n, _ := w.File.Write(b[:len(b)/2])
		return n, err
	}
	w.sum.Write(b)
	return w.File.Write(b)
}

// Close frees the file whatever happens.
func (w writer) Close() error {
	return errors.Join(w.ask("close", w.Name()), w.File.Close())
}

// buffers are those that are not in use: fresh memory costs more than what is written into it, so they are no larger than writers of tables want.
var buffers = sync.Pool{New: func() any { return bufio.NewWriterSize(nil, 1<<16) }}

// writeFile writes a file in full.
func (d disk) writeFile(path string, write func(io.Writer) error) (Written, error) {
	made := Written{Began: time.Now()}
	var f *os.File
	err := d.do("create", path, func() (err error) {
		f, err = os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
		return err
	})
	if err != nil {
		return made, fmt.Errorf("write %q: %w; give another folder with --out", path, err)
	}
	to := writer{File: f, disk: d}
	w := buffers.Get().(*bufio.Writer)
	defer buffers.Put(w)
	made.Sum = key.OfUnkept(func(sum io.Writer) error {
		to.sum = sum
		w.Reset(to)
		err = errors.Join(write(w), w.Flush())
		return err
	})
	info, errInfo := f.Stat()
	if err = errors.Join(err, errInfo, to.Close()); err != nil {
		d.remove(path)
		return made, fmt.Errorf("write %q: %w", path, err)
	}
	made.Info = info
	return made, nil
}

// compared is how much of two files is compared at once: many are small, or differ early, and fresh memory costs more than reading.
const compared = 8 << 10

var halves = sync.Pool{New: func() any { return new([2][compared]byte) }}

// same tells whether two files hold the same bytes.
func (d disk) same(a, b string) bool {
	x, errA := d.stat(a)
	y, errB := d.stat(b)
	if errA != nil || errB != nil || x.Size() != y.Size() || !y.Mode().IsRegular() {
		return false
	}
	equal := false
	err := d.do("read", a, func() error {
		return d.do("read", b, func() (err error) {
			equal, err = alike(a, b)
			return err
		})
	})
	return err == nil && equal
}

// alike compares two files of one size, up to the first difference.
func alike(a, b string) (bool, error) {
	f, err := os.Open(a)
	if err != nil {
		return false, err
	}
	defer f.Close()
	g, err := os.Open(b)
	if err != nil {
		return false, err
	}
	defer g.Close()
	p := halves.Get().(*[2][compared]byte)
	defer halves.Put(p)
	for {
		n, errA := io.ReadFull(f, p[0][:])
		m, errB := io.ReadFull(g, p[1][:])
		if !bytes.Equal(p[0][:n], p[1][:m]) {
			return false, nil
		}
		if errA != nil || errB != nil { // the end of both, or what keeps one from being read
			return ended(errA) && ended(errB), nil
		}
	}
}

func ended(err error) bool { return err == io.EOF || err == io.ErrUnexpectedEOF }

// likeFolder gives the staging folder the rights of the folder.
func (d disk) likeFolder(base, dir string) error {
	info, err := d.stat(dir)
	if err != nil {
		return err
	}
	likeOwner(base, info)
	return d.chmod(base, info.Mode().Perm()|info.Mode()&(os.ModeSetgid|os.ModeSticky))
}

// sync flushes a file or folder, so that what is renamed after it is whole even when the
// power fails; file systems that cannot are none the worse for it. Some tell only now
// that a disk is full.
func (d disk) sync(path string) error {
	return d.do("sync", path, func() error {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		if err := flush.File(f); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, errors.ErrUnsupported) {
			return fmt.Errorf("flush %q: %w", path, err)
		}
		return nil
	})
}
