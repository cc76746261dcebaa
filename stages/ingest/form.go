package ingest

import (
	"bytes"
	"encoding/binary"
)

// form is how a number is written without its sign: so many digits, or digits, a mark and digits. Most columns are written
// in one form from end to end. A number that is expected in a form is checked and read at once, without finding where it
// ends, which would hold up the reading of the next. A number's last byte is the highest of word.
type form struct {
	size       int        // bytes; 0 of none
	word, more word       // the last 8 bytes, and up to 8 before them
	carry      uint64     // 0xff where the mark is in word, and the last byte of more comes into it in the mark's stead
	scale      [2]float64 // what the digits, as a whole number, are divided by; of a negative number
}

// word is what 8 bytes of a form are checked and read with.
type word struct {
	kept          uint64 // 0xff where a byte is the number's
	zero          uint64 // '0' for each digit, the mark for the mark
	odd           uint64 // what takes a byte above 0x7f that is too large to stand where it does, zero taken off
	before, after uint64 // 0xff where a digit is before the mark, and where it is not
}

const (
	longestForm = 16 // bytes
	mostDigits  = 15 // of a whole number that float64 surely holds
	highBits    = 0x8080808080808080
)

// noForm takes no number.
var noForm = form{word: word{odd: highBits}}

// formOf returns the form of a number without its sign, noForm where it has none.
func formOf(number []byte, mark byte) form {
	point, digits := -1, 0
	for i, c := range number {
		switch {
		case c-'0' < 10:
			digits++
		case c == mark && point < 0:
			point = i
		default:
			return noForm
		}
	}
	if digits == 0 || digits > mostDigits {
		return noForm
	}
	f, last := form{size: len(number)}, len(number)-1
	scale := 1.0
	if point >= 0 {
		scale = pow10[last-point]
	}
	if f.scale = [2]float64{scale, -scale}; point >= 0 && last-point < 8 {
		f.carry = 0xff
	}
	for i := range longestForm { // from the end
		w, bit := &f.word, 8*(7-i%8)
		if i >= 8 {
			w = &f.more
		}
		w.set(bit, i <= last, point >= 0 && i == last-point, point >= 0 && i > last-point, mark)
	}
	return f
}

// set says what the byte at a bit of a word is.
func (w *word) set(bit int, kept, isMark, before bool, mark byte) {
	const digit, atMost9, atMost0 = '0', 0x7f - 9, 0x7f
	switch {
	case !kept:
		return
	case isMark:
		w.zero |= uint64(mark) << bit
		w.odd |= atMost0 << bit
	default:
		w.zero |= digit << bit
		w.odd |= atMost9 << bit
		if before {
			w.before |= 0xff << bit
		} else {
			w.after |= 0xff << bit
		}
	}
	w.kept |= 0xff << bit
}

// digits returns the digits in 8 bytes, the last in the highest byte, each 0 to 9; ok tells whether there are digits and the
// mark where they are expected.
func (w *word) digits(b []byte) (d uint64, ok bool) {
	d = (binary.LittleEndian.Uint64(b) ^ w.zero) & w.kept
	return d, (d|(d+w.odd))&highBits == 0
}

// without moves the digits before the mark into its place.
func (w *word) without(d uint64) uint64 { return d&w.before<<8 | d&w.after }

// target is a column that takes a cell of every row.
type target struct {
	col    []float64
	step   int        // bytes from a number's first digit to the next cell
	near   word       // of the form expected, if it has 8 bytes at most
	scale  [2]float64 // of the form expected
	end    uint16     // what follows a number, in the lower byte or in both
	ends   uint16     // 0xff, or 0xffff where two bytes do
	gap    int        // how many bytes do
	last   bool       // of its row
	loose  bool       // numbers are in too many forms to expect one
	misses int        // numbers that were in another form than expected
	form   *form      // expected
}

// targetOf returns the target for a column, with a delimiter or, of the last column of a row, a line end after it.
func targetOf(delimiter byte, last bool) target {
	t := target{end: uint16(delimiter), ends: 0xff, gap: 1, last: last}
	if last {
		t.end = '\n'
	}
	t.expect(&noForm)
	return t
}

// expect says in which form numbers are.
func (t *target) expect(f *form) {
	t.form, t.near, t.scale, t.step = f, f.word, f.scale, f.size+t.gap
	if f.size > 8 {
		t.near = noForm.word
	}
}

// twoBytes says that a line ends in CR and LF.
func (t *target) twoBytes() {
	t.end, t.ends, t.step, t.gap = '\r'|'\n'<<8, 0xffff, t.step-t.gap+2, 2
}

// scan reads the cell at b[p] in whatever form it is, and returns where the next one begins; -1 where it is no plain number.
func (t *target) scan(b []byte, p int, decimal byte) (v float64, next int) {
	v, end, ok := scanNumber(b, p, decimal)
	if !ok || end >= len(b) {
		return 0, -1
	}
	mark := byte(t.end)
	if t.last {
		end, mark = skipCR(b, end), '\n'
	}
	if b[end] != mark {
		return 0, -1
	}
	return v, end + 1
}

// other is scan for a number that is not in the form expected, or near the end of b, or longer than 8 bytes. row counts those
// that came before.
func (t *target) other(b []byte, p, row int, decimal byte, known *forms) (v float64, next int) {
	if v, end, ok := t.long(b, p); ok {
		return v, end + t.gap
	}
	if v, next = t.scan(b, p, decimal); next < 0 {
		return v, next
	}
	end := next - 1
	if t.last && b[end-1] == '\r' {
		if end--; t.gap == 1 {
			t.twoBytes()
		}
	}
	t.learn(b[p:end], row, decimal, known)
	return v, next
}

// long reads a number of more than 8 bytes in the form expected.
func (t *target) long(b []byte, p int) (v float64, end int, ok bool) {
	f := t.form
	if f.size <= 8 || p >= len(b) {
		return 0, 0, false
	}
	neg := 0
	if b[p] == '-' {
		neg = 1
	}
	end = p + neg + f.size
	if end < longestForm || end+2 > len(b) || binary.LittleEndian.Uint16(b[end:])&t.ends != t.end {
		return 0, 0, false
	}
	low, ok := f.word.digits(b[end-8 : end])
	high, also := f.more.digits(b[end-16 : end-8])
	if !ok || !also {
		return 0, 0, false
	}
	mant := joined(f.more.without(high), 8)*1e8 + joined(f.word.without(low)|high>>56&f.carry, 8)
	return float64(int64(mant)) / f.scale[neg&1], end, true
}

// missed is by how many numbers in other forms than expected, and by which share of all, a column is found to have none.
const (
	missed      = 64
	missedShare = 16
)

// learn expects the form of a number from now on, unless a column has too many of other forms.
func (t *target) learn(number []byte, row int, decimal byte, known *forms) {
	if t.misses++; t.misses > row/missedShare+missed {
		t.loose = true
		return
	}
	if number[0] == '-' {
		number = number[1:]
	}
	t.expect(known.of(number, decimal))
}

// forms are those that were met, by their length and where their mark is, from 1; 0 without one.
type forms [longestForm + 1][longestForm + 1]*form

// of returns the form of a number without its sign.
func (k *forms) of(number []byte, decimal byte) *form {
	if len(number) > longestForm {
		return &noForm
	}
	at := &k[len(number)][1+bytes.IndexByte(number, decimal)]
	if *at == nil {
		f := formOf(number, decimal)
		if f.size == 0 {
			return &noForm
		}
		*at = &f
	}
	return *at
}
