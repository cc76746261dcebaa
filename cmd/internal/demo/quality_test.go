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
	id, circuit, bike string

	rate  float64
	names []string
	cols  map[string][]float64
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
	return reading{r.id, r.circuit, r.bike, r.names, out[len(out)-1].Frame, damageOf(t, out[0].Frame), out[0].Frame}
}

// reading is what the verdicts read of a lap.
type reading struct {
	id, circuit, bike string
	channels          []string
	quality, damage   *frame.Frame
	signal            *frame.Frame // of the first channel
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
	channel := laps[0].channels[0]
	f := aggregate.Findings{Checks: aggregate.Checks()}
	spot := aggregate.SpotFindings{Checks: aggregate.Checks(), Hotspot: "toe", Channel: channel, Factor: 1, BandHigh: band}
	v := aggregate.Verdicts{Spots: []aggregate.JudgedSpot{{Hotspot: "toe", Channel: channel}}}
	var in stages.Inputs
	var figures damage.Figures
	for _, l := range laps {
		for _, c := range l.channels {
			if !slices.Contains(f.Channels, c) {
				f.Channels = append(f.Channels, c)
			}
		}
		f.Laps = append(f.Laps, aggregate.ReadLap{ID: l.id, Circuit: l.circuit, Bike: l.bike})
		v.Laps = append(v.Laps, aggregate.JudgedLap{ID: l.id})
		in.Frames = append(in.Frames, stages.Input{Label: aggregate.ReadingLabel(l.id), Frame: l.quality})
		if err := figures.Add(l.id, l.damage); err != nil {
			t.Fatal(err)
		}
	}
	run := func(s stages.Stage, in ...stages.Input) []stages.Output {
		out, err := s.Run(context.Background(), stages.Inputs{Frames: in})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	samples := run(f, in.Frames...)
	damages := run(spot, stages.Input{Label: aggregate.FiguresLabel("toe"), Frame: figures.Frame()})
	out := run(v, stages.Input{Label: aggregate.RowsInput, Frame: samples[0].Frame}, stages.Input{Label: aggregate.FindingsInput, Frame: samples[1].Frame},
		stages.Input{Label: aggregate.SpotFindingsLabel("toe"), Frame: damages[0].Frame})
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
		r := record{id: fmt.Sprint(l.id, " of season ", seed), circuit: l.event, bike: l.bike.name, rate: float64(l.rate), names: []string{"az", "ax"}, cols: map[string][]float64{}}
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
