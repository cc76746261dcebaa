package cache

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"lapwear/cache/key"
)

// numbered is an ID of its own for each number.
func numbered(n int) (id key.ID) {
	binary.LittleEndian.PutUint32(id[20:], uint32(n))
	return id
}

// A directory says what a map of IDs would, whatever is added and removed in which order.
func TestDirectoryIsAMap(t *testing.T) {
	const ids, turns = 300, 20000
	rng := rand.New(rand.NewPCG(1, 2))
	d := newDirectory(func(p *pack) []row { return p.blobs })
	want := map[key.ID][]place{} // the newest first
	var packs []*pack
	for turn := range turns {
		if turn%50 == 0 {
			packs = append(packs, &pack{})
		}
		id, p := numbered(rng.IntN(ids)), packs[max(0, len(packs)-1-rng.IntN(20))]
		if rng.IntN(3) > 0 {
			at := place{p, int32(len(p.blobs))}
			d.add(id, at)
			p.blobs = append(p.blobs, row{id: id})
			want[id] = append([]place{at}, want[id]...)
		} else {
			d.remove(id, p)
			if want[id] = slices.DeleteFunc(want[id], func(at place) bool { return at.p == p }); len(want[id]) == 0 {
				delete(want, id)
			}
		}
		if id := numbered(rng.IntN(ids)); !slices.Equal(d.all(id), want[id]) {
			t.Fatalf("turn %d: places %v, want %v", turn, d.all(id), want[id])
		}
		if d.len() != len(want) {
			t.Fatalf("turn %d: %d IDs, want %d", turn, d.len(), len(want))
		}
	}
	if n := len(d.slots); n > 4*ids+leastSlots {
		t.Errorf("%d slots for %d IDs", n, ids)
	}
}

// A directory holds a pack no longer than it knows of anything in it.
func TestDirectoryForgetsPacks(t *testing.T) {
	d := newDirectory(func(p *pack) []row { return p.entries })
	for i := range 1000 {
		p := &pack{entries: []row{{id: numbered(i)}, {id: numbered(i + 1)}}}
		for k, r := range p.entries {
			d.add(r.id, place{p, int32(k)})
		}
		for _, r := range p.entries {
			d.remove(r.id, p)
		}
	}
	if d.len() != 0 || len(d.packs) > 2 || len(d.number) != 0 || len(d.slots) != leastSlots {
		t.Errorf("%d IDs, %d packs, %d numbers, %d slots are left", d.len(), len(d.packs), len(d.number), len(d.slots))
	}
}
