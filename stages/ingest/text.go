package ingest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
)

// field is a wanted cell of a row: how many delimiters lie between it and the
// wanted cell before, or the line's beginning, and the column that takes it.
type field struct{ skip, dest int }

// table reads the rows of a text recording into columns.
type table struct {
	s        *file
	at       layout
	needed   []string
	where    []int // cell of each needed column
	fields   []field
	decimal  byte // 0 until a decimal mark has been seen
	cur      cursor
	clock    clockColumn
	rec      *record
	rows     int // rows seen
	blank    int // blank lines and comments seen since the last row
	cells    [][]byte
	numbers  *dense // reads dense rows; nil before the first
	capacity int64  // bytes of the text that is still to come, if known
}

// openTable finds the header and the needed columns at the beginning of a text.
func openTable(s *file, b *blocks, needed []string) (*table, error) {
	head, err := b.peek()
	if err != nil {
		return nil, s.textFault(err, 1)
	}
	if bytes.IndexByte(head, 0) >= 0 {
		return nil, s.zeroBytes(head)
	}
	at, err := locate(s, head, needed)
	if err != nil {
		return nil, err
	}
	b.skip(at.size)
	t := &table{s: s, at: at, needed: needed}
	if len(needed) > 0 {
		t.clock = clockColumn{s: s, column: needed[0]}
	}
	if at.delimiter == ',' || at.delimiter == noDelimiter {
		t.decimal = '.'
	}
	return t, t.plan()
}

// textFault turns an error of reading text into a refusal.
func (s *file) textFault(err error, line int) error {
	if err == errLongLine {
		return s.refuse("line %d is longer than %d bytes; this is no recording with one sample a line", line, maxLine)
	}
	var r *stages.Refusal
	if errors.As(err, &r) {
		return err
	}
	return s.refuse("line %d: cannot be decoded: %v; export or copy it again", line, err)
}

// plan sorts the wanted cells as they stand in a row.
func (t *table) plan() error {
	type cell struct{ at, dest int }
	var cells []cell
	for dest, n := range t.needed {
		at := places(t.at.cells, n)
		if len(at) > 1 {
			return t.s.refuse("line %d: %d columns are named %q; give each its own name", t.at.line, len(at), n)
		}
		t.where = append(t.where, at[0])
		cells = append(cells, cell{at[0], dest})
	}
	slices.SortFunc(cells, func(a, b cell) int { return cmp.Compare(a.at, b.at) })
	before := 0
	for _, c := range cells {
		t.fields = append(t.fields, field{c.at - before, c.dest})
		before = c.at
	}
	return nil
}

// dense tells whether every row is wanted, and every cell of it once.
func (t *table) dense() bool {
	for k, f := range t.fields {
		if f.skip != min(k, 1) {
			return false
		}
	}
	return len(t.fields) == len(t.at.cells) && !t.cur.windowed && !t.cur.clock
}

// read reads rows until the text or the wanted part of it ends.
func (t *table) read(ctx context.Context, b *blocks, cur cursor) (*record, error) {
	t.cur = cur
	t.rec = &record{cols: make([][]float64, len(t.needed)), place: "line", origin: t.at.dataLine, finite: true}
	for i := range t.rec.cols {
		t.rec.cols[i] = anyRoom[float64](&rooms)
	}
	for alone := t.s.hands == nil; ; {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if !alone && t.rows > 0 {
			if err := t.together(ctx, b); err != nil {
				return nil, err
			}
			alone = true // what is left is not as simple, or little
		}
		lines, err := b.next()
		if err != nil {
			return nil, t.s.textFault(err, t.line())
		}
		if len(lines) == 0 {
			return t.close(true), nil
		}
		done, err := t.block(lines)
		if err != nil {
			return nil, err
		}
		if done {
			return t.close(false), nil
		}
	}
}

// close ends the record. Of a text of unknown size it is not known before how much memory its columns may have.
func (t *table) close(all bool) *record {
	rec := t.rec.close(t.cur, all)
	for i, c := range rec.cols {
		if tooLong(c, len(c)) {
			rec.cols[i] = slices.Clone(c)
		}
	}
	return rec
}

// line is the number of the line that is being read.
func (t *table) line() int { return t.at.dataLine + t.rows + t.blank }

// block reads whole lines; done tells that the wanted part has ended.
func (t *table) block(lines []byte) (done bool, err error) {
	if err := t.reserve(lines); err != nil {
		return false, err
	}
	dense, begun, odd := t.dense(), t.rows, 0
	for len(lines) > 0 {
		if dense && t.decimal != 0 && t.blank == 0 && 2*odd <= t.rows-begun+leastOdd {
			if lines = lines[t.denseRows(lines):]; len(lines) == 0 {
				break
			}
			odd++
		}
		line, size := cutLine(lines)
		rest := lines[size:]
		if t.isNote(line) {
			t.blank++
			lines = rest
			continue
		}
		if t.blank > 0 && !t.cur.leaving() {
			return false, t.s.refuse("line %d is blank or a comment but samples follow; remove such lines between samples", t.line()-1)
		}
		if bytes.IndexByte(line, '"') >= 0 {
			done, err = t.quotedRow(line)
		} else {
			done, err = t.plainRow(line, lines)
		}
		if done || err != nil {
			return done, err
		}
		t.rows++
		lines = rest
	}
	return false, nil
}

// isNote tells whether a line is blank, or a comment in a text that has comments before
// its header.
func (t *table) isNote(line []byte) bool {
	if len(line) == 0 || line[0] == t.at.comment {
		return true
	}
	return line[0] <= ' ' && len(bytes.TrimSpace(line)) == 0 && t.at.delimiter != '\t'
}

// leastOdd is how many rows of a block denseRows may leave before it is given up for
// the block because it leaves more than it reads: each of them is read twice.
const leastOdd = 16

// reserve makes room for the rows of a block; the first time for the whole text, if its size is known. Memory of an earlier column serves
// where it is half the margin longer than what the text probably needs: the laps of a season are of one length, more or less. What is too long
// for a text of known size does not.
func (t *table) reserve(lines []byte) error {
	if most := len(lines)/len(t.at.cells) + 1; t.rec.rows > 0 && t.fits(t.rec.rows+most) {
		return nil // a row has a delimiter or an end for every cell: counting rows would take as long as a tenth of reading them
	}
	rows := bytes.Count(lines, []byte{'\n'}) + 1
	if t.rec.rows+rows > maxSamples {
		return t.s.refuse("has more than %d samples; cut the lap out with start_s and end_s", maxSamples)
	}
	enough, room := rows, rows
	known := t.rows == 0 && t.capacity > 0 && !t.cur.windowed
	if known && t.capacity > int64(len(lines)) {
		guess := min(t.capacity/int64(len(lines)/rows+1), maxSamples)
		enough, room = max(rows, int(guess*65/64)), max(rows, int(guess*33/32))
	}
	for i, c := range t.rec.cols {
		if t.rec.rows == 0 && (cap(c) < enough || known && tooLong(c, room)) {
			c = lanes.Uncleared[float64](room) // a row is written before it is kept
		}
		t.rec.cols[i] = slices.Grow(c[:t.rec.rows], rows)[:t.rec.rows+rows]
	}
	return nil
}

// fits lets columns have so many rows, where there is room.
func (t *table) fits(rows int) bool {
	for _, c := range t.rec.cols {
		if cap(c) < rows {
			return false
		}
	}
	for i, c := range t.rec.cols {
		t.rec.cols[i] = c[:rows]
	}
	return rows <= maxSamples
}

// denseRows reads rows for as long as every cell is a plain number, and returns how many bytes they take. A row that is anything
// else it leaves whole to those who know what to say about it.
func (t *table) denseRows(lines []byte) (size int) {
	if t.numbers == nil {
		t.numbers = newDense(len(t.fields), t.at.delimiter, t.decimal)
	}
	t.writeTo(t.numbers)
	n, size := t.numbers.read(lines, t.rec.rows)
	t.keep(n)
	return size
}

// writeTo has a reader write to the record's columns.
func (t *table) writeTo(d *dense) {
	for k, f := range t.fields {
		d.cols[k].col = t.rec.cols[f.dest]
	}
}

// keep counts rows that were just written.
func (t *table) keep(n int) {
	if n > 0 {
		t.rec.keep(t.rows)
		t.rec.rows += n - 1
		t.rows += n
	}
}

// plainRow reads a line without quotes, with which lines begin: numbers are read
// faster where more bytes follow them.
func (t *table) plainRow(line, lines []byte) (done bool, err error) {
	delimiter := t.at.delimiter
	if n := bytes.Count(line, []byte{delimiter}) + 1; n != len(t.at.cells) {
		return t.fault(t.ragged(n))
	}
	if t.cur.windowed {
		stamp, err := t.stamp(line)
		if err != nil {
			return false, err
		}
		if what := t.cur.step(stamp); what != take {
			if t.leave(what); what != restart {
				return what == stop, nil
			}
		}
	}
	clockDest := -1
	if t.cur.clock {
		clockDest = 0
	}
	p, end := 0, -1 // where the cell begins, and where the one before ended
	for _, f := range t.fields {
		skip := f.skip
		if skip > 0 && end >= 0 {
			p = end + 1
			skip--
		}
		for ; skip > 0; skip-- {
			p += bytes.IndexByte(line[p:], delimiter) + 1
		}
		v, e, ok := scanNumber(lines, p, t.decimal)
		if !ok || e < len(line) && line[e] != delimiter || f.dest == clockDest {
			if v, e, err = t.oddCell(line, p, f.dest); err != nil {
				return false, err
			}
		}
		t.rec.cols[f.dest][t.rec.rows] = v
		end = e
	}
	t.rec.keep(t.rows)
	return false, nil
}

// fault is what a line that cannot be read means: behind the lap it is the end.
func (t *table) fault(err error) (done bool, _ error) {
	if t.cur.leaving() {
		return true, nil
	}
	return false, err
}

// leave deals with a row that is not just kept.
func (t *table) leave(what move) {
	switch what {
	case anew, restart:
		t.rec.rows = 0
	case blank:
		for _, c := range t.rec.cols {
			c[t.rec.rows] = math.NaN()
		}
		t.rec.finite = false
		t.rec.keep(t.rows)
	}
}

// oddCell reads a cell that is more than a plain number.
func (t *table) oddCell(line []byte, p, dest int) (v float64, end int, err error) {
	end = len(line)
	if n := bytes.IndexByte(line[p:], t.at.delimiter); n >= 0 {
		end = p + n
	}
	v, err = t.cell(line[p:end], dest)
	return v, end, err
}

// cell reads the content of a cell.
func (t *table) cell(c []byte, dest int) (float64, error) {
	v, err := t.value(c, dest)
	t.rec.finite = t.rec.finite && v-v == 0
	return v, err
}

// value is what a cell holds: a number, or NaN for none.
func (t *table) value(c []byte, dest int) (float64, error) {
	c = bytes.TrimSpace(c)
	if dest == 0 && t.cur.stamped {
		if t.cur.clock {
			return t.clock.read(c, "line", t.line())
		}
		if clocklike(c) {
			return 0, t.clock.unexpected(c, "line", t.line())
		}
	}
	v, what := cellNumber(c, &t.decimal)
	if what == text {
		shown := name(c[:min(len(c), 40)])
		return 0, t.s.refuse("line %d, column %q: found %q where a number is expected; correct the cell and export again",
			t.line(), t.needed[dest], shown)
	}
	return v, nil
}

// stamp reads the time of a row, NaN without a time column and where it cannot be read
// outside of the lap.
func (t *table) stamp(line []byte) (float64, error) {
	if !t.cur.stamped {
		return math.NaN(), nil
	}
	p := 0
	for range t.where[0] {
		p += bytes.IndexByte(line[p:], t.at.delimiter) + 1
	}
	v, end, ok := scanNumber(line, p, t.decimal)
	if ok && (end == len(line) || line[end] == t.at.delimiter) && !t.cur.clock {
		return v, nil
	}
	v, _, err := t.oddCell(line, p, 0)
	return t.outside(v, err)
}

// outside forgives a stamp that cannot be read where it is not the lap's.
func (t *table) outside(v float64, err error) (float64, error) {
	if err == nil {
		return v, nil
	}
	var kind wrongKind
	if errors.As(err, &kind) || t.cur.within > 0 && t.cur.past == 0 {
		return 0, err
	}
	return math.NaN(), nil
}

// quotedRow reads a line with quotes.
func (t *table) quotedRow(line []byte) (done bool, err error) {
	cells, whole := splitCells(t.cells[:0], line, t.at.delimiter)
	t.cells = cells
	if !whole {
		return t.fault(t.s.refuse("line %d: a quote has no end in its line; correct the line and export again", t.line()))
	}
	if len(cells) != len(t.at.cells) {
		return t.fault(t.ragged(len(cells)))
	}
	if t.cur.windowed {
		stamp := math.NaN()
		if t.cur.stamped {
			if stamp, err = t.outside(t.cell(cells[t.where[0]], 0)); err != nil {
				return false, err
			}
		}
		if what := t.cur.step(stamp); what != take {
			if t.leave(what); what != restart {
				return what == stop, nil
			}
		}
	}
	for dest, at := range t.where {
		v, err := t.cell(cells[at], dest)
		if err != nil {
			return false, err
		}
		t.rec.cols[dest][t.rec.rows] = v
	}
	t.rec.keep(t.rows)
	return false, nil
}

func (t *table) ragged(n int) error {
	return t.s.refuse("line %d has %d cells where the header on line %d has %d; correct the line and export again",
		t.line(), n, t.at.line, len(t.at.cells))
}
