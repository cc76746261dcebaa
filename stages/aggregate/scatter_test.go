package aggregate

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/calibrate"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Law: numbers of chi-squared are those that gonum gives of a source of the same seed, whichever way they are found.
func TestChiSquaresAreGonums(t *testing.T) {
	quick := 0
	for seed := range uint64(20) {
		from := newThrows(500, seed)
		for _, freedom := range []float64{0.3, 1, 1.9, 2, 2.0001, 2.5, 3, 3.7, 4, 6.25, 11, 88.8, 1e3, 1e5} {
			got, want := make([]float64, 500), distuv.ChiSquared{K: freedom, Src: rand.NewPCG(seed, 2)}
			from.chiSquares(got, freedom)
			for i, v := range got {
				if w := want.Rand(); v != w {
					t.Fatalf("seed %d, %v degrees of freedom, number %d: %v, want %v", seed, freedom, i, v, w)
				}
			}
			if from.quickChiSquares(got, freedom) {
				quick++
			} else if freedom >= 6 {
				t.Errorf("seed %d: the pairs do not do for %v degrees of freedom", seed, freedom)
			}
		}
	}
	if quick == 0 || quick == 20*14 {
		t.Errorf("of %d only one way was tried", 20*14)
	}
}

// drawnFrom are distributions of a lap's damage whose mean is 1.
var drawnFrom = []struct {
	name string
	draw func(rng *rand.Rand) float64
}{
	{"normal, 0.3", func(rng *rand.Rand) float64 { return max(1e-3, 1+0.3*rng.NormFloat64()) }},
	{"lognormal, 0.6", func(rng *rand.Rand) float64 { return math.Exp(0.6*rng.NormFloat64() - 0.18) }},
	{"lognormal, 1", func(rng *rand.Rand) float64 { return math.Exp(rng.NormFloat64() - 0.5) }},
}

// Laps that differ by orders do not give an interval beyond all measure: one lap in three that does all of the damage leaves the mean
// open by some two orders, not by a hundred.
func TestIntervalOfWildLapsIsBounded(t *testing.T) {
	low, high := meanInterval([]float64{1e-9, 2e-9, 1}, "X")
	if !(low > 1e-4 && high < 1e3) {
		t.Errorf("interval %v to %v", low, high)
	}
}

// A 95 % interval holds the truth in 95 of 100 trials: that is what it says. The truth is planted; 400 trials tell a share to 0.011 (one
// standard deviation of the binomial distribution).
func TestIntervalOfAMeanCovers(t *testing.T) {
	for _, d := range drawnFrom {
		for _, n := range []int{2, 3, 4, 5, 8, 12, 20, 40} {
			trials := 1000
			if n >= manyLaps { // they take long
				trials = 400
			}
			rng := rand.New(rand.NewPCG(uint64(n), 7))
			held := 0
			v := make([]float64, n)
			for trial := range trials {
				for i := range v {
					v[i] = d.draw(rng)
				}
				if low, high := meanInterval(v, fmt.Sprint(trial)); low <= 1 && 1 <= high {
					held++
				}
			}
			share := float64(held) / float64(trials)
			t.Logf("%s, %d laps: %.3f", d.name, n, share)
			if share < 0.9 || share > 0.985 {
				t.Errorf("%s, %d laps: the interval held the mean in %.3f of the trials, want 0.95", d.name, n, share)
			}
		}
	}
}

// campaign is laps drawn from a distribution at circuits of several levels, and the laps driven afterwards.
type campaign struct {
	recorded []int     // laps by circuit
	level    []float64 // mean damage of a lap
	planned  []float64
	draw     func(rng *rand.Rand) float64
}

// run returns the account of the recorded laps, and the damage that the season driven afterwards really does.
func (c campaign) run(t *testing.T, rng *rand.Rand, scatter float64) (b *book, driven float64) {
	t.Helper()
	b = &book{gainSD: 0, gainSlope: 1}
	b.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: scatter}}
	b.TargetSeasons, b.TargetLifeFactor, b.Calendar = 1, 1, true
	for i, n := range c.recorded {
		name := fmt.Sprint("C", i)
		for range n {
			b.laps = append(b.laps, entry{Lap: Lap{Circuit: name, Km: 4}, damage: c.level[i] * c.draw(rng)})
		}
		b.Planned = append(b.Planned, Planned{Circuit: name, Laps: c.planned[i], Km: 4 * c.planned[i]})
		for range int(c.planned[i]) {
			driven += c.level[i] * c.draw(rng)
		}
	}
	if err := b.weigh(); err != nil {
		t.Fatal(err)
	}
	return b, driven
}

// The interval is of the season that will be driven: 600 seasons are recorded and then driven, the truth planted.
func TestIntervalOfTheSeasonCoversWhatIsDriven(t *testing.T) {
	const trials = 600
	for _, d := range drawnFrom {
		for _, c := range []campaign{
			{[]int{20}, []float64{1}, []float64{1}, d.draw},
			{[]int{20}, []float64{1}, []float64{1000}, d.draw},
			{[]int{4}, []float64{1}, []float64{30}, d.draw},
			{[]int{3, 5, 8, 4, 6}, []float64{1, 3, 0.3, 2, 0.5}, []float64{20, 30, 60, 5, 40}, d.draw},
			{[]int{1, 2, 6, 1, 5}, []float64{1, 3, 0.3, 2, 0.5}, []float64{20, 30, 60, 5, 40}, d.draw},
		} {
			rng := rand.New(rand.NewPCG(3, uint64(len(c.recorded))))
			held := 0
			for range trials {
				b, driven := c.run(t, rng, 0.1)
				if low, high := b.departs(1).interval(b.total); low <= driven && driven <= high {
					held++
				}
			}
			share := float64(held) / trials
			t.Logf("%s, recorded %v, planned %v: %.3f", d.name, c.recorded, c.planned, share)
			if share < 0.9 || share > 0.99 {
				t.Errorf("%s, recorded %v, planned %v: the interval held the season in %.3f of the trials, want 0.95", d.name, c.recorded, c.planned, share)
			}
		}
	}
}

// A probability that is right comes true as often as it says: of parts of all levels of damage, recorded, then driven to failure or
// not, those that were given some 10 % have failed in some 10 %.
func TestProbabilityComesTrue(t *testing.T) {
	const trials, material = 2000, 0.15
	for _, recorded := range [][]int{{12, 12}, {4, 4}} {
		rng := rand.New(rand.NewPCG(8, uint64(recorded[0])))
		var said, failed, n [3]float64
		for range trials {
			level := 0.02 * math.Exp(3*rng.Float64()-1.7) // all alike, from below failure to above
			b, driven := campaign{recorded, []float64{level, level / 4}, []float64{20, 30}, drawnFrom[1].draw}.run(t, rng, material)
			p := b.margin().probability
			bin := slices.IndexFunc([]float64{0.01, 0.1, 0.3, 0.7}, func(edge float64) bool { return p < edge }) - 1
			if bin < 0 {
				continue
			}
			said[bin], n[bin] = said[bin]+p, n[bin]+1
			if driven*math.Pow(10, material*rng.NormFloat64()) >= 1 {
				failed[bin]++
			}
		}
		for bin := range said {
			sd := math.Sqrt(said[bin] * (1 - said[bin]/n[bin]))
			t.Logf("%d laps a circuit, %v parts: said %.3f, failed %.3f", recorded[0], n[bin], said[bin]/n[bin], failed[bin]/n[bin])
			if math.Abs(failed[bin]-said[bin]) > 3*sd+0.15*said[bin] {
				t.Errorf("%d laps a circuit: of %v parts %.3f were said to fail, %.3f did", recorded[0], n[bin], said[bin]/n[bin], failed[bin]/n[bin])
			}
		}
	}
}

// Circuits differ: what is borrowed for one is not known better than they do. Their levels are planted, lognormal, those of the
// borrowed ones too.
func TestIntervalOfBorrowedCircuitsCovers(t *testing.T) {
	const trials, spreadOfCircuits = 800, 1.0
	for _, recorded := range []int{3, 6, 9} {
		rng := rand.New(rand.NewPCG(4, uint64(recorded)))
		held := 0
		for range trials {
			b, driven := borrowing(t, rng, recorded, spreadOfCircuits)
			if low, high := b.departs(1).interval(b.total); low <= driven && driven <= high {
				held++
			}
		}
		share := float64(held) / trials
		t.Logf("%d circuits recorded: %.3f", recorded, share)
		if share < 0.88 || share > 0.99 {
			t.Errorf("%d circuits recorded: the interval held the season in %.3f of the trials, want 0.95", recorded, share)
		}
	}
}

// borrowing is a season of four borrowed circuits and one recorded, with what driving it really does.
func borrowing(t *testing.T, rng *rand.Rand, recorded int, spreadOfCircuits float64) (b *book, driven float64) {
	t.Helper()
	b = &book{gainSD: 0, gainSlope: 1}
	b.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: 0.1}}
	b.TargetSeasons, b.TargetLifeFactor, b.Calendar = 1, 1, true
	draw := drawnFrom[0].draw
	for i := range recorded {
		level := math.Exp(spreadOfCircuits * rng.NormFloat64())
		for range 6 {
			b.laps = append(b.laps, entry{Lap: Lap{Circuit: fmt.Sprint("C", i), Km: 4}, damage: 4 * level * draw(rng)})
		}
		if i == 0 {
			b.Planned = append(b.Planned, Planned{Circuit: "C0", Laps: 20, Km: 80})
			for range 20 {
				driven += 4 * level * draw(rng)
			}
		}
	}
	for i := range 4 {
		b.Planned = append(b.Planned, Planned{Circuit: fmt.Sprint("New", i), Laps: 20, Km: 100, Fleet: true})
		level := math.Exp(spreadOfCircuits * rng.NormFloat64())
		for range 20 {
			driven += 5 * level * draw(rng)
		}
	}
	if err := b.weigh(); err != nil {
		t.Fatal(err)
	}
	return b, driven
}

// From one circuit nobody knows how circuits differ, however many laps it has.
func TestOneRecordedCircuitTellsNothingOfOthers(t *testing.T) {
	b, _ := borrowing(t, rand.New(rand.NewPCG(1, 1)), 1, 1)
	m := b.margin()
	if !math.IsNaN(m.low) || !math.IsNaN(m.high) || !math.IsNaN(m.laps) {
		t.Errorf("interval %v to %v, scatter %v; want none", m.low, m.high, m.laps)
	}
	if note := b.scatterNote(m); !strings.Contains(note, "one recorded circuit") {
		t.Errorf("note %q does not say why", note)
	}
	f := b.seasonFrame(1)
	flags, _ := frame.Get[[]string](f, "flags")
	share, _ := frame.Get[[]float64](f, "borrowed_share")
	if flags[0] != "borrowed" || math.Abs(share[0]-100.0/120) > 0.05 { // 400 km of 480
		t.Errorf("flags %q, borrowed share %v", flags[0], share[0])
	}
}

// A lap or two to be driven scatter as laps do; a thousand do not. By arithmetic: σ²(1/n + 1/N).
func TestFewPlannedLapsScatterMore(t *testing.T) {
	next := gaussian(2)
	damages := make([]float64, 20)
	for i := range damages {
		damages[i] = math.Exp(next())
	}
	scatter := func(planned float64) float64 {
		b := &book{gainSD: 0, gainSlope: 1}
		b.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: 0.1}}
		b.TargetSeasons, b.Calendar, b.Planned = 1, true, []Planned{{Circuit: "X", Laps: planned, Km: 4 * planned}}
		for _, d := range damages {
			b.laps = append(b.laps, entry{Lap: Lap{Circuit: "X", Km: 4}, damage: d})
		}
		if err := b.weigh(); err != nil {
			t.Fatal(err)
		}
		return b.margin().laps
	}
	want := math.Sqrt((1.0/20 + 1) / (1.0/20 + 1e-3))
	if got := scatter(1) / scatter(1000); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("one lap scatters %v times as much as the season of a thousand, want %v", got, want)
	}
}

// fitted is a transfer with a gain and its scatter.
func fitted(gain, sd float64) stages.Input {
	return stages.Input{Label: damage.TransferInput, Frame: frame.Must([]frame.Attr{
		frame.Num("gain_mpa_per_unit", "MPa", gain), frame.Num(calibrate.GainSD, "", sd)})}
}

// What the gain's scatter does to the season is the material's affair: by definition the slope is d ln D / d ln gain, found here
// by drawing the account up anew with other gains.
func TestGainScatterCountsByTheMaterial(t *testing.T) {
	plain := alloy
	plain.Mean = fatigue.MeanStress{}
	steep := plain
	steep.Curve = fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 12}
	straight := plain
	straight.Curve = fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 6}
	swt := straight
	swt.Mean = fatigue.MeanStress{Rule: fatigue.MeanSWT}
	for _, tt := range []struct {
		reason string
		m      fatigue.Material
		exact  float64 // 0: only the anew
	}{
		{"a power of 12", steep, 12},
		{"a power of 6", straight, 6},
		{"two slopes, Goodman, static stress", alloy, 0},
		{"SWT with a static stress, which does not grow with the gain", swt, 0},
	} {
		const gain, sd = 8.0, 0.01
		laps := randomLaps(5, "X", "Y")
		a := account(damage.Carry, laps)
		a.Strength.Material = tt.m
		total := func(gain, sd float64) answer {
			tr := transfer
			tr.Gain = gain
			in := inputs(t, a.Strength, tr, laps)
			in.Frames = append(in.Frames, fitted(gain, sd))
			return draw(t, a, in)
		}
		got := total(gain, sd)
		step := sd * math.Ln10
		want := math.Log(total(gain*math.Exp(step), sd).season["season_damage"]/total(gain*math.Exp(-step), sd).season["season_damage"]) / (2 * step)
		slope := got.season["damage_over_gain_slope"]
		if math.Abs(slope/want-1) > 1e-9 || tt.exact != 0 && math.Abs(slope-tt.exact) > 1e-9 {
			t.Errorf("%s: slope %v, anew %v, exact %v", tt.reason, slope, want, tt.exact)
		}
		if sdD := got.season["calibration_log10_sd"]; math.Abs(sdD-sd*slope) > 1e-12 {
			t.Errorf("%s: scatter of damage %v, want %v", tt.reason, sdD, sd*slope)
		}
	}
}

// A part whose stress passes its ultimate breaks: no scatter makes that 2 %.
func TestOverloadIsCertainFailure(t *testing.T) {
	brittle := fatigue.Material{Name: "brittle", Ultimate: 300, Scatter: 0.15, Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7}}
	mild := []float64{0, 100, -100, 100, -100, 0}
	for _, tt := range []struct {
		reason  string
		peak    []float64
		planned bool // of the lap with the peak
		mode    string
		want    float64 // laps
	}{
		{"a full cycle", []float64{0, 310, -100, 305, 0}, true, damage.Half, 1},
		{"the residue's peak, carried", []float64{0, 480, 0}, true, damage.Carry, 1},
		{"the peak of a lap that is not planned, closed by the next", []float64{0, 480, 0}, false, damage.Carry, 1},
		{"a lap that is not planned, its peak its own", []float64{0, 480, 0}, false, damage.Half, 0},
		{"just below", []float64{0, 299, 0}, true, damage.Carry, 0},
	} {
		laps := []testLap{{Lap{ID: "peak", Circuit: "Hill", Chain: "day 1", Km: 3}, tt.peak}, {Lap{ID: "mild", Circuit: "X", Chain: "day 1", Km: 3}, mild}}
		a := account(tt.mode, laps)
		a.Strength.Material, a.Strength.Survival, a.Transfer = brittle, 0.977, fatigue.Transfer{Gain: 1, Factor: 1}
		a.Calendar, a.Planned = true, []Planned{{Circuit: "X", Laps: 10, Km: 30}}
		if tt.planned {
			a.Planned = append(a.Planned, Planned{Circuit: "Hill", Laps: 1, Km: 3})
		}
		out, err := a.Run(context.Background(), inputs(t, a.Strength, a.Transfer, laps))
		if err != nil {
			t.Fatal(err)
		}
		f := out[1].Frame
		number := func(name string) float64 { v, _ := frame.Get[[]float64](f, name); return v[0] }
		flags, _ := frame.Get[[]string](f, "flags")
		note, _ := frame.Get[[]string](f, "scatter_note")
		p, n := number("failure_probability"), number("laps_over_ultimate")
		if n != tt.want || (p == 1) != (n > 0) || (flags[0] == OverUltimate) != (n > 0) || n > 0 && !math.IsNaN(number("season_damage_high")) || strings.Contains(note[0], "ultimate") != (n > 0) {
			t.Errorf("%s: probability %v, %v laps over the ultimate stress, flags %q, note %q; want %v laps", tt.reason, p, n, flags[0], note[0], tt.want)
		}
	}
}

// Under carry a lap's largest swing closes between laps: the worst lap is the one that does most in all, and the interval beside it
// is of the same damage.
func TestWorstLapCountsWhatIsBetweenLaps(t *testing.T) {
	b := &book{gainSD: 0, gainSlope: 1}
	b.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: 0.1}}
	b.TargetSeasons = 1
	for i, d := range [][2]float64{{5, 0}, {1, 9}, {4, 3}, {3, 0}} {
		b.laps = append(b.laps, entry{Lap: Lap{ID: fmt.Sprint("L", i), Circuit: "X", Km: 4}, damage: d[0], between: d[1]})
	}
	if err := b.weigh(); err != nil {
		t.Fatal(err)
	}
	f := b.circuitsFrame()
	text := func(name string) string { v, _ := frame.Get[[]string](f, name); return v[0] }
	number := func(name string) float64 { v, _ := frame.Get[[]float64](f, name); return v[0] }
	if text("lap_worst") != "L1" || text("lap_nearest_mean") != "L2" {
		t.Errorf("worst %s, nearest the mean %s; want L1 with 10 and L2 with 7 of a mean of 6.25", text("lap_worst"), text("lap_nearest_mean"))
	}
	low, high := meanInterval([]float64{5, 10, 7, 3}, "X")
	if number("damage_per_lap_with_between_mean") != 6.25 || number("damage_per_lap_with_between_low") != low || number("damage_per_lap_with_between_high") != high {
		t.Errorf("mean %v within %v and %v, want 6.25 within %v and %v", number("damage_per_lap_with_between_mean"),
			number("damage_per_lap_with_between_low"), number("damage_per_lap_with_between_high"), low, high)
	}
}

// One lap without its distance does not blank what is known of the others: it is as long as they are.
func TestLapsWithoutDistance(t *testing.T) {
	b := &book{gainSD: 0, gainSlope: 1}
	b.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: 0.1}}
	b.TargetSeasons = 1
	b.Calendar, b.Planned = true, []Planned{{Circuit: "X", Laps: 9, Km: math.NaN()}, {Circuit: "Y", Laps: 2, Km: math.NaN()}}
	nan := math.NaN()
	for _, l := range []Lap{{Circuit: "X", Km: 4}, {Circuit: "X", Km: 5}, {Circuit: "X", Km: nan}, {Circuit: "Y", Km: nan}} {
		b.laps = append(b.laps, entry{Lap: l, damage: 3})
	}
	if err := b.weigh(); err != nil {
		t.Fatal(err)
	}
	circuits, whole := b.circuitsFrame(), b.seasonFrame(1)
	number := func(f *frame.Frame, name string, i int) float64 { v, _ := frame.Get[[]float64](f, name); return v[i] }
	without, _ := frame.Get[[]int64](circuits, "laps_without_distance")
	got := fmt.Sprint(number(circuits, "km_recorded", 0), without[0], number(circuits, "damage_per_km_mean", 0), number(circuits, "km_planned", 0),
		number(circuits, "km_recorded", 1), number(whole, "km_recorded", 0), number(whole, "laps_without_distance", 0),
		number(whole, "km_planned", 0), number(whole, "laps_planned_without_distance", 0))
	if want := fmt.Sprint(9.0, 1, 3/4.5, 40.5, nan, 9.0, 2.0, 40.5, 2.0); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
