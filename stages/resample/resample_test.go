package resample

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

var _ stages.Stage = Params{}
var _ stages.Keeper = Params{}

func input(label string, rate, start float64, unit string, x, stamps []float64) stages.Input {
	cols := []frame.Column{frame.Col("value", unit, x)}
	if stamps != nil {
		cols = append(cols, frame.Col("time_s", "s", stamps))
	}
	return stages.Input{Label: label, Frame: frame.Must(
		[]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", start)}, cols...)}
}

// shape is what a test compares of a frame.
type shape struct {
	Name, Column, Unit string
	Rows               int
	Rate, Start        float64
}

func shapes(t *testing.T, out []stages.Output) []shape {
	t.Helper()
	var s []shape
	for _, o := range out {
		if n := len(o.Frame.Columns()); n != 1 {
			t.Fatalf("output %q has %d columns, want 1", o.Name, n)
		}
		c := o.Frame.Columns()[0]
		rate, _ := o.Frame.Number("rate_hz")
		start, _ := o.Frame.Number("start_s")
		s = append(s, shape{o.Name, c.Name, c.Unit, c.Len(), rate, start})
	}
	return s
}

func jittered(n int, rate, start float64) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = start + (float64(i)+0.2*math.Sin(float64(i*i)))/rate
	}
	return t
}

func TestRun(t *testing.T) {
	slow, fast := tone(101, 100, 3, 0), tone(2001, 2000, 3, 0)
	frames := []stages.Input{
		input("fast", 2000, 12.5, "g", fast, nil),
		input("slow", 100, 12.5, "ustrain", slow, nil),
		input("shaky", 100, 12.5, "ustrain", slow, jittered(101, 100, 12)),
	}
	for _, c := range []struct {
		p      Params
		want   []shape
		reason string
	}{
		{Params{Channels: []string{"slow", "fast"}},
			[]shape{{"slow", "value", "ustrain", 101, 100, 12.5}, {"fast", "value", "g", 2001, 2000, 12.5}},
			"each keeps its own rate, in the order of the parameters"},
		{Params{Rate: 512, Channels: []string{"slow", "fast"}},
			[]shape{{"slow", "value", "ustrain", 513, 512, 12.5}, {"fast", "value", "g", 513, 512, 12.5}},
			"one second at a common rate"},
		{Params{Channels: []string{"shaky"}},
			[]shape{{"shaky", "value", "ustrain", 100, 100, 12}},
			"made uniform, from the first stamp; the last stamp falls short of a step"},
		{Params{Rate: 400, BandLow: 1, BandHigh: 20, Channels: []string{"shaky"}},
			[]shape{{"shaky", "value", "ustrain", 397, 400, 12}}, "all at once"},
	} {
		out, err := c.p.Run(context.Background(), stages.Inputs{Frames: frames})
		if err != nil {
			t.Fatalf("%s: %v", c.reason, err)
		}
		if d := cmp.Diff(c.want, shapes(t, out)); d != "" {
			t.Errorf("%s:\n%s", c.reason, d)
		}
	}
}

func TestNothingToDoPassesTheSamplesThrough(t *testing.T) {
	x := []float64{1, math.NaN(), 3}
	for _, rate := range []float64{0, 100} {
		out, err := Params{Rate: rate, Channels: []string{"a"}}.Run(context.Background(),
			stages.Inputs{Frames: []stages.Input{input("a", 100, 0, "g", x, nil)}})
		if err != nil {
			t.Fatal(err)
		}
		y, err := frame.Get[[]float64](out[0].Frame, "value")
		if err != nil {
			t.Fatal(err)
		}
		if &y[0] != &x[0] || len(y) != len(x) {
			t.Errorf("rate %g: the samples were copied", rate)
		}
	}
}

func TestRunDoesNotChangeItsInput(t *testing.T) {
	x := tone(500, 100, 3, 1)
	at := jittered(500, 100, 0)
	p := Params{Rate: 64, BandLow: 1, Channels: []string{"a"}}
	if _, err := p.Run(context.Background(), stages.Inputs{Frames: []stages.Input{input("a", 100, 0, "g", x, at)}}); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(tone(500, 100, 3, 1), x) + cmp.Diff(jittered(500, 100, 0), at); d != "" {
		t.Error(d)
	}
}

func TestRefusalsAndErrors(t *testing.T) {
	x := tone(300, 100, 3, 0)
	hole := tone(300, 100, 3, 0)
	hole[150] = math.NaN()
	back := jittered(300, 100, 0)
	back[10] = back[8]
	frames := []stages.Input{
		input("ok", 100, 0, "g", x, nil),
		input("odd", 0.01, 0, "g", x, nil),
		input("hole", 100, 0, "g", hole, nil),
		input("empty", 100, 0, "g", []float64{}, nil),
		input("back", 100, 0, "g", x, back),
		input("still", 0, 0, "g", x, nil),
		{Label: "absent", Missing: "the lap was set aside"},
	}
	for _, c := range []struct {
		p       Params
		refused bool
		text    []string
	}{
		{Params{Rate: 512, Channels: []string{"odd"}}, true, []string{"0.01 Hz", "512 Hz", "nominal rate"}},
		{Params{Rate: 64, BandHigh: 32, Channels: []string{"ok"}}, true, []string{`"ok"`, "32 Hz", "64 Hz", "lower the end"}},
		{Params{Rate: 64, BandHigh: 31.9, Channels: []string{"ok"}}, true, []string{"31.36 Hz"}},
		{Params{Rate: 512, BandHigh: 50, Channels: []string{"ok"}}, true, []string{"50 Hz", "recording 100 Hz"}},
		{Params{BandLow: 60, Channels: []string{"ok"}}, true, []string{"60 Hz"}},
		{Params{Rate: 64, Channels: []string{"hole"}}, true, []string{"sample 150", "1.5 s", "NaN"}},
		{Params{Rate: 64, Channels: []string{"empty"}}, true, []string{"no samples"}},
		{Params{Channels: []string{"back"}}, true, []string{"row 10", "sort the rows"}},
		{Params{Channels: []string{"still"}}, true, []string{"rate is 0 Hz"}},
		{Params{BandLow: 20, BandHigh: 20, Channels: []string{"ok"}}, false, []string{"lower end must be below"}},
		{Params{BandLow: -1, Channels: []string{"ok"}}, false, []string{"-1 Hz"}},
		{Params{BandHigh: math.NaN(), Channels: []string{"ok"}}, false, []string{"NaN"}},
		{Params{Rate: -5, Channels: []string{"ok"}}, false, []string{"-5 Hz"}},
		{Params{BandLow: 1e-7, Channels: []string{"ok"}}, false, []string{"too many taps"}},
		{Params{Channels: []string{"absent"}}, false, []string{"set aside"}},
		{Params{Channels: []string{"none"}}, false, []string{`no input "none"`}},
	} {
		_, err := c.p.Run(context.Background(), stages.Inputs{Frames: frames})
		var r *stages.Refusal
		if err == nil || errors.As(err, &r) != c.refused {
			t.Errorf("%+v: error %v, want a refusal: %v", c.p, err, c.refused)
			continue
		}
		for _, s := range c.text {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%+v: %q does not say %q", c.p, err, s)
			}
		}
	}
}

func TestCancelledRunStops(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Params{Channels: []string{"a"}}.Run(ctx, stages.Inputs{Frames: []stages.Input{input("a", 100, 0, "g", []float64{1}, nil)}})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want cancelled", err)
	}
}

func TestEveryParameterIsInTheKey(t *testing.T) {
	id := func(p Params) key.ID {
		h := key.New(p.Name(), p.Revision(), "any")
		p.AddTo(h)
		return h.Sum()
	}
	seen := map[key.ID]Params{}
	for _, p := range []Params{
		{}, {Rate: 1}, {BandLow: 1}, {BandHigh: 1}, {Channels: []string{"a"}}, {Channels: []string{"a", "b"}}, {Channels: []string{"b", "a"}},
	} {
		if other, twice := seen[id(p)]; twice {
			t.Errorf("%+v and %+v have one key", p, other)
		}
		seen[id(p)] = p
	}
}

func TestRatio(t *testing.T) {
	for _, c := range []struct {
		in, out float64
		l, m    int
		exact   bool
		ok      bool
	}{
		// arithmetic
		{2000, 512, 32, 125, true, true},
		{1000, 1024, 128, 125, true, true},
		{512, 1024, 2, 1, true, true},
		{1000, 1000, 1, 1, true, true},
		{44100, 48000, 160, 147, true, true},
		{3, 1, 1, 3, true, true},
		{1.0 / 3, 1, 3, 1, true, true},
		{4096, 1, 1, 4096, true, true},
		{4097, 1, 0, 0, false, false},
		{1, 4097, 0, 0, false, false},
		{1, 1e300, 0, 0, false, false},
		{1000, 1000 * math.Pi, 355, 113, false, true},
		{1000 * (1 + 1e-10), 1024, 128, 125, true, true},
		{1000 * (1 + 1e-7), 1024, 128, 125, false, true},
		{1000.02, 1024, 427, 417, false, true}, // a clock 20 parts in a million fast
		{1000.02, 1000, 1, 1, false, true},
	} {
		l, m, exact, ok := ratio(c.in, c.out)
		if ok != c.ok || exact != c.exact || ok && (l != c.l || m != c.m) {
			t.Errorf("%g to %g Hz: %d/%d %v %v, want %d/%d %v %v", c.in, c.out, l, m, exact, ok, c.l, c.m, c.exact, c.ok)
		}
	}
}

// A clock that is off by parts in a million costs no lap: the result says at which rate it
// is, and there its samples are those of the vibration. A sine is its own reference.
func TestClockOffByAFewPartsInAMillion(t *testing.T) {
	for _, in := range []float64{1000.02, 999.93, 2048.3, 1024.01} {
		at := func(i int, rate float64) float64 { return math.Sin(2 * math.Pi * 37 * float64(i) / rate) }
		x := make([]float64, 20000)
		for i := range x {
			x[i] = at(i, in)
		}
		f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", in), frame.Num("start_s", "s", 3)}, frame.Col("value", "g", x))
		out, err := Params{Rate: 1024, Channels: []string{"z"}}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: "z", Frame: f}}})
		if err != nil {
			t.Errorf("%v Hz: %v", in, err)
			continue
		}
		rate, _ := out[0].Frame.Number("rate_hz")
		if off := math.Abs(rate/1024 - 1); off > nearRatio || off == 0 {
			t.Errorf("%v Hz: the result has %v Hz, want nearly 1024", in, rate)
		}
		y, _ := frame.Get[[]float64](out[0].Frame, "value")
		for i := 1000; i < len(y)-1000; i++ {
			if want := at(i, rate); math.Abs(y[i]-want) > 2e-3 {
				t.Fatalf("%v Hz: sample %d is %v, want %v", in, i, y[i], want)
			}
		}
	}
}

// The result's bytes are pinned, so that a change of numbers cannot pass for the
// same revision.
func TestNumbersArePinnedToTheRevision(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("last digits differ between architectures")
	}
	const want = "2 7d5b662afdcb2e9c37c06bfca3c0501ac9b4bbe04cb13bb3a7b214271dc118b7"
	x := make([]float64, 3000)
	state := uint32(1)
	for i := range x {
		state = state*1664525 + 1013904223
		x[i] = float64(state>>16)/65536 - 0.5 + float64(i%50)/25
	}
	var bytes []byte
	for _, p := range []Params{
		{Rate: 512, Channels: []string{"a", "b"}},
		{Rate: 4000, BandHigh: 50, Channels: []string{"a"}},
		{BandLow: 2, Channels: []string{"a"}},
	} {
		out, err := p.Run(context.Background(), stages.Inputs{Frames: []stages.Input{
			input("a", 2000, 1, "g", x, nil), input("b", 1000, 1, "g", x, jitteredExactly(len(x)))}})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range out {
			bytes = o.Frame.AppendEncoded(bytes)
		}
	}
	if got := fmt.Sprintf("%d %v", Revision, key.Of(bytes)); got != want {
		t.Errorf("numbers changed: raise Revision\n got %s\nwant %s", got, want)
	}
}

// jitteredExactly are stamps that binary fractions hold exactly.
func jitteredExactly(n int) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = (float64(i) + float64(i*7%16)/64) / 1000
	}
	return t
}

func BenchmarkApply(b *testing.B) {
	for _, c := range []struct {
		in, out float64
		band    Band
	}{
		{2000, 512, Band{}},
		{2000, 512, Band{High: 50}},
		{2000, 512, Band{Low: 0.5, High: 50}},
		{512, 1024, Band{}},
		{1000, 1024, Band{}},
		{1024, 1024, Band{Low: 0.5}},
		{1024, 1024, Band{Low: 0.5, High: 50}},
	} {
		b.Run(fmt.Sprintf("%g-%g/%g-%g", c.in, c.out, c.band.Low, c.band.High), func(b *testing.B) {
			r := mustResampler(b, c.in, c.out, c.band)
			x := bandLimited(int(100*c.in), 0.8, 1)
			b.SetBytes(int64(8 * len(x)))
			for b.Loop() {
				r.Apply(x)
			}
			b.ReportMetric(float64(len(x)*b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
		})
	}
}

func BenchmarkNewResampler(b *testing.B) {
	for b.Loop() {
		mustResampler(b, 2000, 512, Band{Low: 0.5, High: 50})
	}
}

func BenchmarkUniform(b *testing.B) {
	x, at := tone(200000, 2000, 50, 0), jittered(200000, 2000, 0)
	b.SetBytes(int64(8 * len(x)))
	for b.Loop() {
		if _, err := Uniform(at, x, 2000); err != nil {
			b.Fatal(err)
		}
	}
}
