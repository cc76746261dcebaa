// Package fsx is the few file operations that the cache uses.
//
//   - An FS does them; Disk is the real one, Faulty one that fails or crashes on
//     purpose and can play a power cut.
//   - An Info is what the cache needs to know of a file. Two Infos of one path
//     that are equal speak for unchanged content, as far as a file system tells.
//
// What is not guaranteed: that a file system keeps nanoseconds or has inodes.
// Permissions are those of the process's umask.
package fsx

import "io"

// Info describes a file.
type Info struct {
	Size    int64
	ModTime int64  // nanoseconds since 1970, UTC
	Changed int64  // when content or attributes last changed, as ModTime; 0 where the platform does not tell
	Inode   uint64 // 0 where the platform has none
	Regular bool
	Dir     bool
}

// File is an open file.
type File interface {
	io.Reader
	io.Writer
	io.ReaderAt
	io.WriterAt
	io.Closer
	// Truncate cuts the file to a length.
	Truncate(size int64) error
	// Sync returns once the content is on stable storage.
	Sync() error
	Stat() (Info, error)
	// Start begins to bring a stretch of the content to stable storage, where the system
	// has a way to; Sync then has less to wait for.
	Start(off, n int64)
}

// FS is a file system. Errors can be told apart with errors.Is and io/fs's values.
type FS interface {
	// Open opens a file for reading.
	Open(name string) (File, error)
	// Create makes a file for writing and reading that must not exist yet.
	Create(name string) (File, error)
	// Rename replaces what newname held, in one step.
	Rename(oldname, newname string) error
	// Remove removes a file or an empty folder.
	Remove(name string) error
	// Stat follows links.
	Stat(name string) (Info, error)
	// ReadDir lists a folder's names, sorted.
	ReadDir(name string) ([]string, error)
	// Mkdir makes one folder.
	Mkdir(name string) error
	// SyncDir returns once the folder's names are on stable storage.
	SyncDir(name string) error
	// Touch sets the time of last change, in nanoseconds since 1970.
	Touch(name string, ns int64) error
}
