package ingest

import (
	"bytes"
	"errors"
	"io"
	"unicode/utf16"
	"unicode/utf8"
)

// Names of the encodings of text. Latin-1 and UTF-8 share the bytes that numbers
// and delimiters are made of, so which of them a name is in is seen name by name.
const (
	utf8Text = "utf-8"
	utf8BOM  = "utf-8 with byte-order mark"
	utf16LE  = "utf-16le"
	utf16BE  = "utf-16be"
	latin1   = "latin-1"
	oddUTF16 = "the utf-16 text ends in the middle of a character"
)

const byteOrderMark = "\xef\xbb\xbf" // of UTF-8

// decode returns the text of r without a byte-order mark; UTF-16 becomes UTF-8.
func decode(r io.Reader) (io.Reader, string, error) {
	var head [3]byte
	n, err := io.ReadFull(r, head[:])
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return nil, "", err
	}
	if err == io.ErrUnexpectedEOF && n == 0 {
		return nil, "", err
	}
	rest := func(skip int) io.Reader {
		return io.MultiReader(bytes.NewReader(bytes.Clone(head[skip:n])), r)
	}
	switch {
	case n == 3 && string(head[:]) == byteOrderMark:
		return r, utf8BOM, nil
	case n >= 2 && head[0] == 0xff && head[1] == 0xfe:
		return &wide{r: rest(2)}, utf16LE, nil
	case n >= 2 && head[0] == 0xfe && head[1] == 0xff:
		return &wide{r: rest(2), big: true}, utf16BE, nil
	}
	return rest(0), utf8Text, nil
}

// wide turns UTF-16 into UTF-8. A surrogate without its other half becomes U+FFFD.
type wide struct {
	r    io.Reader
	big  bool
	in   [32 << 10]byte
	held int    // bytes at the start of in that are not used yet
	out  []byte // text that is not delivered yet
	buf  []byte
	err  error
}

func (w *wide) Read(p []byte) (int, error) {
	for len(w.out) == 0 {
		if w.err != nil {
			return 0, w.err
		}
		w.fill()
	}
	n := copy(p, w.out)
	w.out = w.out[n:]
	return n, nil
}

func (w *wide) fill() {
	n, err := w.r.Read(w.in[w.held:])
	n += w.held
	used := w.convert(w.in[:n], err != nil)
	w.held = copy(w.in[:], w.in[used:n])
	if err == io.EOF && w.held > 0 {
		err = errors.New(oddUTF16)
	}
	w.err = err
}

// convert appends the text of whole characters to out and returns how many bytes
// they took. At the end of the input a lone high surrogate is whole.
func (w *wide) convert(in []byte, last bool) int {
	w.buf = w.buf[:0]
	i := 0
	for ; i+1 < len(in); i += 2 {
		u := w.unit(in[i:])
		if u < utf8.RuneSelf {
			w.buf = append(w.buf, byte(u))
			continue
		}
		r := rune(u)
		if utf16.IsSurrogate(r) {
			if i+3 >= len(in) && !last && u < 0xdc00 {
				break
			}
			pair := rune(utf8.RuneError)
			if i+3 < len(in) {
				pair = utf16.DecodeRune(r, rune(w.unit(in[i+2:])))
			}
			if pair != utf8.RuneError {
				i += 2
			}
			r = pair
		}
		w.buf = utf8.AppendRune(w.buf, r)
	}
	w.out = w.buf
	return i
}

func (w *wide) unit(b []byte) uint16 {
	if w.big {
		return uint16(b[0])<<8 | uint16(b[1])
	}
	return uint16(b[1])<<8 | uint16(b[0])
}

func (l textLine) isLatin1() bool { return !utf8.Valid(l.text) }

// name returns a cell of the header as text: UTF-8 if it is valid, else Latin-1.
func name(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	out := make([]rune, len(b))
	for i, c := range b {
		out[i] = rune(c)
	}
	return string(out)
}
