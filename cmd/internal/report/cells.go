package report

import (
	"encoding/xml"
	"math"
	"strconv"
	"strings"
	"sync"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"

	"lapwear/stages/frame"
)

// rows are rows of a table for a sheet, under its head. They are written as the library would
// write them, in a tenth of the time.
type rows struct {
	table   *frame.Frame
	from, n int
	top     int // rows of the sheet above them, its head aside
}

// longestText is how many UTF-16 units a cell's text has at most; what is longer is cut.
const longestText = 32767

// rowsAtOnce is about how many bytes of a sheet are written at once.
const rowsAtOnce = 1 << 16

// rowTexts are the memory in which rows are written.
var rowTexts = sync.Pool{New: func() any { b := make([]byte, 0, rowsAtOnce+rowsAtOnce/4); return &b }}

// write writes the rows' elements (ECMA-376 part 1, 18.3.1.73), in pieces that are valid until write returns.
func (r rows) write(write func([]byte)) {
	columns := make([]cellColumn, len(r.table.Columns()))
	for i, c := range r.table.Columns() {
		name, _ := excelize.ColumnNumberToName(i + 1) // fails only beyond what the head has been written to
		columns[i] = cellColumn{values: c.Values(), open: `<c r="` + name, number: noNumber}
	}
	space := rowTexts.Get().(*[]byte)
	defer rowTexts.Put(space)
	text := (*space)[:0]
	var number []byte
	for i := range r.n {
		number = append(strconv.AppendInt(number[:0], int64(r.top+i+2), 10), '"')
		text = append(append(append(text, `<row r="`...), number...), '>')
		for k := range columns {
			text = columns[k].append(text, number, r.from+i)
		}
		text = append(text, `</row>`...)
		if len(text) >= rowsAtOnce {
			write(text)
			text = text[:0]
		}
	}
	write(text)
	*space = text
}

// cellColumn is a column whose cells are being written.
type cellColumn struct {
	values any
	open   string // how its cells begin, up to the row's number
	said   string // the last text
	number uint64 // the bits of the last number; noNumber = there is none
	text   []byte // and what follows the row's number with it
}

// noNumber is the bits of a NaN, which has no cell.
const noNumber = math.MaxUint64

// append appends a cell (ECMA-376 part 1, 18.3.1.4); what is not known has none. number is the row's, with the quote behind it.
func (c *cellColumn) append(dst, number []byte, row int) []byte {
	switch v := c.values.(type) {
	case []float64:
		return c.appendNumber(dst, number, v[row])
	case []float32:
		return c.appendNumber(dst, number, float64(v[row]))
	case []int64:
		return append(strconv.AppendInt(c.openNumber(dst, number), v[row], 10), `</v></c>`...)
	case []int32:
		return append(strconv.AppendInt(c.openNumber(dst, number), int64(v[row]), 10), `</v></c>`...)
	case []bool:
		digit := byte('0')
		if v[row] {
			digit = '1'
		}
		return append(append(append(append(append(dst, c.open...), number...), ` t="b"><v>`...), digit), `</v></c>`...)
	case []string:
		return c.appendText(dst, number, v[row])
	}
	return dst
}

func (c *cellColumn) openNumber(dst, number []byte) []byte {
	return append(append(append(dst, c.open...), number...), `><v>`...)
}

func (c *cellColumn) appendNumber(dst, number []byte, x float64) []byte {
	switch {
	case math.IsNaN(x):
		return dst
	case math.IsInf(x, 1):
		return c.appendText(dst, number, "inf")
	case math.IsInf(x, -1):
		return c.appendText(dst, number, "-inf")
	}
	if bits := math.Float64bits(x); bits != c.number {
		c.number, c.said = bits, ""
		c.text = append(appendRounded(append(c.text[:0], `><v>`...), x), `</v></c>`...)
	}
	return append(append(append(dst, c.open...), number...), c.text...)
}

func (c *cellColumn) appendText(dst, number []byte, s string) []byte {
	if s == "" {
		return dst
	}
	if s != c.said {
		c.number, c.said, c.text = noNumber, s, appendInline(c.text[:0], s)
	}
	return append(append(append(dst, c.open...), number...), c.text...)
}

// appendInline appends what follows a cell's place where it holds a text: space at its ends is kept.
func appendInline(dst []byte, s string) []byte {
	if plain(s) {
		return append(append(append(dst, ` t="inlineStr"><is><t>`...), s...), `</t></is></c>`...)
	}
	s = fitting(strings.ToValidUTF8(s, "\uFFFD"))
	dst = append(dst, ` t="inlineStr"><is><t`...)
	if strings.Trim(s, "\t\n\r ") != s {
		dst = append(dst, ` xml:space="preserve"`...)
	}
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a builder never fails
	dst = appendUnescapable(append(dst, '>'), strings.ReplaceAll(b.String(), "&#xA;", "\n"))
	return append(dst, `</t></is></c>`...)
}

// plain tells of nearly all texts that a cell holds them as they are: short ones of ASCII letters that mean nothing to XML, with space between them alone.
func plain(s string) bool {
	for i := range len(s) {
		switch c := s[i]; c {
		case '"', '&', '\'', '<', '>', '_':
			return false
		default:
			if c < ' ' || c > '~' || c == ' ' && (i == 0 || i == len(s)-1) {
				return false
			}
		}
	}
	return len(s) <= longestText
}

// fitting cuts a text that is too long for a cell.
func fitting(s string) string {
	if len(s) <= longestText {
		return s
	}
	n := 0
	for i, r := range s {
		if n += utf16.RuneLen(r); n > longestText {
			return s[:i]
		}
	}
	return s
}

// appendUnescapable appends a text so that nothing in it is read as the escape of a character: each underscore
// that begins what looks like one is escaped itself, also where two of them share one.
func appendUnescapable(dst []byte, s string) []byte {
	for {
		at := strings.Index(s, "_x")
		if at < 0 {
			return append(dst, s...)
		}
		dst = append(dst, s[:at]...)
		if isEscape(s[at:]) {
			dst = append(dst, "_x005F"...)
		}
		dst, s = append(dst, '_'), s[at+1:]
	}
}

// isEscape tells whether a text begins with the escape of a character (ECMA-376 part 1, 22.9.2.19): _xHHHH_ with hexadecimal digits.
func isEscape(s string) bool {
	if len(s) < len("_xHHHH_") || s[:2] != "_x" || s[6] != '_' {
		return false
	}
	_, err := strconv.ParseUint(s[2:6], 16, 16) // takes no sign and, with a base, no underscore
	return err == nil
}

// cellDigits is how many significant digits spreadsheets keep.
const cellDigits = 15

// oddNumber tells of a finite number near either end of the range: it has fewer digits than a cell, or may round to one without end.
func oddNumber(x float64) bool {
	a := math.Abs(x)
	return a > 1e300 && !math.IsInf(a, 1) || a < 1e-300 && a > 0
}

// appendOdd appends such a number, rounded unless that is without end.
func appendOdd(dst []byte, x float64) []byte {
	if rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', cellDigits, 64), 64); err == nil {
		x = rounded
	}
	return strconv.AppendFloat(dst, x, 'f', -1, 64)
}

// appendRounded appends a finite number rounded to the digits of a cell, without an exponent.
func appendRounded(dst []byte, x float64) []byte {
	if short, ok := frame.AppendDecimal(dst, x); ok {
		return short
	}
	if oddNumber(x) {
		return appendOdd(dst, x)
	}
	var space [32]byte
	text := strconv.AppendFloat(space[:0], x, 'e', cellDigits-1, 64) // d.ddd…e±dd
	if text[0] == '-' {
		dst, text = append(dst, '-'), text[1:]
	}
	exponent, _ := strconv.Atoi(string(text[cellDigits+2:]))
	text[1] = text[0]
	digits := text[1 : cellDigits+1]
	for len(digits) > 1 && digits[len(digits)-1] == '0' {
		digits = digits[:len(digits)-1]
	}
	return appendFixed(dst, digits, exponent)
}

// appendFixed appends d.ddd times ten to the power of the exponent.
func appendFixed(dst, digits []byte, exponent int) []byte {
	whole := exponent + 1
	switch {
	case whole <= 0:
		dst = append(dst, '0', '.')
		for range -whole {
			dst = append(dst, '0')
		}
		return append(dst, digits...)
	case whole < len(digits):
		return append(append(append(dst, digits[:whole]...), '.'), digits[whole:]...)
	}
	dst = append(dst, digits...)
	for range whole - len(digits) {
		dst = append(dst, '0')
	}
	return dst
}
