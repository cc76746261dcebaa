package frame

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Which characters begin a formula: OWASP, "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection),
// which also names the separators within a text.
func TestGuard(t *testing.T) {
	for _, tt := range []struct{ reason, text, want string }{
		{"plain text", "E01-race", "E01-race"},
		{"empty", "", ""},
		{"equals", "=1+1", "'=1+1"},
		{"plus", "+cmd", "'+cmd"},
		{"minus", "-cmd", "'-cmd"},
		{"minus infinity as a text", "-inf", "'-inf"},
		{"at", "@SUM(A1)", "'@SUM(A1)"},
		{"tab", "\t=1", "'\t'=1"},
		{"carriage return", "\r=1", "'\r'=1"},
		{"full width", "＝1", "'＝1"},
		{"after spaces, which some take away", "  =1", "  '=1"},
		{"after a quote, which may be taken away", `"=1`, `"'=1`},
		{"after a separator of other settings", "wet;=1", "wet;'=1"},
		{"on a second line", "wet\n=1", "wet\n'=1"},
		{"a comma ends a cell only where quotes are heeded", "wet,=1", "wet,=1"},
		{"within a word", "a=b", "a=b"},
		{"one that looks guarded gets one more", "'=1", "''=1"},
		{"another apostrophe", "'twas", "'twas"},
		{"negative number", "-3", "-3"},
		{"signed number with exponent", "+1.5E-3", "+1.5E-3"},
		{"not quite a number", "-3-4", "'-3-4"},
		{"two signs", "--3", "'--3"},
		{"sign alone", "-", "'-"},
	} {
		if got := Guard(tt.text); got != tt.want {
			t.Errorf("%s: Guard(%q) = %q, want %q", tt.reason, tt.text, got, tt.want)
		}
		if got := Unguard(tt.want); got != tt.text {
			t.Errorf("%s: Unguard(%q) = %q, want %q", tt.reason, tt.want, got, tt.text)
		}
	}
}

// What is read back and unguarded is what was, and no cell, however a spreadsheet splits
// the line, begins a formula unless it is a number.
func FuzzGuard(f *testing.F) {
	for _, s := range []string{"=1", "a;=1", "\t\r\n+", `x";"@`, "''-", "-3", "-3;-3", "＋;＝", "\xff=", " '=", "a\n-1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		g := Guard(s)
		if back := Unguard(g); back != s {
			t.Fatalf("Unguard(Guard(%q)) = %q", s, back)
		}
		if !plainNumber(s) {
			for cell := range strings.FieldsFuncSeq(g, func(r rune) bool { return r == ';' || r == '\n' }) {
				if strings.IndexAny(strings.TrimLeft(cell, ` "`), starters) == 0 {
					t.Fatalf("Guard(%q) = %q has a cell %q", s, g, cell)
				}
			}
		}
		var b bytes.Buffer
		frame := Must(nil, Col("lap_id", "", []string{s}), Col("damage", "", []float64{-1}))
		if err := frame.WriteCSV(&b); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil || len(rows) != 2 {
			t.Fatalf("%q: %v, %q", s, err, rows)
		}
		want := []string{strings.ReplaceAll(g, "\r\n", "\n"), "-1"} // the reader makes LF of CRLF
		if d := cmp.Diff(want, rows[1]); d != "" {
			t.Fatal(d)
		}
	})
}
