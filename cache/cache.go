// Package cache keeps results by what they were made from.
//
//   - An action ID stands for a computation. An Entry is what is remembered of it:
//     its outputs' identities, or why it was refused, and the transcript of what
//     was hashed into the action ID.
//   - A blob is the bytes of an output, named by their SHA-256.
//   - A pack is an immutable file of many blobs and entries. A loose file holds one, as
//     in format 1.
//   - The stat index spares reading a recording again while its size, time of last
//     change and inode stay as they were when it was hashed.
//   - A run record is what a caller keeps per output folder. The actions that it
//     names are the last to be pruned.
//   - A lease says that a process is using the store; pruning spares what it uses.
//   - A miss is the reason why the store cannot serve something. It is never an
//     error: the result is computed again.
//
// Whatever is read is checked, so damage becomes a miss and never a wrong result.
// Several processes and hosts may use one store at the same time.
//
// What is not guaranteed: that a result which was put is still there later. The
// files' layout and the rules that keep them sound are in FORMAT.md.
package cache

import (
	"cmp"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// Format is the number of the layout that this package reads and writes.
const Format = 2

// The parts of a store.
const (
	packsDir   = "packs"
	usesDir    = "uses"
	actionsDir = "actions" // of format 1; nothing is added any more
	blobsDir   = "blobs"   // likewise
	runsDir    = "runs"
	leasesDir  = "leases"
	indexFile  = "index"
	rewriting  = "rewriting"
	formatFile = "format"
	tempSuffix = ".tmp"
)

const formatPrefix = "lapwear cache "

// touchEvery bounds how often the time of last use of one file is written.
const touchEvery = time.Hour

// Options say how a Store works. The zero value is usable, without Durable.
type Options struct {
	// Durable flushes each file and its folder, so that what was put survives a
	// power cut. Without it a power cut may cost results but never falsify one.
	Durable bool
	// Now is the clock; nil is the real one.
	Now func() time.Time
	// Warn receives what is wrong but stops nothing; nil drops it. It may be
	// called from several goroutines.
	Warn func(string)

	fs     fsx.FS
	random io.Reader
	linger time.Duration // in place of packLinger; 0 = that
}

// Store is an open cache folder, safe for use by several goroutines.
type Store struct {
	dir     string
	durable bool
	now     func() time.Time
	warn    func(string)
	fs      fsx.FS
	linger  time.Duration

	token string // tells this store's temporary files and lease from others'
	lease lease
	index index
	hash  singleflight.Group
	bufs  sync.Pool

	packs  packs
	writer writer

	mu    sync.Mutex
	temps int
	bad   map[key.ID]bool // loose blobs found damaged; the next Put puts them elsewhere
}

// Open opens the store in dir and creates it if need be. It refuses a folder that
// holds other things, and a store of a newer format.
func Open(dir string, o Options) (*Store, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("open cache %q: %w", dir, err)
	}
	s := &Store{dir: abs, durable: o.Durable, now: o.Now, warn: o.Warn, fs: o.fs, linger: cmp.Or(o.linger, packLinger), bad: map[key.ID]bool{}}
	s.packs.init()
	s.writer.change.L = &s.writer.queueMu
	if s.now == nil {
		s.now = time.Now
	}
	if s.warn == nil {
		s.warn = func(string) {}
	}
	if s.fs == nil {
		s.fs = fsx.Disk{}
	}
	s.bufs.New = func() any { return new([hashAtOnce]byte) }
	random := o.random
	if random == nil {
		random = rand.Reader
	}
	var token [8]byte
	if _, err := io.ReadFull(random, token[:]); err != nil {
		return nil, fmt.Errorf("open cache %q: %w", dir, err)
	}
	s.token = hex.EncodeToString(token[:])
	if err := s.prepare(); err != nil {
		return nil, fmt.Errorf("open cache %q: %w", dir, err)
	}
	s.index.load(s)
	return s, nil
}

// prepare checks the format and makes what is missing.
func (s *Store) prepare() error {
	text, err := s.readFile(s.path(formatFile))
	if errors.Is(err, fs.ErrNotExist) {
		return s.create()
	}
	n := Format
	if err == nil {
		n, err = parseFormat(text)
	} else if foreign := s.onlyOurs(); foreign != nil {
		return fmt.Errorf("read its format: %w; %w", err, foreign)
	}
	switch {
	case err != nil:
		s.warn(fmt.Sprintf("cache %q: its format file is damaged (%v); taken for format %d", s.dir, err, Format))
	case n > Format:
		return fmt.Errorf("it has format %d and this program knows formats up to %d; use a newer lapwear or another folder", n, Format)
	case n == Format:
		return nil
	}
	if err := s.writeFormat(); err != nil {
		s.warn(fmt.Sprintf("cache %q: %v", s.dir, err))
	}
	return nil
}

func parseFormat(text []byte) (int, error) {
	line, _, _ := strings.Cut(string(text), "\n")
	digits, ok := strings.CutPrefix(line, formatPrefix)
	n, err := strconv.Atoi(digits)
	if !ok || err != nil || n < 0 {
		return 0, fmt.Errorf("found %q, want %q", clip(line), formatPrefix+strconv.Itoa(Format))
	}
	return n, nil
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:40] + "…"
	}
	return s
}

// create makes the folders and then, last, the format file.
func (s *Store) create() error {
	if err := s.onlyOurs(); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, d := range []string{packsDir, runsDir, leasesDir} {
		if err := s.mkdir(s.path(d)); err != nil {
			return err
		}
	}
	return s.writeFormat()
}

// onlyOurs says what in the folder is no part of a cache.
func (s *Store) onlyOurs() error {
	names, err := s.fs.ReadDir(s.dir)
	if err != nil {
		return fmt.Errorf("%w; make the folder readable or choose another", err)
	}
	for _, n := range names {
		if !ours(n) {
			return fmt.Errorf("the folder holds %q, which is no part of a cache; choose an empty folder", n)
		}
	}
	return nil
}

// ours tells whether a name may stand in the top folder.
func ours(name string) bool {
	switch name {
	case packsDir, usesDir, actionsDir, blobsDir, runsDir, leasesDir, indexFile, rewriting, formatFile:
		return true
	}
	return strings.HasSuffix(name, tempSuffix)
}

func (s *Store) writeFormat() error {
	return s.publish(s.path(formatFile), []byte(formatPrefix+strconv.Itoa(Format)+"\n"))
}

// Close publishes what was put, saves the stat index and the uses, and gives up the lease.
// The store must not be used afterwards; closing again does nothing. That a result could
// not be stored is a warning, not an error.
func (s *Store) Close() error {
	s.packs.preparing.Wait()
	_ = s.Sync()
	err := s.Flush()
	s.saveUses()
	s.closePacks()
	s.lease.release(s)
	return err
}

// Dir returns the store's folder.
func (s *Store) Dir() string { return s.dir }

func (s *Store) path(parts ...string) string {
	return s.dir + string(filepath.Separator) + filepath.Join(parts...)
}

// fanned is the path of an ID's file: a folder by the first two digits, so that
// no folder grows beyond what file systems handle well.
func (s *Store) fanned(area string, id key.ID) string {
	const sep = string(filepath.Separator)
	name := id.String()
	return s.dir + sep + area + sep + name[:2] + sep + name
}

// touch records a use, at most once per touchEvery. A file that cannot be touched
// is merely pruned earlier.
func (s *Store) touch(path string, info fsx.Info) {
	now := s.now().UnixNano()
	if now-info.ModTime >= int64(touchEvery) {
		_ = s.fs.Touch(path, now)
	}
}
