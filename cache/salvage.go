package cache

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"syscall"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// packs verifies every pack.
func (v *verification) packs(ctx context.Context, c *contents) error {
	refs := c.references()
	for _, p := range c.packs {
		if err := ctx.Err(); err != nil {
			return err
		}
		if p.pack == nil {
			v.unreadable(p)
			continue
		}
		if err := v.pack(ctx, p, refs); err != nil {
			return err
		}
	}
	return nil
}

// pack verifies what is in a pack and reports each fault. With repair what is whole is
// kept, in a new pack.
func (v *verification) pack(ctx context.Context, p *scanned, refs map[key.ID]int) error {
	src := &source{scanned: p, keepBlob: make([]bool, len(p.blobs)), keepEntry: make([]bool, len(p.entries))}
	var wrong []string
	for i, e := range p.held {
		if src.keepEntry[i] = e != nil; e == nil {
			wrong = append(wrong, fmt.Sprintf("entry %s: %s", p.entries[i].id.Short(), p.faults[i]))
		}
	}
	f, _, err := v.s.openRegular(p.file.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // rewritten meanwhile
	}
	if err != nil {
		return err
	}
	defer f.Close()
	if err := v.s.checkMagic(f); err != nil {
		wrong = append(wrong, err.Error())
	}
	for i, r := range p.blobs {
		if err := ctx.Err(); err != nil {
			return err
		}
		content, frame := v.s.checkPacked(f, r)
		src.keepBlob[i] = content == nil
		if err := errors.Join(content, frame); err != nil {
			wrong = append(wrong, fmt.Sprintf("blob %s: %v", r.id.Short(), err))
		} else if refs[r.id] == 0 {
			v.report(Finding{Leftover, p.file.path, fmt.Sprintf("no entry refers to its blob %s", r.id.Short()), "nothing; prune removes it in time", false})
		}
	}
	if len(wrong) == 0 {
		return nil
	}
	src.hashed = true
	v.repairPack(p, wrong, func() error {
		unread, err := v.s.repack(ctx, []*source{src})
		return errors.Join(err, unread[src])
	})
	return nil
}

// repairPack reports the faults of a pack. With repair it lets what is whole be kept, and
// removes the pack.
func (v *verification) repairPack(p *scanned, wrong []string, keep func() error) {
	do, removed := "repair, or let the next run compute it again", false
	if v.repair {
		err := v.s.replacePack(p, keep)
		do, removed = "nothing; what is whole of its pack was kept", err == nil
		if err != nil {
			do = fmt.Sprintf("remove it by hand, or mend what hinders: %v", err)
		}
	}
	for _, w := range wrong {
		v.report(Finding{Damaged, p.file.path, w, do, removed})
	}
}

// replacePack lets what is whole of a pack be kept, and removes the pack while nobody else
// can take the one copy or the other for superfluous.
func (s *Store) replacePack(p *scanned, keep func() error) error {
	h := s.holdPacks()
	defer h.release()
	if h == nil {
		return errors.New("another process rewrites packs; try again when it has ended")
	}
	if err := keep(); err != nil {
		return err
	}
	if !h.touch() {
		return errors.New("another process took over while packs were written; try again when it has ended")
	}
	if err := s.fs.Remove(p.file.path); err != nil {
		return err
	}
	s.retired(p.id.String())
	return nil
}

func (s *Store) checkMagic(f fsx.File) error {
	var b [len(packMagic)]byte
	if _, err := f.ReadAt(b[:], 0); err != nil {
		return err
	}
	if string(b[:]) != packMagic {
		return fmt.Errorf("starts with %q, want %q", b, packMagic)
	}
	return nil
}

// checkPacked compares a blob of a pack with its ID, and its frame with its row.
func (s *Store) checkPacked(f fsx.File, r row) (content, frame error) {
	h := sha256.New()
	if _, err := s.copyTo(h, io.NewSectionReader(f, r.off, r.len), nil); err != nil {
		return err, nil
	}
	if key.ID(h.Sum(nil)) != r.id {
		content = errContent
	}
	var head [frameHead]byte
	if r.off < frameHead {
		return content, errors.New("it has no frame")
	}
	if _, err := f.ReadAt(head[:], r.off-frameHead); err != nil {
		return content, err
	}
	if !bytes.Equal(head[:], appendFrame(nil, r.id, r.len)) {
		frame = errors.New("its frame is damaged")
	}
	return content, frame
}

// unreadable reports a pack whose tail is damaged. With repair the file is searched for
// what is whole.
func (v *verification) unreadable(p *scanned) {
	v.repairPack(p, []string{p.wrong}, func() error { return v.s.salvage(p.file) })
}

// salvage keeps what can be found in a pack whose tail is damaged.
func (s *Store) salvage(f file) error {
	b, info, err := s.readHead(f.path)
	if err != nil || !info.Regular {
		return err
	}
	r := newRepacking(s)
	r.budget = 8 * int64(len(b))
	src := &source{scanned: &scanned{file: file{info: info}}}
	for len(b) > 0 {
		n, err := r.take(src, b)
		if err != nil {
			r.discard()
			return err
		}
		b = b[n:]
	}
	return r.publish()
}

// readHead reads as much of a file as is read into memory at most. Of what is no file there
// is nothing to read.
func (s *Store) readHead(path string) ([]byte, fsx.Info, error) {
	f, info, err := s.openRegular(path)
	if errors.Is(err, errNotRegular) || errors.Is(err, syscall.ELOOP) { // a link to itself
		return nil, fsx.Info{}, nil
	}
	if err != nil {
		return nil, info, err // it may pass, and the file be sound
	}
	defer f.Close()
	b := make([]byte, min(info.Size, maxFile))
	_, err = io.ReadFull(f, b)
	return b, info, err
}

// take keeps the blob or entry that begins here, if one does, and returns by how much to go on.
func (r *repacking) take(src *source, b []byte) (n int, err error) {
	switch {
	case bytes.HasPrefix(b, []byte(frameMagic)) && len(b) >= frameHead:
		id, size := key.ID(b[8:40]), binary.LittleEndian.Uint64(b[40:])
		if rest := b[frameHead:]; size <= uint64(len(rest)) && r.hashes(rest[:size], id) {
			if !r.has[id] {
				r.has[id] = true
				err = r.put(src, []Payload{{ID: id, Size: int64(size), Data: rest[:size:size]}}, nil, 0, key.ID{})
			}
			return frameHead + int(size), err
		}
	case bytes.HasPrefix(b, []byte(entryMagic)) && len(b) >= sealHead+len(key.ID{}):
		size, action := binary.LittleEndian.Uint64(b[8:]), key.ID(b[sealHead:])
		if size > uint64(len(b)) {
			break
		}
		if _, err := DecodeEntry(b[:size], action); err == nil {
			return int(size), r.put(src, nil, bytes.Clone(b[:size]), src.info.ModTime, action)
		}
	}
	return nextMagic(b[1:]) + 1, nil
}

// hashes compares bytes with their hash, as long as that takes no more than a few times
// what reading the file does: whoever spoils a file may put any number of frames in it.
func (r *repacking) hashes(b []byte, id key.ID) bool {
	r.budget -= int64(len(b))
	return r.budget >= 0 && key.Of(b) == id
}

// nextMagic is where the next frame or entry may begin.
func nextMagic(b []byte) int {
	out := len(b)
	for _, magic := range []string{frameMagic, entryMagic} {
		if i := bytes.Index(b[:out], []byte(magic)); i >= 0 {
			out = i
		}
	}
	return out
}

// uses reports damaged records of use. Nothing hangs on them.
func (v *verification) uses(c *contents) {
	packs := map[key.ID]*scanned{}
	for _, p := range c.packs {
		packs[p.id] = p
	}
	for _, f := range c.uses.named {
		p := packs[f.id]
		if p == nil {
			v.report(Finding{Leftover, f.path, "its pack is gone", "nothing; prune removes it after a day", false})
			continue
		}
		b, info, err := v.s.readInfo(f.path)
		if errors.Is(err, fs.ErrNotExist) || p.pack == nil {
			continue
		}
		if err == nil {
			_, err = decodeUses(b, f.id, len(p.entries), info.ModTime)
		}
		if err != nil {
			v.damaged(f.path, err.Error())
		}
	}
}
