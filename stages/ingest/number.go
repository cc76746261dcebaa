package ingest

import (
	"encoding/binary"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// pow10 holds the powers of ten that float64 represents exactly.
var pow10 = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// parseFloat returns what strconv.ParseFloat(string(b), 64) returns, bit for bit.
func parseFloat(b []byte) (float64, error) {
	if v, end, ok := scanLong(b, 0, '.'); ok && end == len(b) { // no bytes follow that would help scanNumber
		return v, nil
	}
	return strconv.ParseFloat(string(b), 64)
}

// scanNumber reads the decimal number that begins at b[i] and returns its value
// and where it ends. It takes only numbers whose value is surely that of one
// rounding: up to 19 significant digits, which make a whole number below 2^64, times
// or divided by a power of ten. It leaves all others to the caller with ok false.
//
// What most cells hold is read here, without a jump that depends on the sign or on how
// many digits follow the mark, which no processor can guess: up to 8 digits, or these, a mark, up
// to 7 digits. All 15 make a whole number that float64 holds exactly; see scaled.
func scanNumber(b []byte, i int, decimal byte) (v float64, end int, ok bool) {
	if i >= len(b) {
		return 0, i, false
	}
	sign := uint64(0)
	if b[i] == '-' {
		sign = 1
	}
	first := i + int(sign)
	p, mant := first, uint64(0)
	for p < len(b) && b[p]-'0' < 10 {
		mant = mant*10 + uint64(b[p]-'0')
		p++
	}
	point := p + 1
	if p == first || p-first > 8 || len(b)-point < 8 {
		return scanLong(b, i, decimal)
	}
	if b[p] != decimal {
		if b[p]|0x20 == 'e' {
			return scanLong(b, i, decimal)
		}
		return math.Float64frombits(math.Float64bits(float64(int64(mant))) | sign<<63), p, true
	}
	w, n := digitsOf(b[point : point+8 : point+8]) // the capacity spares a check
	end = point + n
	if n > 7 || b[end]|0x20 == 'e' {
		return scanLong(b, i, decimal)
	}
	v = float64(int64(mant*powers[n]+joined(w, n))) / pow10[n]
	return math.Float64frombits(math.Float64bits(v) | sign<<63), end, true
}

// scanLong is scanNumber for any number.
func scanLong(b []byte, i int, decimal byte) (v float64, end int, ok bool) {
	neg := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		neg = b[i] == '-'
		i++
	}
	first := i
	mant := uint64(0)
	for i < len(b) && b[i]-'0' < 10 {
		mant = mant*10 + uint64(b[i]-'0')
		i++
	}
	digits, exp := i-first, 0
	if i < len(b) && b[i] == decimal {
		point := i + 1
		mant, i = scanDigits(b, point, mant)
		exp = point - i
		digits -= exp
	}
	if digits-1 >= 19 { // more than 19 may overflow, leading zeros aside
		digits -= leadingZeros(b[first:i])
	}
	if digits == 0 || digits > 19 {
		return 0, i, false
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		e, j, good := scanExponent(b, i+1)
		if !good {
			return 0, i, false
		}
		exp, i = exp+e, j
	}
	if v, ok = scaled(mant, exp); neg {
		v = -v
	}
	return v, i, ok
}

// scanDigits appends the digits at b[i] to a whole number, eight at a time.
func scanDigits(b []byte, i int, mant uint64) (_ uint64, end int) {
	for i+8 <= len(b) {
		w, n := digitsOf(b[i:])
		mant = mant*powers[n] + joined(w, n)
		i += n
		if n < 8 {
			return mant, i
		}
	}
	for i < len(b) && b[i]-'0' < 10 {
		mant = mant*10 + uint64(b[i]-'0')
		i++
	}
	return mant, i
}

// digitsOf returns the first 8 bytes of b less '0', the first in the lowest byte,
// and how many of them are digits before another byte comes.
func digitsOf(b []byte) (w uint64, n int) {
	w = binary.LittleEndian.Uint64(b) ^ 0x3030303030303030
	other := (w | (w + 0x7676767676767676)) & 0x8080808080808080 // bytes over 9
	return w, bits.TrailingZeros64(other) / 8
}

// joined is the whole number of the first n digits of w: moved to its end, with zeros
// before them, and added up in three multiplications, each joining neighbours.
func joined(w uint64, n int) uint64 {
	w <<= uint(8-n) * 8
	w = w*10 + w>>8
	return ((w&0x000000ff000000ff)*(100+1000000<<32) + (w>>16&0x000000ff000000ff)*(1+10000<<32)) >> 32
}

// leadingZeros counts the zeros before the first other digit of a number.
func leadingZeros(b []byte) int {
	n := 0
	for _, c := range b {
		if c-'1' < 9 {
			break
		}
		if c == '0' {
			n++
		}
	}
	return n
}

// powers holds the powers of ten that uint64 holds.
var powers = [...]uint64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19,
}

// scaled returns mant times 10^exp, rounded once, where that is simple: whole number
// and power are exact as float64 (W. D. Clinger, "How to read floating point numbers
// accurately", PLDI 1990, doi:10.1145/93542.93557), or a division of whole numbers
// gives the quotient to 62 bits and tells whether there is a remainder.
func scaled(mant uint64, exp int) (v float64, ok bool) {
	switch {
	case mant <= 1<<53 && -22 <= exp && exp <= 0:
		return float64(mant) / pow10[-exp], true
	case mant <= 1<<53 && 0 < exp && exp <= 22:
		return float64(mant) * pow10[exp], true
	case exp == 0:
		return float64(mant), true
	case mant != 0 && -19 <= exp && exp < 0:
		return quotient(mant, powers[-exp]), true
	}
	return 0, false
}

// quotient returns x/y rounded to nearest, x not 0. The quotient of both with their
// highest bits set, times 2^63, lies between 2^62 and 2^64; its lowest bit, far below
// where float64 rounds, stands for the remainder.
func quotient(x, y uint64) float64 {
	up, down := bits.LeadingZeros64(x), bits.LeadingZeros64(y)
	x, y = x<<up, y<<down
	q, rest := bits.Div64(x>>1, x<<63, y)
	if rest != 0 {
		q |= 1
	}
	return float64(q) * math.Float64frombits(uint64(1023-63+down-up)<<52)
}

// scanExponent reads the signed exponent at b[i], of at most three digits.
func scanExponent(b []byte, i int) (exp, end int, ok bool) {
	neg := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		neg = b[i] == '-'
		i++
	}
	first := i
	for i < len(b) && b[i]-'0' < 10 && i-first < 4 {
		exp = exp*10 + int(b[i]-'0')
		i++
	}
	if neg {
		exp = -exp
	}
	return exp, i, i > first && i-first < 4
}

// content says what a cell holds.
type content uint8

const (
	number  content = iota // a finite number
	missing                // nothing, a mark for a missing value, or no finite number
	text                   // anything else
)

// missingMarks are the cells that stand for a missing value, in lower case.
var missingMarks = map[string]bool{
	"": true, "-": true, "--": true, "nan": true, "na": true, "n/a": true, "null": true, "none": true,
}

// cellNumber reads a trimmed cell. While *decimal is 0 no decimal mark has been
// seen yet, and the first cell with one decides.
func cellNumber(cell []byte, decimal *byte) (float64, content) {
	if len(cell) <= 4 && missingMarks[lower(cell)] {
		return math.NaN(), missing
	}
	mark := *decimal
	for _, c := range cell {
		if c != '.' && c != ',' {
			continue
		}
		if mark == 0 {
			mark = c
		}
		if c != mark {
			return 0, text
		}
	}
	if !decimalForm(cell) {
		return notFinite(cell)
	}
	plain := cell
	if mark == ',' {
		plain = append(make([]byte, 0, len(cell)), cell...)
		for i, c := range plain {
			if c == ',' {
				plain[i] = '.'
			}
		}
	}
	v, err := parseFloat(plain)
	switch {
	case math.IsInf(v, 0): // beyond float64
		return math.NaN(), missing
	case err != nil:
		return 0, text
	}
	*decimal = mark
	return v, number
}

// decimalForm tells whether a cell has only what a decimal number is written with. What
// strconv takes beyond that is no number of a recording: hexadecimal ones and digits
// with underscores.
func decimalForm(cell []byte) bool {
	for _, c := range cell {
		switch {
		case c-'0' < 10, c == '.', c == ',', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return false
		}
	}
	return true
}

// infinities are what else is written for a value that is not finite, in lower case,
// without a sign: by IEEE 754-2019, 5.12.1, and as C runtimes and spreadsheets do
// (common practice, no source).
var infinities = map[string]bool{
	"inf": true, "infinity": true, "nan": true, "snan": true, "qnan": true, "#inf": true, "#nan": true, "#ind": true,
	"#n/a": true, "#na": true, "#num!": true, "#div/0!": true, "#value!": true, "#null!": true,
	"nan(ind)": true, "nan(snan)": true, "1.#inf": true, "1.#ind": true, "1.#qnan": true, "1.#snan": true,
}

// notFinite tells a value that is not finite from text.
func notFinite(cell []byte) (float64, content) {
	const longest = 32
	s := strings.ToLower(string(cell[:min(len(cell), longest)]))
	if s != "" && (s[0] == '-' || s[0] == '+') {
		s = s[1:]
	}
	if strings.HasPrefix(s, "1,#") {
		s = "1." + s[2:]
	}
	if strings.HasPrefix(s, "1.#") { // padded to the number's digits
		s = strings.TrimRight(s, "0")
	}
	if len(cell) < longest && infinities[s] {
		return math.NaN(), missing
	}
	return 0, text
}

func lower(b []byte) string {
	var s [4]byte
	for i, c := range b {
		if 'A' <= c && c <= 'Z' {
			c += 'a' - 'A'
		}
		s[i] = c
	}
	return string(s[:len(b)])
}
