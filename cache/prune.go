package cache

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"lapwear/cache/key"
)

// PruneOptions say what may go. Zero means no limit; then only leftovers go.
type PruneOptions struct {
	// MaxAge removes what was not used for longer.
	MaxAge time.Duration
	// MaxBytes removes what was used longest ago until entries, blobs and run
	// records are no longer than this together. What no run record names goes first.
	MaxBytes int64
	// DryRun removes nothing and counts what would go.
	DryRun bool
}

// Pruned is what Prune removed, or would remove.
type Pruned struct {
	Actions Count
	Blobs   Count
	Runs    Count
	Temp    Count // unfinished files and dead leases
	Records int   // of the stat index
	Spared  Count // entries and blobs due to go, but a live run may need them
	Left    Count // entries, blobs and run records that remain
	Live    []Lease
}

// checkEvery is after how many removals the leases are read again.
const checkEvery = 64

// leftoverAge is how old unfinished files and blobs without an entry must be to be
// pruned: a write may be under way.
const leftoverAge = 24 * time.Hour

// pruning is one run of Prune. What is to go is settled first, and then removed.
type pruning struct {
	s    *Store
	o    PruneOptions
	now  time.Time
	out  Pruned
	cut  int64 // what was used since is spared
	done int   // removals since the leases were read

	hold   *hold
	held   bool // nobody else rewrites packs
	c      *contents
	items  []*item        // entries, in the order in which they go
	refs   map[key.ID]int // how many entries that stay keep a blob
	named  map[key.ID]bool
	copies map[key.ID][]blobCopy
	chosen map[*scanned]bool // packs to be rewritten without what goes

	doubled int64 // bytes of further copies that go
}

// item is an entry with what decides when it goes.
type item struct {
	id     key.ID
	size   int64
	used   int64
	rooted bool
	e      *Entry   // nil = damaged
	in     *scanned // the pack that holds it; nil = it has a file of its own
	row    int
	file   file
	extra  bool // another entry of the action stands
	goes   bool
}

// blobCopy is a blob in a pack, or in a file of its own.
type blobCopy struct {
	in   *scanned // nil = a file
	size int64
	used int64
}

// Prune removes results by age and size, blobs that no entry refers to, and
// unfinished files. It spares whatever was used since the oldest live lease began.
// On an error the counts are right up to it.
func (s *Store) Prune(ctx context.Context, o PruneOptions) (Pruned, error) {
	p := &pruning{s: s, o: o, now: s.now(), chosen: map[*scanned]bool{}}
	if err := p.run(ctx); err != nil {
		return p.out, fmt.Errorf("prune cache %q: %w", s.dir, err)
	}
	return p.out, nil
}

func (p *pruning) run(ctx context.Context) (err error) {
	if err := p.readLeases(); err != nil {
		return err
	}
	p.held = true
	if !p.o.DryRun {
		p.hold = p.s.holdPacks()
		defer p.hold.release()
		p.held = p.hold != nil
	}
	if p.c, err = p.s.read(ctx); err != nil {
		return err
	}
	p.count()
	for _, step := range []func(context.Context) error{p.temps, p.runs, p.settle, p.looseEntries, p.packs, p.looseBlobs} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	if p.o.MaxAge > 0 {
		p.out.Records, err = p.s.forget(p.before(p.o.MaxAge), p.o.DryRun)
	}
	return err
}

// count counts what is there.
func (p *pruning) count() {
	p.out.Left = count(slices.Concat(p.c.blobs.named, p.c.runs.named))
	p.c.each(func(_ key.ID, size int64, _ file, _ *Entry) { p.out.Left.add(size) })
	for _, in := range p.c.packs {
		for _, r := range in.rows() {
			p.out.Left.add(r.len)
		}
	}
}

func (p *pruning) before(age time.Duration) int64 { return p.now.Add(-age).UnixNano() }

// readLeases finds the time since when things are spared. A use is written at most
// once per touchEvery and by another clock, so that much is allowed for.
func (p *pruning) readLeases() error {
	live, _, err := p.s.leases()
	if err != nil {
		return err
	}
	if p.hold != nil {
		p.held = p.hold.touch()
	}
	p.out.Live = live
	p.cut, p.done = 1<<63-1, 0
	for _, l := range live {
		start := int64(-1 << 63)
		if !l.Start.IsZero() {
			start = earliest(l.Start, l.Seen, p.s.now()).Add(-touchEvery - clockSkew).UnixNano()
		}
		p.cut = min(p.cut, start)
	}
	return nil
}

// earliest allows for a clock that was set back while a lease was held: what was used
// since then looks older than the lease.
func earliest(times ...time.Time) time.Time { return slices.MinFunc(times, time.Time.Compare) }

// remove removes a file unless it was used since it was listed or a live run may
// need it. It tells whether the file went.
func (p *pruning) remove(ctx context.Context, f file, to *Count) (bool, error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	if p.done++; p.done > checkEvery {
		if err := p.readLeases(); err != nil {
			return false, err
		}
	}
	if f.info.ModTime >= p.cut || !f.info.Regular {
		return false, nil
	}
	if now, err := p.s.fs.Stat(f.path); err != nil || now != f.info {
		return false, nil
	}
	if !p.o.DryRun {
		if err := p.s.fs.Remove(f.path); errors.Is(err, fs.ErrNotExist) {
			return false, nil
		} else if err != nil {
			return false, err
		}
	}
	to.add(f.info.Size)
	return true, nil
}

// removeResult is remove for what counts as left or spared.
func (p *pruning) removeResult(ctx context.Context, f file, to *Count) (bool, error) {
	gone, err := p.remove(ctx, f, to)
	if err != nil {
		return false, err
	}
	if !gone {
		p.out.Spared.add(f.info.Size)
		return false, nil
	}
	p.out.Left.Files--
	p.out.Left.Bytes -= f.info.Size
	return true, nil
}

// temps removes unfinished files, dead leases, what is left of packs that are gone and, by
// age, packs that cannot be read.
func (p *pruning) temps(ctx context.Context) error {
	_, dead, err := p.s.leases()
	if err != nil {
		return err
	}
	there := map[key.ID]bool{}
	var bad []file
	for _, in := range p.c.packs {
		there[in.id] = true
		if in.pack == nil && p.o.MaxAge > 0 && in.info.ModTime < p.before(max(p.o.MaxAge, leftoverAge)) {
			bad = append(bad, in.file)
		}
	}
	for _, f := range p.c.uses.named {
		if !there[f.id] {
			dead = append(dead, f)
		}
	}
	for _, f := range slices.Concat(p.c.temps, dead, bad) {
		if f.info.ModTime >= p.before(leftoverAge) {
			continue
		}
		if _, err := p.remove(ctx, f, &p.out.Temp); err != nil {
			return err
		}
	}
	return nil
}

func (p *pruning) runs(ctx context.Context) error {
	if p.o.MaxAge <= 0 {
		return nil
	}
	kept := p.c.runs.named[:0]
	for _, f := range p.c.runs.named {
		gone := false
		if f.info.ModTime < p.before(p.o.MaxAge) {
			var err error
			if gone, err = p.removeResult(ctx, f, &p.out.Runs); err != nil {
				return err
			}
		}
		if !gone {
			kept = append(kept, f)
		}
	}
	p.c.runs.named = kept
	return nil
}

// settle decides which entries go.
func (p *pruning) settle(context.Context) error {
	p.list()
	p.countRefs()
	if p.o.MaxAge > 0 {
		for _, it := range p.items {
			if it.used < p.before(p.o.MaxAge) {
				p.mark(it)
			}
		}
	}
	p.choose()
	p.bySize()
	return nil
}

// list lists the entries, first to go first: those that no run record names, then by last
// use, then by ID so that equal times give one order.
func (p *pruning) list() {
	roots := p.roots()
	add := func(it *item) {
		at, rooted := roots[it.id]
		it.used, it.rooted = max(it.used, at), rooted
		p.items = append(p.items, it)
	}
	for _, f := range p.c.actions.named {
		add(&item{id: f.id, size: f.info.Size, used: f.info.ModTime, e: p.c.entries[f.id], file: f})
	}
	for _, in := range p.c.packs {
		for i, e := range in.held {
			add(&item{id: in.entries[i].id, size: in.entries[i].len, used: in.last[i], e: e, in: in, row: i, file: in.file})
		}
	}
	slices.SortFunc(p.items, func(a, b *item) int {
		if a.rooted != b.rooted {
			if b.rooted {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.used, b.used), bytes.Compare(a.id[:], b.id[:]), cmp.Compare(a.file.path, b.file.path))
	})
}

// countRefs finds the entry of each action that stands, and what those keep.
func (p *pruning) countRefs() {
	stands := make(map[key.ID]*item, len(p.items))
	for _, it := range p.items {
		was := stands[it.id]
		switch {
		case it.e == nil:
			it.extra = it.in != nil // damaged
		case was == nil || !it.e.Made.Before(was.e.Made):
			stands[it.id] = it
		}
	}
	p.refs, p.named = map[key.ID]int{}, map[key.ID]bool{}
	for _, it := range p.items {
		it.extra = it.extra || it.in != nil && it.e != nil && stands[it.id] != it
		it.goes = it.extra && !p.sparesPack(it.in)
		if it.e == nil {
			continue
		}
		for _, id := range it.e.kept() {
			p.named[id] = true
			if !it.extra {
				p.refs[id]++
			}
		}
	}
	p.copies = map[key.ID][]blobCopy{}
	for _, f := range p.c.blobs.named {
		p.copies[f.id] = append(p.copies[f.id], blobCopy{nil, f.info.Size, f.info.ModTime})
	}
	for _, in := range p.c.packs {
		for _, r := range in.rows() {
			p.copies[r.id] = append(p.copies[r.id], blobCopy{in, r.len, in.info.ModTime})
		}
	}
}

func (p *pruning) spares(f file) bool { return f.info.ModTime >= p.cut || !f.info.Regular }

// sparesPack is spares for a pack; another process may be rewriting it.
func (p *pruning) sparesPack(in *scanned) bool { return !p.held || p.spares(in.file) }

// mark has an entry go, unless a live run may need it, and returns how many bytes go with it.
func (p *pruning) mark(it *item) (freed int64) {
	switch {
	case it.goes || it.extra:
		return 0
	case p.spares(it.file) || it.in != nil && p.sparesPack(it.in):
		p.out.Spared.add(it.size)
		return 0
	}
	it.goes, freed = true, it.size
	if it.e == nil {
		return freed
	}
	for _, id := range it.e.kept() {
		if p.refs[id]--; p.refs[id] > 0 {
			continue
		}
		for _, c := range p.copies[id] {
			if p.free(c) {
				freed += c.size
			}
		}
	}
	return freed
}

// free tells whether a blob is where no live run may need it.
func (p *pruning) free(c blobCopy) bool { return c.used < p.cut && (c.in == nil || p.held) }

// unmark has an entry stay.
func (p *pruning) unmark(it *item) {
	it.goes = false
	if it.e == nil || it.extra {
		return
	}
	for _, id := range it.e.kept() {
		p.refs[id]++
	}
}

// loose tells whether a blob may go: no entry that stays keeps it, and no write under way
// can be about to refer to it.
func (p *pruning) loose(id key.ID, used int64) bool {
	return p.refs[id] == 0 && (p.named[id] || used < p.before(leftoverAge))
}

const (
	// A pack is rewritten once a quarter of its bytes may go.
	rewriteShare = 4
	// Packs shorter than smallPack are joined once there are more than mostSmall.
	smallPack = 4 << 20
	mostSmall = 16
)

// choose decides which packs are rewritten; in the others all stays.
func (p *pruning) choose() {
	gone := map[*scanned]int64{}
	for _, it := range p.items {
		if it.goes && it.in != nil {
			gone[it.in] += it.size
		}
	}
	twins := p.twins()
	for _, t := range twins {
		gone[t.in] += t.size
	}
	var small []*scanned
	for _, in := range p.c.packs {
		if in.pack == nil || p.sparesPack(in) {
			continue
		}
		for _, r := range in.blobs {
			if p.loose(r.id, in.info.ModTime) {
				gone[in] += r.len
			}
		}
		if gone[in]*rewriteShare >= in.size && gone[in] > 0 || len(in.blobs)+len(in.entries) == 0 {
			p.chosen[in] = true
		} else if in.size < smallPack {
			small = append(small, in)
		}
	}
	if len(small) > mostSmall {
		for _, in := range small {
			p.chosen[in] = true
		}
	}
	p.joinTwins(twins)
	p.keepRest()
}

// twin is a blob of a pack that may be rewritten, and that such a pack listed before has too.
type twin struct {
	blobCopy
	id key.ID
	of *scanned
}

// twins lists all but one copy of each blob that stays. Two hosts at once may write one, or
// who is killed while packs are rewritten leaves both the old and the new.
func (p *pruning) twins() (out []twin) {
	for id, copies := range p.copies {
		if len(copies) < 2 {
			continue
		}
		first := map[int64]*scanned{} // by length: one that is not the blob's is damage
		for _, c := range copies {
			if c.in == nil || p.sparesPack(c.in) || p.loose(id, c.used) {
				continue
			}
			if of := first[c.size]; of != nil {
				out = append(out, twin{c, id, of})
			} else {
				first[c.size] = c.in
			}
		}
	}
	return out
}

// joinTwins has the packs rewritten together that share blobs: only what is read and found
// sound makes another copy superfluous. Those copies no longer count as there.
func (p *pruning) joinTwins(twins []twin) {
	for _, t := range twins {
		if p.chosen[t.in] {
			p.chosen[t.of] = true
		}
	}
	for _, t := range twins {
		if !p.chosen[t.in] || !p.chosen[t.of] {
			continue
		}
		if i := slices.Index(p.copies[t.id], t.blobCopy); i >= 0 {
			p.copies[t.id] = slices.Delete(p.copies[t.id], i, i+1)
			p.doubled += t.size
		}
	}
}

// keepRest has the entries stay whose packs are not rewritten.
func (p *pruning) keepRest() {
	for _, it := range p.items {
		if it.goes && it.in != nil && !p.chosen[it.in] {
			p.unmark(it)
		}
	}
}

// bySize has entries go until the rest is no longer than it may be.
func (p *pruning) bySize() {
	if p.o.MaxBytes <= 0 {
		return
	}
	left := p.out.Left.Bytes - p.going()
	for _, it := range p.items {
		if left <= p.o.MaxBytes {
			return
		}
		if freed := p.mark(it); freed > 0 {
			left -= freed
			p.chooseFor(it)
		}
	}
}

// chooseFor has the packs rewritten from which an entry goes and its blobs.
func (p *pruning) chooseFor(it *item) {
	if it.in != nil {
		p.chosen[it.in] = true
	}
	if it.e == nil {
		return
	}
	for _, id := range it.e.kept() {
		for _, c := range p.copies[id] {
			if p.refs[id] == 0 && c.in != nil && p.free(c) {
				p.chosen[c.in] = true
			}
		}
	}
}

// going is how many bytes go as settled so far.
func (p *pruning) going() (n int64) {
	n = p.doubled
	for _, it := range p.items {
		if it.goes {
			n += it.size
		}
	}
	for id, copies := range p.copies {
		for _, c := range copies {
			if p.loose(id, c.used) && p.free(c) && (c.in == nil || p.chosen[c.in]) {
				n += c.size
			}
		}
	}
	return n
}

// looseEntries removes the entries that go and have files of their own.
func (p *pruning) looseEntries(ctx context.Context) error {
	for _, it := range p.items {
		if !it.goes || it.in != nil {
			continue
		}
		gone, err := p.removeResult(ctx, it.file, &p.out.Actions)
		if err != nil {
			return err
		}
		if !gone {
			p.unmark(it)
		}
	}
	return nil
}

// looseBlobs removes the blobs that have files of their own and that no entry keeps.
func (p *pruning) looseBlobs(ctx context.Context) error {
	for _, f := range p.c.blobs.named {
		if !p.loose(f.id, f.info.ModTime) {
			continue
		}
		if _, err := p.removeResult(ctx, f, &p.out.Blobs); err != nil {
			return err
		}
	}
	return nil
}

// roots gives for each action that a run record names the record's last use.
func (p *pruning) roots() map[key.ID]int64 {
	out := map[key.ID]int64{}
	for _, f := range p.c.runs.named {
		r, err := p.s.readRun(f)
		if err != nil {
			continue
		}
		for _, id := range r.roots {
			out[id] = max(out[id], f.info.ModTime)
		}
	}
	return out
}
