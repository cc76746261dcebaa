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

// pruning is one run of Prune.
type pruning struct {
	s    *Store
	o    PruneOptions
	now  time.Time
	out  Pruned
	cut  int64 // what was used since is spared
	done int   // removals since the leases were read

	c     *contents
	refs  map[key.ID]int
	blobs map[key.ID]file
}

// Prune removes results by age and size, blobs that no entry refers to, and
// unfinished files. It spares whatever was used since the oldest live lease began.
// On an error the counts are right up to it.
func (s *Store) Prune(ctx context.Context, o PruneOptions) (Pruned, error) {
	p := &pruning{s: s, o: o, now: s.now()}
	if err := p.run(ctx); err != nil {
		return p.out, fmt.Errorf("prune cache %q: %w", s.dir, err)
	}
	return p.out, nil
}

func (p *pruning) run(ctx context.Context) (err error) {
	if err := p.readLeases(); err != nil {
		return err
	}
	if p.c, err = p.s.read(ctx); err != nil {
		return err
	}
	p.refs = p.c.references()
	p.blobs = make(map[key.ID]file, len(p.c.blobs.named))
	for _, f := range p.c.blobs.named {
		p.blobs[f.id] = f
	}
	p.out.Left = count(slices.Concat(p.c.actions.named, p.c.blobs.named, p.c.runs.named))
	for _, step := range []func(context.Context) error{p.temps, p.orphans, p.runs, p.entries} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	if p.o.MaxAge > 0 {
		p.out.Records, err = p.s.forget(p.before(p.o.MaxAge), p.o.DryRun)
	}
	return err
}

func (p *pruning) before(age time.Duration) int64 { return p.now.Add(-age).UnixNano() }

// readLeases finds the time since when things are spared. A use is written at most
// once per touchEvery and by another clock, so that much is allowed for.
func (p *pruning) readLeases() error {
	live, _, err := p.s.leases()
	if err != nil {
		return err
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

func (p *pruning) temps(ctx context.Context) error {
	_, dead, err := p.s.leases()
	if err != nil {
		return err
	}
	for _, f := range slices.Concat(p.c.temps, dead) {
		if f.info.ModTime >= p.before(leftoverAge) {
			continue
		}
		if _, err := p.remove(ctx, f, &p.out.Temp); err != nil {
			return err
		}
	}
	return nil
}

// orphans removes blobs that no entry refers to and that no write under way can
// be about to refer to.
func (p *pruning) orphans(ctx context.Context) error {
	for _, f := range p.c.blobs.named {
		if p.refs[f.id] > 0 || f.info.ModTime >= p.before(leftoverAge) {
			continue
		}
		if _, err := p.removeResult(ctx, f, &p.out.Blobs); err != nil {
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

// candidate is an entry with what decides when it goes.
type candidate struct {
	file
	used   int64
	rooted bool
}

// entries removes entries by age and then by size.
func (p *pruning) entries(ctx context.Context) error {
	old, rest := p.split()
	for _, c := range old {
		if err := p.entry(ctx, c); err != nil {
			return err
		}
	}
	for _, c := range rest {
		if p.o.MaxBytes <= 0 || p.out.Left.Bytes <= p.o.MaxBytes {
			return nil
		}
		if err := p.entry(ctx, c); err != nil {
			return err
		}
	}
	return nil
}

// split parts the entries that are too old from the others, both in order.
func (p *pruning) split() (old, rest []candidate) {
	for _, c := range p.order() {
		if p.o.MaxAge > 0 && c.used < p.before(p.o.MaxAge) {
			old = append(old, c)
		} else {
			rest = append(rest, c)
		}
	}
	return old, rest
}

// entry removes an entry and then the blobs that only it referred to.
func (p *pruning) entry(ctx context.Context, c candidate) error {
	gone, err := p.removeResult(ctx, c.file, &p.out.Actions)
	if e := p.c.entries[c.id]; err == nil && gone && e != nil {
		return p.release(ctx, e)
	}
	return err
}

// release removes the blobs of an entry that is gone, unless others refer to them.
func (p *pruning) release(ctx context.Context, e *Entry) error {
	for _, id := range e.kept() {
		p.refs[id]--
		f, ok := p.blobs[id]
		if !ok || p.refs[id] > 0 {
			continue
		}
		if _, err := p.removeResult(ctx, f, &p.out.Blobs); err != nil {
			return err
		}
	}
	return nil
}

// order lists the entries, first to go first: those that no run record names, then
// by last use, then by ID so that equal times give one order.
func (p *pruning) order() []candidate {
	roots := p.roots()
	out := make([]candidate, 0, len(p.c.actions.named))
	for _, f := range p.c.actions.named {
		at, rooted := roots[f.id]
		out = append(out, candidate{f, max(f.info.ModTime, at), rooted})
	}
	slices.SortFunc(out, func(a, b candidate) int {
		if a.rooted != b.rooted {
			if b.rooted {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.used, b.used), bytes.Compare(a.id[:], b.id[:]))
	})
	return out
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
