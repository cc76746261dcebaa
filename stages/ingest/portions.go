package ingest

import (
	"bytes"
	"context"
	"sync"
)

// portions hands out what is left of a text that is in memory, a block of lines at a time, with the row that each begins at. They are
// read side by side for as long as every row is dense and there is room for it.
type portions struct {
	t       *table
	b       *blocks
	mu      sync.Mutex
	row     int      // of the record, that the next one begins at
	room    int      // rows that the record has memory for
	idle    []*dense // readers that nobody uses
	ended   bool     // none is left, or the rest is not to be read so
	dropped *dropped // the first that was not dense
}

// dropped is where a portion begins that is to be read in another way.
type dropped struct {
	at  blocks
	row int
}

// together goes on to read the rows of a text that is in memory, some by idle workers, up to the first portion in which there are
// others than dense ones, or to the end. Others are left to whoever reads one after the other.
func (t *table) together(ctx context.Context, b *blocks) error {
	if b.text == nil || t.numbers == nil || t.blank > 0 || !t.dense() {
		return nil
	}
	p := &portions{t: t, b: b, row: t.rec.rows, room: maxSamples, idle: []*dense{t.numbers}}
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
	if p.dropped != nil {
		*b, p.row = p.dropped.at, p.dropped.row
	}
	t.keep(p.row - t.rec.rows)
	return err
}

// next reads a portion, if one is left.
func (p *portions) next() {
	d, from, lines, rows := p.take()
	if d == nil {
		return
	}
	n, size := d.read(lines, from.row)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.idle = append(p.idle, d)
	if n == rows && size == len(lines) {
		return
	}
	if p.ended = true; p.dropped == nil || from.row < p.dropped.row {
		p.dropped = from
	}
}

// take returns the next portion, where it begins and how many rows it has, and who may read it; nil where none is left.
func (p *portions) take() (d *dense, from *dropped, lines []byte, rows int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ended {
		return nil, nil, nil, 0
	}
	from = &dropped{*p.b, p.row}
	lines, err := p.b.next()
	rows = bytes.Count(lines, []byte{'\n'})
	if err != nil || rows == 0 || p.row+rows > p.room {
		*p.b, p.ended = from.at, true
		return nil, nil, nil, 0
	}
	p.row += rows
	if n := len(p.idle); n > 0 {
		d, p.idle = p.idle[n-1], p.idle[:n-1]
	} else {
		d = newDense(len(p.t.fields), p.t.at.delimiter, p.t.decimal)
		p.t.writeTo(d)
	}
	return d, from, lines, rows
}
