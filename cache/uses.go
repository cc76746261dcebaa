package cache

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"lapwear/cache/key"
)

// When an entry of a pack was last used is kept beside the pack, as ages before the time
// of last change of the file that tells them. Where there is none, all entries count as
// used when the pack was.

const (
	usesMagic = "lwuses01"
	usesHead  = 8 + 32 // magic, name of the pack
	usesCheck = 8
	ageUnit   = time.Hour
	ageMost   = 1<<16 - 1 // and older
)

func (p *pack) noteUse(i int32) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.name == "" {
		return // it is being put
	}
	if p.used == nil {
		p.used = make([]bool, len(p.entries))
	}
	if int(i) < len(p.used) { // a place may be older than dropUnbacked's shorter list
		p.used[i] = true
	}
}

// usesPath is where the uses of a pack's entries are.
func (s *Store) usesPath(pack string) string { return s.path(usesDir, pack) }

// encodeUses encodes the ages of a pack's entries.
func encodeUses(pack key.ID, last []int64, now int64) []byte {
	b := make([]byte, 0, usesHead+2*len(last)+usesCheck)
	b = append(append(b, usesMagic...), pack[:]...)
	for _, t := range last {
		b = binary.LittleEndian.AppendUint16(b, uint16(min(max(now-t, 0)/int64(ageUnit), ageMost)))
	}
	sum := key.Of(b)
	return append(b, sum[:usesCheck]...)
}

// decodeUses returns when each of a pack's n entries was last used, from a file of a time.
func decodeUses(b []byte, pack key.ID, n int, at int64) ([]int64, error) {
	if want := usesHead + 2*n + usesCheck; len(b) != want {
		return nil, fmt.Errorf("length %d, want %d", len(b), want)
	}
	body := b[:len(b)-usesCheck]
	if sum := key.Of(body); string(sum[:usesCheck]) != string(b[len(body):]) {
		return nil, errors.New("checksum differs")
	}
	if string(body[:8]) != usesMagic || key.ID(body[8:usesHead]) != pack {
		return nil, errors.New("it belongs to another pack")
	}
	last := make([]int64, n)
	for i := range last {
		last[i] = at - int64(binary.LittleEndian.Uint16(body[usesHead+2*i:]))*int64(ageUnit)
	}
	return last, nil
}

// lastUses returns when the n entries of a pack were last used: as the file beside it says,
// or else when the pack was.
func (s *Store) lastUses(pack string, n int, packUsed int64) []int64 {
	id, _ := key.Parse(pack)
	b, info, err := s.readInfo(s.usesPath(pack))
	if err == nil {
		if last, err := decodeUses(b, id, n, info.ModTime); err == nil {
			return last
		}
	}
	last := make([]int64, n)
	for i := range last {
		last[i] = packUsed
	}
	return last
}

// saveUses writes which entries this store has used, if that is news by touchEvery. What
// cannot be written, or is written by others at the same moment, is merely pruned earlier
// or later.
func (s *Store) saveUses() {
	x := &s.packs
	x.mu.RLock()
	var used []*pack
	for _, p := range x.byName {
		used = append(used, p)
	}
	x.mu.RUnlock()
	for _, p := range used {
		s.savePackUses(p)
	}
}

func (s *Store) savePackUses(p *pack) {
	p.mu.Lock()
	used := p.used
	p.used = nil
	p.mu.Unlock()
	if used == nil {
		return
	}
	now := s.now().UnixNano()
	last := s.lastUses(p.name, len(used), p.based)
	news := false
	for i, t := range last {
		if used[i] && now-t >= int64(touchEvery) {
			last[i], news = now, true
		}
	}
	if news {
		s.putUses(p.name, last, now)
	}
}

// putUses writes the uses of a pack's entries. They are worth no flush.
func (s *Store) putUses(pack string, last []int64, now int64) {
	id, _ := key.Parse(pack)
	path := s.usesPath(pack)
	if s.publishAs(path, encodeUses(id, last, now), false) == nil {
		_ = s.fs.Touch(path, now)
	}
}
