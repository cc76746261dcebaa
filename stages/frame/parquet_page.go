package frame

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/s2"
	"github.com/klauspost/compress/zstd"
)

// Page types, encodings and codecs by their numbers in parquet.thrift.
const (
	pageData       = 0
	pageDictionary = 2
	pageDataV2     = 3

	encodingPlain     = 0
	encodingPlainDict = 2
	encodingRLE       = 3
	encodingRLEDict   = 8
	encodingSplit     = 9
)

var encodingNames = [...]string{"PLAIN", "GROUP_VAR_INT", "PLAIN_DICTIONARY", "RLE", "BIT_PACKED",
	"DELTA_BINARY_PACKED", "DELTA_LENGTH_BYTE_ARRAY", "DELTA_BYTE_ARRAY", "RLE_DICTIONARY", "BYTE_STREAM_SPLIT"}

var codecNames = [...]string{"UNCOMPRESSED", "SNAPPY", "GZIP", "LZO", "BROTLI", "LZ4", "ZSTD", "LZ4_RAW"}

func nameOf(names []string, n int32) string {
	if n < 0 || int(n) >= len(names) {
		return fmt.Sprintf("number %d", n)
	}
	return names[n]
}

// window reads a stretch of a file in order, with a look ahead.
type window struct {
	src      io.ReaderAt
	off, end int64 // the stretch beyond what is in buf
	buf      []byte
	r, w     int  // buf[r:w] is read and not yet consumed
	fixed    bool // buf is all of the stretch, in memory that is not to be written to
}

const (
	windowSize    = 32 << 10
	maxPageHeader = 16 << 20 // as other readers allow: statistics may be long texts
)

// inMemory is implemented by a file whose content is in memory: Content returns it, or nil.
type inMemory interface{ Content() []byte }

func (s *window) reset(src io.ReaderAt, off, end int64) {
	s.src, s.off, s.end, s.r, s.w = src, off, end, 0, 0
	if m, ok := src.(inMemory); ok && m.Content() != nil {
		s.buf, s.off, s.w, s.fixed = m.Content()[off:end], end, int(end-off), true
	} else if s.buf == nil || s.fixed {
		s.buf, s.fixed = make([]byte, windowSize), false
	}
}

// drop lets go of what is read, and of a file's content.
func (s *window) drop() {
	if *s = (window{buf: s.buf, fixed: s.fixed}); s.fixed {
		*s = window{}
	}
}

// left is the number of bytes not yet consumed.
func (s *window) left() int64 { return s.end - s.off + int64(s.w-s.r) }

// peek returns up to n of the next bytes, fewer only at the end.
func (s *window) peek(n int) ([]byte, error) {
	if s.w-s.r >= n || s.off == s.end {
		return s.buf[s.r:min(s.w, s.r+n)], nil
	}
	if n > len(s.buf) {
		larger := make([]byte, n)
		s.w = copy(larger, s.buf[s.r:s.w])
		s.buf, s.r = larger, 0
	} else {
		s.w = copy(s.buf, s.buf[s.r:s.w])
		s.r = 0
	}
	want := int(min(int64(len(s.buf)-s.w), s.end-s.off))
	if err := readFullAt(s.src, s.buf[s.w:s.w+want], s.off); err != nil {
		return nil, err
	}
	s.w += want
	s.off += int64(want)
	return s.buf[:min(s.w, n)], nil
}

// read fills p with the next bytes.
func (s *window) read(p []byte) error {
	if int64(len(p)) > s.left() {
		return io.ErrUnexpectedEOF
	}
	n := copy(p, s.buf[s.r:s.w])
	s.r += n
	if n == len(p) {
		return nil
	}
	err := readFullAt(s.src, p[n:], s.off)
	s.off += int64(len(p) - n)
	return err
}

// take returns the next n bytes: those of the file in memory, or read into *room, which grows.
func (s *window) take(n int, room *[]byte) ([]byte, error) {
	if s.fixed && n <= s.w-s.r {
		s.r += n
		return s.buf[s.r-n : s.r : s.r], nil
	}
	if cap(*room) < n {
		*room = make([]byte, n)
	}
	p := (*room)[:n]
	return p, s.read(p)
}

func readFullAt(r io.ReaderAt, p []byte, off int64) error {
	n, err := r.ReadAt(p, off)
	switch {
	case n == len(p):
		return nil
	case err == nil || err == io.EOF:
		return io.ErrUnexpectedEOF
	}
	return err
}

// pageHeader is what matters of parquet.thrift's PageHeader.
type pageHeader struct {
	kind           int32
	rawLen         int32 // uncompressed
	packedLen      int32 // as it is in the file
	crc            uint32
	hasCRC         bool
	values         int32
	encoding       int32
	defEncoding    int32
	repEncoding    int32
	nulls, rows    int32
	defLen, repLen int32 // of a version 2 page, whose levels are not compressed
	plainV2        bool  // version 2 and not compressed
}

// header reads the next page's header. At the end of the chunk it is io.EOF.
func (s *window) header() (h pageHeader, err error) {
	if s.left() == 0 {
		return h, io.EOF
	}
	for size := 1 << 10; ; size *= 8 {
		b, err := s.peek(size)
		if err != nil {
			return h, err
		}
		c := compact{b: b}
		h, err = readPageHeader(&c)
		if err == nil {
			s.r += c.at
			return h, h.check(s.left())
		}
		if !errors.Is(err, errCompactShort) || int64(len(b)) == s.left() || size > maxPageHeader {
			return h, fmt.Errorf("page header: %w", err)
		}
	}
}

func readPageHeader(c *compact) (h pageHeader, err error) {
	v1 := []*int32{1: &h.values, 2: &h.encoding, 3: &h.defEncoding, 4: &h.repEncoding}
	dict := []*int32{1: &h.values, 2: &h.encoding}
	v2 := []*int32{1: &h.values, 2: &h.nulls, 3: &h.rows, 4: &h.encoding, 5: &h.defLen, 6: &h.repLen}
	err = c.fields(func(id int16, typ byte) (err error) {
		switch {
		case id == 1 && typ == compactI32:
			h.kind, err = c.i32()
		case id == 2 && typ == compactI32:
			h.rawLen, err = c.i32()
		case id == 3 && typ == compactI32:
			h.packedLen, err = c.i32()
		case id == 4 && typ == compactI32:
			var crc int32
			crc, err = c.i32()
			h.crc, h.hasCRC = uint32(crc), true
		case id == 5 && typ == compactStruct && h.kind == pageData:
			err = c.ints(v1, nil)
		case id == 7 && typ == compactStruct && h.kind == pageDictionary:
			err = c.ints(dict, nil)
		case id == 8 && typ == compactStruct && h.kind == pageDataV2:
			err = c.ints(v2, func(id int16, typ byte) {
				h.plainV2 = h.plainV2 || id == 7 && typ == compactFalse
			})
		default:
			err = c.skip(typ, compactDepth)
		}
		return err
	})
	return h, err
}

// ints reads a structure's integers into the places of their field numbers and
// skips the rest, of which note, where given, is told.
func (c *compact) ints(places []*int32, note func(id int16, typ byte)) error {
	return c.fields(func(id int16, typ byte) (err error) {
		if typ == compactI32 && id > 0 && int(id) < len(places) {
			*places[id], err = c.i32()
			return err
		}
		if note != nil {
			note(id, typ)
		}
		return c.skip(typ, compactDepth)
	})
}

func (h pageHeader) check(left int64) error {
	switch {
	case h.rawLen < 0 || h.packedLen < 0 || h.values < 0 || h.defLen < 0 || h.repLen < 0:
		return errors.New("page header: a length is negative")
	case int64(h.packedLen) > left:
		return fmt.Errorf("page header: %d bytes announced where %d are left", h.packedLen, left)
	case int64(h.defLen)+int64(h.repLen) > int64(min(h.rawLen, h.packedLen)):
		return errors.New("page header: levels are longer than the page")
	}
	return nil
}

// unpacker decompresses pages. The zero value is ready for use.
type unpacker struct {
	codec  compress.Compression
	packed []byte
	zstd   *zstd.Decoder
	gzip   *gzip.Reader
}

// Largest ratios of uncompressed to compressed size that the formats can reach:
// a zstd block of 128 KiB in 4 bytes; deflate 1032; snappy 64 bytes in 3. For
// brotli none is published and zstd's is used. They keep a damaged length from
// being allocated.
func (u *unpacker) plausible(rawLen, packedLen int32) bool {
	ratio, slack := int64(1), int64(0)
	switch u.codec {
	case compress.Codecs.Zstd, compress.Codecs.Brotli:
		ratio, slack = 1<<15, 1<<17
	case compress.Codecs.Gzip:
		ratio, slack = 1032, 1<<10
	case compress.Codecs.Snappy:
		ratio, slack = 22, 64
	}
	return int64(rawLen) <= ratio*int64(packedLen)+slack
}

// unpackSlack is how many bytes behind a page's place the zstd decoder wants to itself, to copy in larger pieces;
// what it leaves there is overwritten by the next page.
const unpackSlack = 32

// load reads a page's bytes, checks them against the checksum if there is one,
// and leaves them uncompressed in dst, whose length is the header's rawLen. What lies between its length and its
// capacity may be overwritten.
func (u *unpacker) load(s *window, h pageHeader, dst []byte) error {
	if u.codec == compress.Codecs.Uncompressed {
		if err := h.sameLength(); err != nil {
			return err
		}
		if err := s.read(dst); err != nil {
			return err
		}
		return h.checksum(dst)
	}
	packed, err := s.take(int(h.packedLen), &u.packed)
	if err != nil {
		return err
	}
	if err := h.checksum(packed); err != nil {
		return err
	}
	levels := int(h.defLen) + int(h.repLen)
	copy(dst, packed[:levels])
	dst, packed = dst[levels:], packed[levels:]
	if h.plainV2 {
		if len(dst) != len(packed) {
			return fmt.Errorf("page of %d bytes is said to have %d uncompressed", h.packedLen, h.rawLen)
		}
		copy(dst, packed)
		return nil
	}
	if len(dst) == 0 {
		return nil // only nulls: some writers leave out the empty frame
	}
	return u.unpack(dst, packed)
}

// stored returns a page that is not compressed: where it lies, of a file in memory, else read into *room.
func (u *unpacker) stored(s *window, h pageHeader, room *[]byte) ([]byte, error) {
	if err := h.sameLength(); err != nil {
		return nil, err
	}
	page, err := s.take(int(h.rawLen), room)
	if err != nil {
		return nil, err
	}
	return page, h.checksum(page)
}

// sameLength returns an error where a page that is not compressed is said to have another length than it takes.
func (h pageHeader) sameLength() error {
	if h.rawLen != h.packedLen {
		return fmt.Errorf("page of %d bytes is said to have %d uncompressed", h.packedLen, h.rawLen)
	}
	return nil
}

func (h pageHeader) checksum(b []byte) error {
	if h.hasCRC && crc32.ChecksumIEEE(b) != h.crc {
		return errors.New("page checksum does not match")
	}
	return nil
}

// unpack decompresses src, which must fill dst exactly.
func (u *unpacker) unpack(dst, src []byte) error {
	var (
		out []byte
		err error
	)
	switch u.codec {
	case compress.Codecs.Zstd:
		out, err = u.unzstd(dst, src)
	case compress.Codecs.Snappy:
		if n, lenErr := s2.DecodedLen(src); lenErr != nil || n != len(dst) {
			return fmt.Errorf("decompress page: %d bytes announced, not %d", n, len(dst))
		}
		out, err = s2.Decode(dst, src)
	case compress.Codecs.Gzip:
		out, err = u.gunzip(dst, src)
	default:
		codec, codecErr := compress.GetCodec(u.codec)
		if codecErr != nil {
			return codecErr
		}
		out = codec.Decode(dst, src) // panics on damage, which the caller turns into an error
	}
	if err != nil {
		return fmt.Errorf("decompress page: %w", err)
	}
	if len(out) != len(dst) {
		return fmt.Errorf("decompress page: %d bytes where %d are announced", len(out), len(dst))
	}
	return nil
}

func (u *unpacker) unzstd(dst, src []byte) (_ []byte, err error) {
	if u.zstd == nil {
		u.zstd, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecodeAllCapLimit(true))
		if err != nil {
			return nil, err
		}
	}
	return u.zstd.DecodeAll(src, dst[:0:min(cap(dst), len(dst)+unpackSlack)])
}

func (u *unpacker) gunzip(dst, src []byte) ([]byte, error) {
	var err error
	if u.gzip == nil {
		u.gzip, err = gzip.NewReader(bytes.NewReader(src))
	} else {
		err = u.gzip.Reset(bytes.NewReader(src))
	}
	if err != nil {
		return nil, err
	}
	n, err := io.ReadFull(u.gzip, dst)
	if err != nil {
		return nil, err
	}
	// Reading on to the end makes the reader compare the stored checksum.
	if extra, err := u.gzip.Read(make([]byte, 1)); extra != 0 || err != io.EOF {
		return nil, fmt.Errorf("data beyond the announced length: %w", err)
	}
	return dst[:n], nil
}

// feeder hands pages that were loaded here to the library's column reader, which
// decodes what this package does not. It implements file.PageReader.
type feeder struct{ next, current file.Page }

func (f *feeder) Next() bool {
	f.current, f.next = f.next, nil
	return f.current != nil
}
func (f *feeder) Page() file.Page          { return f.current }
func (f *feeder) Err() error               { return nil }
func (f *feeder) SetMaxPageHeaderSize(int) {}
func (f *feeder) Reset(parquet.BufferedReader, int64, compress.Compression, *file.CryptoContext) {
}

// capped is a plain allocator that refuses sizes only damage can ask for.
type capped struct{ most int64 }

func (a capped) Allocate(n int) []byte {
	if n < 0 || int64(n) > a.most {
		panic(fmt.Errorf("a length of %d bytes is not plausible", n))
	}
	return make([]byte, n)
}

func (a capped) Reallocate(n int, b []byte) []byte {
	if n <= cap(b) {
		return b[:n]
	}
	grown := a.Allocate(n)
	copy(grown, b)
	return grown
}

func (capped) Free([]byte) {}
