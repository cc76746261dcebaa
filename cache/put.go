package cache

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// Payload is an output with its bytes.
type Payload struct {
	Name string
	Data []byte // nil when not kept
	ID   key.ID // SHA-256 of the bytes; of what is not kept any hash of 32 bytes
	Size int64  // their number
}

// Put remembers the result of an action: first the blobs, then the entry. Its
// outputs are the payloads in their order, unless e.Outputs says otherwise; then
// each kept output must be among the payloads. A zero Made is now.
//
// The result is served at once. It is stored with others, within packLinger or at the
// next Sync, and may be lost until then. An error means that it is not stored; the
// results themselves are good.
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
	if err := ctx.Err(); err != nil {
		return err
	}
	s.lease.hold(s)
	was, miss := s.lookup(action, DecodeEntry)
	if miss == "" && sameResult(was, &e) {
		return s.add(action, nil, blobs)
	}
	if miss == "" && !sameNumbers(was, &e) {
		s.warn(fmt.Sprintf("%s %s gave another result than before for the same inputs; the new one is kept", e.Stage, action.Short()))
	}
	if e.Made.IsZero() {
		e.Made = s.now()
		if miss == "" && !e.Made.After(was.Made) {
			e.Made = was.Made.Add(1) // the clock was set back: what was made last stands
		}
	}
	return s.add(action, e.Encode(action), blobs)
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

// publish makes a file appear under its name in one step, with all of its content.
func (s *Store) publish(path string, data []byte) error {
	return s.publishAs(path, data, s.durable)
}

func (s *Store) publishAs(path string, data []byte, durable bool) error {
	temp, err := s.writeTemp(path, data, durable)
	if err == nil {
		err = s.place(temp, path)
	}
	if err != nil || !durable {
		return err
	}
	return s.fs.SyncDir(filepath.Dir(path))
}

// writeTemp writes a file that is to have that path, under another name; one that cannot be written in full is removed.
func (s *Store) writeTemp(path string, data []byte, durable bool) (temp string, err error) {
	temp = path + "." + s.nextTemp() + tempSuffix
	f, err := s.createFile(temp)
	if err != nil {
		return temp, err
	}
	if err = errors.Join(s.fill(f, temp, data, durable), f.Close()); err != nil {
		_ = s.fs.Remove(temp)
	}
	return temp, err
}

// place gives a file its name, or removes it.
func (s *Store) place(temp, path string) error {
	err := s.replace(temp, path)
	if err != nil {
		_ = s.fs.Remove(temp)
	}
	return err
}

// createFile makes a file, and its folder if need be.
func (s *Store) createFile(path string) (fsx.File, error) {
	f, err := s.fs.Create(path)
	if errors.Is(err, fs.ErrNotExist) {
		if err := s.mkdir(filepath.Dir(path)); err != nil {
			return nil, err
		}
		f, err = s.fs.Create(path)
	}
	return f, err
}

// fill writes a file, flushes it if it is to be durable, and makes sure of its length.
func (s *Store) fill(f fsx.File, name string, data []byte, durable bool) error {
	_, err := f.Write(data)
	if err == nil && durable {
		err = f.Sync()
	}
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil && info.Size != int64(len(data)) {
		err = fmt.Errorf("write %s: length %d, want %d", name, info.Size, len(data))
	}
	return err
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

func (s *Store) nextTemp() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.temps++
	return s.token + "-" + strconv.Itoa(s.temps)
}

// mkdir makes a folder, and those above it if need be, and flushes each parent.
// A folder that is already there is flushed too: whoever made it may not have.
func (s *Store) mkdir(dir string) error {
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
