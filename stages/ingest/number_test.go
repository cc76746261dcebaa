package ingest

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// same checks parseFloat against strconv, the reference library.
func same(t *testing.T, s string) {
	t.Helper()
	want, wantErr := strconv.ParseFloat(s, 64)
	got, err := parseFloat([]byte(s))
	if (err == nil) != (wantErr == nil) || math.Float64bits(got) != math.Float64bits(want) {
		t.Errorf("parseFloat(%q) = %v, %v; strconv %v, %v", s, got, err, want, wantErr)
	}
}

// numberSeeds are where the fast path begins and ends.
var numberSeeds = []string{
	"", "0", "-0", "+0", ".", "-", "+.", "1.", ".5", "-.5e1", "1e", "1e+", "1e22", "1e23", "1e-22", "1e-23",
	"9007199254740992", "9007199254740993", "9007199254740992e22", "9007199254740991e-22", "9007199254740993e-1",
	"1234567890123456789", "12345678901234567890", "0000000000000000000000000000001", "0.0000000000000000000000000001",
	"18446744073709551616", "1e999", "-1e999", "1e-999", "4.9e-324", "2.2250738585072011e-308", "1.7976931348623159e308",
	"inf", "-Infinity", "nan", "0x1p-2", "0x_1p0", "1_000", "1e1000000000000000000000", "1E5", "1e05", "1e0005", "1e+0022",
	"0.5µ0000000", "0.25\xff000000", "0.125\x8a00000000", "0.1234567\xb0", "0.:0000000", "0./0000000",
	"--1", "1-", "1 ", " 1", "1,5", "1.5.2", "e5", "1e5e5", "1\x00", "١",
}

func TestParseFloatEqualsStrconv(t *testing.T) {
	for _, s := range numberSeeds {
		same(t, s)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for range 300000 {
		v := anyFloat(rng)
		same(t, strconv.FormatFloat(v, "gef"[rng.IntN(3)], rng.IntN(22)-1, 64))
		same(t, strconv.FormatFloat(float64(float32(v)), 'g', 7, 32))
	}
}

func FuzzParseFloatEqualsStrconv(f *testing.F) {
	for _, s := range numberSeeds {
		f.Add(s)
	}
	f.Fuzz(same)
}

// scanned checks what scanNumber takes of a text, wherever it ends and whatever
// follows, against strconv, the reference library; and that it takes what scanLong does.
func scanned(t *testing.T, s, after string) {
	t.Helper()
	for _, mark := range ".," {
		b := []byte("\x00" + strings.ReplaceAll(s, ".", string(mark)) + after)
		v, end, ok := scanNumber(b, 1, byte(mark))
		long, longEnd, longOK := scanLong(b, 1, byte(mark))
		if ok != longOK || ok && (end != longEnd || math.Float64bits(v) != math.Float64bits(long)) {
			t.Fatalf("scanNumber(%q) = %v, %d, %v; scanLong %v, %d, %v", b, v, end, ok, long, longEnd, longOK)
		}
		if !ok {
			continue
		}
		want, err := strconv.ParseFloat(strings.ReplaceAll(string(b[1:end]), string(mark), "."), 64)
		if err != nil || math.Float64bits(v) != math.Float64bits(want) {
			t.Fatalf("scanNumber(%q) takes %q as %v; strconv %v, %v", b, b[1:end], v, want, err)
		}
	}
}

// tails are what may follow a number in a text.
var tails = []string{"", ",", "\n", "\r\n-1.5,2.5\n", ",1.234567,-2.5\n", ";7,25;8,5\n", "5678901234567890123", "e5,1,1,1,1,1"}

func TestScanNumberWithinText(t *testing.T) {
	for _, s := range numberSeeds {
		for _, after := range tails {
			scanned(t, s, after)
		}
	}
	rng := rand.New(rand.NewPCG(3, 4))
	for range 100000 {
		v := math.Ldexp(rng.NormFloat64(), rng.IntN(64)-12)
		s := strconv.FormatFloat(v, "gf"[rng.IntN(2)], rng.IntN(11), 64)
		scanned(t, s, tails[rng.IntN(len(tails))])
	}
}

func FuzzScanNumberWithinText(f *testing.F) {
	for i, s := range numberSeeds {
		f.Add(s, tails[i%len(tails)])
	}
	f.Fuzz(scanned)
}

func TestCellNumber(t *testing.T) {
	tests := []struct {
		reason, cell  string
		decimal, then byte
		v             float64
		what          content
	}{
		{"a whole number decides no mark", "12", 0, 0, 12, number},
		{"a point decides", "1.5", 0, '.', 1.5, number},
		{"a comma decides", "-1,5e3", 0, ',', -1500, number},
		{"decided otherwise", "1,5", '.', '.', 0, text},
		{"decided otherwise", "1.5", ',', ',', 0, text},
		{"two marks", "1,000.5", 0, 0, 0, text},
		{"text decides nothing", "a.b", 0, 0, 0, text},
		{"two commas", "1,2,3", 0, 0, 0, text},
		{"empty", "", 0, 0, math.NaN(), missing},
		{"a mark for missing", "N/A", ',', ',', math.NaN(), missing},
		{"not finite", "-Infinity", '.', '.', math.NaN(), missing},
		{"overflow", "1e400", '.', '.', math.NaN(), missing},
		{"as C runtimes write infinity", "-1.#INF", '.', '.', math.NaN(), missing},
		{"to the digits of other numbers", "1.#INF00", '.', '.', math.NaN(), missing},
		{"with a decimal comma", "1,#QNAN", ',', ',', math.NaN(), missing},
		{"an indefinite value", "-1.#IND", 0, 0, math.NaN(), missing},
		{"NaN with its kind", "-nan(ind)", '.', '.', math.NaN(), missing},
		{"as spreadsheets write it", "#DIV/0!", '.', '.', math.NaN(), missing},
		{"as spreadsheets write it", "#N/A", '.', '.', math.NaN(), missing},
		{"with a sign", "+inf", '.', '.', math.NaN(), missing},
		{"digits with an underscore", "1_0", '.', '.', 0, text},
		{"hexadecimal", "0x1p4", '.', '.', 0, text},
		{"hexadecimal with an underscore", "0x_1p0", '.', '.', 0, text},
		{"a suffix of a programming language", "1e5f", '.', '.', 0, text},
		{"an exponent of another language", "1.0D+05", '.', '.', 0, text},
		{"an exponent without digits", "1.5e", '.', '.', 0, text},
		{"a unit in the cell", "1.5 g", '.', '.', 0, text},
		{"other digits", "\u0661", '.', '.', 0, text},
		{"a word", "none at all", '.', '.', 0, text},
	}
	for _, tt := range tests {
		decimal := tt.decimal
		v, what := cellNumber([]byte(tt.cell), &decimal)
		if what != tt.what || decimal != tt.then || v != tt.v && !(math.IsNaN(v) && math.IsNaN(tt.v)) {
			t.Errorf("%s: %q gives %v, %d, mark %q; want %v, %d, mark %q", tt.reason, tt.cell, v, what, decimal, tt.v, tt.what, tt.then)
		}
	}
}
