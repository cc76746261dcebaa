package cache

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"

	"lapwear/cache/key"
)

// packs rewrites the chosen packs without what goes, and removes the old ones.
func (p *pruning) packs(ctx context.Context) error {
	for in := range p.chosen {
		if !p.unused(in) {
			delete(p.chosen, in)
		}
	}
	p.spareRest()
	of := map[*scanned][]*item{}
	for _, it := range p.items {
		of[it.in] = append(of[it.in], it)
	}
	var sources []*source
	for _, in := range p.c.packs {
		if p.chosen[in] {
			sources = append(sources, p.source(in, of[in]))
		}
	}
	var unread map[*source]error
	if p.o.DryRun {
		keepOnce(sources)
	} else {
		var err error
		if unread, err = p.s.repack(ctx, sources); err != nil {
			return err
		}
	}
	for _, src := range slices.Backward(sources) { // later packs rely on earlier ones
		if err := unread[src]; err != nil {
			p.s.warn(fmt.Sprintf("pack %s is not pruned: %v; verify the cache, with repair", src.name[:12], err))
			continue
		}
		if err := p.retire(ctx, src); err != nil {
			return err
		}
	}
	return nil
}

// unused looks again at a pack that is to be rewritten, and at the leases.
func (p *pruning) unused(in *scanned) bool {
	if err := p.readLeases(); err != nil {
		return false
	}
	now, err := p.s.fs.Stat(in.file.path)
	return err == nil && now == in.info && !p.sparesPack(in)
}

// spareRest has the entries stay that turned out to be used.
func (p *pruning) spareRest() {
	for _, it := range p.items {
		if it.goes && it.in != nil && !p.chosen[it.in] {
			p.out.Spared.add(it.size)
			p.unmark(it)
		}
	}
}

// source is a pack to be rewritten, and what of it stays.
type source struct {
	*scanned
	keepBlob  []bool
	keepEntry []bool
	hashed    bool // the blobs that stay are known to be sound
}

// source settles what of a pack stays.
func (p *pruning) source(in *scanned, items []*item) *source {
	src := &source{scanned: in, keepBlob: make([]bool, len(in.blobs)), keepEntry: make([]bool, len(in.entries))}
	for i, r := range in.blobs {
		src.keepBlob[i] = !p.loose(r.id, in.info.ModTime)
	}
	for _, it := range items {
		src.keepEntry[it.row] = !it.goes
	}
	return src
}

// keepOnce has of each blob one copy stay, as repack does with those that are sound.
func keepOnce(sources []*source) {
	has := map[key.ID]bool{}
	for _, src := range sources {
		for i, r := range src.blobs {
			if src.keepBlob[i] {
				src.keepBlob[i], has[r.id] = !has[r.id], true
			}
		}
	}
}

// retire removes a pack that was rewritten, unless it was used meanwhile, and counts what
// went with it.
func (p *pruning) retire(ctx context.Context, src *source) error {
	if !p.unused(src.scanned) {
		return nil
	}
	var pack Count
	gone, err := p.remove(ctx, src.file, &pack)
	if err != nil || !gone {
		return err
	}
	if !p.o.DryRun {
		p.s.retired(src.name)
	}
	for i, r := range src.blobs {
		if !src.keepBlob[i] {
			p.counts(&p.out.Blobs, r.len)
		}
	}
	for i, r := range src.entries {
		if !src.keepEntry[i] {
			p.counts(&p.out.Actions, r.len)
		}
	}
	return nil
}

func (p *pruning) counts(to *Count, size int64) {
	to.add(size)
	p.out.Left.Files--
	p.out.Left.Bytes -= size
}

// retired forgets a pack whose file is gone.
func (s *Store) retired(name string) {
	_ = s.fs.Remove(s.usesPath(name))
	s.dropPack(name)
}

// unreadError says that a pack cannot be read. What was written of it is sound.
type unreadError struct{ error }

func (e unreadError) Unwrap() error { return e.error }

// repack writes what of some packs stays into new ones. They count as used when the old
// ones were, each entry as its own. It goes on past a pack that cannot be read, and returns
// why; such a pack must stay.
func (s *Store) repack(ctx context.Context, sources []*source) (unread map[*source]error, err error) {
	slices.SortFunc(sources, func(a, b *source) int {
		return cmp.Or(cmp.Compare(a.info.ModTime, b.info.ModTime), cmp.Compare(a.name, b.name))
	})
	r := newRepacking(s)
	unread = map[*source]error{}
	for _, src := range sources {
		err := ctx.Err()
		if err == nil {
			err = r.add(src)
		}
		s.closePack(src.pack)
		var failed unreadError
		switch {
		case errors.As(err, &failed) && errors.Is(err, fs.ErrNotExist): // another has rewritten it meanwhile
		case errors.As(err, &failed):
			unread[src] = failed.error
		case err != nil:
			r.discard()
			return nil, err
		}
	}
	return unread, r.publish()
}

// repacking is a pack that is filled from others.
type repacking struct {
	s    *Store
	to   *pending
	last []int64 // by entry
	used int64   // when what it is filled from was last used

	has    map[key.ID]bool // blobs that were written
	budget int64           // of bytes that may be hashed in search of blobs
}

func newRepacking(s *Store) *repacking {
	return &repacking{s: s, has: map[key.ID]bool{}}
}

func (r *repacking) add(src *source) error {
	for i, b := range src.blobs {
		if !src.keepBlob[i] {
			continue
		}
		if b.len > maxFile && !src.hashed { // so long it is alone in its pack as a rule, or forged
			return unreadError{fmt.Errorf("blob %s has length %d, want at most %d", b.id.Short(), b.len, maxFile)}
		}
		data := make([]byte, b.len)
		if err := r.s.readPack(src.pack, data, b.off); err != nil {
			return unreadError{err}
		}
		// Damage is not passed on, and a blob that is there twice stays once.
		if src.keepBlob[i] = key.Of(data) == b.id && !r.has[b.id]; !src.keepBlob[i] {
			continue
		}
		r.has[b.id] = true
		if err := r.put(src, []Payload{{ID: b.id, Size: b.len, Data: data}}, nil, 0, key.ID{}); err != nil {
			return err
		}
	}
	var w window
	for i, e := range src.entries {
		if !src.keepEntry[i] {
			continue
		}
		b, err := w.get(r.s, src.pack, e)
		if err != nil {
			return unreadError{err}
		}
		if err := r.put(src, nil, slices.Clone(b), src.last[i], e.id); err != nil {
			return err
		}
	}
	return nil
}

// put adds blobs, or an entry, that a pack had.
func (r *repacking) put(src *source, blobs []Payload, entry []byte, last int64, action key.ID) error {
	if r.to == nil {
		var err error
		if r.to, err = r.s.begin(); err != nil {
			return err
		}
	}
	rows, err := r.s.write(r.to, blobs)
	if err != nil {
		return err
	}
	if entry != nil {
		if i, again := r.to.at[action]; again {
			r.last[i] = last
		} else {
			r.last = append(r.last, last)
		}
	}
	r.s.register(r.to, rows, action, entry, nil)
	r.used = max(r.used, src.info.ModTime)
	if r.to.end+r.to.length >= packFull {
		return r.publish()
	}
	return nil
}

// publish publishes the pack as it is.
func (r *repacking) publish() error {
	if r.to == nil {
		return nil
	}
	if err := r.s.publishPack(r.to); err != nil {
		r.discard()
		return err
	}
	p := r.to.pack
	if len(r.last) > 0 {
		r.s.putUses(p.name, r.last, r.s.now().UnixNano())
	}
	if err := r.s.fs.Touch(p.path, r.used); err != nil && !errors.Is(err, fs.ErrPermission) {
		return err
	}
	p.mu.Lock()
	p.modTime, p.based = r.used, r.used
	p.mu.Unlock()
	r.to, r.last, r.used = nil, nil, 0
	return nil
}

func (r *repacking) discard() {
	if r.to != nil {
		r.s.abandon(r.to)
		r.to = nil
	}
}
