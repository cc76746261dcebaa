package cache

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
)

const (
	// packFull is from what length a pack is published.
	packFull = 32 << 20
	// packLinger is for how long a pack waits for more: what a killed process loses.
	packLinger = 2 * time.Second
	// startEvery is after how many bytes the disk is told to write them: flushing the whole
	// pack at its end would leave the disk idle until then.
	startEvery = 4 << 20
	// mostWaiting is how many packs may wait to be published before putting waits for them.
	mostWaiting = 8
	// smallWrite is up to what length a blob is written together with its frame.
	smallWrite = 64 << 10
)

// pending is a pack that is being written. Its results are served like others.
type pending struct {
	*pack
	temp   string
	end    int64 // of what is written
	begun  int64 // up to where the disk has been told to write
	length int64 // of the entries, which are not written yet
	at     map[key.ID]int32
	relies [][]row     // per entry: blobs that it needs and an earlier pack has
	timer  *time.Timer // seals it in time
}

// writer fills packs and publishes them, one after the other: a result may rely on blobs
// of an earlier pack.
type writer struct {
	mu  sync.Mutex // held while a result is written
	now *pending   // nil = none is begun

	queueMu sync.Mutex
	change  sync.Cond
	queue   []*pending // sealed; the first is being published
	busy    bool
	failed  error // the first failure since the last Sync
	warned  bool
}

// add writes blobs that are not there yet, and then the entry of an action, if one is given.
func (s *Store) add(action key.ID, entry []byte, blobs []Payload) error {
	w := &s.writer
	w.waitForRoom()
	w.mu.Lock()
	defer w.mu.Unlock()
	missing, there := s.partition(blobs)
	if entry == nil && len(missing) == 0 {
		return nil
	}
	p := w.now
	if p == nil {
		var err error
		if p, err = s.begin(); err != nil {
			return err
		}
		p.timer = time.AfterFunc(s.linger, func() { s.sealThis(p) })
		w.now = p
	}
	rows, err := s.write(p, missing)
	if err != nil {
		s.seal()
		return err
	}
	s.register(p, rows, action, entry, there)
	if p.end+p.length >= packFull {
		s.seal()
	}
	return nil
}

// partition parts the blobs that are to be written from those that are there.
func (s *Store) partition(blobs []Payload) (missing []Payload, there []row) {
	seen := make(map[key.ID]bool, len(blobs))
	for _, b := range blobs {
		switch {
		case b.Data == nil || seen[b.ID]:
		case s.haveBlob(b.ID, b.Size):
			there = append(there, row{id: b.ID, len: b.Size})
		default:
			missing = append(missing, b)
		}
		seen[b.ID] = true
	}
	return missing, there
}

// begin makes the file of a new pack.
func (s *Store) begin() (*pending, error) {
	temp := s.path(packsDir, "pack."+s.nextTemp()+tempSuffix)
	f, err := s.createFile(temp)
	if err != nil {
		return nil, err
	}
	p := &pending{pack: &pack{path: temp, f: f, encoded: [][]byte{}}, temp: temp, at: map[key.ID]int32{}}
	if _, err := f.WriteAt([]byte(packMagic), 0); err != nil {
		return nil, errors.Join(err, f.Close(), s.fs.Remove(temp))
	}
	p.end = int64(len(packMagic))
	return p, nil
}

// write writes blobs behind each other. What a failed write has left is cut off again.
func (s *Store) write(p *pending, blobs []Payload) ([]row, error) {
	rows := make([]row, 0, len(blobs))
	buf := s.bufs.Get().(*[hashAtOnce]byte)
	defer s.bufs.Put(buf)
	at := p.end
	for _, b := range blobs {
		head, data := appendFrame(buf[:0], b.ID, b.Size), b.Data
		if len(data) <= smallWrite {
			head, data = append(head, data...), nil
		}
		_, err := p.f.WriteAt(head, at)
		if err == nil && data != nil {
			_, err = p.f.WriteAt(data, at+int64(len(head)))
		}
		if err != nil {
			return nil, errors.Join(err, p.f.Truncate(p.end))
		}
		rows = append(rows, row{b.ID, at + frameHead, b.Size})
		at += frameHead + b.Size
	}
	p.end = at
	if s.durable && p.end-p.begun >= startEvery {
		p.f.Start(p.begun, p.end-p.begun)
		p.begun = p.end
	}
	return rows, nil
}

// register makes known what was written.
func (s *Store) register(p *pending, rows []row, action key.ID, entry []byte, there []row) {
	x := &s.packs
	x.mu.Lock()
	defer x.mu.Unlock()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range rows {
		x.blobs.add(r.id, place{p.pack, int32(len(p.blobs))})
		p.blobs = append(p.blobs, r)
		s.setBad(r.id, false)
	}
	if entry == nil {
		return
	}
	p.length += int64(len(entry))
	if i, again := p.at[action]; again {
		p.length -= int64(len(p.encoded[i]))
		p.encoded[i], p.relies[i] = entry, there
		return
	}
	i := int32(len(p.entries))
	p.at[action] = i
	p.entries = append(p.entries, row{id: action})
	p.encoded, p.relies = append(p.encoded, entry), append(p.relies, there)
	x.entries.add(action, place{p.pack, i})
}

// sealThis seals a pack that has waited long enough.
func (s *Store) sealThis(p *pending) {
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	if s.writer.now == p {
		s.seal()
	}
}

// seal hands the pack that is being filled over to be published. The writer is held.
func (s *Store) seal() {
	w := &s.writer
	p := w.now
	if p == nil {
		return
	}
	w.now = nil
	p.timer.Stop()
	w.queueMu.Lock()
	defer w.queueMu.Unlock()
	w.queue = append(w.queue, p)
	if !w.busy {
		w.busy = true
		go s.publishQueued()
	}
}

// waitForRoom waits while too many packs are on their way to the disk.
func (w *writer) waitForRoom() {
	w.queueMu.Lock()
	defer w.queueMu.Unlock()
	for len(w.queue) > mostWaiting {
		w.change.Wait()
	}
}

func (s *Store) publishQueued() {
	w := &s.writer
	for {
		w.queueMu.Lock()
		if len(w.queue) == 0 {
			w.busy = false
			w.change.Broadcast()
			w.queueMu.Unlock()
			return
		}
		p := w.queue[0]
		w.queueMu.Unlock()
		err := s.publishPack(p)
		if err != nil {
			s.abandon(p)
		}
		w.queueMu.Lock()
		w.queue = w.queue[1:]
		first := err != nil && !w.warned
		w.warned = w.warned || first
		if w.failed == nil {
			w.failed = err
		}
		w.change.Broadcast()
		w.queueMu.Unlock()
		if first {
			s.warn(fmt.Sprintf("results are not stored: %v", err))
		}
	}
}

// Sync publishes what was put and waits until that is done. Results are served before;
// after it they survive this process, and others see them. The error says that some
// since the last Sync are not stored.
func (s *Store) Sync() error {
	w := &s.writer
	w.mu.Lock()
	s.seal()
	w.mu.Unlock()
	w.queueMu.Lock()
	defer w.queueMu.Unlock()
	for w.busy {
		w.change.Wait()
	}
	err := w.failed
	w.failed = nil
	return err
}

// Failing tells whether results that were put have been lost because a pack could not be published.
func (s *Store) Failing() bool {
	s.writer.queueMu.Lock()
	defer s.writer.queueMu.Unlock()
	return s.writer.warned
}

// Hasten begins to publish what was put, without waiting as Sync does.
func (s *Store) Hasten() {
	s.writer.mu.Lock()
	defer s.writer.mu.Unlock()
	s.seal()
}

// publishPack completes a pack's file and gives it its name.
func (s *Store) publishPack(p *pending) error {
	s.dropUnbacked(p)
	if len(p.blobs)+len(p.entries) == 0 {
		return s.discard(p)
	}
	b := lanes.Uncleared[byte](int(p.length) + minTail + rowLen*(len(p.blobs)+len(p.entries)))[:0]
	entries := slices.Clone(p.entries)
	at := p.end
	for i, e := range p.encoded {
		entries[i].off, entries[i].len = at, int64(len(e))
		at += int64(len(e))
		b = append(b, e...)
	}
	b, name := appendTail(b, s.newNonce(), p.blobs, entries, at)
	size := p.end + int64(len(b))
	if _, err := p.f.WriteAt(b, p.end); err != nil {
		return err
	}
	if s.durable {
		if err := p.f.Sync(); err != nil {
			return err
		}
	}
	info, err := p.f.Stat()
	if err == nil && info.Size != size {
		err = fmt.Errorf("write %s: length %d, want %d", p.temp, info.Size, size)
	}
	if err != nil {
		return err
	}
	if err := s.namePack(p, name.String(), entries, size); err != nil {
		return err
	}
	if !s.durable {
		return nil
	}
	return s.fs.SyncDir(s.path(packsDir))
}

// newNonce is this store's token and a number.
func (s *Store) newNonce() (n nonce) {
	token, _ := hex.DecodeString(s.token)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.temps++
	binary.LittleEndian.PutUint64(n[copy(n[:], token):], uint64(s.temps))
	return n
}

// namePack closes and renames a pack's file; readers wait for that.
func (s *Store) namePack(p *pending, name string, entries []row, size int64) error {
	x := &s.packs
	path := s.path(packsDir, name)
	x.mu.Lock()
	defer x.mu.Unlock()
	p.mu.Lock()
	defer p.mu.Unlock()
	err := p.f.Close()
	p.f = nil
	if err == nil {
		err = s.replace(p.temp, path)
	}
	if err != nil {
		return err
	}
	now := s.now().UnixNano()
	p.name, p.path, p.size, p.entries, p.encoded = name, path, size, entries, nil
	p.modTime, p.based, p.claimed = now, now, true
	x.byName[name] = p.pack
	delete(x.damaged, name)
	return nil
}

// dropUnbacked drops entries that rely on blobs of a pack that could not be published, or
// that is gone.
func (s *Store) dropUnbacked(p *pending) {
	s.checkPacks(slices.Concat(p.relies...))
	lost := make([]bool, len(p.relies))
	for i, blobs := range p.relies {
		lost[i] = slices.ContainsFunc(blobs, func(r row) bool { return !s.haveBlob(r.id, r.len) })
	}
	if !slices.Contains(lost, true) {
		return
	}
	x := &s.packs
	x.mu.Lock()
	defer x.mu.Unlock()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range p.entries {
		x.entries.remove(r.id, p.pack)
	}
	var entries []row
	var encoded [][]byte
	for i := range p.entries {
		if !lost[i] {
			entries, encoded = append(entries, p.entries[i]), append(encoded, p.encoded[i])
		}
	}
	p.entries, p.encoded = entries, encoded
	for i, r := range entries {
		x.entries.add(r.id, place{p.pack, int32(i)})
	}
}

// abandon gives up a pack that cannot be published: its results are not there.
func (s *Store) abandon(p *pending) {
	s.packs.mu.Lock()
	if s.packs.byName[p.name] == p.pack {
		delete(s.packs.byName, p.name)
	}
	s.packs.mu.Unlock()
	s.forgetPack(p.pack)
	_ = s.discard(p)
}

// discard removes the file of a pack that has no name.
func (s *Store) discard(p *pending) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	var err error
	if p.f != nil {
		err = p.f.Close()
		p.f = nil
	}
	if p.name != "" {
		return err
	}
	return errors.Join(err, s.fs.Remove(p.temp))
}
