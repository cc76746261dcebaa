package stages

import (
	"fmt"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

func TestShorten(t *testing.T) {
	long := strings.Repeat("x", 5000)
	for _, row := range []struct{ reason, message, want string }{
		{"short", `no column "A"; nearest: "B"`, `no column "A"; nearest: "B"`},
		{"a message may be long where it quotes nothing", "not valid: " + long, "not valid: " + long},
		{"80 characters stay", fmt.Sprintf("no column %q; name it", long[:80]), fmt.Sprintf("no column %q; name it", long[:80])},
		{"one more is cut", fmt.Sprintf("no column %q; name it", "a"+long[:79]+"b"), `no column "a` + long[:43] + `...` + long[:32] + `b"; name it`},
		{"each of two", fmt.Sprintf("%q is %q", long, "a"+long), `"` + long[:44] + `...` + long[:33] + `" is "a` + long[:43] + `...` + long[:33] + `"`},
		{"characters, not bytes", fmt.Sprintf("%q", strings.Repeat("é", 80)), `"` + strings.Repeat("é", 80) + `"`},
		{"quotes and escapes within", fmt.Sprintf("%q stays", strings.Repeat("\x00\"\\", 100)), `"` + strings.Repeat(`\x00\"\\`, 14) + `\x00\"...` + strings.Repeat(`\x00\"\\`, 11) + `" stays`},
		{"a quote without an end", `5" of ` + long, `5" of ` + long},
	} {
		if got := Shorten(row.message); got != row.want {
			t.Errorf("%s: %s, expected %s", row.reason, got, row.want)
		}
	}
}

// What is cut is cut once, and a refusal quotes no text at length.
func FuzzShorten(f *testing.F) {
	f.Add("a", "b")
	f.Add(strings.Repeat("\"\\", 90), "\xff")
	f.Fuzz(func(t *testing.T, a, b string) {
		got := Refuse("column %q: found %q; mend it", a, b).Error()
		if Shorten(got) != got {
			t.Errorf("%q is cut again", got)
		}
		if utf8.ValidString(a) && utf8.ValidString(b) {
			if want := fmt.Sprintf("column %q: found %q; mend it", Cut(a), Cut(b)); got != want {
				t.Errorf("%s, expected %s", got, want)
			}
		}
	})
}

func TestVisible(t *testing.T) {
	for _, c := range []struct{ reason, text, want string }{
		{"text stays", "Halvorn Å, ½ ⚑\tB\n", "Halvorn Å, ½ ⚑\tB\n"},
		{"an override of the direction (Unicode Standard Annex 9, 2.2)", "a\u202eRTL", "aU+202ERTL"},
		{"an isolate (Unicode Standard Annex 9, 2.4)", "\u2067x\u2069", "U+2067xU+2069"},
		{"an escape sequence of a terminal (ECMA-48, 5.4)", "a\x1b[31mb", "aU+001B[31mb"},
	} {
		if got := Visible(c.text); got != c.want {
			t.Errorf("%s: Visible(%q) = %q, want %q", c.reason, c.text, got, c.want)
		}
	}
}

// TestMisleads looks at each letter alone, behind another one, and behind what is left of one that was cut.
func TestMisleads(t *testing.T) {
	for r := rune(0); r <= unicode.MaxRune; r++ {
		want := misleading(r)
		for _, before := range []string{"", "é", "\xe2", "\xe2\x80", "\xf0\x9f"} {
			if s := before + string(r) + "a"; Misleads(s) != want {
				t.Fatalf("%q misleads %v, want %v", s, !want, want)
			}
		}
	}
}
