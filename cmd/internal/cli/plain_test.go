package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
)

// Rows name what a terminal makes of such text (ISO/IEC 6429).
func TestPlain(t *testing.T) {
	for _, tt := range []struct{ reason, text, want string }{
		{"text stays", "Hügel\t1\n", "Hügel\t1\n"},
		{"escape begins a sequence", "a\x1b[2Jb", `a\x1b[2Jb`},
		{"bell, carriage return, backspace, delete", "\a\r\b\x7f", `\x07\x0d\x08\x7f`},
		{"the C1 form of a sequence", "\u009b2J", `\x9b2J`},
		{"bytes that are no UTF-8 stay", "\xff\xc3", "\xff\xc3"},
	} {
		var b bytes.Buffer
		if n, err := (plain{&b}).Write([]byte(tt.text)); n != len(tt.text) || err != nil || b.String() != tt.want {
			t.Errorf("%s: wrote %q, %d, %v, want %q", tt.reason, b.String(), n, err, tt.want)
		}
	}
}

// Whoever fills in a manifest gives no orders to the terminal of whoever reads the results.
func TestTerminalTakesNoOrders(t *testing.T) {
	dir := t.TempDir()
	season := newSeason(t, dir)
	hostile := strings.NewReplacer("L0", "L0\x1b]0;x\a", "Hill", "Hill\x1b[2J", "Dale", "Dale\u009b5m")
	for _, name := range []string{"laps.csv", "calendar.csv"} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		writeText(t, filepath.Join(dir, name), hostile.Replace(string(text)))
	}
	writeText(t, filepath.Join(dir, "lap1.csv"), "TIME,AZ\x1b[2J\n0,1\n") // set aside, its header repeated
	store := filepath.Join(dir, "cache")
	for _, args := range [][]string{
		{"check", season}, {"run", season, "--cache", store}, {"why", filepath.Join(dir, "out", "laps.csv"), "1", "--cache", store},
		{"calibrate", season, "--cache", store}, {"run", season, "--cache", store, "--out", filepath.Join(dir, "more"), "--set", "hotspots.lug.gain=9 MPa/g"},
		{"diff", filepath.Join(dir, "out"), filepath.Join(dir, "more")}, {"run", filepath.Join(dir, "no\x1b[2J.yaml")},
	} {
		_, stdout, stderr := call(args...)
		for _, text := range []string{stdout, stderr} {
			if i := strings.IndexFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }); i >= 0 {
				t.Errorf("%s: %q", args[0], text[max(0, i-40):min(len(text), i+10)])
			}
		}
		if args[0] != "diff" && args[0] != "why" && !strings.Contains(stdout+stderr, `\x`) {
			t.Errorf("%s shows nothing hostile:\n%s%s", args[0], stdout, stderr)
		}
	}
}
