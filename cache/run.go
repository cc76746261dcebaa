package cache

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"

	"lapwear/cache/key"
)

// NotRun is the miss of a run record that nobody has put.
const NotRun = "no run recorded yet"

// PutRun keeps a record under a name, such as an output folder's path, in place of
// the one before. The actions it names as roots are as recently used as the record
// is, and the last to be pruned. What was put before is stored before.
func (s *Store) PutRun(name string, data []byte, roots ...key.ID) error {
	d, err := s.DraftRun(name, data, roots...)
	if err == nil {
		err = d.Publish()
	}
	if err == nil {
		err = d.Flush()
	}
	return err
}

// Draft is a run record that is written but not there yet: either Publish or Drop is due.
type Draft struct {
	store      *Store
	name, temp string
}

// DraftRun does the first part of PutRun: what follows, Publish and Flush, takes little time where what was put before is stored.
func (s *Store) DraftRun(name string, data []byte, roots ...key.ID) (*Draft, error) {
	s.lease.hold(s)
	temp, err := s.writeTemp(s.runPath(name), encodeRun(runRecord{name, roots, data}), s.durable)
	if err != nil {
		return nil, fmt.Errorf("store run record %q: %w", name, err)
	}
	return &Draft{s, name, temp}, nil
}

// Publish puts the record in place of the one before.
func (d *Draft) Publish() error {
	_ = d.store.Sync() // a failure has been warned of
	if err := d.store.place(d.temp, d.store.runPath(d.name)); err != nil {
		return fmt.Errorf("store run record %q: %w", d.name, err)
	}
	return nil
}

// Flush returns once the record that was published survives a power cut; one before may come back until then.
func (d *Draft) Flush() error {
	if !d.store.durable {
		return nil
	}
	if err := d.store.fs.SyncDir(d.store.path(runsDir)); err != nil {
		return fmt.Errorf("store run record %q: %w", d.name, err)
	}
	return nil
}

// Drop gives the draft up.
func (d *Draft) Drop() { _ = d.store.fs.Remove(d.temp) }

// Run returns the record of that name, or why it cannot. A damaged one is removed, so that it is made again.
func (s *Store) Run(name string) (data []byte, miss string) {
	s.lease.hold(s)
	path := s.runPath(name)
	b, info, err := s.readInfo(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, NotRun
	}
	if err != nil {
		return nil, fmt.Sprintf("run record unreadable: %v", err)
	}
	r, err := decodeRun(b)
	if err == nil && r.name != name {
		err = fmt.Errorf("it belongs to %q", clip(r.name))
	}
	if err != nil {
		_ = s.fs.Remove(path) // the next run does not stand without it, and makes it again
		return nil, fmt.Sprintf("run record damaged: %v", err)
	}
	s.touch(path, info)
	return r.data, ""
}

func (s *Store) runPath(name string) string {
	return s.path(runsDir, key.Of([]byte(name)).String())
}

type runRecord struct {
	name  string
	roots []key.ID
	data  []byte
}

func encodeRun(r runRecord) []byte {
	b := newSealed(runMagic, 32+len(r.name)+32*len(r.roots)+len(r.data))
	b = appendString(b, r.name)
	b = binary.AppendUvarint(b, uint64(len(r.roots)))
	for _, id := range r.roots {
		b = append(b, id[:]...)
	}
	b = binary.AppendUvarint(b, uint64(len(r.data)))
	return seal(append(b, r.data...))
}

func decodeRun(b []byte) (runRecord, error) {
	body, err := unseal(runMagic, b)
	if err != nil {
		return runRecord{}, err
	}
	head := runHead(body)
	c := &cursor{s: string(body[:head])}
	r := runRecord{name: c.string(), data: body[head:]}
	if n := c.count(uint64(len(key.ID{}))); n > 0 {
		r.roots = make([]key.ID, n)
	}
	for i := range r.roots {
		r.roots[i] = c.id()
	}
	if c.uvarint() != uint64(len(r.data)) {
		c.bad = true
	}
	return r, c.done()
}

// runHead is how many bytes of a record's body stand before its data, which is most of it; all where the body is too short.
func runHead(body []byte) int {
	at := 0
	for _, size := range []int{1, len(key.ID{})} { // the name, the roots
		n, k := binary.Uvarint(body[at:])
		if k <= 0 || n > uint64(len(body)-at-k)/uint64(size) {
			return len(body)
		}
		at += k + int(n)*size
	}
	_, k := binary.Uvarint(body[at:])
	return at + max(k, 0)
}
