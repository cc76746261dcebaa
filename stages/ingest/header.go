package ingest

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"lapwear/stages/frame"
)

// headerLines is how far down the line with the column names may stand.
const headerLines = 1000

// layout is where things stand in a text recording.
type layout struct {
	delimiter byte // noDelimiter when there is one column
	line      int  // number of the header's line, from 1
	cells     []string
	unitRow   []string // nil when there is none
	comment   byte     // begins comments before the header; see commentMark
	dataLine  int      // number of the first line of samples, or of the line after the last
	size      int      // bytes before that line
}

// textLine is a line of the beginning of a text.
type textLine struct {
	text []byte
	end  int // bytes up to and including its end
}

// firstLines cuts the beginning of a text into lines.
func firstLines(head []byte) []textLine {
	var out []textLine
	for end := 0; end < len(head) && len(out) < headerLines; {
		line, size := cutLine(head[end:])
		end += size
		out = append(out, textLine{line, end})
	}
	return out
}

// delimiters are tried in this order.
var delimiters = [...]byte{';', '\t', ','}

// cut returns the cells of a line as text, and the delimiter that is at work: none
// where it does not occur.
func cut(line []byte, delimiter byte) ([]string, byte) {
	cells, _ := splitCells(nil, line, delimiter)
	out := make([]string, len(cells))
	for i, c := range cells {
		out[i] = name(c)
	}
	if len(cells) == 1 {
		delimiter = noDelimiter
	}
	return out, delimiter
}

// places returns the cells that name a column: those that are its name, or, if there
// are none, those that are its name with a unit in brackets.
func places(cells []string, column string) []int {
	var exact, base []int
	for i, c := range cells {
		if c == column {
			exact = append(exact, i)
		} else if n, _, ok := bracketed(c); ok && n == column {
			base = append(base, i)
		}
	}
	if len(exact) > 0 {
		return exact
	}
	return base
}

// locate finds the header: the first line that has all needed columns as cells.
func locate(s *file, head []byte, needed []string) (layout, error) {
	lines := firstLines(head)
	if len(bytes.TrimSpace(head)) == 0 {
		return layout{}, s.refuse("the file is empty; export it again")
	}
	best, most := layout{}, 0
	for i, l := range lines {
		for _, d := range delimiters {
			cells, d := cut(l.text, d)
			found := 0
			for _, n := range needed {
				found += min(1, len(places(cells, n)))
			}
			at := layout{delimiter: d, line: i + 1, cells: cells}
			if found == len(needed) {
				return at.below(lines, needed), nil
			}
			if found > most {
				best, most = at, found
			}
		}
	}
	if most == 0 {
		best, _ = guess(lines)
	}
	return layout{}, s.refuse("%s", missingColumns(best, needed))
}

// missingColumns says which columns a header lacks and what it has instead.
func missingColumns(h layout, needed []string) string {
	if len(h.cells) == 0 {
		return fmt.Sprintf("no line among the first %d has the column names %s; name the columns as the recording does",
			headerLines, quoted(needed))
	}
	for _, n := range needed {
		if len(places(h.cells, n)) == 0 {
			return fmt.Sprintf("line %d: no column %q; nearest: %s; correct the name of the column",
				h.line, n, quoted(nearest(h.cells, n)))
		}
	}
	return ""
}

// below finds the rows of texts under the header, of units and of descriptions, and the
// first line of samples.
func (h layout) below(lines []textLine, needed []string) layout {
	h.comment = commentMark(lines[:h.line-1], h.delimiter)
	i := h.line
	var rows [][]string
	var ends []int // of each row, the line after it
	for i < len(lines) && len(rows) < textRows {
		if len(bytes.TrimSpace(lines[i].text)) > 0 {
			cells, _ := cut(lines[i].text, h.delimiter)
			if !h.holdsTexts(cells, needed) {
				break
			}
			rows, ends = append(rows, cells), append(ends, i+1)
		}
		i++
	}
	unit, used := pickUnits(rows)
	if unit >= 0 {
		h.unitRow = rows[unit]
	}
	i = h.line
	if used > 0 {
		i = ends[used-1]
	}
	for i < len(lines) && len(bytes.TrimSpace(lines[i].text)) == 0 {
		i++
	}
	h.dataLine, h.size = i+1, lines[i-1].end
	return h
}

// textRows is how many rows of texts may stand between header and samples.
const textRows = 4

// pickUnits tells which of the rows of texts under a header holds units, -1 for none,
// and how many of them are no samples. The rows before one that holds known units are
// descriptions, whatever they say; others only where they read like some. Without
// known units the first row that does not read like a description states units that
// are not known.
func pickUnits(rows [][]string) (unit, used int) {
	unit = slices.IndexFunc(rows, unitLike)
	used = unit + 1
	if unit < 0 {
		for used < len(rows) && wordy(rows[used]) {
			used++
		}
		if used < len(rows) {
			unit, used = used, used+1
		}
	}
	for used < len(rows) && (wordy(rows[used]) || unit >= 0 && unitLike(rows[unit]) && numberless(rows[used])) {
		used++
	}
	return unit, used
}

// numberless tells whether a row holds texts alone, two at least.
func numberless(cells []string) bool {
	texts := 0
	for _, c := range cells {
		if c == "" {
			continue
		}
		if contentOf(c) != text {
			return false
		}
		texts++
	}
	return texts >= 2
}

// wordy tells whether a row reads like descriptions: at least half of its filled cells
// are phrases, of two words or more with five letters in one of them, and no units.
func wordy(cells []string) bool {
	phrases, filled := 0, 0
	for _, c := range cells {
		if c == "" {
			continue
		}
		filled++
		words := strings.FieldsFunc(c, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
		longest := 0
		for _, w := range words {
			longest = max(longest, utf8.RuneCountInString(w))
		}
		if _, time := timeUnit(c); !known(c) && !time && longest >= 5 && len(words) >= 2 {
			phrases++
		}
	}
	return phrases > 0 && 2*phrases >= filled
}

// commentMark is the character that begins a line before the header and marks comments;
// noDelimiter, which is in no line, where there is none.
func commentMark(before []textLine, delimiter byte) byte {
	for _, l := range before {
		if text := bytes.TrimSpace(l.text); len(text) > 0 && text[0] != delimiter && strings.IndexByte("#%!;*/", text[0]) >= 0 {
			return text[0]
		}
	}
	return noDelimiter
}

// holdsTexts tells whether a row has texts where samples would be: no needed cell is a
// number or a mark for a missing value, one is not empty or the row has a known unit
// elsewhere, and at most half of all filled cells are numbers.
func (h layout) holdsTexts(cells []string, needed []string) bool {
	if len(cells) != len(h.cells) {
		return false
	}
	filled := 0
	for _, n := range needed {
		for _, i := range places(h.cells, n) {
			if cells[i] == "" || cells[i] == "-" {
				continue
			}
			if contentOf(cells[i]) != text {
				return false
			}
			filled++
		}
	}
	numbers, all := numeric(cells)
	return (filled > 0 || slices.ContainsFunc(cells, known)) && 2*numbers <= all
}

// numeric counts the numbers among cells, and the cells that are not empty.
func numeric(cells []string) (numbers, filled int) {
	for _, c := range cells {
		if c == "" {
			continue
		}
		filled++
		if contentOf(c) == number {
			numbers++
		}
	}
	return numbers, filled
}

// contentOf tells what a cell holds; a clock time counts as a number.
func contentOf(cell string) content {
	if isStamp(cell) {
		return number
	}
	var decimal byte
	_, what := cellNumber([]byte(cell), &decimal)
	return what
}

// guess finds the header without knowing any name: the line above the first two
// lines of equally many cells of which more than half are numbers, or the line above
// that one if that one holds units.
func guess(lines []textLine) (layout, bool) {
	for i := 1; i < len(lines); i++ {
		for _, d := range delimiters {
			if h, ok := guessAt(lines, i, d); ok {
				return h, true
			}
		}
	}
	return layout{}, false
}

func guessAt(lines []textLine, i int, delimiter byte) (layout, bool) {
	row, d := cut(lines[i].text, delimiter)
	if !mostlyNumbers(row) {
		return layout{}, false
	}
	if i+1 < len(lines) && len(bytes.TrimSpace(lines[i+1].text)) > 0 {
		if next, _ := cut(lines[i+1].text, delimiter); len(next) != len(row) || !mostlyNumbers(next) {
			return layout{}, false
		}
	}
	above := func(k int) (int, []string) {
		for k--; k >= 0; k-- {
			if len(bytes.TrimSpace(lines[k].text)) > 0 {
				cells, _ := cut(lines[k].text, delimiter)
				return k, cells
			}
		}
		return -1, nil
	}
	k, cells := above(i)
	if len(cells) != len(row) || mostlyNumbers(cells) {
		return layout{}, false
	}
	for up, units := k, cells; numberless(units) && k-up < textRows; { // descriptions may stand below the units
		if unitLike(units) {
			if _, names := above(up); len(names) == len(row) {
				k, cells = up, units
			}
			break
		}
		if up, units = above(up); len(units) != len(row) {
			break
		}
	}
	for unitLike(cells) || wordy(cells) {
		up, names := above(k)
		if len(names) != len(row) || wordy(names) && !unitLike(cells) {
			break
		}
		k, cells = up, names
	}
	h := layout{delimiter: d, line: k + 1, cells: cells}
	return h.below(lines, cells), true
}

func mostlyNumbers(cells []string) bool {
	n, _ := numeric(cells)
	return n > 0 && 2*n > len(cells)
}

// unitLike tells whether at least half of the filled cells are units that are known.
func unitLike(cells []string) bool {
	units, filled := 0, 0
	for _, c := range cells {
		if c == "" {
			continue
		}
		filled++
		if known(c) || silent(c) {
			units++
		}
	}
	return units > 0 && 2*units >= filled
}

// known tells whether a text is a unit that is known.
func known(unit string) bool { return slices.Contains(knownUnits, spelling(unit)) }

// knownUnits are simplified spellings that tell a units row from a row of names.
var knownUnits = strings.Fields("s ms us ns min h g m/s2 um/m MPa GPa kPa Pa bar N kN Nm V mV A mA degC K % " +
	"m mm um km km/h m/s rad deg rad/s deg/s 1/min Hz kHz W kW J kg")

// unitsOf returns what the file says about the unit of the column at cell i: in
// brackets and in the units row.
func (h layout) unitsOf(i int, column string) []string {
	var out []string
	if _, unit, ok := bracketed(h.cells[i]); ok && (h.cells[i] != column || known(unit)) {
		out = append(out, unit)
	}
	if h.unitRow != nil {
		out = append(out, h.unitRow[i])
	}
	return out
}

// nearest returns up to three of the names that differ least from a name.
func nearest(names []string, to string) []string {
	type near struct {
		name string
		d    int
	}
	var all []near
	for _, n := range names {
		base, _, _ := bracketed(n)
		if len(n) > 0 && len(n) < 200 {
			all = append(all, near{n, frame.Edits(strings.ToLower(base), strings.ToLower(to))})
		}
	}
	slices.SortStableFunc(all, func(a, b near) int { return cmp.Compare(a.d, b.d) })
	var out []string
	for _, n := range all {
		if len(out) < 3 && !slices.Contains(out, n.name) {
			out = append(out, n.name)
		}
	}
	return out
}

func quoted(names []string) string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(out, ", ")
}
