package frame

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// Law: where there is a short decimal, it is the shortest text of the number, and its text of 15 digits.
func TestAppendDecimal(t *testing.T) {
	x := []float64{0, math.Copysign(0, -1), 1, -1, 0.5, 0.1, 0.001, -0.001, 0.0005, 0.07, 1.1, 0.1 + 0.2, 12.25, 99999.999, 999999.999, -999999.999, 1e6, 1e15, 1e300,
		5e-324, 1.0 / 3, math.NaN(), math.Inf(1), math.Inf(-1)}
	r := rand.New(rand.NewPCG(1, 3))
	for range 20000 {
		thousandths := float64(r.IntN(2e6)-1e6) * math.Pow(10, float64(r.IntN(4))) / 1000
		x = append(x, thousandths, math.Nextafter(thousandths, 9e9), r.NormFloat64(), math.Float64frombits(r.Uint64()))
	}
	short := 0
	for _, x := range x {
		got, ok := AppendDecimal([]byte("x"), x)
		if !ok {
			if string(got) != "x" {
				t.Errorf("%v: %q is left", x, got)
			}
			continue
		}
		short++
		if want := strconv.AppendFloat([]byte("x"), x, 'g', -1, 64); string(got) != string(want) {
			t.Errorf("%v is %s, want %s", x, got, want)
		}
		if y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64), 64); y != x {
			t.Errorf("%v has more than 15 digits", x)
		}
	}
	if short < 10000 {
		t.Errorf("%d of %d numbers are short", short, len(x))
	}
}

// A table like that of places: texts, missing numbers and counts stay the same for long, distances are short decimals, damages have all digits.
func BenchmarkWriteCSV(b *testing.B) {
	const n = 16000
	r := rand.New(rand.NewPCG(5, 7))
	number := func(of func(k int) float64) []float64 {
		x := make([]float64, n)
		for k := range x {
			x[k] = of(k)
		}
		return x
	}
	circuit, laps := make([]string, n), make([]int64, n)
	for k := range n {
		circuit[k], laps[k] = "circuit "+strconv.Itoa(k/200%5), 20
	}
	missing := number(func(int) float64 { return math.NaN() })
	cols := []Column{Col("circuit", "", circuit), Col("laps", "", laps), Col("from_m", "m", missing), Col("to_m", "m", missing),
		Col("from_s", "s", number(func(k int) float64 { return float64(k%200) / 2 })), Col("to_s", "s", number(func(k int) float64 { return float64(k%200+1) / 2 }))}
	for _, name := range []string{"mean", "most", "share", "season"} {
		cols = append(cols, Col(name, "", number(func(int) float64 { return r.ExpFloat64() * math.Pow(10, float64(-2-r.IntN(6))) })))
	}
	f := Must(nil, cols...)
	b.ReportAllocs()
	for b.Loop() {
		var out counted
		if err := f.WriteCSV(&out); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(out))
	}
}

// counted counts what is written.
type counted int

func (c *counted) Write(b []byte) (int, error) {
	*c += counted(len(b))
	return len(b), nil
}
