package cache

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"

	"lapwear/cache/key"
)

// Payload is an output with its bytes.
type Payload struct {
	Name string
	Data []byte // nil when not kept
	ID   key.ID // SHA-256 of the bytes
	Size int64  // their number
}

// Put remembers the result of an action: first the blobs, then the entry. Its
// outputs are the payloads in their order, unless e.Outputs says otherwise; then
// each kept output must be among the payloads. A zero Made is now.
//
// An error means that the result is not stored; the results themselves are good.
func (s *Store) Put(ctx context.Context, action key.ID, e Entry, blobs []Payload) error {
	if err := s.put(ctx, action, e, blobs); err != nil {
		return fmt.Errorf("store result of %s %s: %w", e.Stage, action.Short(), err)
	}
	return nil
}

func (s *Store) put(ctx context.Context, action key.ID, e Entry, blobs []Payload) error {
	if err := fillOutputs(&e, blobs); err != nil {
		return err
	}
	if e.Made.IsZero() {
		e.Made = s.now()
	}
	s.lease.hold(s)
	if err := s.putBlobs(ctx, blobs); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	path := s.fanned(actionsDir, action)
	if was, info, miss := s.readEntry(path, action); miss == "" {
		if sameResult(was, &e) {
			s.touch(path, info)
			return nil
		}
		if !sameNumbers(was, &e) {
			s.warn(fmt.Sprintf("%s %s gave another result than before for the same inputs; the new one is kept", e.Stage, action.Short()))
		}
	}
	return s.publish(path, e.Encode(action))
}

// fillOutputs derives the outputs from the payloads, or checks that they agree.
func fillOutputs(e *Entry, blobs []Payload) error {
	derived := make([]Output, 0, len(blobs))
	for _, p := range blobs {
		if p.Data != nil && int64(len(p.Data)) != p.Size {
			return fmt.Errorf("output %q has %d bytes, said %d", p.Name, len(p.Data), p.Size)
		}
		derived = append(derived, Output{Name: p.Name, ID: p.ID, Size: p.Size, Kept: p.Data != nil})
	}
	if e.Outputs == nil {
		e.Outputs = derived
		return nil
	}
	for _, o := range e.Outputs {
		if o.Kept && !slices.Contains(derived, o) {
			return fmt.Errorf("output %q is to be kept but its bytes are not given", o.Name)
		}
	}
	return nil
}

// sameResult compares entries but for when they were made.
func sameResult(a, b *Entry) bool {
	return a.Stage == b.Stage && a.Refused == b.Refused &&
		slices.Equal(a.Outputs, b.Outputs) && slices.Equal(a.Transcript, b.Transcript)
}

// sameNumbers tells whether entries speak of the same bytes, stored or not.
func sameNumbers(a, b *Entry) bool {
	return a.Refused == b.Refused && slices.EqualFunc(a.Outputs, b.Outputs, func(x, y Output) bool {
		return x.Name == y.Name && x.ID == y.ID && x.Size == y.Size
	})
}

// putBlobs publishes what is not there yet.
func (s *Store) putBlobs(ctx context.Context, blobs []Payload) error {
	b := batch{s: s}
	defer b.discard()
	var ids []key.ID
	for _, p := range blobs {
		if err := ctx.Err(); err != nil {
			return err
		}
		if p.Data == nil || slices.Contains(ids, p.ID) {
			continue
		}
		if s.haveBlob(p.ID, p.Size) {
			b.relyOn(s.fanned(blobsDir, p.ID))
			continue
		}
		if err := b.add(s.fanned(blobsDir, p.ID), p.Data); err != nil {
			return err
		}
		ids = append(ids, p.ID)
	}
	if err := b.commit(); err != nil {
		return err
	}
	for _, id := range ids {
		s.setBad(id, false)
	}
	return nil
}

// publish replaces one file that is no blob in a single step.
func (s *Store) publish(path string, data []byte) error {
	if len(data) > maxFile {
		return fmt.Errorf("write %s: length %d, want at most %d", path, len(data), maxFile)
	}
	b := batch{s: s}
	defer b.discard()
	if err := b.add(path, data); err != nil {
		return err
	}
	return b.commit()
}

// A batch is files that wait, complete and flushed under temporary names in
// their own folders, to be renamed together.
type batch struct {
	s     *Store
	files []struct{ temp, path string }
	flush []string // folders to flush besides those of the files
}

// add writes a file under a temporary name and makes sure of its length.
func (b *batch) add(path string, data []byte) error {
	s := b.s
	temp := path + "." + s.nextTemp() + tempSuffix
	f, err := s.fs.Create(temp)
	if errors.Is(err, fs.ErrNotExist) {
		if err := s.mkdir(filepath.Dir(path)); err != nil {
			return err
		}
		f, err = s.fs.Create(temp)
	}
	if err != nil {
		return err
	}
	b.files = append(b.files, struct{ temp, path string }{temp, path})
	_, err = f.Write(data)
	if err == nil && s.durable {
		err = f.Sync()
	}
	if err == nil {
		info, statErr := f.Stat()
		if err = statErr; err == nil && info.Size != int64(len(data)) {
			err = fmt.Errorf("write %s: length %d, want %d", temp, info.Size, len(data))
		}
	}
	return errors.Join(err, f.Close())
}

// relyOn notes a file that is there already. Another goroutine may have just named it and
// not flushed the name yet.
func (b *batch) relyOn(path string) {
	if d := filepath.Dir(path); b.s.isUnflushed(d) && !slices.Contains(b.flush, d) {
		b.flush = append(b.flush, d)
	}
}

// commit renames the files, then flushes each folder once.
func (b *batch) commit() error {
	dirs := slices.Clone(b.flush)
	for _, f := range b.files {
		defer b.s.unflushed(filepath.Dir(f.path))()
	}
	for len(b.files) > 0 {
		f := b.files[0]
		if err := b.s.replace(f.temp, f.path); err != nil {
			return err
		}
		b.files = b.files[1:]
		if d := filepath.Dir(f.path); !slices.Contains(dirs, d) {
			dirs = append(dirs, d)
		}
	}
	if !b.s.durable {
		return nil
	}
	for _, d := range dirs {
		if up := filepath.Dir(d); b.s.isUnflushed(up) {
			if err := b.s.fs.SyncDir(up); err != nil {
				return err
			}
		}
		if err := b.s.fs.SyncDir(d); err != nil {
			return err
		}
	}
	return nil
}

// discard removes what was not renamed.
func (b *batch) discard() {
	for _, f := range b.files {
		_ = b.s.fs.Remove(f.temp)
	}
}

// replace renames, and clears away an empty folder that stands in the way.
func (s *Store) replace(temp, path string) error {
	err := s.fs.Rename(temp, path)
	if err == nil {
		return nil
	}
	if info, statErr := s.fs.Stat(path); statErr != nil || !info.Dir {
		return err
	}
	if err := s.fs.Remove(path); err != nil {
		return fmt.Errorf("%w; a folder stands where a file belongs, remove it", err)
	}
	return s.fs.Rename(temp, path)
}

// unflushed notes that a folder gets names that are not flushed yet, until the function
// that it returns is called.
func (s *Store) unflushed(dir string) (flushed func()) {
	add := func(n int) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.names[dir] += n; s.names[dir] == 0 {
			delete(s.names, dir)
		}
	}
	add(1)
	return func() { add(-1) }
}

func (s *Store) isUnflushed(dir string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.names[dir] > 0
}

func (s *Store) nextTemp() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.temps++
	return s.token + "-" + strconv.Itoa(s.temps)
}

// mkdir makes a folder, and those above it if need be, and flushes each parent.
// A folder that is already there is flushed too: whoever made it may not have.
func (s *Store) mkdir(dir string) error {
	defer s.unflushed(filepath.Dir(dir))()
	err := s.fs.Mkdir(dir)
	if parent := filepath.Dir(dir); errors.Is(err, fs.ErrNotExist) && parent != dir {
		if err := s.mkdir(parent); err != nil {
			return err
		}
		err = s.fs.Mkdir(dir)
	}
	if errors.Is(err, fs.ErrExist) {
		if info, statErr := s.fs.Stat(dir); statErr == nil && info.Dir {
			err = nil
		}
	}
	if err != nil || !s.durable {
		return err
	}
	return s.fs.SyncDir(filepath.Dir(dir))
}
