package cache

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
)

// lookEvery bounds how often packs of other processes are looked for.
const lookEvery = time.Second

// maxOpen is how many packs are kept open for reading.
const maxOpen = 64

// packs is what a store knows of its packs, and of where loose files may be.
type packs struct {
	preparing sync.WaitGroup

	loadMu sync.Mutex
	looked atomic.Int64 // when the folder was last listed; 0 = not yet, or it has news

	mu      sync.RWMutex
	byName  map[string]*pack
	damaged map[string]string // by name: why a pack cannot be read
	blobs   directory
	entries directory
	loose   map[string]bool // folders of loose files, as "actions/ab"

	openMu sync.Mutex
	open   []*pack // the longest open first

	windowMu sync.Mutex
	windows  []*window // that nobody looks through, the longest unused first
}

func (x *packs) init() {
	x.byName, x.damaged, x.loose = map[string]*pack{}, map[string]string{}, map[string]bool{}
	x.blobs = newDirectory(func(p *pack) []row { return p.blobs })
	x.entries = newDirectory(func(p *pack) []row { return p.entries })
}

// look lists the packs unless that was done within lookEvery, and tells whether it did.
func (s *Store) look() bool {
	x := &s.packs
	due := func() bool {
		was := x.looked.Load()
		since := s.now().UnixNano() - was
		return was == 0 || since >= int64(lookEvery) || since < 0
	}
	if !due() {
		return false
	}
	x.loadMu.Lock()
	defer x.loadMu.Unlock()
	if !due() {
		return true
	}
	s.listLoose()
	s.listPacks()
	x.looked.Store(s.now().UnixNano())
	return true
}

// ready makes sure that the packs were looked at once.
func (s *Store) ready() {
	if s.packs.looked.Load() == 0 {
		s.look()
	}
}

// Prepare begins to look at the packs, for whoever is about to ask for results. Close waits for it.
func (s *Store) Prepare() {
	s.lease.hold(s)
	s.packs.preparing.Go(s.ready)
}

// listPacks loads the packs that are new and drops those that are gone. What is known is
// noted first: a pack that this store publishes meanwhile is not gone.
func (s *Store) listPacks() {
	x := &s.packs
	x.mu.RLock()
	known := make(map[string]bool, len(x.byName)+len(x.damaged))
	for name := range x.byName {
		known[name] = true
	}
	for name := range x.damaged {
		known[name] = true
	}
	x.mu.RUnlock()
	names, err := s.fs.ReadDir(s.path(packsDir))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return // what is known stays
	}
	var loaded []*pack
	for _, name := range names {
		if id, err := key.Parse(name); err == nil && id.String() == name && !known[name] {
			if p := s.readNew(id); p != nil {
				loaded = append(loaded, p)
			}
		}
		delete(known, name)
	}
	x.makeRoom(loaded)
	for _, p := range loaded {
		x.add(p)
	}
	for name := range known {
		s.dropPack(name)
	}
}

// readNew reads a pack of another process; nil if it is gone, or damaged, which is noted.
func (s *Store) readNew(name key.ID) *pack {
	p, _, err := s.loadPack(s.path(packsDir, name.String()), name)
	if err == nil {
		return p
	}
	if !errors.Is(err, fs.ErrNotExist) {
		s.packs.mu.Lock()
		defer s.packs.mu.Unlock()
		s.packs.damaged[name.String()] = err.Error()
	}
	return nil
}

// makeRoom makes the directories as large as the first packs need them.
func (x *packs) makeRoom(loaded []*pack) {
	x.mu.Lock()
	defer x.mu.Unlock()
	blobs, entries := 0, 0
	for _, p := range loaded {
		blobs, entries = blobs+len(p.blobs), entries+len(p.entries)
	}
	x.blobs.makeRoom(blobs)
	x.entries.makeRoom(entries)
}

// add makes a pack of another process known.
func (x *packs) add(p *pack) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.byName[p.name] != nil {
		return // this store has just published it
	}
	x.byName[p.name] = p
	for i, r := range p.blobs {
		x.blobs.add(r.id, place{p, int32(i)})
	}
	for i, r := range p.entries {
		x.entries.add(r.id, place{p, int32(i)})
	}
}

func (s *Store) dropPack(name string) {
	x := &s.packs
	x.mu.Lock()
	delete(x.damaged, name)
	p := x.byName[name]
	delete(x.byName, name)
	x.mu.Unlock()
	if p != nil {
		s.forgetPack(p)
	}
}

// forgetPack takes a pack's results out of the directories.
func (s *Store) forgetPack(p *pack) {
	x := &s.packs
	x.mu.Lock()
	for _, r := range p.blobs {
		x.blobs.remove(r.id, p)
	}
	for _, r := range p.entries {
		x.entries.remove(r.id, p)
	}
	x.mu.Unlock()
	s.closePack(p)
}

func (s *Store) closePack(p *pack) {
	x := &s.packs
	x.openMu.Lock()
	x.open = slices.DeleteFunc(x.open, func(o *pack) bool { return o == p })
	x.openMu.Unlock()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.f != nil && p.name != "" {
		p.f.Close()
		p.f = nil
	}
}

func (s *Store) closePacks() {
	x := &s.packs
	x.openMu.Lock()
	open := slices.Clone(x.open)
	x.openMu.Unlock()
	for _, p := range open {
		s.closePack(p)
	}
}

// readPack reads from a pack, which it opens if need be. Several may read from one at the same time; who finds its file closed
// meanwhile opens it again.
func (s *Store) readPack(p *pack, b []byte, off int64) error {
	for {
		f, opened, err := s.fileOf(p)
		if err != nil {
			return err
		}
		_, err = f.ReadAt(b, off)
		if opened {
			s.noteOpen(p)
		}
		if !errors.Is(err, fs.ErrClosed) {
			return err
		}
	}
}

// fileOf returns a pack's open file, and whether it has opened it.
func (s *Store) fileOf(p *pack) (f fsx.File, opened bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.f != nil {
		return p.f, false, nil
	}
	if f, err = s.fs.Open(p.path); err != nil {
		return nil, false, err
	}
	p.f = f
	return f, true, nil
}

// noteOpen closes the pack that has been open longest when there are too many.
func (s *Store) noteOpen(p *pack) {
	x := &s.packs
	var last *pack
	x.openMu.Lock()
	x.open = append(x.open, p)
	if len(x.open) > maxOpen {
		last = x.open[0]
	}
	x.openMu.Unlock()
	if last != nil {
		s.closePack(last)
	}
}

// usePack records a use of a pack, the first of this store and then at most one per
// touchEvery, and tells whether it is still there. Once used it is spared by others who
// prune.
func (s *Store) usePack(p *pack) bool {
	now := s.now().UnixNano()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.name == "" || p.claimed && now-p.modTime < int64(touchEvery) {
		return true
	}
	err := s.fs.Touch(p.path, now)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		_, err = s.fs.Stat(p.path) // it cannot be written
	}
	if errors.Is(err, fs.ErrNotExist) {
		return false
	}
	p.modTime, p.claimed = now, true
	return true
}

// checkPacks drops packs that are gone although this store has used them: a process that
// prunes may have looked for leases before this one had one.
func (s *Store) checkPacks(blobs []row) {
	seen := map[*pack]bool{}
	for _, r := range blobs {
		for _, at := range s.places(&s.packs.blobs, r.id) {
			if seen[at.p] {
				continue
			}
			seen[at.p] = true
			at.p.mu.Lock()
			name, path := at.p.name, at.p.path
			at.p.mu.Unlock()
			if name == "" {
				continue
			}
			if _, err := s.fs.Stat(path); errors.Is(err, fs.ErrNotExist) {
				s.vanished(at.p)
			}
		}
	}
}

// vanished drops a pack that another process has removed, and looks where its results are now.
func (s *Store) vanished(p *pack) {
	s.dropPack(p.name)
	s.packs.looked.Store(0)
}

// places lists where a blob or entry is, the newest place first.
func (s *Store) places(d *directory, id key.ID) []place {
	s.packs.mu.RLock()
	defer s.packs.mu.RUnlock()
	return d.all(id)
}

// damagedPacks says which packs cannot be read: what is missing may have been in them.
func (s *Store) damagedPacks() string {
	x := &s.packs
	x.mu.RLock()
	defer x.mu.RUnlock()
	for name, why := range x.damaged {
		more := ""
		if n := len(x.damaged); n > 1 {
			more = " and others"
		}
		return "pack " + name[:12] + more + " damaged: " + why
	}
	return ""
}

// listLoose notes which folders of loose files there are.
func (s *Store) listLoose() {
	loose := map[string]bool{}
	for _, area := range []string{actionsDir, blobsDir} {
		names, err := s.fs.ReadDir(s.path(area))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			names = allFans() // it cannot be listed; asking for a file tells why
		}
		for _, n := range names {
			loose[area+n] = true
		}
	}
	s.packs.mu.Lock()
	defer s.packs.mu.Unlock()
	s.packs.loose = loose
}

// allFans are the names that folders of loose files can have.
func allFans() []string {
	out := make([]string, 0, 256)
	for i := range 256 {
		out = append(out, strconv.FormatInt(int64(i)|1<<8, 16)[1:])
	}
	return out
}

// mayBeLoose tells whether an ID may have a file of its own.
func (s *Store) mayBeLoose(area string, id key.ID) bool {
	x := &s.packs
	x.mu.RLock()
	defer x.mu.RUnlock()
	return len(x.loose) > 0 && x.loose[area+id.String()[:2]]
}

// window is the part of a pack that was last read for entries: those of a run follow each
// other. One at a time looks through it.
type window struct {
	p   *pack
	off int64
	b   []byte
}

// windowLen is how much is read at once, from a multiple of windowStep on, so that most rows that begin in a step end in its window.
// mostWindows is how many windows are kept: all that the entries of a hundred laps take, since those of a lap stand near each other, but laps in any order.
const (
	windowStep  = 64 << 10
	windowLen   = windowStep + 4<<10
	mostWindows = 64
)

// takeWindow returns a window that nobody looks through: one that shows the row, or else the one unused longest.
func (x *packs) takeWindow(p *pack, r row) *window {
	x.windowMu.Lock()
	defer x.windowMu.Unlock()
	at := len(x.windows) - 1
	for at >= 0 && !x.windows[at].shows(p, r) {
		at--
	}
	if at < 0 && len(x.windows) < mostWindows {
		return new(window)
	}
	w := x.windows[max(at, 0)]
	x.windows = slices.Delete(x.windows, max(at, 0), max(at, 0)+1)
	return w
}

// giveWindow takes a window back.
func (x *packs) giveWindow(w *window) {
	x.windowMu.Lock()
	defer x.windowMu.Unlock()
	if len(x.windows) < mostWindows {
		x.windows = append(x.windows, w)
	}
}

// shows tells whether a row has been read.
func (w *window) shows(p *pack, r row) bool {
	return w.p == p && r.off >= w.off && r.off+r.len <= w.off+int64(len(w.b))
}

// readEntryRow calls use with the bytes of an entry of a pack, which it must not keep.
func (s *Store) readEntryRow(p *pack, i int32, use func(b []byte)) error {
	r, b, ok := p.entry(i)
	switch {
	case !ok:
		return errors.New("it is not stored")
	case b != nil:
		use(b)
		return nil
	}
	w := s.packs.takeWindow(p, r)
	defer s.packs.giveWindow(w)
	b, err := w.get(s, p, r)
	if err == nil {
		use(b)
	}
	return err
}

// entry returns the row of an entry, or its bytes while they are not in the file.
func (p *pack) entry(i int32) (r row, b []byte, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if int(i) >= len(p.entries) {
		return row{}, nil, false // it could not be published
	}
	if p.encoded != nil {
		b = p.encoded[i]
	}
	return p.entries[i], b, true
}

func (p *pack) blob(i int32) row {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.blobs[i]
}

// get returns the bytes of a row, which hold until the next call.
func (w *window) get(s *Store, p *pack, r row) ([]byte, error) {
	if r.len > maxFile {
		return nil, fmt.Errorf("length %d, want at most %d", r.len, maxFile)
	}
	if !w.shows(p, r) {
		w.p, w.off = nil, r.off-r.off%windowStep
		n := min(max(r.off-w.off+r.len, windowLen), p.size-w.off)
		if int64(cap(w.b)) < n {
			w.b = lanes.Uncleared[byte](int(n))
		}
		w.b = w.b[:n]
		if err := s.readPack(p, w.b, w.off); err != nil {
			return nil, err
		}
		w.p = p
	}
	return w.b[r.off-w.off:][:r.len], nil
}
