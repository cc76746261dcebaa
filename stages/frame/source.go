package frame

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
)

const (
	// maxRows is the most rows a recording may have; what claims more is damaged
	// or must be split.
	maxRows = math.MaxInt32
	// maxTextRows is the most rows of a column read as texts, which serves tables
	// such as manifests.
	maxTextRows = 1 << 24
)

// ColumnInfo describes a column of a recording before it is read. A column
// within a structure has the dotted path as its name.
type ColumnInfo struct {
	Name string
	Unit string // from the file's metadata, empty when there is none
	Type string // as the file has it: "double", "timestamp[us]"
	Rows int64
}

// Source is an open recording or table in Parquet or Arrow IPC. It is not for
// use by several goroutines at once. It never writes.
//
// What Read makes of a column's type:
//
//   - floats of any width, integers of any width, decimals: the number;
//   - timestamps and dates: seconds since the first value that is not null, or,
//     after CountFromMidnight, since the midnight before it, so that a float64 keeps
//     their resolution; times of day: seconds since midnight; durations: seconds;
//   - null: NaN;
//   - booleans, texts and lists: an error.
//
// A file whose content contradicts itself (a row count, a length, a checksum) is
// an error, never a shorter column. Neither format has a checksum over
// everything, so not every damage can be seen.
type Source struct {
	name    string
	columns []ColumnInfo
	content content
	close   func() error
}

// content is what a file format provides: columns by their index.
type content interface {
	columns() []ColumnInfo
	numbers(columns []int, dst [][]float64) error
	// single tells whether samples is likely to read a column as float32.
	single(column int) bool
	samples(columns []int, dst []Samples, each Each) error
	texts(column int) ([]string, error)
	meaning(column int) *meaning
}

// Open opens a recording and tells its format by its first bytes, whatever its
// name: Parquet, an Arrow IPC file or an Arrow IPC stream.
func Open(path string) (*Source, error) { return openFile(path, NewSource) }

// OpenParquet opens a Parquet file.
func OpenParquet(path string) (*Source, error) { return openFile(path, newParquetSource) }

// OpenIPC opens an Arrow IPC file or stream.
func OpenIPC(path string) (*Source, error) { return openFile(path, newIPCSource) }

func openFile(path string, open func(io.ReaderAt, int64, string) (*Source, error)) (*Source, error) {
	// Not opened before it is known to be a file: a pipe would wait for a writer.
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("open %q: it is not a regular file; name a file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open recording: %w; name a file that can be read", err)
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("open recording: %w; name a file that can be read", err)
	}
	s, err := open(f, info.Size(), path)
	if err != nil {
		f.Close()
		return nil, err
	}
	s.close = f.Close
	return s, nil
}

// NewSource opens a recording of size bytes that r reads; name is for messages, which
// do without one when it is empty.
// Closing the source does not close r.
func NewSource(r io.ReaderAt, size int64, name string) (*Source, error) {
	head := make([]byte, min(8, size))
	if _, err := r.ReadAt(head, 0); err != nil && err != io.EOF {
		return nil, fmt.Errorf("open recording%s: %w; copy it to where it can be read", quoted(name), err)
	}
	switch {
	case bytes.HasPrefix(head, []byte("PAR1")), bytes.HasPrefix(head, []byte("PARE")):
		return newParquetSource(r, size, name)
	case bytes.HasPrefix(head, []byte(ipcMagic)), bytes.HasPrefix(head, []byte(ipcContinuation)):
		return newIPCSource(r, size, name)
	}
	return nil, fmt.Errorf("open recording%s: neither Parquet nor Arrow IPC by its first bytes %q; "+
		"export it as one of them, or name a text file as such", quoted(name), head)
}

// quoted is a name as messages have it, after a space; "" without one.
func quoted(name string) string {
	if name == "" {
		return ""
	}
	return fmt.Sprintf(" %q", name)
}

// Close closes the file.
func (s *Source) Close() error {
	if s.close == nil {
		return nil
	}
	if err := s.close(); err != nil {
		return fmt.Errorf("close recording%s: %w", quoted(s.name), err)
	}
	return nil
}

// Columns describes the columns in file order. The slice must not be changed.
func (s *Source) Columns() []ColumnInfo { return s.columns }

// Read returns the named columns as numbers.
func (s *Source) Read(names []string) ([][]float64, error) {
	return s.ReadInto(names, nil)
}

// CountFromMidnight has Read count a column of timestamps from the midnight, in UTC,
// before its first value. It is without effect on columns of other types.
func (s *Source) CountFromMidnight(name string) error {
	i, err := s.index(name)
	if err != nil {
		return err
	}
	s.content.meaning(i).clock = true
	return nil
}

// ReadInto is Read into the memory of dst, whose columns are overwritten and grow
// where they are too short. dst may have fewer columns than names or be nil. The
// result is complete or there is an error.
func (s *Source) ReadInto(names []string, dst [][]float64) (_ [][]float64, err error) {
	defer recovered(&err, fmt.Sprintf("read%s: columns %q: the file is damaged; export it again", quoted(s.name), names))
	index, err := s.indices(names)
	if err != nil {
		return nil, err
	}
	out := make([][]float64, len(names))
	for i := range out {
		if i < len(dst) {
			out[i] = dst[i][:0]
		}
	}
	if err := s.content.numbers(index, out); err != nil {
		return nil, fmt.Errorf("read%s: %w", quoted(s.name), err)
	}
	for i := range out {
		if rows := s.columns[index[i]].Rows; int64(len(out[i])) != rows {
			return nil, fmt.Errorf("read%s: column %q: %w", quoted(s.name), names[i], errRows(rows, len(out[i])))
		}
	}
	return out, nil
}

// Samples are a column's numbers: as float32 in Single where each is one exactly by the file's type, else as float64
// in Double. The other is nil.
type Samples struct {
	Single []float32
	Double []float64
}

// Len is the number of samples.
func (v Samples) Len() int { return max(len(v.Single), len(v.Double)) }

// Each calls do with each number below n, begun in their order and maybe at the same time, and returns when all calls have ended, with the error of
// the least number.
type Each func(n int, do func(i int) error) error

// Single tells whether ReadSamples is likely to read a column as float32.
func (s *Source) Single(name string) bool {
	i, err := s.index(name)
	return err == nil && s.content.single(i)
}

// ReadSamples is ReadInto without widening what is of single precision. dst has memory for as many columns as there
// are names, of either width. Where the format allows, columns are read by each.
func (s *Source) ReadSamples(names []string, dst []Samples, each Each) (_ []Samples, err error) {
	defer recovered(&err, fmt.Sprintf("read%s: columns %q: the file is damaged; export it again", quoted(s.name), names))
	index, err := s.indices(names)
	if err != nil {
		return nil, err
	}
	out := make([]Samples, len(names))
	for i := range out {
		out[i] = Samples{dst[i].Single[:0], dst[i].Double[:0]}
	}
	if err := s.content.samples(index, out, each); err != nil {
		return nil, fmt.Errorf("read%s: %w", quoted(s.name), err)
	}
	for i := range out {
		if rows := s.columns[index[i]].Rows; int64(out[i].Len()) != rows {
			return nil, fmt.Errorf("read%s: column %q: %w", quoted(s.name), names[i], errRows(rows, out[i].Len()))
		}
	}
	return out, nil
}

// indices finds columns by name.
func (s *Source) indices(names []string) (_ []int, err error) {
	index := make([]int, len(names))
	for i, name := range names {
		if index[i], err = s.index(name); err != nil {
			return nil, err
		}
	}
	return index, nil
}

// ReadStrings returns a column of any type as texts, null being "": numbers in
// their shortest exact form, timestamps and dates as RFC 3339 has them in UTC.
func (s *Source) ReadStrings(name string) (_ []string, err error) {
	defer recovered(&err, fmt.Sprintf("read%s: column %q: the file is damaged; export it again", quoted(s.name), name))
	i, err := s.index(name)
	if err != nil {
		return nil, err
	}
	rows := s.columns[i].Rows
	if rows > maxTextRows {
		return nil, fmt.Errorf("read%s: column %q has %d rows, more than the %d of a table; is it a recording?",
			quoted(s.name), name, rows, maxTextRows)
	}
	texts, err := s.content.texts(i)
	if err != nil {
		return nil, fmt.Errorf("read%s: %w", quoted(s.name), err)
	}
	if int64(len(texts)) != rows {
		return nil, fmt.Errorf("read%s: column %q: %w", quoted(s.name), name, errRows(rows, len(texts)))
	}
	return texts, nil
}

func errRows(want int64, got int) error {
	return fmt.Errorf("holds %d rows where %d are announced: the file is damaged; export it again", got, want)
}

// index finds a column by name. The error says what there is instead.
func (s *Source) index(name string) (int, error) {
	found := -1
	for i, c := range s.columns {
		if c.Name != name {
			continue
		}
		if found >= 0 {
			return 0, fmt.Errorf("read%s: column name %q occurs twice; rename one and export again", quoted(s.name), name)
		}
		found = i
	}
	if found < 0 {
		return 0, fmt.Errorf("read%s: no column %q; %s", quoted(s.name), name, s.suggest(name))
	}
	return found, nil
}

// suggest names the nearest column, when one is near, and the first of all.
func (s *Source) suggest(name string) string {
	const most = 20
	var (
		all     []string
		nearest string
		best    = max(2, len(name)/3) + 1
	)
	for _, c := range s.columns {
		if d := Edits(strings.ToLower(name), strings.ToLower(c.Name)); d < best {
			best, nearest = d, c.Name
		}
		all = append(all, fmt.Sprintf("%q", c.Name))
	}
	text := "it has " + strings.Join(all[:min(most, len(all))], ", ")
	switch {
	case len(all) == 0:
		text = "it has no columns"
	case len(all) > most:
		text += fmt.Sprintf(" and %d more", len(all)-most)
	}
	if nearest != "" {
		text = fmt.Sprintf("did you mean %q? %s", nearest, text)
	}
	return text
}

// reserve is how many rows to make room for before any has been read: all of
// them, unless the file is too small for that to be plausible. Then the column
// grows as rows come.
func reserve(rows, fileSize int64) int {
	return int(min(rows, (64*fileSize+16<<20)/8))
}

// grow makes room for n more values, doubling, but not beyond total.
func grow[V any](dst []V, n int, total int64) []V {
	if cap(dst)-len(dst) >= n {
		return dst
	}
	want := max(len(dst)+n, int(min(total, int64(2*cap(dst)))))
	return slices.Grow(dst, want-len(dst))
}
