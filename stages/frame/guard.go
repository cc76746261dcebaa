package frame

import (
	"strings"
	"unicode/utf8"
)

// starters begin a formula where they begin a cell, the full-width ones in some settings
// (OWASP, "CSV Injection").
const starters = "=+-@\t\r＝＋－＠"

// separators end a cell for some spreadsheet or other, whatever the quotes say; where a
// comma does, quotes are heeded.
const separators = ";\t\r\n"

// Guard puts an apostrophe before whatever in a text might begin a formula: one of = + -
// @ (or full-width), a tab or a carriage return, where a cell may begin: at the text's
// beginning, or after a semicolon, tab or end of line in it, spaces and quotes aside. A text
// that is a plain number stays as it is, for a spreadsheet takes it for just that. Where
// apostrophes stand already they get one more, so that Unguard gives back what was.
func Guard(s string) string {
	if !strings.ContainsAny(s, starters) || plainNumber(s) {
		return s
	}
	return rewrite(s, func(apostrophes string) string { return "'" + apostrophes })
}

// Unguard takes away what Guard has added.
func Unguard(s string) string {
	if !strings.Contains(s, "'") {
		return s
	}
	return rewrite(s, func(apostrophes string) string { return strings.TrimPrefix(apostrophes, "'") })
}

// rewrite replaces the apostrophes, none perhaps, before each starter that may begin a cell.
func rewrite(s string, replace func(apostrophes string) string) string {
	var b strings.Builder
	begins := true
	for i := 0; i < len(s); {
		if begins {
			rest := strings.TrimLeft(s[i:], "'")
			if strings.IndexAny(rest, starters) == 0 {
				end := len(s) - len(rest)
				b.WriteString(replace(s[i:end]))
				i = end
			}
		}
		_, size := utf8.DecodeRuneInString(s[i:])
		c := s[i : i+size]
		b.WriteString(c)
		begins = strings.Contains(separators, c) || begins && (c == " " || c == `"`)
		i += size
	}
	return b.String()
}

// plainNumber tells whether a text is a number in digits.
func plainNumber(s string) bool {
	digits := strings.TrimLeft(s, "+-")
	if len(s)-len(digits) > 1 {
		return false
	}
	mantissa, exponent, has := strings.Cut(strings.ToLower(digits), "e")
	whole, fraction, _ := strings.Cut(mantissa, ".")
	power := strings.TrimPrefix(strings.TrimPrefix(exponent, "-"), "+")
	return allDigits(whole) && (fraction == "" || allDigits(fraction)) && (!has || len(exponent)-len(power) < 2 && allDigits(power))
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}
