package demo

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/aggregate"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
	"lapwear/stages/ingest"
)

// record is a lap's recording before it is written: columns by name, in float64 so
// that faults can be planted exactly.
type record struct {
	id, circuit string
	rate        float64
	names       []string
	cols        map[string][]float64
}

func (r record) clone() record {
	out := r
	out.cols = map[string][]float64{}
	for n, v := range r.cols {
		out.cols[n] = slices.Clone(v)
	}
	return out
}

// without returns the record without the rows from <= i < to.
func (r record) without(from, to int) {
	for n, v := range r.cols {
		r.cols[n] = slices.Delete(v, from, to)
	}
}

// read writes the record and reads it as a run does.
func (r record) read(t *testing.T, dir string) reading {
	t.Helper()
	cols := []frame.Column{frame.Col("TIME", "s", r.cols["TIME"])}
	p := ingest.Params{Time: ingest.Time{Column: "TIME", Scale: 1}, StartS: math.NaN(), EndS: math.NaN()}
	for _, n := range r.names {
		cols = append(cols, frame.Col(n, "", r.cols[n]))
		p.Channels = append(p.Channels, ingest.Channel{Name: n, Column: n})
	}
	f, err := os.CreateTemp(dir, "*.arrow")
	if err != nil {
		t.Fatal(err)
	}
	defer os.Remove(f.Name())
	if err := frame.Must(nil, cols...).WriteParquet(f); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	out, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: f.Name()}})
	if err != nil {
		t.Fatalf("lap %s: %v", r.id, err)
	}
	return reading{r.id, r.circuit, r.names, out[len(out)-1].Frame, damageOf(t, out[0].Frame)}
}

// reading is what the verdicts read of a lap.
type reading struct {
	id, circuit     string
	channels        []string
	quality, damage *frame.Frame
}

// damageOf is the damage of a signal at an invented hot spot.
func damageOf(t *testing.T, signal *frame.Frame) *frame.Frame {
	t.Helper()
	counted, err := count.Params{}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: count.Signal, Frame: signal}}})
	if err != nil {
		t.Fatal(err)
	}
	p := damage.Params{ReferenceCycles: 1e6, Transfer: fatigue.Transfer{Gain: 8, Factor: 1},
		Strength: damage.Strength{Survival: 0.5, Residue: damage.Half, Material: fatigue.Material{Name: "invented", Survival: 0.5,
			Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 5, Beyond: fatigue.Beyond{Form: fatigue.BeyondSame}},
			Mean:  fatigue.MeanStress{Rule: fatigue.MeanNone}}}}
	out, err := p.Run(context.Background(), stages.Inputs{Frames: []stages.Input{
		{Label: damage.CyclesInput, Frame: counted[0].Frame}, {Label: damage.ResidueInput, Frame: counted[1].Frame}}})
	if err != nil {
		t.Fatal(err)
	}
	return out[0].Frame
}

// found is what the verdicts say of one lap.
type found struct {
	checks []string // of all channels
	aside  bool
}

// judge judges laps together with the default limits; band is its upper end in Hz.
func judge(t *testing.T, laps []reading, band float64) map[string]found {
	t.Helper()
	v := aggregate.Verdicts{Checks: aggregate.Checks(), BandHigh: band, Spots: []aggregate.JudgedSpot{{Hotspot: "toe", Channel: laps[0].channels[0]}}}
	var in stages.Inputs
	for _, l := range laps {
		for _, c := range l.channels {
			if !slices.Contains(v.Channels, c) {
				v.Channels = append(v.Channels, c)
			}
		}
		v.Laps = append(v.Laps, aggregate.JudgedLap{ID: l.id, Circuit: l.circuit})
		in.Frames = append(in.Frames, stages.Input{Label: aggregate.ReadingLabel(l.id), Frame: l.quality},
			stages.Input{Label: aggregate.LapLabel("toe", l.id), Frame: l.damage})
	}
	out, err := v.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	ids := textColumn(t, out[0].Frame, "lap_id")
	findings, verdicts := textColumn(t, out[0].Frame, "findings"), textColumn(t, out[0].Frame, "verdict")
	got := map[string]found{}
	for i, lap := range ids {
		f := got[lap]
		if findings[i] != "" {
			f.checks = append(f.checks, strings.Split(findings[i], ";")...)
		}
		f.aside = verdicts[i] == string(aggregate.SetAside)
		got[lap] = f
	}
	return got
}

func textColumn(t *testing.T, f *frame.Frame, name string) []string {
	t.Helper()
	v, err := frame.Get[[]string](f, name)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// demoRecords synthesizes laps of the season: up to perEvent of each event, those
// with gauges or those without.
func demoRecords(t *testing.T, gauges bool, perEvent int, seeds ...uint64) []record {
	t.Helper()
	all, err := plan(DefaultLaps)
	if err != nil {
		t.Fatal(err)
	}
	tracks, taken := layOutAll(), map[string]int{}
	var laps []lap
	for _, l := range all {
		if l.gauges == gauges && taken[l.event] < perEvent {
			taken[l.event]++
			laps = append(laps, l)
		}
	}
	out := make([]record, len(laps)*len(seeds))
	eachOf(len(out), func(i int) {
		l, seed := laps[i%len(laps)], seeds[i/len(laps)]
		s := synthesize(l, tracks[l.circuit], newStream(seed, l.id))
		r := record{id: fmt.Sprint(l.id, " of season ", seed), circuit: l.event, rate: float64(l.rate), names: []string{"az", "ax"}, cols: map[string][]float64{}}
		for n, v := range map[string][]float32{"TIME": s.time, "az": s.az, "ax": s.ax, "toe": s.toe, "bore": s.bore} {
			for _, x := range v {
				r.cols[n] = append(r.cols[n], float64(x))
			}
		}
		if gauges {
			r.names = append(r.names, "toe", "bore")
		}
		out[i] = r
	})
	return out
}

// eachOf calls do for 0 <= i < n, some at once.
func eachOf(n int, do func(i int)) {
	var wg sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range n {
		slots <- struct{}{}
		wg.Go(func() {
			defer func() { <-slots }()
			do(i)
		})
	}
	wg.Wait()
}

// fault is a way in which a recording goes wrong.
type fault struct {
	check  string
	what   string
	gauges bool // planted in laps with gauges
	band   float64
	plant  func(r record, rng *rand.Rand)
}

func faults() []fault {
	place := func(r record, rng *rand.Rand, room int) int {
		return room + rng.IntN(len(r.cols["TIME"])-2*room)
	}
	channel := func(rng *rand.Rand) string { return []string{"az", "ax"}[rng.IntN(2)] }
	gauge := func(rng *rand.Rand) string { return []string{"toe", "bore"}[rng.IntN(2)] }
	sign := func(rng *rand.Rand) float64 { return float64(2*rng.IntN(2) - 1) }
	return []fault{
		{check: aggregate.Gaps, what: "12 to 400 samples lost", plant: func(r record, rng *rand.Rand) {
			i := place(r, rng, 500)
			r.without(i, i+12+rng.IntN(388))
		}},
		{check: aggregate.Backward, what: "the clock goes back by 2 to 200 samples, for 5", plant: func(r record, rng *rand.Rand) {
			i, t := place(r, rng, 500), r.cols["TIME"]
			copy(t[i:i+5], slices.Clone(t[i-2-rng.IntN(198):][:5]))
		}},
		{check: aggregate.Missing, what: "1 to 20 samples missing or infinite", plant: func(r record, rng *rand.Rand) {
			x := r.cols[channel(rng)]
			i := place(r, rng, 500)
			for k := range 1 + rng.IntN(20) {
				x[i+k] = []float64{math.NaN(), math.Inf(1)}[rng.IntN(2)]
			}
		}},
		{check: aggregate.Rate, what: "the clock drifts by 2 to 5 % to either side", plant: func(r record, rng *rand.Rand) {
			t, by := r.cols["TIME"], 0.02+0.03*rng.Float64()
			end := t[len(t)-1]
			for i, v := range t {
				t[i] = v + by*v*(v/end-1)
			}
		}},
		{check: aggregate.Duration, what: "twice or half the true rate", plant: func(r record, rng *rand.Rand) {
			f := []float64{0.5, 2}[rng.IntN(2)]
			for i := range r.cols["TIME"] {
				r.cols["TIME"][i] *= f
			}
		}},
		{check: aggregate.Flat, what: "one value for 1.1 to 5 s", plant: func(r record, rng *rand.Rand) {
			x, n := r.cols[channel(rng)], int((1.1+3.9*rng.Float64())*r.rate)
			i := place(r, rng, n+1)
			for k := range n {
				x[i+k] = x[i]
			}
		}},
		{check: aggregate.Clipping, what: "cut at 50 to 80 % of the largest value", plant: func(r record, rng *rand.Rand) {
			x, by := r.cols[channel(rng)], 0.5+0.3*rng.Float64()
			most := 0.0
			for _, v := range x {
				most = max(most, math.Abs(v))
			}
			for i, v := range x {
				x[i] = min(max(v, -by*most), by*most)
			}
		}},
		{check: aggregate.Spikes, what: "one sample off by 8 to 16 g", plant: func(r record, rng *rand.Rand) {
			r.cols[channel(rng)][place(r, rng, 100)] += sign(rng) * (8 + 8*rng.Float64())
		}},
		{check: aggregate.Steps, what: "the gauge's zero jumps by 500 to 1500 ustrain", gauges: true, plant: func(r record, rng *rand.Rand) {
			x, by := r.cols[gauge(rng)], sign(rng)*(500+1000*rng.Float64())
			for i := place(r, rng, len(x)/3); i < len(x); i++ {
				x[i] += by
			}
		}},
		{check: aggregate.Drift, what: "the gauge drifts by 600 to 1500 ustrain", gauges: true, plant: func(r record, rng *rand.Rand) {
			x, by := r.cols[gauge(rng)], sign(rng)*(600+900*rng.Float64())
			for i := range x {
				x[i] += by * float64(i) / float64(len(x))
			}
		}},
		{check: aggregate.Level, what: "m/s2 for g, or a range set to 2.5 or 0.4 of the true one", plant: func(r record, rng *rand.Rand) {
			x, by := r.cols[channel(rng)], []float64{9.80665, 1 / 9.80665, 2.5, 0.4}[rng.IntN(4)]
			for i := range x {
				x[i] *= by
			}
		}},
		{check: aggregate.Swapped, what: "two channels swapped", plant: func(r record, _ *rand.Rand) {
			r.cols["az"], r.cols["ax"] = r.cols["ax"], r.cols["az"]
		}},
		{check: aggregate.SinglePeak, what: "one thump of 30 to 45 g", plant: func(r record, rng *rand.Rand) {
			ring{35, 0.3, 1}.addTo(r.cols["az"], place(r, rng, 500), int(r.rate), 50+20*rng.Float64())
		}},
		{check: aggregate.FewSamples, what: "a band up to 101 to 150 Hz at 1000 Hz or less", band: 101, plant: func(record, *rand.Rand) {}},
	}
}

// TestPlantedFaults plants every sort of fault in laps and counts how many are found,
// and how many clean laps are set aside.
func TestPlantedFaults(t *testing.T) {
	dir := t.TempDir()
	kinds := map[bool][]record{false: demoRecords(t, false, lapsOfEvent, 0), true: demoRecords(t, true, 99, 0, 1, 2)}
	clean := map[bool][]reading{}
	var table strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&table, format+"\n", args...) }
	for _, gauges := range []bool{false, true} {
		records := kinds[gauges]
		clean[gauges] = make([]reading, len(records))
		eachOf(len(records), func(i int) { clean[gauges][i] = records[i].read(t, dir) })
		aside, flagged := 0, map[string]int{}
		for _, f := range judge(t, clean[gauges], 45) {
			if f.aside {
				aside++
			}
			slices.Sort(f.checks)
			for _, c := range slices.Compact(f.checks) {
				flagged[c]++
			}
		}
		line("clean laps, gauges %v: %d, set aside %d, findings %v", gauges, len(records), aside, flagged)
		if aside*50 > len(records) {
			t.Errorf("%d of %d clean laps are set aside", aside, len(records))
		}
	}
	line("%-22s %-62s %7s %5s %s", "check", "planted", "planted", "found", "share")
	for k, f := range append(faults(), fault{check: aggregate.Duplicate, what: "another lap's samples"}) {
		records := kinds[f.gauges]
		hits := make([]bool, planted)
		eachOf(len(hits), func(i int) {
			laps := slices.Clone(clean[f.gauges])
			at := i * 7 % len(records)
			bad := records[at].clone()
			if f.plant != nil {
				f.plant(bad, rand.New(rand.NewPCG(uint64(k), uint64(i))))
				laps[at] = bad.read(t, dir)
			} else {
				bad.id += " again"
				again := laps[at]
				again.id = bad.id
				laps = append(laps, again)
			}
			band := 45.0
			if f.band > 0 {
				band = f.band + float64(i)
			}
			hits[i] = slices.Contains(judge(t, laps, band)[bad.id].checks, f.check)
		})
		n := 0
		for _, h := range hits {
			if h {
				n++
			}
		}
		line("%-22s %-62s %7d %5d %3d %%", f.check, f.what, len(hits), n, 100*n/len(hits))
		if n*100 < 95*len(hits) {
			t.Errorf("%s: %d of %d planted faults found (%s), want 95 %%", f.check, n, len(hits), f.what)
		}
	}
	t.Log("\n" + table.String())
}

// Kerb hits ring over several samples and are no spikes, whatever their pitch; a
// single sample is one, also in a lap full of them.
func TestKerbHitsAreNoSpikes(t *testing.T) {
	const laps = hitLaps
	dir := t.TempDir()
	falseAlarms, found := make([]bool, laps), make([]bool, laps)
	eachOf(laps, func(i int) {
		rng := rand.New(rand.NewPCG(91, uint64(i)))
		rate := []int{500, 1000, 2000}[i%3]
		x := noise(30*rate, rate, verticalModes, rng)
		for range 20 {
			hit := ring{25 + 75*rng.Float64(), 0.03 + 0.12*rng.Float64(), 1}
			hit.addTo(x, rng.IntN(len(x)), rate, (8+12*rng.Float64())*float64(2*rng.IntN(2)-1))
		}
		r := record{id: "hit", names: []string{"az"}, cols: map[string][]float64{"az": x}}
		for k := range x {
			r.cols["TIME"] = append(r.cols["TIME"], float64(k)/float64(rate))
		}
		spiky := func(r record) bool {
			return slices.Contains(judge(t, []reading{r.read(t, dir)}, 0)[r.id].checks, aggregate.Spikes)
		}
		falseAlarms[i] = spiky(r)
		x[rng.IntN(len(x)-2)+1] += 30
		found[i] = spiky(r)
	})
	sum := func(v []bool) (n int) {
		for _, b := range v {
			if b {
				n++
			}
		}
		return n
	}
	t.Logf("%d laps with 20 kerb hits each: spikes in %d; with a single sample off by 30 g: in %d", laps, sum(falseAlarms), sum(found))
	if sum(falseAlarms)*50 > laps {
		t.Errorf("spikes in %d of %d laps that have kerb hits only", sum(falseAlarms), laps)
	}
	if sum(found)*100 < 95*laps {
		t.Errorf("a single sample is found in %d of %d laps, want 95 %%", sum(found), laps)
	}
}
