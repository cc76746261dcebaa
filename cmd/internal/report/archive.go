package report

import (
	"archive/zip"
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"maps"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/klauspost/compress/flate"
	"golang.org/x/sync/errgroup"

	"lapwear/fatigue/lanes"
)

// archive writes its files in the order of their names, whatever the order in which
// they came, and without times. They are packed side by side, in pieces: those of a sheet's rows that
// an earlier workbook has are taken from it.
type archive struct {
	out     *sealing
	made    string // stands in the comment
	layout  string // of all that is no row, a hash
	earlier Earlier
	files   map[string]*bytes.Buffer
	rows    map[string]rows // by the sheet's file, which lacks them

	sheets  map[string]packed // those that have rows: packed where packing has ended, with room for what stands before and behind them
	parts   []rowsPiece       // of all sheets, by their names
	keyed   sync.WaitGroup    // until each part has its key
	packing errgroup.Group
}

// Create adds a file.
func (z *archive) Create(name string) (io.Writer, error) {
	if z.files == nil {
		z.files = map[string]*bytes.Buffer{}
	}
	z.files[name] = &bytes.Buffer{}
	return z.files[name], nil
}

// AddFS is there for the interface; a workbook has no folder to add.
func (z *archive) AddFS(fs.FS) error { return errors.ErrUnsupported }

// Close writes the archive.
func (z *archive) Close() error {
	for name := range z.rows {
		if z.files[name] == nil {
			return fmt.Errorf("the workbook has no file %q for a sheet's rows", name)
		}
	}
	files, err := z.pack()
	if err != nil {
		return err
	}
	return z.write(files)
}

// write writes the archive's files.
func (z *archive) write(files map[string]packed) error {
	out := zip.NewWriter(z.out)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if err := files[name].write(out, name); err != nil {
			return err
		}
	}
	if err := out.SetComment(z.made + strings.Repeat("0", sealLength)); err != nil {
		return err
	}
	return out.Close()
}

// Of a zip file's header (APPNOTE 6.3.9): 4.4.4, bit 3, sums and sizes stand behind the file; 4.4.3, what
// is needed to read it.
const (
	sizesBehind = 1 << 3
	version20   = 20
)

// packed is a file of an archive: its pieces one after another.
type packed []piece

// piece is a part of a file, packed so that others may follow whatever they are (RFC 1951: it ends at a byte, and refers to nothing before it).
type piece struct {
	key  pieceKey // zero where it is a whole file
	text []byte
	sum  uint32 // of what was packed
	size uint64
}

// write writes a file, which lists its pieces if it is a sheet with rows.
func (p packed) write(out *zip.Writer, name string) error {
	h := zip.FileHeader{Name: name, Method: zip.Deflate, Flags: sizesBehind, CreatorVersion: version20, ReaderVersion: version20, Extra: p.list()}
	for _, k := range p {
		h.CRC32 = joinedSum(h.CRC32, k.sum, k.size)
		h.CompressedSize64 += uint64(len(k.text))
		h.UncompressedSize64 += k.size
	}
	f, err := out.CreateRaw(&h)
	if err != nil {
		return err
	}
	for _, k := range p {
		if _, err := f.Write(k.text); err != nil {
			return err
		}
	}
	return nil
}

// pack packs the files side by side.
func (z *archive) pack() (map[string]packed, error) {
	out := make(map[string]packed, len(z.files))
	var work errgroup.Group
	work.SetLimit(runtime.GOMAXPROCS(0))
	for _, name := range slices.Sorted(maps.Keys(z.files)) {
		text, r := z.files[name].Bytes(), z.rows[name]
		if r.n == 0 {
			p := make(packed, 1)
			out[name] = p
			work.Go(func() error { return p[0].pack(true, func(write func([]byte)) { write(text) }) })
			continue
		}
		at := bytes.LastIndex(text, []byte(rowsEnd))
		if at < 0 {
			return nil, errors.Join(fmt.Errorf("the sheet has no %s", rowsEnd), work.Wait())
		}
		p := z.sheets[name]
		out[name] = p
		head, tail := &p[0], &p[len(p)-1]
		head.key, tail.key = z.endKeys(name)
		work.Go(func() error {
			return errors.Join(head.pack(false, func(write func([]byte)) { write(text[:at]) }), tail.pack(true, func(write func([]byte)) { write(text[at:]) }))
		})
	}
	return out, cmp.Or(work.Wait(), z.packing.Wait())
}

// begin has the sheets' rows packed.
func (z *archive) begin() {
	z.sheets = make(map[string]packed, len(z.rows))
	most := z.pieceRows()
	for _, name := range slices.Sorted(maps.Keys(z.rows)) {
		r := z.rows[name]
		if r.n == 0 {
			continue
		}
		step := most(r)
		p := make(packed, 2+(r.n+step-1)/step)
		z.sheets[name] = p
		for i := range p[1 : len(p)-1] {
			z.parts = append(z.parts, rowsPiece{piece: &p[i+1], sheet: name, rows: r.part(i*step, step)})
		}
	}
	var hashed, taken atomic.Int64
	z.keyed.Add(len(z.parts))
	for range runtime.GOMAXPROCS(0) { // not one for each piece: a stack has to grow for the hash
		z.packing.Go(func() error {
			for n := int(hashed.Add(1)); n <= len(z.parts); n = int(hashed.Add(1)) { // soon done, and tables wait for it
				z.parts[n-1].key = z.parts[n-1].rows.key()
				z.keyed.Done()
			}
			z.keyed.Wait()
			for n := int(taken.Add(1)); n <= len(z.parts); n = int(taken.Add(1)) {
				if err := z.packRows(z.parts[n-1]); err != nil {
					return err
				}
			}
			return nil
		})
	}
}

// partsOf are the parts of a sheet.
func (z *archive) partsOf(name string) []rowsPiece {
	at, _ := slices.BinarySearchFunc(z.parts, name, func(p rowsPiece, name string) int { return strings.Compare(p.sheet, name) })
	n := 0
	for at+n < len(z.parts) && z.parts[at+n].sheet == name {
		n++
	}
	return z.parts[at : at+n]
}

// rowsPiece is a piece of a sheet, the rows that it has and their key, which the piece has once it is packed.
type rowsPiece struct {
	piece *piece
	sheet string
	rows  rows
	key   pieceKey
}

// packRows packs rows, unless the earlier workbook has them.
func (z *archive) packRows(p rowsPiece) error {
	if k, ok := z.earlier.pieces[p.key]; ok {
		*p.piece = k
		return nil
	}
	p.piece.key = p.key
	return p.piece.pack(false, p.rows.write)
}

// rowsEnd stands behind a sheet's rows (ECMA-376 part 1, 18.3.1.80).
const rowsEnd = "</sheetData>"

// packers are those that are not in use. One that was used packs as a new one does.
var packers = sync.Pool{New: func() any {
	k := &packer{}
	// The standard library's own level takes several times as long and saves a tenth.
	k.flate, _ = flate.NewWriter(&k.packed, flate.BestSpeed) // fails for other levels alone
	return k
}}

// packer packs pieces in memory of its own.
type packer struct {
	flate  *flate.Writer
	packed bytes.Buffer
}

// pack packs what text writes: the last piece of a file, or one that others follow.
func (p *piece) pack(last bool, text func(write func([]byte))) error {
	k := packers.Get().(*packer)
	defer packers.Put(k)
	k.packed.Reset()
	k.flate.Reset(&k.packed)
	p.sum, p.size = 0, 0 // it is packed again if the workbook is written again
	var failed error
	text(func(b []byte) {
		p.sum = crc32.Update(p.sum, crc32.IEEETable, b)
		p.size += uint64(len(b))
		if failed == nil {
			_, failed = k.flate.Write(b)
		}
	})
	end := k.flate.Flush
	if last {
		end = k.flate.Close
	}
	if err := errors.Join(failed, end()); err != nil {
		return err
	}
	p.text = append(lanes.Uncleared[byte](k.packed.Len())[:0], k.packed.Bytes()...)
	return nil
}
