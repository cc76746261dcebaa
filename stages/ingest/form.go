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
	f, last := &form{size: len(number)}, len(number)-1
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
		c.col[row] = float64(int64(joined(f.word.without(d), 8))) / f.scale[neg&1]
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
		mant := joined(f.more.without(high), 8)*1e8 + joined(f.word.without(low)|high>>56&f.carry, 8)
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
