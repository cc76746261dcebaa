package ingest

import (
	"bufio"
	"context"
	"encoding/binary"
	"io"
	"math"
	"slices"
)

const (
	maxRecord = 1 << 20   // bytes of a record
	mdfChunk  = 256 << 10 // bytes of records that are decoded at once
	freeKept  = 128 << 20 // bytes of values that any file may give, and times its
	maxKept   = 128       // size that a file may give beyond
)

// mdfSource is an open MDF 4 recording (ASAM MDF, versions 4.00 to 4.x): the needed
// channels of one channel group; see mdfSpread for several. Read are numbers of fixed place in the record, with
// no, a linear or a rational conversion; records in ##DT or deflated ##DZ blocks,
// listed in ##DL and ##HL blocks or not, of one channel group or of several mixed.
// Time masters are in s. A sample whose invalidation bit is set is missing.
//
// Not read are values of variable length, texts, arrays, structures and their parts,
// other conversions, bus events as such, attached files, and values that are stored
// column by column (##DV, ##LD, from version 4.20 on). Such channels are refused
// when they are asked for and passed over when not.
type mdfSource struct {
	m      *mdf
	group  *channelGroup
	cols   []mdfColumn
	needed []string
	data   *records
}

// openMDFSource finds the needed channels in an MDF file, in one channel group or in
// several.
func openMDFSource(s *file, needed []string) (source, error) {
	m, hd, first, err := openMDF(s)
	if err != nil {
		return nil, err
	}
	all, err := m.groups(hd, first)
	if err != nil {
		return nil, err
	}
	if has := m.whereAll(all, needed); has != nil {
		return m.spread(all, needed, m.apart(all, needed, has))
	}
	return m.source(all, needed)
}

// source finds the needed channels in the one group that has all of them.
func (m *mdf) source(all []*channelGroup, needed []string) (*mdfSource, error) {
	g, channels, err := m.find(all, needed)
	if err != nil {
		return nil, err
	}
	x := &mdfSource{m: m, group: g, needed: needed}
	for i, c := range channels {
		col, err := m.column(g, c, needed[i])
		if err != nil {
			return nil, err
		}
		x.cols = append(x.cols, col)
	}
	if x.data, err = m.recordsOf(g.in); err != nil {
		return nil, err
	}
	return x, x.checkSizes()
}

// checkSizes compares what the group says about its records with the data there are.
func (x *mdfSource) checkSizes() error {
	g, m := x.group, x.m
	whole := int64(g.in.idSize) + g.size()
	switch {
	case g.variable:
		return m.broken(g.block, "channels in a group of values of variable length")
	case g.size() > maxRecord:
		return m.s.refuse("byte %d, block ##CG: records of %d bytes, at most %d expected; export fewer channels", g.at, g.size(), maxRecord)
	case g.in.idSize == 0 && len(g.in.groups) > 1:
		return m.broken(g.in.block, "%d channel groups without record ids", len(g.in.groups))
	case whole == 0 && (g.cycles > maxSamples || x.data.size > 0):
		return m.broken(g.block, "%d records of 0 bytes in %d bytes of data", g.cycles, x.data.size)
	case whole > 0 && g.cycles > uint64(x.data.size/whole):
		return m.broken(g.block, "%d records of %d bytes in %d bytes of data; the recording is cut off", g.cycles, whole, x.data.size)
	case g.in.idSize == 0 && int64(g.cycles)*whole != x.data.size:
		return m.broken(g.block, "%d records of %d bytes in %d bytes of data; the recording was not finished", g.cycles, whole, x.data.size)
	}
	return nil
}

func (x *mdfSource) units(i int) []string { return x.cols[i].units }

func (x *mdfSource) close() {}

// read reads records until they or the wanted part of them end.
func (x *mdfSource) read(ctx context.Context, cur cursor) (*record, error) {
	r := &mdfReader{mdfSource: x, cur: cur, rec: &record{cols: make([][]float64, len(x.cols)), place: "record", origin: 1}}
	if !cur.windowed {
		if err := r.reserve(x.group.cycles); err != nil {
			return nil, err
		}
	}
	in := newStream(ctx, x.data)
	next := r.sorted(in)
	if x.group.in.idSize > 0 {
		var err error
		if next, err = r.unsorted(in); err != nil {
			return nil, err
		}
	}
	for uint64(r.row) < x.group.cycles {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		recs, n, err := next()
		if err != nil {
			return nil, err
		}
		done, err := r.take(recs, n)
		if err != nil {
			return nil, err
		}
		if done {
			return r.rec.close(r.cur, false), nil
		}
	}
	if err := x.checkEnd(next); err != nil {
		return nil, err
	}
	return r.rec.close(r.cur, true), nil
}

// mdfReader reads the samples of a recording into columns.
type mdfReader struct {
	*mdfSource
	cur     cursor
	rec     *record
	row     int // records read
	chunk   []byte
	scratch [][]float64
}

// reserve makes room for rows, as many as a file of this size can give.
func (r *mdfReader) reserve(rows uint64) error {
	all := uint64(r.rec.rows) + rows
	if all > maxSamples {
		return r.m.s.refuse("has more than %d samples; cut the lap out with start_s and end_s", maxSamples)
	}
	if limit := freeKept + maxKept*r.m.size; all*8*uint64(len(r.cols)) > uint64(limit) {
		return r.m.s.refuse("byte %d, block ##CG: %d samples of %d channels in a file of %d bytes, which no recording has; export it uncompressed or cut the lap out with start_s and end_s",
			r.group.at, all, len(r.cols), r.m.size)
	}
	for i, c := range r.rec.cols {
		r.rec.cols[i] = slices.Grow(c, int(rows))
	}
	return nil
}

// rowsAtOnce is the number of records that are decoded at once.
func (r *mdfReader) rowsAtOnce() int { return max(1, mdfChunk/max(64, int(r.group.size()))) }

// nextRecords gives the next records of the group, without ids, and their number.
// After the last it gives none.
type nextRecords func() ([]byte, int, error)

// sorted reads records that follow each other without ids.
func (r *mdfReader) sorted(in *stream) nextRecords {
	stride, most := int(r.group.size()), r.rowsAtOnce()
	r.chunk = make([]byte, stride*most)
	return func() ([]byte, int, error) {
		n := int(min(uint64(most), r.group.cycles-uint64(r.row)))
		if _, err := io.ReadFull(in, r.chunk[:n*stride]); err != nil {
			return nil, 0, r.short(err)
		}
		return r.chunk[:n*stride], n, nil
	}
}

// short refuses data that end before their last record does.
func (x *mdfSource) short(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return x.m.broken(x.group.in.block, "its data end in the middle of a record")
	}
	return err
}

// picker picks the records of one group out of those of several groups.
type picker struct {
	*mdfReader
	in     *bufio.Reader
	groups map[uint64]*channelGroup
}

// unsorted reads records that begin with the id of their group.
func (r *mdfReader) unsorted(in *stream) (nextRecords, error) {
	p := &picker{r, bufio.NewReaderSize(in, mdfChunk), map[uint64]*channelGroup{}}
	for _, g := range r.group.in.groups {
		if p.groups[g.id] != nil {
			return nil, r.m.broken(g.block, "record id %d, which %s has too", g.id, p.groups[g.id])
		}
		p.groups[g.id] = g
	}
	r.chunk = make([]byte, int(r.group.size())*r.rowsAtOnce())
	return p.next, nil
}

func (p *picker) next() ([]byte, int, error) {
	stride, n, g := int(p.group.size()), 0, p.group
	for n < p.rowsAtOnce() {
		err := p.seek()
		if err == io.EOF {
			break
		}
		if err == nil {
			_, err = io.ReadFull(p.in, p.chunk[n*stride:(n+1)*stride])
		}
		if err != nil {
			return nil, 0, p.short(err)
		}
		n++
	}
	if left := g.cycles - uint64(p.row); uint64(n) > left || n == 0 && left > 0 {
		return nil, 0, p.m.broken(g.block, "%d records in its data, %d expected; the recording was not finished", p.row+n, g.cycles)
	}
	return p.chunk[:n*stride], n, nil
}

// seek goes to the next record of the group, behind its id; io.EOF when there is
// none.
func (p *picker) seek() error {
	for {
		id, err := recordID(p.in, p.group.in.idSize)
		if err != nil {
			return err
		}
		g := p.groups[id]
		if g == p.group {
			return nil
		}
		if g == nil {
			return p.m.broken(p.group.in.block, "a record has the id %d, which none of its channel groups has", id)
		}
		if err := skipRecord(p.in, g); err == io.EOF {
			return io.ErrUnexpectedEOF
		} else if err != nil {
			return err
		}
	}
}

// recordID reads the id of the next record; io.EOF when there is none.
func recordID(b *bufio.Reader, size int) (uint64, error) {
	raw, err := b.Peek(size)
	switch {
	case err == io.EOF && len(raw) > 0:
		return 0, io.ErrUnexpectedEOF
	case err != nil:
		return 0, err
	}
	var id uint64
	for i, v := range raw {
		id |= uint64(v) << (8 * i)
	}
	_, err = b.Discard(size)
	return id, err
}

// skipRecord passes over a record. One of variable length begins with its length.
func skipRecord(b *bufio.Reader, g *channelGroup) error {
	size := int(g.size())
	if g.variable {
		raw, err := b.Peek(4)
		if err != nil {
			return err
		}
		size = 4 + int(binary.LittleEndian.Uint32(raw))
	}
	_, err := b.Discard(size)
	return err
}

// checkEnd reads the data behind the last record, in which there may be records of
// other groups only.
func (x *mdfSource) checkEnd(next nextRecords) error {
	if x.group.in.idSize == 0 {
		return nil
	}
	_, _, err := next()
	return err
}

// take decodes records; done tells that the wanted part has ended.
func (r *mdfReader) take(recs []byte, n int) (done bool, err error) {
	first := r.row
	r.row += n
	if !r.cur.windowed {
		kept := r.rec.rows
		for i := range r.cols {
			r.rec.cols[i] = r.rec.cols[i][:kept+n]
			r.cols[i].read(r.rec.cols[i][kept:], recs, int(r.group.size()), first)
		}
		r.rec.rows += n
		return false, nil
	}
	r.decode(recs, n, first)
	from, to := 0, 0
	for i := range n {
		stamp := 0.0
		if r.cur.stamped {
			stamp = r.scratch[0][i]
		}
		what := r.cur.step(stamp)
		if what == stop {
			done = true
			break
		}
		switch what {
		case anew:
			from, to = 0, 0
			r.empty()
		case restart:
			from, to = i, i+1
			r.empty()
		case blank:
			r.scratch[0][i] = math.NaN()
			fallthrough
		case take:
			if to == 0 {
				from = i
			}
			to = i + 1
		}
	}
	return done, r.keep(from, to, first)
}

// empty leaves the rows that were kept.
func (r *mdfReader) empty() {
	for i := range r.rec.cols {
		r.rec.cols[i] = r.rec.cols[i][:0]
	}
	r.rec.rows = 0
}

// decode puts the values of records into the scratch columns.
func (r *mdfReader) decode(recs []byte, n, first int) {
	if r.scratch == nil {
		r.scratch = make([][]float64, len(r.cols))
	}
	for i := range r.cols {
		r.scratch[i] = slices.Grow(r.scratch[i][:0], n)[:n]
		r.cols[i].read(r.scratch[i], recs, int(r.group.size()), first)
	}
}

// keep adds the wanted rows of the scratch columns to the record.
func (r *mdfReader) keep(from, to, first int) error {
	if from == to {
		return nil
	}
	if err := r.reserve(uint64(to - from)); err != nil {
		return err
	}
	for i := range r.cols {
		r.rec.cols[i] = append(r.rec.cols[i], r.scratch[i][from:to]...)
	}
	if r.rec.rows == 0 {
		r.rec.first = first + from
	}
	r.rec.rows += to - from
	return nil
}

// mdfHeader describes an MDF file: the named channels of all groups, each name and
// unit once.
func (s *file) mdfHeader() (Info, error) {
	m, hd, first, err := openMDF(s)
	if err != nil {
		return Info{}, err
	}
	all, err := m.groups(hd, first)
	if err != nil {
		return Info{}, err
	}
	info, seen := Info{Format: string(measured)}, map[Column]bool{}
	for _, g := range all {
		for _, c := range g.channels {
			unit, err := m.unitOf(c)
			if err != nil {
				return Info{}, err
			}
			if col := (Column{c.name, unit}); c.name != "" && !seen[col] {
				seen[col] = true
				info.Columns = append(info.Columns, col)
			}
		}
	}
	return info, nil
}
