package count

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// signalOf is signal, of single precision.
func signalOf(x []float32) stages.Inputs {
	f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 100), frame.Num("start_s", "s", 0)}, frame.Col("value", "g", x))
	return stages.Inputs{Frames: []stages.Input{{Label: Signal, Frame: f}}}
}

// checkPacked wants the cycles that are read to be those that were counted, from an encoded frame too, and the same frame from
// either precision.
func checkPacked(t *testing.T, x []float64) *frame.Frame {
	t.Helper()
	f, _ := run(t, Params{}, x)
	want, err := fatigue.CountCycles(x, 0)
	if err != nil {
		t.Fatal(err)
	}
	stored := f.AppendEncoded(nil)
	again, err := frame.DecodeOwned(bytes.Clone(stored))
	if err != nil {
		t.Fatal(err)
	}
	var r Room
	for _, f := range []*frame.Frame{f, again} {
		got, err := r.Read(f)
		if err != nil {
			t.Fatal(err)
		}
		if !sameCycles(got, want.Closed) {
			t.Fatalf("cycles (-want +got):\n%s", cmp.Diff(want.Closed, got))
		}
	}
	if single := frame.Narrow(x, nil); single != nil {
		out, err := Params{}.Run(context.Background(), signalOf(single))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(out[0].Frame.AppendEncoded(nil), stored) {
			t.Error("the same samples in single precision are packed otherwise")
		}
	}
	return f
}

// sameCycles takes -0 for 0.
func sameCycles(a, b fatigue.Cycles) bool {
	if a.Len() != b.Len() || len(a.Start) != a.Len() || len(a.End) != a.Len() || len(a.To) != a.Len() {
		return false
	}
	for i := range a.From {
		if a.From[i] != b.From[i] || a.To[i] != b.To[i] || a.Start[i] != b.Start[i] || a.End[i] != b.End[i] {
			return false
		}
	}
	return true
}

// scaled is noise in counts of up to most, each times step.
func scaled(n int, most, step float64) []float64 {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Round((2*rng.Float64()-1)*most) * step
	}
	return x
}

// inParts is noise in whole numbers of up to most, divided by a power of ten.
func inParts(n int, most, per float64) []float64 {
	return apply(scaled(n, most, 1), func(v float64) float64 { return v / per })
}

func apply(x []float64, change func(float64) float64) []float64 {
	for i := range x {
		x[i] = change(x[i])
	}
	return x
}

func TestPackedRoundTrip(t *testing.T) {
	slow := scaled(300_000, 3, 1)
	for i := range slow {
		slow[i] += math.Round(9000 * math.Sin(2*math.Pi*float64(i)/140_000)) // cycles longer than 255 samples, and than 65535
	}
	for _, tt := range []struct {
		reason string
		x      []float64
		kind   frame.Kind
		step   float64
		per    float64
	}{
		{"no samples", nil, frame.Float32, 0, 0},
		{"no cycles", []float64{1, 2}, frame.Float32, 0, 0},
		{"counts of a logger of 16 bits", append(scaled(5000, 32767, 1.0/2048), 40, -16, 15, -40), frame.Int16, 1.0 / 2048, 0},
		{"one more than fits", append(scaled(5000, 32767, 1.0/2048), 40, -16, 16, -40), frame.Float32, 0, 0},
		{"a step of several bits", scaled(5000, 300, 25.0/4096), frame.Int16, 25.0 / 4096, 0},
		{"the coarsest common step", []float64{0, 60, -60, 30, -30, 90, -90, 0}, frame.Int16, 30, 0},
		{"steps found late", append(scaled(2000, 90, 8), scaled(2000, 900, 0.5)...), frame.Int16, 0.5, 0},
		{"steps found late, then too fine", append(scaled(2000, 90, 8), scaled(2000, 90, 0x1p-20)...), frame.Float32, 0, 0},
		{"samples of single precision", apply(scaled(5000, 1<<23, 1), func(v float64) float64 { return float64(float32(math.Sin(v))) }), frame.Float32, 0, 0},
		{"samples of double precision", apply(scaled(5000, 1<<23, 1), math.Sin), frame.Float64, 0, 0},
		{"numbers of a text", inParts(5000, 1e7, 1e6), frame.Int32, 0, 1e6},
		{"more decimals found late", append(inParts(2000, 9e3, 10), inParts(2000, 9e5, 1e5)...), frame.Int32, 0, 1e5},
		{"the first of few decimals, others too large for more", append(inParts(2000, 2e9, 10), inParts(2000, 9, 1e3)...), frame.Float64, 0, 0},
		{"the largest parts", []float64{0, 4e8, 0.1, 0.3, math.MinInt32 / 10.0, math.MaxInt32 / 10.0, -4e8, 0}, frame.Int32, 0, 10},
		{"one more than the largest", []float64{0, 4e8, 0.1, 0.3, math.MinInt32 / 10.0, (math.MaxInt32 + 1) / 10.0, -4e8, 0}, frame.Float64, 0, 0},
		{"nine decimals", inParts(2000, 2e9, 1e9), frame.Int32, 0, 1e9},
		{"ten decimals", inParts(2000, 2e9, 1e10), frame.Float64, 0, 0},
		{"decimals, and one number that is none", append(inParts(2000, 9e5, 1e3), 4e3, math.Pi, 4e3, 0), frame.Float64, 0, 0},
		{"decimals but for a last bit", append(inParts(2000, 9e5, 1e3), 4e3, math.Nextafter(0.1, 1), 4e3, 0), frame.Float64, 0, 0},
		{"decimals, and -0", append(inParts(2000, 9e5, 1e3), 4e3, math.Copysign(0, -1), 3e3, 1, 4e3, 0), frame.Int32, 0, 1e3},
		{"whole numbers of single precision", scaled(5000, 1<<23, 1), frame.Float32, 0, 0},
		{"long and far, and decimals", apply(append([]float64(nil), slow...), func(v float64) float64 { return v / 1e3 }), frame.Int32, 0, 1e3},
		{"no finer than can be", scaled(500, 5, math.SmallestNonzeroFloat64), frame.Float64, 0, 0},
		{"the largest", scaled(500, 5, math.MaxFloat64/16), frame.Float64, 0, 0},
		{"-0 counts as 0", []float64{0, 3, math.Copysign(0, -1), 2, math.Copysign(0, -1), 3, 0}, frame.Int16, 1, 0},
		{"long cycles, and far ones", slow, frame.Int16, 1, 0},
		{"long and far, not in steps", apply(append([]float64(nil), slow...), func(v float64) float64 { return v * 1.1 }), frame.Float64, 0, 0},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			f := checkPacked(t, tt.x)
			step, _ := f.Number("step")
			per, _ := f.Number("per")
			if c, _ := f.Column("from"); c.Kind() != tt.kind || step != tt.step || per != tt.per {
				t.Errorf("from holds %v, step %v, parts of %v, want %v, %v and %v", c.Kind(), step, per, tt.kind, tt.step, tt.per)
			}
		})
	}
}

// The bytes' meaning, by hand: a cycle of 3 samples in one of 70,000, after which one of 300 ends, far from both.
func TestPackedLayout(t *testing.T) {
	var p packer
	p.locate([]int32{40, 10, 70_100}, []int32{43, 70_010, 70_400})
	if diff := cmp.Diff([]int16{43<<8 | 3, 0, 0, 0, 0, 300}, p.where); diff != "" {
		t.Errorf("where (-want +got):\n%s", diff)
	}
	want := []half{{1, 70_010 - 65_536}, {1, 70_000 - 65_536}, {1, 70_400 - 65_536}}
	if diff := cmp.Diff(want, p.far, cmp.AllowUnexported(half{})); diff != "" {
		t.Errorf("far (-want +got):\n%s", diff)
	}
	f := frame.Must([]frame.Attr{frame.Num("cycles", "", 3), frame.Num("step", "g", 0.5)},
		frame.Col("from", "", []int16{2, -3, 4, 1, 1, 1}), frame.Col("to", "", []int16{1, 5, -32768, 4474, 4464, 4864}), frame.Col("where", "", p.where))
	got, err := ReadCycles(f)
	if err != nil {
		t.Fatal(err)
	}
	cycles := fatigue.Cycles{From: []float64{1, -1.5, 2}, To: []float64{0.5, 2.5, -16384}, Start: []int32{40, 10, 70_100}, End: []int32{43, 70_010, 70_400}}
	if diff := cmp.Diff(cycles, got); diff != "" {
		t.Errorf("cycles (-want +got):\n%s", diff)
	}
}

func TestReadCyclesRefuses(t *testing.T) {
	ints := func(name string, v ...int16) frame.Column { return frame.Col(name, "", v) }
	number := func(n float64) []frame.Attr { return []frame.Attr{frame.Num("cycles", "", n)} }
	for reason, f := range map[string]*frame.Frame{
		"no number of cycles":   frame.Must(nil, ints("from", 1), ints("to", 1), ints("where", 1)),
		"more cycles than rows": frame.Must(number(2), ints("from", 1), ints("to", 1), ints("where", 1)),
		"not a number":          frame.Must(number(math.NaN()), ints("from", 1), ints("to", 1), ints("where", 1)),
		"no column from":        frame.Must(number(1), ints("to", 1), ints("where", 1)),
		"texts":                 frame.Must(number(1), frame.Col("from", "", []string{""}), ints("to", 1), ints("where", 1)),
		"no column where":       frame.Must(number(1), ints("from", 1), ints("to", 1)),
		"parts of nothing":      frame.Must(number(1), frame.Col("from", "", []int32{1}), frame.Col("to", "", []int32{2}), ints("where", 1)),
		"no row for a far one":  frame.Must(number(1), ints("from", 1), ints("to", 1), ints("where", 0)),
		"no sample long":        frame.Must(number(1), ints("from", 1), ints("to", 1), ints("where", 5<<8)),
		"begun before sample 0": frame.Must(number(1), ints("from", 1), ints("to", 1), ints("where", 2<<8|3)),
		"over before sample 0":  frame.Must(number(1), ints("from", 1), ints("to", 1), ints("where", -2<<8|3)),
		"begun after its end":   frame.Must(number(1), ints("from", 1, 0, -1), ints("to", 1, 5, -3), ints("where", 0, 0, 0)),
		"numbers that overflow": frame.Must(number(1), ints("from", 1, -32768), ints("to", 1, 0), ints("where", 0, 1)),
	} {
		if _, err := ReadCycles(f); err == nil {
			t.Errorf("%s: no error", reason)
		}
	}
}

// FuzzPacked: what is read is what was counted, whatever the samples.
func FuzzPacked(f *testing.F) {
	f.Add([]byte("\x00\x01\x00\x02\x00\x00\x00\x05\x01\x00\x00\x07"), uint8(0), 0.25, uint16(1))
	f.Add([]byte("\xff\x01\x80\x02\x00\x00\x7f\x05\x01\x00\x00\x07"), uint8(1), 0.1, uint16(300))
	f.Add([]byte("\xff\x01\x80\x02\x00\x00\x7f\x05\x01\x00\x00\x07"), uint8(3), 100.0, uint16(3))
	f.Add([]byte("\x00\x01\x00\x02\x00\x00\x00\x05\x01\x00\x00\x07\x01\x02"), uint8(2), 1e-300, uint16(40_000))
	f.Fuzz(func(t *testing.T, b []byte, how uint8, step float64, apart uint16) {
		var x []float64
		for ; len(b) >= 2 && len(x) < 1<<19; b = b[2:] {
			v := float64(int16(binary.LittleEndian.Uint16(b))) * step
			if how%3 == 1 {
				v = float64(float32(v))
			}
			if how%3 == 2 {
				v /= 3
			}
			if how == 3 { // decimals
				v = float64(int16(binary.LittleEndian.Uint16(b))) / step
			}
			if v-v != 0 {
				return
			}
			for range 1 + int(apart)%(1+len(x)) {
				x = append(x, v)
			}
		}
		checkPacked(t, x)
	})
}

func BenchmarkPack(b *testing.B) {
	x := frame.Narrow(scaled(200_000, 3000, 1.0/2048), nil)
	var p packer
	m, _, err := fatigue.CountMarks(&p.counter, x, 0)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("pack", func(b *testing.B) {
		for b.Loop() {
			p.pack(m, "g", x)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(m.Start)), "ns/cycle")
	})
	out, err := Params{}.Run(context.Background(), signalOf(x))
	if err != nil {
		b.Fatal(err)
	}
	b.Run("read", func(b *testing.B) {
		var r Room
		for b.Loop() {
			if _, err := r.Read(out[0].Frame); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(m.Start)), "ns/cycle")
	})
}

// Whatever a frame holds, what is read of it is a cycle's place or an error.
func TestReadCyclesOfAnything(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	odd := []int16{0, 1, -1, math.MinInt16, math.MaxInt16}
	ints := func(name string, rows int) frame.Column {
		v := make([]int16, rows)
		for i := range v {
			if v[i] = int16(r.Uint32()); r.IntN(3) == 0 {
				v[i] = odd[r.IntN(len(odd))]
			}
		}
		return frame.Col(name, "", v)
	}
	for range 20_000 {
		rows := 1 + r.IntN(11)
		n := float64(r.IntN(rows + 1))
		f := frame.Must([]frame.Attr{frame.Num("cycles", "", n), frame.Num("step", "", 1)}, ints("from", rows), ints("to", rows), ints("where", rows))
		c, err := ReadCycles(f)
		if err != nil {
			continue
		}
		for i, start := range c.Start {
			if start < 0 || start >= c.End[i] {
				t.Fatalf("cycle %d from sample %d to %d", i, start, c.End[i])
			}
		}
	}
}
