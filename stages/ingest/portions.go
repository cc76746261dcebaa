package ingest

import (
	"bytes"
	"context"
	"sync"
)

// portions hands out what is left of a text that is in memory, some lines at a time. They are read side by side for as long as every
// row is dense and there is room for it.
type portions struct {
	t       *table
	b       *blocks
	room    int // rows that the record has memory for
	mu      sync.Mutex
	idle    []*dense // readers that nobody uses
	last    *stretch // handed out
	dropped *stretch // the first that was not dense
	ended   bool     // none is left, or the rest is not to be read so
}

// stretch is some lines of a text.
type stretch struct {
	at    blocks // before them
	lines []byte
	row   int // of the record, that they begin with
	rows  int // how many they are; -1 while that is not known
}

// together goes on to read the rows of a text that is in memory, some by idle workers, up to the first portion in which there are
// others than dense ones, or to the end. Others are left to whoever reads one after the other.
func (t *table) together(ctx context.Context, b *blocks) error {
	if b.text == nil || t.numbers == nil || t.blank > 0 || !t.dense() {
		return nil
	}
	p := &portions{t: t, b: b, room: maxSamples, idle: []*dense{t.numbers}, last: &stretch{row: t.rec.rows}}
	for _, c := range t.rec.cols {
		p.room = min(p.room, cap(c))
	}
	t.fits(p.room)
	t.writeTo(t.numbers)
	left := (len(b.text) - b.done) / portion
	err := t.s.hands.Each(left+1, func(int) error {
		p.next()
		return ctx.Err()
	})
	end := p.last.row + p.last.rows
	if p.dropped != nil {
		*b, end = p.dropped.at, p.dropped.row
	}
	t.keep(end - t.rec.rows)
	return err
}

// next reads a portion, if one is left.
func (p *portions) next() {
	s, d := p.take()
	if s == nil {
		return
	}
	rows, size := d.read(s.lines, s.row)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.idle = append(p.idle, d)
	if size == len(s.lines) {
		s.rows = rows
		return
	}
	if p.ended = true; p.dropped == nil || s.row < p.dropped.row {
		p.dropped = s
	}
}

// take returns the next portion and a reader for it, nil where none is left. Lines are counted only where the ones before are still being
// read, or there may be no room for them.
func (p *portions) take() (*stretch, *dense) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ended {
		return nil, nil
	}
	p.last.count()
	s := &stretch{at: *p.b, row: p.last.row + p.last.rows, rows: -1}
	var err error
	if s.lines, err = p.b.next(); err != nil || len(s.lines) == 0 || !p.fits(s) {
		*p.b, p.ended = s.at, true
		return nil, nil
	}
	p.last = s
	if n := len(p.idle); n > 0 {
		d := p.idle[n-1]
		p.idle = p.idle[:n-1]
		return s, d
	}
	d := newDense(len(p.t.fields), p.t.at.delimiter, p.t.decimal)
	p.t.writeTo(d)
	return s, d
}

// fits tells whether the record has room for a portion, and for a row that is begun and then left. A row has a delimiter or an end for
// every cell.
func (p *portions) fits(s *stretch) bool {
	if s.row+len(s.lines)/len(p.t.fields) < p.room {
		return true
	}
	s.count()
	return s.row+s.rows < p.room
}

// count counts the lines if need be.
func (s *stretch) count() {
	if s.rows < 0 {
		s.rows = bytes.Count(s.lines, []byte{'\n'})
	}
}
