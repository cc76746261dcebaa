package ingest

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"math"
	"slices"
)

// This writer follows the block layout of ASAM MDF 4.1 from memory, without any of
// the reader's code: values are placed bit by bit, blocks are deflated by the standard
// library.

// put is a channel as the writer takes it.
type put struct {
	name, unit  string
	xmlUnit     bool // the unit is an ##MD block
	kind, sync  byte
	data        byte
	bit         byte
	at, bits    uint32
	flags       uint32
	invalid     uint32
	cc          []float64 // parameters
	ccType      byte
	ccUnit      string
	composition string // kind of a block
	rows        []float64
}

// group is a channel group as the writer takes it.
type group struct {
	name     string
	id       uint64
	values   int // bytes of values
	invalid  int // bytes of invalidation bits
	bad      map[[2]int]bool
	cycles   int64 // added to the true number
	variable [][]byte
	puts     []put
}

// place is how the records of a data group are stored.
type place struct {
	kind    string // "DT", "DZ", "DZT"
	list    string // "", "DL", "HL"
	equal   bool
	cut     int // bytes of records a block
	each    int // blocks a list
	empty   bool
	columns int // of a transposed block, 0: the first group's record
	idSize  int
}

type written struct {
	b  []byte
	at map[string][]int64 // where the blocks of each kind are
}

func (w *written) block(kind string, links []int64, data []byte) int64 {
	for len(w.b)%8 != 0 {
		w.b = append(w.b, 0)
	}
	at := int64(len(w.b))
	w.b = append(w.b, "##"+kind+"\x00\x00\x00\x00"...)
	w.b = le(w.b, 24+8*len(links)+len(data), len(links))
	for _, l := range links {
		w.b = binary.LittleEndian.AppendUint64(w.b, uint64(l))
	}
	w.b = append(w.b, data...)
	w.at[kind] = append(w.at[kind], at)
	return at
}

func le(b []byte, v ...int) []byte {
	for _, x := range v {
		b = binary.LittleEndian.AppendUint64(b, uint64(x))
	}
	return b
}

func (w *written) text(kind, s string) int64 {
	if s == "" {
		return 0
	}
	if kind == "MD" {
		s = "<CNunit xmlns=\"http://www.asam.net/mdf/v4\"><TX>" + s + "</TX><x>no</x></CNunit>"
	}
	return w.block(kind, nil, append([]byte(s), 0))
}

// mdfOf writes a file of one data group for each place.
func mdfOf(p place, groups ...group) []byte { return mdfFile([]place{p}, groups).b }

// mdfFile writes a file. All groups go to the first place, or, when there are as
// many places as groups, each to its own.
func mdfFile(places []place, groups []group) *written {
	w := &written{at: map[string][]int64{}}
	w.b = append(w.b, "MDF     4.10    writer  \x00\x00\x00\x00\x9a\x01"...)
	w.b = append(w.b, make([]byte, 64-len(w.b))...)
	w.block("HD", make([]int64, 6), make([]byte, 32))
	next := int64(0)
	for i := len(places) - 1; i >= 0; i-- {
		own := groups
		if len(places) == len(groups) {
			own = groups[i : i+1]
		}
		next = w.dataGroup(next, places[i], own)
	}
	binary.LittleEndian.PutUint64(w.b[64+24:], uint64(next))
	return w
}

func (w *written) dataGroup(next int64, p place, groups []group) int64 {
	cg := int64(0)
	for _, g := range slices.Backward(groups) {
		cg = w.channelGroup(cg, g)
	}
	return w.block("DG", []int64{next, cg, w.store(p, groups), 0}, []byte{byte(p.idSize), 0, 0, 0, 0, 0, 0, 0})
}

func (w *written) channelGroup(next int64, g group) int64 {
	cn := int64(0)
	for _, c := range slices.Backward(g.puts) {
		cn = w.channel(cn, c)
	}
	rows, flags := int64(len(g.variable)), 1
	if g.variable == nil {
		rows, flags = int64(len(g.puts[0].rows)), 0
	}
	data := le(nil, int(g.id), int(rows+g.cycles), flags)
	data = binary.LittleEndian.AppendUint32(data, uint32(g.values))
	data = binary.LittleEndian.AppendUint32(data, uint32(g.invalid))
	return w.block("CG", []int64{next, cn, w.text("TX", g.name), 0, 0, 0}, data)
}

func (w *written) channel(next int64, c put) int64 {
	cc := int64(0)
	if c.ccType > 0 || c.cc != nil {
		data := make([]byte, 24)
		data[0] = c.ccType
		binary.LittleEndian.PutUint16(data[6:], uint16(len(c.cc)))
		for _, v := range c.cc {
			data = binary.LittleEndian.AppendUint64(data, math.Float64bits(v))
		}
		cc = w.block("CC", []int64{0, w.text("TX", c.ccUnit), 0, 0}, data)
	}
	unit := w.text(map[bool]string{true: "MD", false: "TX"}[c.xmlUnit], c.unit)
	composition := int64(0)
	if c.composition != "" {
		composition = w.block(c.composition, make([]int64, 8), make([]byte, 72))
	}
	data := []byte{c.kind, c.sync, c.data, c.bit}
	for _, v := range []uint32{c.at, c.bits, c.flags, c.invalid, 0} {
		data = binary.LittleEndian.AppendUint32(data, v)
	}
	data = append(data, make([]byte, 48)...)
	return w.block("CN", []int64{next, composition, w.text("TX", c.name), 0, cc, 0, unit, 0}, data)
}

// store writes the records of groups in turn, a record of each.
func (w *written) store(p place, groups []group) int64 {
	raw := recordsInTurn(p, groups)
	if p.columns == 0 {
		p.columns = max(1, groups[0].values+groups[0].invalid)
	}
	if p.list == "" {
		return w.part(p, raw)
	}
	var parts [][]byte
	for len(raw) > 0 {
		n := min(p.cut, len(raw))
		parts, raw = append(parts, raw[:n]), raw[n:]
	}
	if p.empty {
		parts = slices.Insert(parts, 1, []byte{})
	}
	each := p.each
	if each == 0 {
		each = max(1, len(parts))
	}
	var at, starts []int64
	total := int64(0)
	for _, b := range parts {
		at, starts = append(at, w.part(p, b)), append(starts, total)
		total += int64(len(b))
	}
	next := int64(0)
	for first := (len(at) - 1) / each * each; first >= 0; first -= each {
		last := min(first+each, len(at))
		data := binary.LittleEndian.AppendUint32([]byte{0, 0, 0, 0}, uint32(last-first))
		if p.equal {
			data[0] = 1
			data = le(data, p.cut)
		} else {
			for _, s := range starts[first:last] {
				data = le(data, int(s))
			}
		}
		next = w.block("DL", append([]int64{next}, at[first:last]...), data)
	}
	if p.list == "HL" {
		return w.block("HL", []int64{next}, make([]byte, 8))
	}
	return next
}

// part writes one block of records.
func (w *written) part(p place, raw []byte) int64 {
	if p.kind == "DT" || p.kind == "DV" || p.kind == "SD" {
		return w.block(p.kind, nil, raw)
	}
	return w.block("DZ", nil, deflate(p, raw))
}

func deflate(p place, raw []byte) []byte {
	data := []byte{'D', 'T', 0, 0, 0, 0, 0, 0}
	if p.kind == "DZT" {
		data[2] = 1
		binary.LittleEndian.PutUint32(data[4:], uint32(p.columns))
		rows := len(raw) / p.columns
		var mixed []byte
		for c := range p.columns {
			for r := range rows {
				mixed = append(mixed, raw[r*p.columns+c])
			}
		}
		data, raw = le(data, len(raw)), append(mixed, raw[rows*p.columns:]...)
	} else {
		data = le(data, len(raw))
	}
	var z bytes.Buffer
	d := zlib.NewWriter(&z)
	d.Write(raw)
	d.Close()
	return append(le(data, z.Len()), z.Bytes()...)
}

func recordsInTurn(p place, groups []group) []byte {
	var out []byte
	for i, more := 0, true; more; i++ {
		more = false
		for _, g := range groups {
			id := le(nil, int(g.id))[:p.idSize]
			switch {
			case i < len(g.variable):
				out = binary.LittleEndian.AppendUint32(append(out, id...), uint32(len(g.variable[i])))
				out = append(out, g.variable[i]...)
				more = true
			case g.variable == nil && i < len(g.puts[0].rows):
				out = append(append(out, id...), g.record(i)...)
				more = true
			}
		}
	}
	return out
}

// record writes the values of one sample.
func (g group) record(i int) []byte {
	rec := make([]byte, g.values+g.invalid)
	for k, c := range g.puts {
		if i < len(c.rows) && c.bits > 0 {
			c.write(rec, c.rows[i])
		}
		if g.bad[[2]int{i, k}] {
			rec[g.values+int(c.invalid/8)] |= 1 << (c.invalid % 8)
		}
	}
	return rec
}

// write places a value bit by bit, the lowest first.
func (c put) write(rec []byte, v float64) {
	var bits uint64
	switch {
	case c.data >= 4 && c.bits == 32:
		bits = uint64(math.Float32bits(float32(v)))
	case c.data >= 4:
		bits = math.Float64bits(v)
	case v < 0:
		bits = uint64(int64(v))
	default:
		bits = uint64(v)
	}
	size := (int(c.bit) + int(c.bits) + 7) / 8
	for i := range int(c.bits) {
		p := int(c.bit) + i
		at := int(c.at) + p/8
		if c.data%2 == 1 {
			at = int(c.at) + size - 1 - p/8
		}
		if at < len(rec) {
			rec[at] |= byte(bits>>i&1) << (p % 8)
		}
	}
}
