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
	"sync"

	"github.com/klauspost/compress/flate"
	"golang.org/x/sync/errgroup"
)

// archive writes its files in the order of their names, whatever the order in which
// they came, and without times. They are packed side by side.
type archive struct {
	out     *bytes.Buffer
	comment string
	files   map[string]*bytes.Buffer
	rows    map[string]rows // by the sheet's file, which lacks them
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
	packed, err := z.pack()
	if err != nil {
		return err
	}
	size := 1 << 16 // for heads and names
	for _, p := range packed {
		size += p.text.Len()
	}
	z.out.Grow(size)
	out := zip.NewWriter(z.out)
	if err := out.SetComment(z.comment); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(z.files)) {
		p := packed[name]
		f, err := out.CreateRaw(&zip.FileHeader{Name: name, Method: zip.Deflate, Flags: sizesBehind, CreatorVersion: version20, ReaderVersion: version20,
			CRC32: p.sum, CompressedSize64: uint64(p.text.Len()), UncompressedSize64: p.size})
		if err != nil {
			return err
		}
		if _, err := p.text.WriteTo(f); err != nil {
			return err
		}
	}
	return out.Close()
}

// Of a zip file's header (APPNOTE 6.3.9): 4.4.4, bit 3, sums and sizes stand behind the file; 4.4.3, what
// is needed to read it.
const (
	sizesBehind = 1 << 3
	version20   = 20
)

// packed is a file of an archive.
type packed struct {
	text bytes.Buffer
	sum  uint32
	size uint64 // before it was packed
}

// pack packs the files, the one with most cells first.
func (z *archive) pack() (map[string]*packed, error) {
	names := slices.SortedFunc(maps.Keys(z.files), func(a, b string) int {
		return cmp.Or(-cmp.Compare(z.rows[a].cells(), z.rows[b].cells()), cmp.Compare(a, b))
	})
	out := make(map[string]*packed, len(names))
	var work errgroup.Group
	work.SetLimit(runtime.GOMAXPROCS(0))
	for _, name := range names {
		p := &packed{}
		out[name] = p
		work.Go(func() error { return p.pack(z.files[name].Bytes(), z.rows[name]) })
	}
	return out, work.Wait()
}

// rowsEnd stands behind a sheet's rows (ECMA-376 part 1, 18.3.1.80).
const rowsEnd = "</sheetData>"

// packers are those that are not in use. One that was used packs as a new one does.
var packers sync.Pool

// packer returns one that writes to w.
func packer(w io.Writer) (*flate.Writer, error) {
	if p, ok := packers.Get().(*flate.Writer); ok {
		p.Reset(w)
		return p, nil
	}
	// The standard library's own level takes several times as long and saves a tenth.
	return flate.NewWriter(w, flate.BestSpeed)
}

// pack packs a file, a sheet with its rows.
func (p *packed) pack(text []byte, r rows) error {
	w, err := packer(&p.text)
	if err != nil {
		return err
	}
	defer packers.Put(w)
	to := &summed{w: w, p: p}
	if r.n > 0 {
		at := bytes.LastIndex(text, []byte(rowsEnd))
		if at < 0 {
			return fmt.Errorf("the sheet has no %s", rowsEnd)
		}
		to.write(text[:at])
		r.write(to.write)
		text = text[at:]
	}
	to.write(text)
	return errors.Join(to.err, w.Close())
}

// summed packs what it is given, and sums it up.
type summed struct {
	w   io.Writer
	p   *packed
	err error // the first one
}

func (s *summed) write(text []byte) {
	s.p.sum = crc32.Update(s.p.sum, crc32.IEEETable, text)
	s.p.size += uint64(len(text))
	if s.err == nil {
		_, s.err = s.w.Write(text)
	}
}
