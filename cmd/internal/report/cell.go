package report

import (
	"math"
	"strconv"
	"unicode/utf8"

	"lapwear/cmd/internal/report/figure"
)

// cell is a cell of a grid: a text, or a number, which is written out when the page is.
type cell struct {
	Text   string
	Number float64
	Form   form
	Kind   kind
}

// form is how a cell's number is written.
type form uint8

const (
	formText    form = iota // no number
	formNumber              // as figure.Number writes it
	formCount               // in full where it is whole
	formPercent             // of 1
)

// kind is what a cell looks like.
type kind uint8

const (
	kindPlain kind = iota
	kindGood
	kindBad
	kindWatch
	kindLong // may wrap
	kindSum  // of a file
)

// textBegins and numberBegins are how cells of each kind begin; of a number, up to what it sorts by.
var (
	textBegins = [...]string{kindPlain: `<td>`, kindGood: `<td class="good">`, kindBad: `<td class="bad">`, kindWatch: `<td class="watch">`,
		kindLong: `<td class="long">`, kindSum: `<td class="sum">`}
	numberBegins = [...]string{kindPlain: `<td class="n" data-v="`, kindGood: `<td class="n good" data-v="`, kindBad: `<td class="n bad" data-v="`,
		kindWatch: `<td class="n watch" data-v="`, kindLong: `<td class="n long" data-v="`, kindSum: `<td class="n sum" data-v="`}
)

// longText is the length in letters from which on a cell's text may wrap.
const longText = 32

func text(s string) cell {
	if len(s) > longText && utf8.RuneCountInString(s) > longText {
		return cell{Text: s, Kind: kindLong}
	}
	return cell{Text: s}
}

// count is a number of things.
func count(v float64) cell { return cell{Number: v, Form: formCount} }

func number(v float64) cell { return cell{Number: v, Form: formNumber} }

func percent(v float64) cell { return cell{Number: v, Form: formPercent} }

// stands tells whether there is anything in the cell.
func (c *cell) stands() bool {
	if c.Form == formText {
		return c.Text != ""
	}
	return !math.IsNaN(c.Number)
}

// append appends the cell's element.
func (c *cell) append(dst []byte) []byte {
	if c.Form == formText {
		dst = append(dst, textBegins[c.Kind]...)
		return append(appendEscaped(dst, c.Text, inCell), "</td>"...)
	}
	dst = c.appendSorted(append(dst, numberBegins[c.Kind]...))
	dst = append(dst, `">`...)
	switch {
	case c.Form == formPercent:
		dst = appendPercent(dst, c.Number, "&lt;", "&gt;")
	case c.Form == formCount && c.Number == math.Trunc(c.Number) && math.Abs(c.Number) < 1e15:
		dst = strconv.AppendFloat(dst, c.Number, 'f', 0, 64)
	default:
		dst = figure.AppendNumber(dst, c.Number) // with nothing to escape
	}
	return append(dst, "</td>"...)
}

// appendSorted appends what a number sorts by, nothing where it is not known.
func (c *cell) appendSorted(dst []byte) []byte {
	switch v := c.Number; {
	case math.IsInf(v, 0):
		return strconv.AppendFloat(dst, math.Copysign(math.MaxFloat64, v), 'g', 3, 64)
	case !math.IsNaN(v):
		return strconv.AppendFloat(dst, v, 'g', 6, 64)
	}
	return dst
}

func percentText(v float64) string { return string(appendPercent(nil, v, "<", ">")) }

// appendPercent appends a share as a person reads it, in the reader's signs for less and more.
func appendPercent(dst []byte, v float64, less, more string) []byte {
	switch {
	case math.IsNaN(v):
		return append(dst, "–"...)
	case v > 0 && v < 0.001:
		return append(append(dst, less...), "0.1 %"...)
	case v < 1 && v > 0.999:
		return append(append(dst, more...), "99.9 %"...)
	}
	return append(strconv.AppendFloat(dst, 100*v, 'f', 1, 64), " %"...)
}
