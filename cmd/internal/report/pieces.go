package report

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	stdhash "hash"
	"hash/crc32"
	"io"
	"math"
	"sync"

	"lapwear/cache/key"
	"lapwear/stages/frame"
)

// Each sheet that has rows lists its packed pieces by a hash of what they show, so that the next workbook takes those
// whose rows are the same: packing is most of a workbook's time. What stands before and behind the rows is listed by
// the hash of the layout: where the next workbook has the same, it takes all but the rows, and needs no library.
// The list is an extra field of the file's header: LibreOffice 7.4.7 opens no archive with a comment of more than 512 bytes.

// Earlier is a workbook that was written before and is as it was written, with the pieces that its files list. The zero value is none.
type Earlier struct {
	text   []byte
	id     key.ID
	files  []*zip.File
	pieces map[pieceKey]piece
	lists  map[string][]piece // by file
}

// ReadEarlier reads a workbook that was written before; the text must not change while what it returns is in use. One that is not
// as it was written is none; one that is, whoever has sealed it, is without files where it is no archive.
func ReadEarlier(text []byte) Earlier {
	if len(text) <= sealLength+madeLength {
		return Earlier{}
	}
	id, ok := sealed(text)
	if !ok {
		return Earlier{}
	}
	e := Earlier{text: text, id: id, pieces: map[pieceKey]piece{}, lists: map[string][]piece{}}
	directory, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	if err != nil {
		return e
	}
	e.files = directory.File
	for _, f := range e.files {
		e.lists[f.Name] = e.listed(f)
		for _, p := range e.lists[f.Name] {
			e.pieces[p.key] = p
		}
	}
	return e
}

// ID is the workbook's, as key.OfUnkept has it; that of no file where there is none.
func (e Earlier) ID() key.ID { return e.id }

// kept lists which of a sheet's rows hold in the earlier workbook what they hold now: none where its layout is another. It waits until all rows are hashed.
func (z *archive) kept(name string) []frame.Rows {
	z.keyed.Wait()
	was, parts := z.earlier.lists[name], z.partsOf(name)
	if _, alike := z.ends(name); !alike || len(was) != len(parts)+2 {
		return nil
	}
	var out []frame.Rows
	for i, p := range parts {
		from, to := p.rows.from, p.rows.from+p.rows.n
		switch last := len(out) - 1; {
		case was[i+1].key != p.key:
		case last >= 0 && out[last].To == from:
			out[last].To = to
		default:
			out = append(out, frame.Rows{From: from, To: to})
		}
	}
	return out
}

// rewrite writes the archive by an earlier one of the same layout, so that only rows are packed, and tells whether there is one.
func (z *archive) rewrite() (bool, error) {
	files, ok := z.unchanged()
	if !ok {
		return false, nil
	}
	if err := z.packing.Wait(); err != nil {
		return false, err
	}
	for name, ends := range files {
		if p, ok := z.sheets[name]; ok {
			p[0], p[len(p)-1] = ends[0], ends[1]
			files[name] = p
		}
	}
	return true, z.write(files)
}

// unchanged takes the files from the earlier workbook, if that has the same layout: of sheets with rows, what stands before and behind them.
func (z *archive) unchanged() (map[string]packed, bool) {
	out, sheets := make(map[string]packed, len(z.earlier.files)), 0
	for _, f := range z.earlier.files {
		if z.rows[f.Name].n == 0 {
			text, ok := z.earlier.packed(f)
			if !ok {
				return nil, false
			}
			out[f.Name] = packed{{text: text, sum: f.CRC32, size: f.UncompressedSize64}}
			continue
		}
		ends, ok := z.ends(f.Name)
		if !ok {
			return nil, false
		}
		out[f.Name] = ends
		sheets++
	}
	return out, sheets > 0 // which the layout tells, so it is that of all others
}

// ends are what stands before a sheet's rows in the earlier workbook, and behind, if that has the same layout.
func (z *archive) ends(name string) (packed, bool) {
	h, t := z.endKeys(name)
	head, ok := z.earlier.pieces[h]
	tail, also := z.earlier.pieces[t]
	return packed{head, tail}, ok && also
}

// packed returns a file of the workbook as it is packed, if the directory's entry can be true: anyone can seal another one.
func (e Earlier) packed(f *zip.File) ([]byte, bool) {
	at, err := f.DataOffset()
	size := int64(len(e.text))
	if err != nil || f.Method != zip.Deflate || at < 0 || at > size || f.CompressedSize64 > uint64(size-at) {
		return nil, false
	}
	return e.text[at:][:f.CompressedSize64], true
}

// endKeys are the keys of what stands before a sheet's rows, and behind.
func (z *archive) endKeys(name string) (head, tail pieceKey) {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %q", z.layout, name))
	return pieceKey(sum[:]), pieceKey(sum[len(head):])
}

// pieceKey is the beginning of a SHA-256 of rows and where they stand, or of a layout.
type pieceKey [16]byte

const (
	pieceEntry = 16 + 3*4 // bytes of a piece in the list: key, length, sum, size
	mostPieces = 1400     // of a workbook; a header has room for more
	fewestRows = 32       // of a piece
	fewestWide = 16       // of one whose rows are wide
	wideRows   = 20       // columns
	pieceField = 0x776c   // names the list among a header's extra fields (APPNOTE 6.3.9, 4.5.1): our own, "lw"
	fieldHead  = 2 + 2    // bytes of a field's name and length
)

// pieceRows says how many rows the pieces of rows like these have: at most a whole sheet's.
func (z *archive) pieceRows() func(rows) int {
	for times := 1; ; times *= 2 {
		pieces := 0
		for _, r := range z.rows {
			step := times * r.fewest()
			pieces += 2 + (r.n+step-1)/step
		}
		if pieces <= mostPieces || times*fewestRows >= sheetRows {
			return func(r rows) int { return times * r.fewest() }
		}
	}
}

// fewest is how many rows a piece has at least.
func (r rows) fewest() int {
	if len(r.table.Columns()) >= wideRows {
		return fewestWide
	}
	return fewestRows
}

// list is the list of a file's pieces as an extra field, nil where it has no rows, or a piece is too large for it: they are packed anew.
func (p packed) list() []byte {
	if p[0].key == (pieceKey{}) {
		return nil
	}
	order := binary.LittleEndian
	b := order.AppendUint16(make([]byte, 0, fieldHead+len(p)*pieceEntry), pieceField)
	b = order.AppendUint16(b, uint16(len(p)*pieceEntry))
	for _, k := range p {
		if k.size > math.MaxUint32 || uint64(len(k.text)) > math.MaxUint32 {
			return nil
		}
		b = append(b, k.key[:]...)
		for _, v := range []uint32{uint32(len(k.text)), k.sum, uint32(k.size)} {
			b = order.AppendUint32(b, v)
		}
	}
	return b
}

// listed are the pieces that a file lists, nil unless they are all of it.
func (e Earlier) listed(f *zip.File) []piece {
	list := extraField(f.Extra, pieceField)
	text, ok := e.packed(f)
	if len(list) == 0 || !ok {
		return nil
	}
	var out []piece
	for ; len(list) >= pieceEntry; list = list[pieceEntry:] {
		n, sum, size := binary.LittleEndian.Uint32(list[16:]), binary.LittleEndian.Uint32(list[20:]), binary.LittleEndian.Uint32(list[24:])
		if uint64(n) > uint64(len(text)) {
			return nil
		}
		out = append(out, piece{key: pieceKey(list[:16]), text: text[:n], sum: sum, size: uint64(size)})
		text = text[n:]
	}
	if len(text) > 0 {
		return nil
	}
	return out
}

// extraField finds a field by its name among a header's, nil where there is none.
func extraField(fields []byte, name uint16) []byte {
	for len(fields) >= fieldHead {
		n := fieldHead + int(binary.LittleEndian.Uint16(fields[2:]))
		switch {
		case n > len(fields):
			return nil
		case binary.LittleEndian.Uint16(fields) == name:
			return fields[fieldHead:n]
		}
		fields = fields[n:]
	}
	return nil
}

// part is a part of rows: n of them, or as many as there are.
func (r rows) part(from, n int) rows {
	n = min(n, r.n-from)
	return rows{r.table, r.from + from, n, r.top + from}
}

// keyTexts are the memory in which rows are hashed.
var keyTexts = sync.Pool{New: func() any { return new([]byte) }}

// key hashes all that the rows' text is made of. Values computed and read back have one encoding, NaN of whatever bits as well.
func (r rows) key() pieceKey {
	space := keyTexts.Get().(*[]byte)
	defer keyTexts.Put(space)
	b := fmt.Appendf((*space)[:0], "rows %d %d %d\n", workbookFormat, r.top, r.n)
	for _, c := range r.table.Columns() {
		to, alike := r.from+r.n, byte(0)
		if c.Alike(r.from, to) { // as most columns are: one value stands for all
			to, alike = r.from+1, 1
		}
		b = c.AppendValues(append(b, byte(c.Kind()), alike), r.from, to)
	}
	*space = b
	sum := sha256.Sum256(b) // of a few kB: a BLAKE3, which wants 8 to be fast, takes longer
	return pieceKey(sum[:len(pieceKey{})])
}

// sealing passes on what is written, but for the last bytes, in whose place it writes a hash of all before.
type sealing struct {
	w    io.Writer
	h    stdhash.Hash
	held []byte // at most as many as the seal has
}

func (s *sealing) Write(b []byte) (int, error) {
	n := len(b)
	if keep := len(s.held) + n - sealLength; keep > 0 {
		first := min(keep, len(s.held))
		if err := s.pass(s.held[:first]); err != nil {
			return 0, err
		}
		s.held = append(s.held[:0], s.held[first:]...)
		if err := s.pass(b[:keep-first]); err != nil {
			return 0, err
		}
		b = b[keep-first:]
	}
	s.held = append(s.held, b...)
	return n, nil
}

func (s *sealing) pass(b []byte) error {
	if len(b) == 0 {
		return nil
	}
	s.h.Write(b)
	_, err := s.w.Write(b)
	return err
}

// end writes the seal.
func (s *sealing) end() error {
	_, err := io.WriteString(s.w, hex.EncodeToString(s.h.Sum(nil)))
	return err
}

// joinedSum is the CRC-32 of two texts one after the other, of which the sums and the second's length are known: the first
// sum times x to the power of the second's bits, modulo the polynomial, plus the second.
func joinedSum(a, b uint32, length uint64) uint32 {
	power, square := uint32(1)<<31, uint32(1)<<23 // x^0, and x^8 for a byte, the lowest power in the highest bit
	for n := length; n > 0; n >>= 1 {
		if n&1 != 0 {
			power = timesModulo(square, power)
		}
		square = timesModulo(square, square)
	}
	return timesModulo(power, a) ^ b
}

// timesModulo multiplies polynomials modulo that of the CRC-32.
func timesModulo(a, b uint32) (p uint32) {
	for ; a != 0; a <<= 1 {
		if a>>31 != 0 {
			p ^= b
		}
		carry := b & 1
		if b >>= 1; carry != 0 {
			b ^= crc32.IEEE
		}
	}
	return p
}
