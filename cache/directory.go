package cache

import (
	"hash/maphash"
	"slices"

	"lapwear/cache/key"
)

// place is one blob or entry of a pack.
type place struct {
	p *pack
	i int32
}

// directory says in which packs an ID is. Most are in one; the others' further places, older ones, are in more.
//
// It is a table of slots that lie open: the IDs themselves are in the packs' rows. A map of IDs takes some 80 bytes for each, this some
// 20, and a season has a few dozen for every lap. Whoever changes rows that are in it holds it alone.
type directory struct {
	rows  func(p *pack) []row // those that it is about
	more  map[key.ID][]place
	seed  maphash.Seed
	slots []slot // their number is a power of 2, or 0
	taken int    // slots that are not empty
	count int    // IDs

	packs  []knownPack // by number, from 1
	idle   []uint32    // numbers that no pack has any more
	number map[*pack]uint32
}

// slot is empty if its pack is 0; a row that was removed leaves its pack as gone.
type slot struct {
	hash, pack uint32
	row        int32
}

// knownPack is a pack with the number of slots that speak of it.
type knownPack struct {
	p     *pack
	slots int
}

// gone stands for the pack of a slot that is free again; those of a pack that is there begin at 1.
const gone = ^uint32(0)

// leastSlots is how many slots a directory has that is not empty.
const leastSlots = 64

func newDirectory(rows func(p *pack) []row) directory {
	return directory{rows: rows, more: map[key.ID][]place{}, seed: maphash.MakeSeed(), packs: make([]knownPack, 1), number: map[*pack]uint32{}}
}

// len is the number of IDs.
func (d *directory) len() int { return d.count }

// makeRoom makes an empty directory as large as so many IDs need it.
func (d *directory) makeRoom(ids int) {
	if d.count > 0 {
		return
	}
	n := leastSlots
	for full(ids+1, n) {
		n *= 2
	}
	d.resize(n)
}

// full tells whether n slots are too few: the more are taken, the longer is the way to the right one.
func full(taken, n int) bool { return taken >= n-n/4 }

// resize lays the slots out anew.
func (d *directory) resize(n int) {
	old := d.slots
	d.slots, d.taken = make([]slot, n), 0
	for _, s := range old {
		if s.pack != 0 && s.pack != gone {
			*d.free(s.hash) = s
			d.taken++
		}
	}
}

// free is the first empty slot on the way of a hash.
func (d *directory) free(hash uint32) *slot {
	mask := len(d.slots) - 1
	for at := int(hash) & mask; ; at = (at + 1) & mask {
		if d.slots[at].pack == 0 {
			return &d.slots[at]
		}
	}
}

func (d *directory) hash(id key.ID) uint32 { return uint32(maphash.Bytes(d.seed, id[:])) }

// find returns the slot of an ID, nil if there is none.
func (d *directory) find(id key.ID, hash uint32) *slot {
	if len(d.slots) == 0 {
		return nil
	}
	mask := len(d.slots) - 1
	for at := int(hash) & mask; ; at = (at + 1) & mask {
		switch s := &d.slots[at]; {
		case s.pack == 0:
			return nil
		case s.hash == hash && s.pack != gone && d.rows(d.packs[s.pack].p)[s.row].id == id:
			return s
		}
	}
}

// add puts a place before those that are known. The row may follow at once.
func (d *directory) add(id key.ID, at place) {
	hash := d.hash(id)
	if s := d.find(id, hash); s != nil {
		d.more[id] = append(d.more[id], d.placeOf(s))
		d.leave(s.pack)
		s.pack, s.row = d.enter(at.p), at.i
		return
	}
	if full(d.taken+1, len(d.slots)) {
		n := leastSlots
		for full(d.count+1+n/4, n) { // a quarter is left for those to come
			n *= 2
		}
		d.resize(n)
	}
	*d.free(hash) = slot{hash, d.enter(at.p), at.i}
	d.taken++
	d.count++
}

func (d *directory) placeOf(s *slot) place { return place{d.packs[s.pack].p, s.row} }

// enter returns the number of a pack that one more slot speaks of.
func (d *directory) enter(p *pack) uint32 {
	n, known := d.number[p]
	if !known {
		if last := len(d.idle) - 1; last >= 0 {
			n, d.idle = d.idle[last], d.idle[:last]
		} else {
			n = uint32(len(d.packs))
			d.packs = append(d.packs, knownPack{})
		}
		d.number[p], d.packs[n].p = n, p
	}
	d.packs[n].slots++
	return n
}

// leave forgets a pack that no slot speaks of any more.
func (d *directory) leave(n uint32) {
	k := &d.packs[n]
	if k.slots--; k.slots == 0 {
		delete(d.number, k.p)
		k.p, d.idle = nil, append(d.idle, n)
	}
}

// all lists the places of an ID, the newest first.
func (d *directory) all(id key.ID) []place {
	s := d.find(id, d.hash(id))
	if s == nil {
		return nil
	}
	out := []place{d.placeOf(s)}
	if more := d.more[id]; len(more) > 0 {
		out = append(out, more...)
		slices.Reverse(out[1:])
	}
	return out
}

// remove takes away what an ID has in a pack.
func (d *directory) remove(id key.ID, p *pack) {
	s := d.find(id, d.hash(id))
	if s == nil {
		return
	}
	places := slices.DeleteFunc(d.all(id), func(at place) bool { return at.p == p })
	d.leave(s.pack)
	s.pack = gone
	d.count--
	delete(d.more, id)
	slices.Reverse(places)
	for _, at := range places {
		d.add(id, at)
	}
}
