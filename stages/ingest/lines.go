package ingest

import (
	"bytes"
	"errors"
	"io"
)

const (
	maxLine = 1 << 20   // a line that does not fit is refused
	portion = 256 << 10 // what is read and worked on at a time, to stay in the CPU's cache
)

// noDelimiter is the delimiter of text in one column: it never occurs in a line.
const noDelimiter = '\n'

var errLongLine = errors.New("line too long")

// blocks cuts text into blocks of whole lines, each ended by LF; CRLF stays as it
// is, and where the text's lines end in CR alone these become LF.
type blocks struct {
	r    io.Reader
	text []byte // from buf's beginning on, where the whole text is in memory and buf is a part of it; not written to
	buf  []byte
	most int // bytes that buf may have
	done int // buf[:done] was handed out
	eof  bool
	cr   bool // lines end in CR alone
}

func newBlocks(r io.Reader) *blocks {
	return &blocks{r: r, buf: make([]byte, 0, maxLine), most: maxLine}
}

// blocksOf cuts a text that is in memory.
func blocksOf(text []byte) *blocks { return &blocks{text: text, buf: text[:0], most: maxLine} }

// peek fills the buffer and returns its whole lines without handing them out: the
// beginning of the text.
func (b *blocks) peek() ([]byte, error) {
	if err := b.read(b.most); err != nil {
		return nil, err
	}
	b.cr = bytes.IndexByte(b.buf, '\r') >= 0 && bytes.IndexByte(b.buf, '\n') < 0
	if b.cr && b.text != nil {
		b.text, b.cr = bytes.ReplaceAll(b.text, []byte{'\r'}, []byte{'\n'}), false
		b.buf = b.text[:len(b.buf)]
	}
	b.ends(b.buf)
	return b.whole()
}

// skip hands out the first n bytes of what peek returned.
func (b *blocks) skip(n int) { b.done += n }

// next returns the next whole lines, valid until the call after, or nothing at the
// end of the text. The last line may lack its LF.
func (b *blocks) next() ([]byte, error) {
	if b.done < len(b.buf) {
		if lines, err := b.whole(); err == nil && len(lines) > 0 {
			b.done += len(lines)
			return lines, nil
		}
	}
	held := b.shift()
	for want := portion; ; want = b.most {
		from := len(b.buf)
		if err := b.read(min(max(want, held+portion), b.most)); err != nil {
			return nil, err
		}
		b.ends(b.buf[from:])
		lines, err := b.whole()
		if err == errLongLine && len(b.buf) < b.most {
			continue
		}
		b.done = len(lines)
		return lines, err
	}
}

// shift begins the buffer with what was not handed out, and returns how many bytes that is.
func (b *blocks) shift() (held int) {
	if b.text != nil {
		b.text, held = b.text[b.done:], len(b.buf)-b.done
		b.buf = b.text[:held]
	} else {
		held = copy(b.buf[:b.most], b.buf[b.done:])
		b.buf = b.buf[:held]
	}
	b.done = 0
	return held
}

// read reads until the buffer holds want bytes or the text ends.
func (b *blocks) read(want int) error {
	if b.text != nil {
		n := min(max(want, len(b.buf)), len(b.text))
		b.buf, b.eof = b.text[:n], n == len(b.text)
		return nil
	}
	for !b.eof && len(b.buf) < want {
		n, err := b.r.Read(b.buf[len(b.buf):want])
		b.buf = b.buf[:len(b.buf)+n]
		if err == io.EOF {
			b.eof = true
		} else if err != nil {
			return err
		}
	}
	return nil
}

// whole returns the whole lines that are held and not handed out.
func (b *blocks) whole() ([]byte, error) {
	held := b.buf[b.done:]
	if b.eof {
		return held, nil
	}
	end := bytes.LastIndexByte(held, '\n') + 1
	if end == 0 {
		return nil, errLongLine
	}
	return held[:end], nil
}

// ends turns the line ends in b into LF.
func (b *blocks) ends(p []byte) {
	for b.cr {
		i := bytes.IndexByte(p, '\r')
		if i < 0 {
			return
		}
		p[i] = '\n'
		p = p[i+1:]
	}
}

// cutLine returns the first line of b without its end, and how long it is with it.
func cutLine(b []byte) (line []byte, size int) {
	size = bytes.IndexByte(b, '\n') + 1
	line = b[:max(size-1, 0)]
	if size == 0 {
		line, size = b, len(b)
	}
	if n := len(line); n > 0 && line[n-1] == '\r' {
		line = line[:n-1]
	}
	return line, size
}

// splitCells appends the cells of a line to cells, trimmed and without their quotes.
// A cell that begins with a quote ends at the next single one; whole is false if
// there is none.
func splitCells(cells [][]byte, line []byte, delimiter byte) (_ [][]byte, whole bool) {
	for {
		cell, rest, more, ok := cutCell(line, delimiter)
		cells = append(cells, cell)
		if !more || !ok {
			return cells, ok
		}
		line = rest
	}
}

// cutCell returns the first cell of a line, what follows its delimiter, and whether
// there was one.
func cutCell(line []byte, delimiter byte) (cell, rest []byte, more, ok bool) {
	start := trimLeft(line, delimiter)
	if len(start) > 0 && start[0] == '"' {
		return cutQuoted(start, delimiter)
	}
	end := bytes.IndexByte(line, delimiter)
	if end < 0 {
		return bytes.TrimSpace(line), nil, false, true
	}
	return bytes.TrimSpace(line[:end]), line[end+1:], true, true
}

func cutQuoted(line []byte, delimiter byte) (cell, rest []byte, more, ok bool) {
	doubled := false
	for i := 1; i < len(line); i++ {
		if line[i] != '"' {
			continue
		}
		if i+1 < len(line) && line[i+1] == '"' {
			doubled = true
			i++
			continue
		}
		cell = line[1:i]
		if doubled {
			cell = bytes.ReplaceAll(cell, []byte(`""`), []byte(`"`))
		}
		after := trimLeft(line[i+1:], delimiter)
		switch {
		case len(after) == 0:
			return bytes.TrimSpace(cell), nil, false, true
		case after[0] == delimiter:
			return bytes.TrimSpace(cell), after[1:], true, true
		}
		break
	}
	return line, nil, false, false
}

// trimLeft cuts blanks that are no delimiters.
func trimLeft(b []byte, delimiter byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') && b[0] != delimiter {
		b = b[1:]
	}
	return b
}
