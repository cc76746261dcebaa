package rig

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/condense"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

func toe() damage.Spot {
	return damage.Spot{Name: "toe", Transfer: fatigue.Transfer{Gain: 8, Factor: 1},
		Strength: damage.Strength{Survival: 0.5, Residue: damage.Half,
			Material: fatigue.Material{Name: "made up", Scatter: 0.2, Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 5}}}}
}

// made are the inputs of a drive whose one hot spot follows its one axis.
func made(t *testing.T, x []float64, rate float64) stages.Inputs {
	t.Helper()
	m, err := damage.NewMeter(toe(), 0)
	if err != nil {
		t.Fatal(err)
	}
	tally, err := m.Tally(x)
	if err != nil {
		t.Fatal(err)
	}
	one := func(v float64) []float64 { return []float64{v} }
	cut := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate)},
		frame.Col(condense.SpotInput("toe"), "g", x), frame.Col(condense.ChannelInput("acc_z"), "g", x))
	shares := frame.Must(nil, frame.Col("hotspot", "", []string{"toe"}), frame.Col("gain_mpa_per_unit", "", one(8)), frame.Col("gate", "", one(0)),
		frame.Col("lap_damage_once", "", one(tally.Once)), frame.Col("lap_damage_repeated", "", one(tally.Repeated)),
		frame.Col("cut_damage_once", "", one(tally.Once)), frame.Col("cut_damage_repeated", "", one(tally.Repeated)),
		frame.Col("share", "", one(1)), frame.Col("joints_share", "", one(0)))
	return stages.Inputs{Frames: []stages.Input{{Label: CutInput, Frame: cut}, {Label: SharesInput, Frame: shares}}}
}

const gravity = 9.80665 // m/s², 3rd CGPM (1901)

func plain() Params {
	return Params{Spots: []damage.Spot{toe()}, Axes: []Axis{{"acc_z", gravity}}, Drift: 0.5, Level: 1}
}

func run(t *testing.T, p Params, in stages.Inputs) map[string]*frame.Frame {
	t.Helper()
	out, err := p.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]*frame.Frame{}
	for _, o := range out {
		m[o.Name] = o.Frame
	}
	return m
}

func column(t *testing.T, f *frame.Frame, name string) []float64 {
	t.Helper()
	v, err := frame.Get[[]float64](f, name)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// tone is a sine of a whole number of periods on a steady level.
func tone(n int, rate, freq, size, level float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = level + size*math.Sin(2*math.Pi*freq*float64(i)/rate)
	}
	return x
}

// A sine of acceleration A at f has velocity A/(2πf), displacement -A/(2πf)² and root
// mean squares of these over √2: closed form of the integral. The steady level is no
// motion, and there is no drift.
func TestIntegrationOfASine(t *testing.T) {
	for _, c := range []struct{ freq, rate, driven float64 }{
		{2, 512, 0}, {10, 512, 0}, {10, 512, 1024}, {40, 1024, 512}, {0.5, 256, 0},
	} {
		p := plain()
		p.Rate = c.driven
		n := int(20 * c.rate)
		out := run(t, p, made(t, tone(n, c.rate, c.freq, 3, 1), c.rate))
		d := column(t, out[Drive], "acc_z_displacement_mm")
		rate := c.rate
		if c.driven > 0 {
			rate = c.driven
		}
		w := 2 * math.Pi * c.freq
		size := 3 * gravity / (w * w)
		for i, v := range d {
			want := -1000 * size * math.Sin(w*float64(i)/rate)
			if math.Abs(v-want) > 1e-9*1000*size {
				t.Fatalf("%g Hz: displacement %d is %g mm, want %g", c.freq, i, v, want)
			}
		}
		a := column(t, out[Drive], "acc_z_g")
		for i, v := range a {
			if want := 1 + 3*math.Sin(w*float64(i)/rate); math.Abs(v-want) > 1e-9 {
				t.Fatalf("%g Hz at %g Hz: acceleration %d is %g g, want %g", c.freq, rate, i, v, want)
			}
		}
		got, err := ReadMotion(out[Motion], "acc_z")
		if err != nil {
			t.Fatal(err)
		}
		for i, top := range []float64{size, size * w, size * w * w} {
			if math.Abs(float64(got[i].RMS)/(top/math.Sqrt2)-1) > 1e-9 {
				t.Errorf("%g Hz: rms %s is %g, want %g", c.freq, got[i].Quantity, got[i].RMS, top/math.Sqrt2)
			}
		}
	}
}

// What a rig's band takes away and what it leaves: two sines, one within and one beyond.
func TestDriveIsWithinTheBand(t *testing.T) {
	const rate, n = 1024, 20 * 1024
	x := tone(n, rate, 20, 3, 0)
	for i, v := range tone(n, rate, 80, 2, 0) {
		x[i] += v
	}
	p := plain()
	p.Limits.High = 50
	out := run(t, p, made(t, x, rate))
	for i, v := range column(t, out[Drive], "acc_z_g") {
		if want := 3 * math.Sin(2*math.Pi*20*float64(i)/rate); math.Abs(v-want) > 1e-9 {
			t.Fatalf("sample %d is %g, want %g", i, v, want)
		}
	}
	limits, err := ReadLimits(out[LimitsOf])
	if err != nil {
		t.Fatal(err)
	}
	if len(limits) != 1 || limits[0].Quantity != "frequency" || math.Abs(float64(limits[0].Value)-80) > 0.1 {
		t.Fatalf("limits %+v, want the frequency of 80 Hz", limits)
	}
	// What is left is the one sine, over the sum of both.
	kept := float64(limits[0].Fixes[0].Kept["toe"])
	m, _ := damage.NewMeter(toe(), 0)
	both, _ := m.Tally(x)
	one, _ := m.Tally(tone(n, rate, 20, 3, 0))
	if want := one.Repeated / both.Repeated; math.Abs(kept/want-1) > 1e-9 {
		t.Errorf("the band leaves %g, want %g", kept, want)
	}
}

// A limit that is broken is named with value and time, and its fixes hold.
func TestLimits(t *testing.T) {
	const rate, n = 512, 20 * 512
	x := tone(n, rate, 1, 0.5, 0)
	for i, v := range tone(n, rate, 20, 4, 0) {
		x[i] += v
	}
	p := plain()
	p.Limits = Limits{Stroke: 0.2, Velocity: 0.5, Acceleration: 30}
	out := run(t, p, made(t, x, rate))
	limits, err := ReadLimits(out[LimitsOf])
	if err != nil {
		t.Fatal(err)
	}
	w := 2 * math.Pi
	want := map[string]float64{"displacement": 2 * 0.5 * gravity / (w * w), "velocity": 0.5*gravity/w + 4*gravity/(20*w), "acceleration": 4.5 * gravity}
	if len(limits) != len(want) {
		t.Fatalf("%d limits broken, want %d: %+v", len(limits), len(want), limits)
	}
	for _, l := range limits {
		if v := want[l.Quantity]; math.Abs(float64(l.Value)/v-1) > 0.02 { // the two peaks need not coincide
			t.Errorf("%s is %g, want about %g", l.Quantity, l.Value, v)
		}
		if !(l.AtS >= 0 && l.AtS < 1) || !(l.BeyondS > 0) {
			t.Errorf("%s: at %g s for %g s", l.Quantity, l.AtS, l.BeyondS)
		}
		for _, f := range l.Fixes {
			q := p
			switch {
			case strings.Contains(f.Fix, "level"):
				q.Level = float64(f.Setting)
				if kept, want := float64(f.Kept["toe"]), math.Pow(q.Level, 5); math.Abs(kept/want-1) > 1e-6 { // slope 5
					t.Errorf("level %g keeps %g, want its fifth power %g", q.Level, kept, want)
				}
			case strings.Contains(f.Fix, "low end"):
				q.Limits.Low = float64(f.Setting)
			default:
				q.Limits.High = float64(f.Setting)
			}
			again, err := ReadLimits(run(t, q, made(t, x, rate))[LimitsOf])
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range again {
				if a.Quantity == l.Quantity {
					t.Errorf("%s is still broken after %q %g", l.Quantity, f.Fix, f.Setting)
				}
			}
		}
	}
}

// Another rate takes a whole number of samples; what has none is refused.
func TestRates(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		want     int
	}{{1024, 0, 1}, {1024, 1024, 1}, {1024, 1000, 128}, {500, 1000, 1}, {1000, 512, 125}} {
		if got, err := Multiple(c.from, c.to); err != nil || got != c.want {
			t.Errorf("%g Hz to %g Hz: multiple of %d (%v), want %d", c.from, c.to, got, err, c.want)
		}
	}
	if _, err := Multiple(1024, 1000*math.Pi); err == nil {
		t.Error("a rate without a ratio was accepted")
	}
	p := plain()
	p.Rate = 300
	var refusal *stages.Refusal
	if _, err := p.Run(context.Background(), made(t, tone(1025, 1024, 10, 1, 0), 1024)); !errors.As(err, &refusal) {
		t.Errorf("a drive that ends between two samples: %v, want a refusal", err)
	}
}

// The arithmetic of repeats, done by hand. The factor of a demonstration by one specimen
// at R = C = 0.9 with a scale of 0.4 is exp(0.4·2·1.281552) (C. Lipson and N. J. Sheth 1973, from memory).
func TestRepeats(t *testing.T) {
	d := Demand{Hotspot: "toe", Season: 0.4, PerRepeat: 0.0003, Median: 0.0002, Scatter: 0.4 / math.Ln10}
	target := Target{Seasons: 1, LifeFactor: 1.5, Specimens: 1, Reliability: 0.9, Confidence: 0.9}
	for _, c := range []struct {
		reason, method string
		demand         Demand
		wanted, count  float64
	}{
		{"0.4·1·1.5 = 0.6; 0.6/0.0003 = 2000", Pass, d, 0.6, 2000},
		{"1/0.0002 = 5000", Failure, d, 1, 5000},
		{"0.4·2.78777 = 1.115107; over 0.0003: 3717.02", Demonstration, d, 0.4 * math.Exp(0.4*2*1.2815515655446004), 3718},
		{"no damage in the season: nothing to do", Pass, Demand{Hotspot: "toe"}, 0, 0},
		{"no damage in the drive: never", Pass, Demand{Hotspot: "toe", Season: 0.4}, 0.6, math.NaN()},
		{"no scatter: no demonstration", Demonstration, Demand{Hotspot: "toe", Season: 0.4, PerRepeat: 1}, math.NaN(), math.NaN()},
	} {
		got := RepeatsOf(c.demand, c.method, target)
		if d := cmp.Diff([]float64{c.wanted, c.count}, []float64{got.Wanted, got.Count}, cmpopts.EquateNaNs(), cmpopts.EquateApprox(1e-9, 0)); d != "" {
			t.Errorf("%s: %s", c.reason, d)
		}
		if math.IsNaN(c.count) && got.Note == "" {
			t.Errorf("%s: no note says why", c.reason)
		}
	}
}

// 1000 repeats of 32 s and 4 s of dwell are 10 h; every 3 h is every 300: three stops of
// half an hour, and none when the test is over.
func TestHoursAndSequence(t *testing.T) {
	s := Stops{Dwell: 4, Every: 3 * 3600, Takes: 1800}
	h := HoursOf(1000, 32, s)
	if h.Running != 10 || h.Inspections != 3 || h.Inspecting != 1.5 || h.Total != 11.5 {
		t.Errorf("%+v", h)
	}
	if h := HoursOf(900, 32, s); h.Inspections != 2 {
		t.Errorf("900 repeats: %d inspections, want 2", h.Inspections)
	}
	steps, err := Sequence(1000, 32, s)
	if err != nil {
		t.Fatal(err)
	}
	want := []Step{{"run", 1, 300, 0, 3, 0.3}, {"inspect", 300, 300, 3, 3.5, 0.3}, {"run", 301, 600, 3.5, 6.5, 0.6}, {"inspect", 600, 600, 6.5, 7, 0.6},
		{"run", 601, 900, 7, 10, 0.9}, {"inspect", 900, 900, 10, 10.5, 0.9}, {"run", 901, 1000, 10.5, 11.5, 1}}
	if d := cmp.Diff(want, steps, cmpopts.EquateApprox(0, 1e-12)); d != "" {
		t.Error(d)
	}
	if _, err := Sequence(1e9, 32, s); err == nil {
		t.Error("a sequence without end was laid out")
	}
}

// Solved by hand: 0.1·x + 0.02·y >= 1 and 0.02·x + 0.1·y >= 1 with the least x+y meet at
// x = y = 1/0.12 h; one lap alone takes 50 h.
func TestMixByHand(t *testing.T) {
	spots := []string{"toe", "bore"}
	laps := []Ingredient{{"A", 3600, []float64{0.1, 0.02}}, {"B", 3600, []float64{0.02, 0.1}}, {"idle", 60, []float64{0, 0}}}
	m, err := Mix(spots, laps, []float64{1, 1}, 0.2)
	if err != nil {
		t.Fatal(err)
	}
	want := Mixture{Repeats: []float64{9, 9, 0}, Hours: 18, Least: 2 / 0.12, Reached: []float64{1.08, 1.08}}
	if d := cmp.Diff(want, m, cmpopts.EquateApprox(1e-9, 0)); d != "" {
		t.Error(d)
	}
	// A alone gives the toe five times its damage by when the bore has its own.
	_, err = Mix(spots, laps[:1], []float64{1, 1}, 0.2)
	var none *Infeasible
	if !errors.As(err, &none) {
		t.Fatalf("%v, want no mix", err)
	}
	if d := cmp.Diff(&Infeasible{Band: 4, Over: []string{"toe"}, Under: []string{"bore"}, Wanted: 0.2}, none, cmpopts.EquateApprox(1e-6, 0)); d != "" {
		t.Error(d)
	}
	if !strings.Contains(err.Error(), "toe") || !strings.Contains(err.Error(), "bore") {
		t.Errorf("%v names no hot spot", err)
	}
	// At a band of 400 % it just does: 50 h.
	if m, err = Mix(spots, laps[:1], []float64{1, 1}, 4.001); err != nil || math.Abs(m.Least-50) > 1e-6 {
		t.Errorf("%+v, %v, want 50 h", m, err)
	}
	if _, err := Mix(spots, laps[2:], []float64{1, 1}, 0.2); err == nil {
		t.Error("an idle lap was mixed")
	}
}

// Law: a mix stays above every wanted damage, and no ingredient alone is quicker.
func FuzzMix(f *testing.F) {
	f.Add(uint64(1))
	f.Add(uint64(2031))
	f.Fuzz(func(t *testing.T, seed uint64) {
		r := rand.New(rand.NewPCG(seed, 2))
		spots := []string{"a", "b", "c"}[:1+r.IntN(3)]
		wanted := make([]float64, len(spots))
		for h := range wanted {
			wanted[h] = math.Exp(r.NormFloat64())
		}
		laps := make([]Ingredient, 1+r.IntN(6))
		for j := range laps {
			laps[j] = Ingredient{"x", 20 + 100*r.Float64(), make([]float64, len(spots))}
			for h := range spots {
				laps[j].Damage[h] = 1e-4 * math.Exp(2*r.NormFloat64())
			}
		}
		m, err := Mix(spots, laps, wanted, 0.3)
		var none *Infeasible
		if errors.As(err, &none) {
			if !(none.Band > 0.3-1e-6) || len(none.Over) == 0 || len(none.Under) == 0 {
				t.Fatalf("%+v explains nothing", none)
			}
			if _, err := Mix(spots, laps, wanted, none.Band*1.001+1e-6); err != nil {
				t.Fatalf("no mix within the band %g that was said to do: %v", none.Band, err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for h, v := range m.Reached {
			if v < 1-1e-9 {
				t.Fatalf("%s reaches %g", spots[h], v)
			}
		}
		for _, l := range laps {
			alone, low, high := 0.0, math.Inf(1), 0.0
			for h := range spots {
				alone = max(alone, wanted[h]/l.Damage[h]*l.Seconds/3600)
				low, high = min(low, l.Damage[h]/wanted[h]), max(high, l.Damage[h]/wanted[h])
			}
			if high/low < 1.29 && m.Least > alone*(1+1e-9) {
				t.Fatalf("the mix takes %g h, one lap alone %g h", m.Least, alone)
			}
		}
	})
}

// Blocks do the damage of the signal, and so does the constant amplitude.
func TestEquivalentsDoTheDamage(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	x := make([]float64, 20000)
	for i := range x {
		x[i] = 3 * r.NormFloat64()
	}
	m, err := damage.NewMeter(toe(), 0)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := m.Tally(x)
	if err != nil {
		t.Fatal(err)
	}
	blocks, err := Blocks(m, x, 100)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, b := range blocks { // N = 1e6·(S/90)^-5
		sum += b.Cycles * math.Pow(b.Amplitude/90, 5) / 1e6
	}
	if math.Abs(sum/(100*whole.Repeated)-1) > 1e-9 {
		t.Errorf("blocks do %g, want %g", sum, 100*whole.Repeated)
	}
	one := Constant(m, 100*whole.Repeated, 1e6)
	if got := math.Pow(one.Amplitude/90, 5); math.Abs(got/(100*whole.Repeated)-1) > 1e-9 {
		t.Errorf("constant amplitude does %g, want %g", got, 100*whole.Repeated)
	}
}

// A random signal's own equivalent in its own time is about itself: white noise of
// density G between two bounds has the rms sqrt(G·width). Half the time takes a level of
// 2^(1/slope), by the rule of testdata/test-tailoring.csv.
func TestRandomEquivalent(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	const rate = 1024
	x := make([]float64, 1<<18)
	for i := range x {
		x[i] = 10 * r.NormFloat64()
	}
	s := Shaking{Acceleration: x, Rate: rate, Repeats: 1, Low: 5, High: 80, Seconds: float64(len(x)) / rate, Q: 10, Slope: 4}
	same, err := RandomOf(s)
	if err != nil {
		t.Fatal(err)
	}
	want := 2 * 100. / rate // one-sided
	for i, g := range same.Density {
		if f := same.Freq[i]; f > 8 && f < 60 && math.Abs(g/want-1) > 0.25 {
			t.Errorf("density at %g Hz is %g, want about %g", f, g, want)
		}
	}
	s.Seconds /= 2
	faster, err := RandomOf(s)
	if err != nil {
		t.Fatal(err)
	}
	if got := math.Pow(faster.RMS/same.RMS, 4); math.Abs(got/2-1) > 0.01 {
		t.Errorf("half the time at %g times the damage rate, want 2", got)
	}
	if !(faster.Over > same.Over) {
		t.Errorf("responses of %g in half the time, %g before", faster.Over, same.Over)
	}
}

// time compression, level ratio and exponent, from test-tailoring.csv.
func TestTimeCompressionRule(t *testing.T) {
	f, err := os.Open("testdata/time-compression.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		level, _ := strconv.ParseFloat(row[0], 64)
		slope, _ := strconv.ParseFloat(row[1], 64)
		want, _ := strconv.ParseFloat(row[2], 64)
		if got := fatigue.TimeCompression(level, slope); math.Abs(got/want-1) > 1e-6 {
			t.Errorf("level %g, exponent %g: %g, want %g (%s)", level, slope, got, want, row[3])
		}
	}
}

func TestCrossings(t *testing.T) {
	x := tone(1000, 100, 0.3, 2, 0) // three periods
	got := risesThrough(x, []float64{-3, -1.9, 0.1, 1.9, 3})
	if d := cmp.Diff([]float64{0, 3, 3, 3, 0}, got); d != "" {
		t.Error(d)
	}
}

// Law: a plan is read back as it was written, what is not known included.
func TestPlanReadsBack(t *testing.T) {
	p := &Plan{Season: "2031", Drive: DriveOf{Rate: 1000, High: Real(math.NaN()), Axes: []AxisOf{{Channel: "acc_z", Steady: 1}}},
		Cut: CutOf{Share: map[string]Real{"toe": 0.8}}, Files: map[string]F{"drive_csv": {"drive.csv", "00"}}}
	var b bytes.Buffer
	if err := p.Write(&b); err != nil {
		t.Fatal(err)
	}
	got, err := ReadPlan(&b)
	if err != nil {
		t.Fatal(err)
	}
	same := cmp.Comparer(func(a, b Real) bool { return a == b || a != a && b != b })
	if d := cmp.Diff(p, got, same, cmpopts.EquateEmpty()); d != "" {
		t.Error(d)
	}
	for _, text := range []string{"", "{}", "[1]", `{"lapwear_testplan":9}`, `{"lapwear_testplan":1}`} {
		if _, err := ReadPlan(strings.NewReader(text)); err == nil {
			t.Errorf("%q was read as a plan", text)
		}
	}
}

// Numbers that change without a new Revision would leave old results in caches.
func TestRevision(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("pinned on amd64")
	}
	r := rand.New(rand.NewPCG(5, 5))
	x := make([]float64, 4096)
	for i := range x {
		x[i] = 3 * r.NormFloat64()
	}
	p := plain()
	p.Limits = Limits{Low: 1, High: 50, Stroke: 0.01, Velocity: 0.1, Acceleration: 10}
	out, err := p.Run(context.Background(), made(t, x, 512))
	if err != nil {
		t.Fatal(err)
	}
	h := key.New("test", 1, "")
	for _, o := range out {
		h.ID(o.Name, key.Of(o.Frame.AppendEncoded(nil)))
	}
	const want = "e7977f712b367305569801dba1a2d33717b58c83b705fd757f9bfa96e052992a"
	if got := h.Sum().String(); got != want {
		t.Errorf("outputs hash to %s, want %s; if the change is meant, raise Revision and pin it", got, want)
	}
}
