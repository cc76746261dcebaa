package ingest

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// source is an open recording whose needed columns have been found.
type source interface {
	// units returns what the recording says about the unit of a needed column.
	units(needed int) []string
	// read reads the rows that the cursor wants.
	read(ctx context.Context, cur cursor) (*record, error)
	close()
}

// open finds the needed columns in a recording of any format.
func (s *file) open(needed []string) (source, error) {
	pack, err := s.detect()
	if err != nil {
		return nil, err
	}
	if pack == parquetted || pack == arrowed {
		return openColumnar(s, needed)
	}
	if pack == measured {
		return openMDFSource(s, needed)
	}
	r, encoding, release, err := s.text(pack)
	if err != nil {
		return nil, err
	}
	b := s.blocks(r, pack, encoding)
	t, err := openTable(s, b, needed)
	if err != nil {
		release()
		return nil, err
	}
	if pack == plain {
		t.capacity = s.size
	}
	return &textSource{t, b, pack == plain && !strings.HasPrefix(encoding, "utf-16"), release}, nil
}

// blocks is newBlocks, with no more memory than a small file needs, or for what is in memory. Decoding a text
// makes it up to 1.5 times as long.
func (s *file) blocks(r io.Reader, pack packing, encoding string) *blocks {
	switch {
	case pack == plain && len(s.content) > 0 && encoding == utf8Text:
		return blocksOf(s.content)
	case pack == plain && len(s.content) > 0 && encoding == utf8BOM:
		return blocksOf(s.content[len(byteOrderMark):])
	case pack != plain || s.size > maxLine/2-1:
		return newBlocks(r)
	}
	return &blocks{r: r, buf: make([]byte, 0, 2*s.size+2), most: int(2*s.size + 2)}
}

type textSource struct {
	t        *table
	b        *blocks
	bytewise bool // the file's bytes are those of the text
	release  func()
}

func (x *textSource) units(i int) []string { return x.t.at.unitsOf(x.t.where[i], x.t.needed[i]) }

func (x *textSource) read(ctx context.Context, cur cursor) (*record, error) {
	return x.t.read(ctx, x.b, cur)
}

func (x *textSource) close() { x.release() }

// columnar is a recording that is stored column by column.
type columnar struct {
	s      *file
	src    *frame.Source
	infos  []frame.ColumnInfo
	needed []string
}

// ReadAt reads the file's bytes at an offset. Several may do so at the same time.
func (s *file) ReadAt(p []byte, off int64) (int, error) {
	if s.f == nil {
		if off < 0 || off > s.size {
			return 0, io.EOF
		}
		n := copy(p, s.content[off:])
		if n < len(p) {
			return n, io.EOF
		}
		return n, nil
	}
	n, err := s.f.ReadAt(p, off)
	s.note(err)
	return n, err
}

// Content returns the file's content where it is in memory, else nil.
func (s *file) Content() []byte { return s.content }

func openColumnar(s *file, needed []string) (*columnar, error) {
	src, err := frame.NewSource(s, s.size, s.shown())
	if err != nil {
		return nil, stages.Refuse("%v", err)
	}
	c := &columnar{s: s, src: src, needed: needed}
	all := src.Columns()
	names := make([]string, len(all))
	for i, info := range all {
		names[i] = info.Name
	}
	for _, n := range needed {
		at := places(names, n)
		switch {
		case len(at) == 0:
			return nil, s.refuse("no column %q; nearest: %s; correct the name of the column", n, quoted(nearest(names, n)))
		case len(at) > 1:
			return nil, s.refuse("%d columns are named %q; give each its own name", len(at), n)
		}
		c.infos = append(c.infos, all[at[0]])
	}
	return c, nil
}

// units returns the unit in the file's metadata, or in brackets in the name. Times
// with a type of their own come in s.
func (c *columnar) units(i int) []string {
	info := c.infos[i]
	l := layout{cells: []string{info.Name}}
	out := append(l.unitsOf(0, c.needed[i]), info.Unit)
	for _, t := range [...]string{"timestamp", "date", "time", "duration"} {
		if strings.HasPrefix(info.Type, t) {
			return []string{"s"}
		}
	}
	return out
}

func (c *columnar) read(ctx context.Context, cur cursor) (*record, error) {
	var names []string
	for _, info := range c.infos {
		names = append(names, info.Name)
		if info.Rows > maxSamples {
			return nil, c.s.refuse("has more than %d samples; split the recording", maxSamples)
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	cols, err := c.columns(names, cur)
	if err != nil {
		return nil, err
	}
	r := &record{cols: make([][]float64, len(cols)), lean: make([][]float32, len(cols)), place: "row", origin: 1}
	for i, v := range cols {
		r.cols[i], r.lean[i], r.rows = v.Double, v.Single, v.Len()
	}
	if cur.stamped {
		r.wide(0)
	}
	if !cur.windowed {
		return r.close(cur, true), nil
	}
	return r.cut(cur), nil
}

// isTexts tells whether a column holds texts, by its type in either format.
func isTexts(typ string) bool { return typ == "string" || typ == "utf8" || typ == "large_utf8" }

// columns reads the columns, of which the first may hold times.
func (c *columnar) columns(names []string, cur cursor) ([]frame.Samples, error) {
	if !cur.stamped {
		return c.numbers(names)
	}
	time, typ := c.needed[0], c.infos[0].Type
	texts := isTexts(typ)
	moments := strings.HasPrefix(typ, "timestamp") || strings.HasPrefix(typ, "date")
	ofDay := strings.HasPrefix(typ, "time") && !moments
	switch {
	case !cur.clock && texts:
		return nil, c.s.refuse("column %q: it holds texts (%s) where numbers are expected; if they are clock times, state time: {column: %s, unit: clock}",
			time, typ, time)
	case !cur.clock:
		return c.numbers(names)
	case texts:
		return c.textTimes(names)
	case moments:
		if err := c.src.CountFromMidnight(names[0]); err != nil {
			return nil, stages.Refuse("%v", err)
		}
	case !ofDay:
		return nil, c.s.refuse("column %q: it holds %s where clock times are expected; state the numbers' unit, as in time: {column: %s, unit: s}",
			time, typ, time)
	}
	cols, err := c.numbers(names)
	if err != nil || moments {
		return cols, err
	}
	var day wallClock
	times := cols[0].Double
	for i, v := range times {
		if v-v == 0 {
			times[i], _ = day.seconds(stamp{ns: int64(math.Round(v * 1e9))})
		}
	}
	return cols, nil
}

func (c *columnar) numbers(names []string) ([]frame.Samples, error) {
	room := make([]frame.Samples, len(names))
	for i, n := range names {
		if c.src.Single(n) {
			room[i].Single = takeRoom[float32](&leanRooms, int(c.infos[0].Rows))
		} else {
			room[i].Double = takeRoom[float64](&rooms, int(c.infos[0].Rows))
		}
	}
	cols, err := c.src.ReadSamples(names, room, c.s.hands.Each)
	if err != nil {
		return nil, stages.Refuse("%v", err)
	}
	return cols, nil
}

// textTimes reads the columns of which the first holds clock times as texts.
func (c *columnar) textTimes(names []string) ([]frame.Samples, error) {
	texts, err := c.src.ReadStrings(names[0])
	if err != nil {
		return nil, stages.Refuse("%v", err)
	}
	others, err := c.numbers(names[1:])
	if err != nil {
		return nil, err
	}
	k := clockColumn{s: c.s, column: c.needed[0]}
	times := make([]float64, len(texts))
	for i, cell := range texts {
		if times[i], err = k.read([]byte(strings.TrimSpace(cell)), "row", i+1); err != nil {
			return nil, err
		}
	}
	return append([]frame.Samples{{Double: times}}, others...), nil
}

// cut keeps the rows that the cursor wants.
func (r *record) cut(cur cursor) *record {
	from, to, all := 0, 0, true
	var blanks []int
rows:
	for i := range r.rows {
		stamp := 0.0
		if cur.stamped {
			stamp = r.cols[0][i]
		}
		switch cur.step(stamp) {
		case stop:
			all = false
			break rows
		case anew:
			from, to, blanks = 0, 0, nil
		case blank:
			blanks, to = append(blanks, i), i+1
		case restart:
			from, to, blanks = i, i+1, nil
		case take:
			if to == 0 {
				from = i
			}
			to = i + 1
		}
	}
	for i := range r.cols {
		if r.single(i) {
			r.lean[i] = cutOut(&leanRooms, r.lean[i], from, to)
		} else {
			r.cols[i] = cutOut(&rooms, r.cols[i], from, to)
		}
	}
	for _, i := range blanks {
		r.cols[0][i-from] = math.NaN()
	}
	r.first, r.rows = from, to-from
	return r.close(cur, all)
}

func (c *columnar) close() { c.src.Close() }

// Column is a column of a recording, with the unit that the recording states.
type Column struct{ Name, Unit string }

// Info is what the beginning of a recording tells.
type Info struct {
	Format      string // "text", "parquet", "arrow" or "mdf"
	Compression string // of a text: "", "gzip" or "zstd"
	Encoding    string // of a text: "utf-8", "utf-8 with byte-order mark", "utf-16le", "utf-16be" or "latin-1"
	Delimiter   string // of a text: ",", ";", tab, or "" for a single column
	Decimal     string // of a text: "." or ",", "" when the first line of samples does not show it
	Columns     []Column
	HeaderLine  int      // of a text, from 1
	DataLine    int      // of a text: the first line of samples
	First       []string // of a text: the cells of that line
}

// Header describes a recording by its beginning, at most the first MiB of text. It
// knows no column's name, so it takes as the header the line above the first rows of
// numbers. The error is a Refusal when there is none.
func Header(path string) (Info, error) {
	s, err := openFile(path)
	if err != nil {
		return Info{}, err
	}
	info, err := s.header()
	if err = s.finish(err); err != nil {
		return Info{}, err
	}
	return info, nil
}

func (s *file) header() (Info, error) {
	pack, err := s.detect()
	if err != nil {
		return Info{}, err
	}
	if pack == parquetted || pack == arrowed {
		return s.columnarHeader(pack)
	}
	if pack == measured {
		return s.mdfHeader()
	}
	r, encoding, release, err := s.text(pack)
	if err != nil {
		return Info{}, err
	}
	defer release()
	head, err := newBlocks(r).peek()
	if err != nil {
		return Info{}, s.textFault(err, 1)
	}
	lines := firstLines(head)
	h, ok := guess(lines)
	if !ok {
		return Info{}, s.refuse("no header found: no line of names above rows of numbers in the first %d lines; export it with column names", headerLines)
	}
	return h.info(lines, pack, encoding), nil
}

func (s *file) columnarHeader(pack packing) (Info, error) {
	c, err := openColumnar(s, nil)
	if err != nil {
		return Info{}, err
	}
	defer c.close()
	info := Info{Format: string(pack)}
	for _, col := range c.src.Columns() {
		info.Columns = append(info.Columns, Column{col.Name, col.Unit})
	}
	return info, nil
}

// info describes a text by its layout.
func (h layout) info(lines []textLine, pack packing, encoding string) Info {
	out := Info{Format: "text", Compression: string(pack), Encoding: encoding, HeaderLine: h.line, DataLine: h.dataLine}
	if h.delimiter != noDelimiter {
		out.Delimiter = string(rune(h.delimiter))
	}
	for i, c := range h.cells {
		col := Column{Name: c}
		if n, unit, ok := bracketed(c); ok {
			col = Column{n, unit}
		}
		if h.unitRow != nil && !silent(h.unitRow[i]) {
			col.Unit = h.unitRow[i]
		}
		out.Columns = append(out.Columns, col)
	}
	if encoding == utf8Text && slices.ContainsFunc(lines[:min(h.dataLine, len(lines))], textLine.isLatin1) {
		out.Encoding = latin1
	}
	if h.dataLine <= len(lines) {
		out.First, _ = cut(lines[h.dataLine-1].text, h.delimiter)
		out.Decimal = decimalOf(out.First, h.delimiter)
	}
	return out
}

// decimalOf returns the decimal mark of the first cell that shows one.
func decimalOf(cells []string, delimiter byte) string {
	var mark byte
	if delimiter == ',' || delimiter == noDelimiter {
		return "."
	}
	for _, c := range cells {
		if cellNumber([]byte(c), &mark); mark != 0 {
			return string(rune(mark))
		}
	}
	return ""
}

// ReadColumn returns the samples of one column of a recording, which needs no time
// column. A column with a sample in every k-th row only lacks none. The error is a Refusal when the content is at fault.
func ReadColumn(path, column string) ([]float64, error) {
	if column == "" {
		return nil, fmt.Errorf("read column: no name given; name the column")
	}
	s, err := openFile(path)
	if err != nil {
		return nil, err
	}
	x, err := s.column(column)
	if err = s.finish(err); err != nil {
		return nil, err
	}
	return x, nil
}

func (s *file) column(column string) ([]float64, error) {
	needed := []string{column}
	src, err := s.open(needed)
	if err != nil {
		return nil, err
	}
	defer src.close()
	rec, err := src.read(context.Background(), newCursor(Params{Time: Time{Rate: 1}, StartS: math.NaN(), EndS: math.NaN()}))
	if err != nil {
		return nil, err
	}
	if rec.rows == 0 {
		return nil, s.refuse("column %q has no samples; export it again", column)
	}
	x := rec.wide(0)
	if !lanes.Finite(x) && isSlower(x) {
		return slices.DeleteFunc(x, func(v float64) bool { return v-v != 0 }), nil
	}
	return x, rec.checkMissing(s, needed)
}
