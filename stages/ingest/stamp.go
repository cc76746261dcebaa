package ingest

import (
	"math"
	"strings"
	"time"
)

// stamp is a moment as a cell writes it: a time of day, with its date and its offset
// from UTC where they are stated.
type stamp struct {
	date   int64 // days since 1970-01-01
	ns     int64 // since midnight
	offset int64 // s east of UTC
	dated  bool
	zoned  bool
}

const (
	daySeconds = 86400
	dayNS      = daySeconds * int64(time.Second)
	// passes is how far a clock without a date falls at least where it passes midnight.
	passes = 23 * int64(time.Hour)
)

// parseStamp reads a trimmed cell: h:mm:ss, with a fraction of any length after a point
// or a comma, of which nine digits count; before it a date as yyyy-mm-dd with T or a
// blank (ISO 8601-1:2019, 5.3.1.2, 5.4.2.1), or as dd.mm.yyyy or yyyy/mm/dd with a blank
// (common practice, no source); after it Z, or an offset as +hh, +hhmm or
// +hh:mm (5.3.4.1). A day has 86400 s: no leap second and no 24:00:00.
func parseStamp(b []byte) (s stamp, ok bool) {
	if len(b) > 10 && (b[4] == '-' || b[4] == '/' || b[2] == '.') {
		if s.date, ok = parseDate(b); !ok || (b[4] != '-' || b[10]|0x20 != 't') && b[10] != ' ' {
			return stamp{}, false
		}
		s.dated, b = true, b[11:]
	}
	if s.ns, b, ok = parseClock(b); !ok {
		return stamp{}, false
	}
	if len(b) > 0 {
		s.zoned = true
		s.offset, ok = parseOffset(b)
	}
	if !ok {
		return stamp{}, false
	}
	return s, true
}

// parseDate reads the date that b begins with; b has 10 bytes at least.
func parseDate(b []byte) (day int64, ok bool) {
	century, y, m, d, same := twoDigits(b), twoDigits(b[2:]), twoDigits(b[5:]), twoDigits(b[8:]), b[7] == b[4]
	if b[2] == '.' {
		d, m, century, y, same = twoDigits(b), twoDigits(b[3:]), twoDigits(b[6:]), twoDigits(b[8:]), b[5] == '.'
	}
	if century < 0 || y < 0 || m < 0 || d < 0 || !same {
		return 0, false
	}
	t := time.Date(100*century+y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	return t.Unix() / daySeconds, t.Day() == d && int(t.Month()) == m
}

// parseClock reads the h:mm:ss that b begins with, in ns, and returns what follows it.
func parseClock(b []byte) (ns int64, rest []byte, ok bool) {
	if len(b) < 7 || b[1] == ':' {
		b = append([]byte{'0'}, b...)
	}
	if len(b) < 8 {
		return 0, nil, false
	}
	h, m, s := twoDigits(b), twoDigits(b[3:]), twoDigits(b[6:])
	if h < 0 || h > 23 || m < 0 || m > 59 || s < 0 || s > 59 || b[2] != ':' || b[5] != ':' {
		return 0, nil, false
	}
	ns, b = int64(h*3600+m*60+s)*int64(time.Second), b[8:]
	if len(b) == 0 || b[0] != '.' && b[0] != ',' {
		return ns, b, true
	}
	i, worth := 1, int64(time.Second)/10
	for ; i < len(b) && b[i]-'0' < 10; i++ {
		ns += int64(b[i]-'0') * worth
		worth /= 10
	}
	return ns, b[i:], i > 1
}

// parseOffset reads an offset from UTC, in s.
func parseOffset(b []byte) (s int64, ok bool) {
	if len(b) == 1 && b[0]|0x20 == 'z' {
		return 0, true
	}
	sign := int64(1)
	switch {
	case len(b) < 3 || b[0] != '+' && b[0] != '-':
		return 0, false
	case b[0] == '-':
		sign = -1
	}
	h, m := twoDigits(b[1:]), 0
	switch {
	case len(b) == 6 && b[3] == ':':
		m = twoDigits(b[4:])
	case len(b) == 5:
		m = twoDigits(b[3:])
	case len(b) != 3:
		return 0, false
	}
	return sign * int64(h*3600+m*60), 0 <= h && h <= 23 && 0 <= m && m <= 59
}

// twoDigits is the number that b begins with; -1 where there are no two digits.
func twoDigits(b []byte) int {
	if len(b) < 2 || b[0]-'0' > 9 || b[1]-'0' > 9 {
		return -1
	}
	return int(b[0]-'0')*10 + int(b[1]-'0')
}

// isStamp tells whether a cell is a time of day or a date and time.
func isStamp(cell string) bool {
	_, ok := parseStamp([]byte(cell))
	return ok
}

// clocklike tells whether a cell is written like a time of day, even if it is none: it
// has a colon between digits.
func clocklike(b []byte) bool {
	for i := 1; i+1 < len(b); i++ {
		if b[i] == ':' && b[i-1]-'0' < 10 && b[i+1]-'0' < 10 {
			return true
		}
	}
	return false
}

// wallClock turns stamps into s since midnight of the day of the first one, at that one's
// offset from UTC. A clock without a date passes midnight where it falls by more than 23
// hours, and goes back beyond it where it rises by as much, as it does after a stamp
// that was wrong.
type wallClock struct {
	set   bool
	first stamp
	last  int64 // ns since midnight of the stamp before, without a date
	days  int64 // midnights passed, without a date
}

// seconds is a stamp in s. ok is false for one that states a date or an offset where
// the first did not, or the other way round.
func (c *wallClock) seconds(s stamp) (v float64, ok bool) {
	if !c.set {
		c.set, c.first, c.last = true, s, s.ns
	}
	if s.dated != c.first.dated || s.zoned != c.first.zoned {
		return math.NaN(), false
	}
	days := s.date - c.first.date
	if !s.dated {
		switch d := s.ns - c.last; {
		case d < -passes:
			c.days++
		case d > passes:
			c.days--
		}
		c.last, days = s.ns, c.days
	}
	whole := days*daySeconds - (s.offset - c.first.offset)
	if whole > 1e9 || whole < -1e9 { // in ns it may be beyond int64, and float64 has no ns there
		return float64(whole) + float64(s.ns)/1e9, true
	}
	return float64(whole*int64(time.Second)+s.ns) / 1e9, true
}

// clockColumn reads the cells of a time column.
type clockColumn struct {
	s      *file
	column string
	day    wallClock
}

// read reads a trimmed cell that the season says to be a clock time, in s; NaN where it
// is empty. The place of the cell is for messages.
func (k *clockColumn) read(c []byte, place string, at int) (float64, error) {
	refuse := func(format string, args ...any) error {
		return k.s.refuse("%s %d, column %q: found %q"+format, append([]any{place, at, k.column, shownCell(c)}, args...)...)
	}
	if s, ok := parseStamp(c); ok {
		v, alike := k.day.seconds(s)
		if !alike {
			return 0, wrongKind{refuse(", but not every time states a date and an offset from UTC just as the first does; correct the cell and export again")}
		}
		return v, nil
	}
	const expected = " where a clock time such as 13:45:07.125 or 2031-05-04T13:45:07.125Z is expected; "
	switch v, what := cellNumber(c, new(byte)); {
	case what == missing:
		return v, nil
	case what == number && firstDay <= v && v < lastDay && v != math.Floor(v):
		return 0, wrongKind{refuse(expected+"state the numbers' unit, as in time: {column: %s, unit: s}; if it is a spreadsheet's count of days, format the column as a time with milliseconds and export again", k.column)}
	case what == number:
		return 0, wrongKind{refuse(expected+"state the numbers' unit, as in time: {column: %s, unit: s}", k.column)}
	}
	return 0, refuse(expected + otherClock(c) + "correct the cell and export again")
}

// firstDay and lastDay are what spreadsheets count from 1899-12-30 to 1954 and to 2119.
const firstDay, lastDay = 20000.0, 80000.0

// otherClock names a common form of clock times that is not read; "" for another text.
func otherClock(c []byte) string {
	text := strings.ToLower(string(c))
	colons := strings.Count(text, ":")
	switch {
	case strings.HasSuffix(text, "am"), strings.HasSuffix(text, "pm"):
		return "it is of the twelve-hour clock: export with hours from 0 to 23, or "
	case colons == 3:
		return "the fraction of a second needs a point or a comma before it, not a colon: export it so, or "
	case colons == 1:
		return "it has no hours, or no seconds: export as h:mm:ss.fff, or "
	}
	return ""
}

// unexpected is the refusal of a clock time where the season says a number.
func (k *clockColumn) unexpected(c []byte, place string, at int) error {
	return wrongKind{k.s.refuse("%s %d, column %q: found %q, a clock time, where a number is expected; state time: {column: %s, unit: clock}",
		place, at, k.column, shownCell(c), k.column)}
}

// shownCell is a cell for messages.
func shownCell(c []byte) string { return name(c[:min(len(c), 40)]) }

// wrongKind is a fault of the whole time column, not of one stamp.
type wrongKind struct{ error }

// Unwrap returns the refusal.
func (e wrongKind) Unwrap() error { return e.error }
