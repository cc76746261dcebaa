package ingest

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"slices"

	"github.com/klauspost/compress/zlib"
)

const (
	maxTransposed = 32 << 20 // bytes of a transposed block; the standard advises 4 MiB
	freeBlock     = 64 << 10 // bytes from which maxRatio counts in a compressed block
)

// Zip types of a ##DZ block.
const (
	deflated           = 0
	transposedDeflated = 1
)

// segment is a ##DT block, or a ##DZ block that holds one: a part of a data group's
// records.
type segment struct {
	block
	from, stored int64 // its bytes in the file
	size         int64 // bytes of records in it
	zip          uint8 // of a ##DZ block
	columns      int64 // of a transposed block
}

// records is all segments of a data group.
type records struct {
	m        *mdf
	segments []segment
	size     int64 // bytes of records
	stored   int64
}

// recordsOf finds the records of a data group; it reads none.
func (m *mdf) recordsOf(d *dataGroup) (*records, error) {
	r := &records{m: m}
	if d.data == 0 {
		return r, nil
	}
	b, err := m.open(d.block, d.data, "DT", "DZ", "DL", "HL", "DV", "LD")
	if err != nil {
		return nil, err
	}
	if b.kind == "HL" {
		to, _, err := m.parts(b, 1, 0)
		if err != nil || to[0] == 0 {
			return r, err
		}
		if b, err = m.open(b, to[0], "DL"); err != nil {
			return nil, err
		}
	}
	if b.kind == "DL" {
		return r, r.list(b)
	}
	return r, r.add(b)
}

// add appends a block of records.
func (r *records) add(b block) error {
	m := r.m
	if err := m.once(b); err != nil {
		return err
	}
	s := segment{block: b, from: b.body(), stored: b.rest(), size: b.rest()}
	switch b.kind {
	case "DV", "LD":
		return m.s.refuse("byte %d, block ##%s: values stored column by column, ##DT, ##DZ or ##DL expected; export it record by record, as MDF 4.10 or 4.11", b.at, b.kind)
	case "DZ":
		if err := m.zipped(&s); err != nil {
			return err
		}
	}
	r.segments = append(r.segments, s)
	r.size += s.size
	r.stored += s.stored
	switch {
	case r.stored > m.size: // so that overlapping blocks cannot multiply a small file
		return m.broken(b, "the blocks of records before it have more bytes than the file, so they overlap")
	case len(r.segments) > maxDataBlocks:
		return m.broken(b, "one of more than %d blocks of records; export it with larger blocks", maxDataBlocks)
	}
	return nil
}

// zipped reads what a ##DZ block says about its content.
func (m *mdf) zipped(s *segment) error {
	_, raw, err := m.parts(s.block, 0, 24)
	if err != nil {
		return err
	}
	kind := string(raw[:2])
	size, stored := binary.LittleEndian.Uint64(raw[8:]), binary.LittleEndian.Uint64(raw[16:])
	s.zip, s.columns, s.from = raw[2], int64(binary.LittleEndian.Uint32(raw[4:])), s.body()+24
	switch {
	case kind != "DT":
		return m.s.refuse("byte %d, block ##DZ: holds a block %q, ##DT expected; export it record by record, as MDF 4.10 or 4.11", s.at, "##"+kind)
	case s.zip != deflated && s.zip != transposedDeflated:
		return m.s.refuse("byte %d, block ##DZ: compression %d, 0 (deflate) or 1 (transposition and deflate) expected; export it with one of them, or uncompressed", s.at, s.zip)
	case stored > uint64(s.rest()-24):
		return m.broken(s.block, "%d compressed bytes, at most %d expected", stored, s.rest()-24)
	case size > freeBlock && (size-freeBlock)/maxRatio > stored:
		return m.s.refuse("byte %d, block ##DZ: %d bytes of records in %d compressed bytes, over %d times as many, which no recording has; export it uncompressed",
			s.at, size, stored, maxRatio)
	case s.zip == transposedDeflated && size > maxTransposed:
		return m.s.refuse("byte %d, block ##DZ: transposed block of %d bytes, at most %d expected; export it with blocks of 4 MiB", s.at, size, maxTransposed)
	case s.zip == transposedDeflated && s.columns == 0 && size > 0:
		return m.broken(s.block, "transposed records of 0 bytes")
	}
	s.size, s.stored = int64(size), int64(stored)
	return nil
}

// list adds the blocks of a chain of ##DL blocks.
func (r *records) list(b block) error {
	m, equal := r.m, int64(-1)
	for {
		if err := m.once(b); err != nil {
			return err
		}
		to, raw, err := m.parts(b, 1, 8)
		if err != nil {
			return err
		}
		same, count := raw[0]&1 != 0, int64(binary.LittleEndian.Uint32(raw[4:]))
		if needed := 8 + 8*count; count > b.links-1 || !same && b.rest() < needed || same && b.rest() < 16 {
			return m.broken(b, "%d blocks of records in %d links and %d bytes of data", count, b.links, b.rest())
		}
		if same {
			if equal, err = m.equalLength(b, equal); err != nil {
				return err
			}
		}
		for i := range count {
			if err := r.listed(b, i, same); err != nil {
				return err
			}
		}
		if to[0] == 0 {
			return r.checkEqual(b, equal)
		}
		if b, err = m.open(b, to[0], "DL"); err != nil {
			return err
		}
	}
}

// listed adds a block that a ##DL block lists.
func (r *records) listed(b block, i int64, same bool) error {
	m := r.m
	to, err := m.linksOf(b, 1+i, 1)
	if err != nil {
		return err
	}
	if !same {
		raw, err := m.bytes(b.body()+8+8*i, 8)
		if err != nil {
			return err
		}
		if offset := binary.LittleEndian.Uint64(raw); offset != uint64(r.size) {
			return m.broken(b, "its block %d of records is said to begin at %d, %d expected", i+1, offset, r.size)
		}
	}
	part, err := m.open(b, to[0], "DT", "DZ", "DV")
	if err != nil {
		return err
	}
	return r.add(part)
}

// equalLength reads the length that all blocks of a list have, except the last.
func (m *mdf) equalLength(b block, before int64) (int64, error) {
	raw, err := m.bytes(b.body()+8, 8)
	if err != nil {
		return 0, err
	}
	n := binary.LittleEndian.Uint64(raw)
	if n > uint64(maxRatio*m.size+freeBlock) || before >= 0 && int64(n) != before {
		return 0, m.broken(b, "an equal length of %d bytes, more than the file can hold or not that of the list before", n)
	}
	return int64(n), nil
}

// checkEqual compares the length that a list gives with its blocks.
func (r *records) checkEqual(b block, equal int64) error {
	if equal < 0 {
		return nil
	}
	for i, s := range r.segments {
		if last := i == len(r.segments)-1; s.size > equal || s.size < equal && !last {
			return r.m.broken(s.block, "%d bytes of records, %d expected by the list at byte %d", s.size, equal, b.at)
		}
	}
	return nil
}

// stream reads the records of a data group one after the other.
type stream struct {
	*records
	ctx   context.Context
	next  int // segment to open
	now   segment
	left  int64 // bytes left of it
	from  io.Reader
	input *bufio.Reader
	z     io.ReadCloser
	plain []byte // of a transposed segment
	mixed []byte // as it is stored
}

func newStream(ctx context.Context, r *records) *stream {
	return &stream{records: r, ctx: ctx, input: bufio.NewReaderSize(nil, 64<<10)}
}

// Read reads bytes of records. Its errors are refusals, the context's, and io.EOF at
// the end.
func (d *stream) Read(p []byte) (int, error) {
	if err := d.ctx.Err(); err != nil {
		return 0, err
	}
	for d.left == 0 {
		if d.next == len(d.segments) {
			return 0, io.EOF
		}
		if err := d.open(d.segments[d.next]); err != nil {
			return 0, err
		}
		d.next++
	}
	n, err := d.from.Read(p[:min(int64(len(p)), d.left)])
	if d.left -= int64(n); d.left == 0 {
		if err := d.end(); err != nil {
			return 0, err // bytes beside an error would count for whoever wants no more
		}
		return n, nil
	}
	if err != nil {
		return n, d.faulty(err)
	}
	return n, nil
}

// faulty refuses the segment that is being read.
func (d *stream) faulty(err error) error {
	if err == io.EOF {
		err = fmt.Errorf("%d bytes fewer than it says", d.left)
	}
	return d.m.broken(d.now.block, "cannot be decoded: %v", err)
}

// open begins a segment.
func (d *stream) open(s segment) error {
	d.now, d.left = s, s.size
	raw := io.NewSectionReader(d.m.s, s.from, s.stored)
	d.from = raw
	if s.kind != "DZ" || s.size == 0 {
		return nil
	}
	d.input.Reset(raw)
	if d.z == nil {
		z, err := zlib.NewReader(d.input)
		if err != nil {
			return d.faulty(err)
		}
		d.z = z
	} else if err := d.z.(zlib.Resetter).Reset(d.input, nil); err != nil {
		return d.faulty(err)
	}
	d.from = d.z
	if s.zip == deflated {
		return nil
	}
	d.mixed = slices.Grow(d.mixed[:0], int(s.size))[:s.size]
	if _, err := io.ReadFull(d.z, d.mixed); err != nil {
		return d.faulty(err)
	}
	if err := d.end(); err != nil {
		return err
	}
	d.plain = slices.Grow(d.plain[:0], int(s.size))[:s.size]
	transpose(d.plain, d.mixed, int(s.columns))
	d.from = bytes.NewReader(d.plain)
	return nil
}

// end checks that a compressed segment has no more bytes than it says, and its
// checksum.
func (d *stream) end() error {
	if d.from != io.Reader(d.z) || d.z == nil {
		return nil
	}
	var more [1]byte
	switch n, err := d.z.Read(more[:]); {
	case n > 0:
		return d.m.broken(d.now.block, "more than the %d bytes of records that it says", d.now.size)
	case err != nil && err != io.EOF:
		return d.faulty(err)
	}
	return nil
}

// transpose turns bytes that are stored column by column into records of that many
// bytes. What is left after the last whole record is not transposed.
func transpose(to, from []byte, columns int) {
	rows := len(from) / columns
	const few = 512 // rows whose bytes stay in the fastest cache
	for first := 0; first < rows; first += few {
		last := min(first+few, rows)
		for c := range columns {
			at := first*columns + c
			for _, v := range from[c*rows+first : c*rows+last] {
				to[at] = v
				at += columns
			}
		}
	}
	copy(to[rows*columns:], from[rows*columns:])
}
