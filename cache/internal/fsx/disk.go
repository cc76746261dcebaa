package fsx

import (
	"errors"
	"io/fs"
	"os"
	"slices"
	"time"

	"lapwear/cache/flush"
)

// Disk is the file system of the operating system.
type Disk struct{}

type diskFile struct{ *os.File }

func (f diskFile) Stat() (Info, error) {
	fi, err := f.File.Stat()
	if err != nil {
		return Info{}, err
	}
	return InfoOf(fi), nil
}

// Sync holds no processor while it waits for the disk.
func (f diskFile) Sync() error { return flush.File(f.File) }

// Start is a hint: nothing is lost if it fails.
func (f diskFile) Start(off, n int64) { startWriting(f.File, off, n) }

// InfoOf is the Info of what the operating system says.
func InfoOf(fi fs.FileInfo) Info {
	return Info{
		Size:    fi.Size(),
		ModTime: fi.ModTime().UnixNano(),
		Changed: changed(fi),
		Inode:   inode(fi),
		Regular: fi.Mode().IsRegular(),
		Dir:     fi.IsDir(),
	}
}

// Open opens a file for reading.
func (Disk) Open(name string) (File, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

// Create makes a file that must not exist yet, readable and writable as the umask allows.
func (Disk) Create(name string) (File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

// Rename replaces what newname held, and does not wait until its room is given back.
func (Disk) Rename(oldname, newname string) error {
	flush.Hold(newname)
	return os.Rename(oldname, newname)
}

// Remove removes a file or an empty folder.
func (Disk) Remove(name string) error { return os.Remove(name) }

// Stat follows links.
func (Disk) Stat(name string) (Info, error) {
	fi, err := os.Stat(name)
	if err != nil {
		return Info{}, err
	}
	return InfoOf(fi), nil
}

// ReadDir lists a folder's names, sorted.
func (Disk) ReadDir(name string) ([]string, error) {
	d, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	names, err := d.Readdirnames(-1)
	slices.Sort(names)
	return names, err
}

// Mkdir makes one folder, as open as the umask allows.
func (Disk) Mkdir(name string) error { return os.Mkdir(name, 0o777) }

// SyncDir flushes a folder. File systems that cannot say so and are none the
// worse for it.
func (Disk) SyncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := flush.File(d); err != nil && !cannotSync(err) {
		return err
	}
	return nil
}

// Touch sets the time of last change. Only a file's owner may set a time of
// choice; whoever else may write gets the file system's present time.
func (Disk) Touch(name string, ns int64) error {
	t := time.Unix(0, ns)
	err := os.Chtimes(name, t, t)
	if errors.Is(err, fs.ErrPermission) && touchNow(name) == nil {
		return nil
	}
	return err
}
