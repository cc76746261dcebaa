package ingest

import (
	"bytes"
	"encoding/binary"
)

// form is how a number is written without its sign: so many digits, or digits, a mark and digits. Most columns are written
// in one form from end to end. A number that is expected in a form is checked and read at once, without finding where it
// ends, which would hold up the reading of the next. A number's last byte is the highest of word.
type form struct {
	size       int        // bytes
	word, more word       // the last 8 bytes, and up to 8 before them
	above      uint64     // what a one of more's whole number is worth
	scale      [2]float64 // what the digits, as a whole number, are divided by; of a negative number
}

// word is what 8 bytes of a form are checked and read with.
type word struct {
	kept  uint64    // 0xff where a byte is the number's
	zero  uint64    // '0' for each digit, the mark for the mark
	odd   uint64    // what takes a byte above 0x7f that is too large to stand where it does, zero taken off
	times [2]uint64 // what the pairs of bytes 0-1 (high half) and 4-5 (low half) are worth, as numbers of two digits; 2-3 and 6-7
}

const (
	longestForm = 16 // bytes
	mostDigits  = 15 // of a whole number that float64 surely holds, also with a zero behind it: it is even then
	highBits    = 0x8080808080808080
)

// formOf returns the form of a number without its sign, nil where it has none.
func formOf(number []byte, mark byte) *form {
	point, digits := -1, 0
	for i, c := range number {
		switch {
		case c-'0' < 10:
			digits++
		case c == mark && point < 0:
			point = i
		default:
			return nil
		}
	}
	if digits == 0 || digits > mostDigits {
		return nil
	}
	last := len(number) - 1
	f, least := &form{size: len(number)}, zeroBehind(point == last)
	scale := 1.0
	if point >= 0 {
		scale = pow10[last-point+least]
	}
	f.scale = [2]float64{scale, -scale}
	w, exp := &f.word, least
	for i := range len(number) { // from the end
		if i == 8 {
			zeros := zeroBehind(point == last-8)
			f.above = powers[exp-zeros]
			w, exp = &f.more, zeros
		}
		exp += w.set(7-i%8, i == last-point, mark, exp)
	}
	return f
}

// zeroBehind is how many zeros a word's whole number has at its end: one where the word ends with the mark, which counts as a 0 in its pair.
func zeroBehind(mark bool) int {
	if mark {
		return 1
	}
	return 0
}

// set says what byte k of a word is: the mark, or a digit of so many powers of ten, and returns how many more the next one has.
func (w *word) set(k int, isMark bool, mark byte, exp int) int {
	const atMost9, atMost0 = 0x7f - 9, 0x7f
	bit := 8 * k
	w.kept |= 0xff << bit
	if isMark {
		w.zero |= uint64(mark) << bit
		w.odd |= atMost0 << bit
		return 0
	}
	w.zero |= '0' << bit
	w.odd |= atMost9 << bit
	// A pair is worth what its second byte is; before a mark a tenth of what its first is.
	w.times[k/2%2] |= powers[exp-1+k%2] << (32 - k/4*32)
	return 1
}

// digits returns the digits in 8 bytes, the last in the highest byte, each 0 to 9; ok tells whether there are digits and the
// mark where they are expected.
func (w *word) digits(b []byte) (d uint64, ok bool) {
	d = (binary.LittleEndian.Uint64(b) ^ w.zero) & w.kept
	return d, (d|(d+w.odd))&highBits == 0
}

// number is the whole number of digits: neighbours are joined in pairs, and these are added up, two by a multiplication.
func (w *word) number(d uint64) uint64 {
	d = d*10 + d>>8
	return (d&0x000000ff000000ff*w.times[0] + d>>16&0x000000ff000000ff*w.times[1]) >> 32
}

// cells are those of a column.
type cells struct {
	col []float64
	end byte // what follows each: the delimiter, or what a line end begins with
}

// near reads numbers of a form of up to 8 bytes from b[p] on, as the row-th of the columns. It returns how many there were before one
// of another form or with another end, and where the next begins. There have to be longestForm bytes before p, and from there on more
// than the numbers may take, with signs and ends.
func (f *form) near(cols []cells, row int, b []byte, p int) (n, next int) {
	size := f.size
	for n := range cols {
		c := &cols[n]
		last := p + size
		neg := 0
		if b[p] == '-' {
			neg = 1
		}
		last += neg
		d, ok := f.word.digits(b[last-8 : last : last])
		if !ok || b[last] != c.end {
			return n, p
		}
		p = last + 1
		c.col[row] = float64(int64(f.word.number(d))) / f.scale[neg&1]
	}
	return len(cols), p
}

// far is near for a form of more than 8 bytes.
func (f *form) far(cols []cells, row int, b []byte, p int) (n, next int) {
	for n := range cols {
		c := &cols[n]
		neg := 0
		if b[p] == '-' {
			neg = 1
		}
		last := p + f.size + neg
		cell := b[last-longestForm : last+1 : last+1]
		high, ok := f.more.digits(cell)
		low, also := f.word.digits(cell[8:])
		if !ok || !also || cell[longestForm] != c.end {
			return n, p
		}
		mant := f.more.number(high)*f.above + f.word.number(low)
		c.col[row] = float64(int64(mant)) / f.scale[neg&1]
		p = last + 1
	}
	return len(cols), p
}

// read is near or far, whichever the form is for.
func (f *form) read(cols []cells, row int, b []byte, p int) (n, next int) {
	if f.size <= 8 {
		return f.near(cols, row, b, p)
	}
	return f.far(cols, row, b, p)
}

// forms are those that were met, by their length and where their mark is, from 1; 0 without one.
type forms [longestForm + 1][longestForm + 1]*form

// of returns the form of a number without its sign, nil where it has none.
func (k *forms) of(number []byte, decimal byte) *form {
	if len(number) > longestForm {
		return nil
	}
	at := &k[len(number)][1+bytes.IndexByte(number, decimal)]
	if *at == nil {
		*at = formOf(number, decimal)
	}
	return *at
}
