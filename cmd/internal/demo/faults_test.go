package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"lapwear/stages/aggregate"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// fault is a way in which a recording goes wrong. Each of its sizes is a multiple of the
// least fault that its check means to find: of the limit, where that is a size.
type fault struct {
	check  string
	what   string
	sizes  []float64
	gauges bool // planted in laps with gauges
	plant  func(p planting)
}

// edge is how far beyond a limit the smallest faults are.
const edge = 1.3

// planting is a fault being planted in a record.
type planting struct {
	record
	size    float64
	limit   float64
	channel string                    // a channel, or with gauges a gauge
	level   float64                   // the channel's, as ingest gives it
	share   func(x []float64) float64 // of the damage of x that its largest cycle does
	rng     *rand.Rand
}

// place is a sample at least room away from either end.
func (p planting) place(room int) int { return room + p.rng.IntN(len(p.cols["TIME"])-2*room) }

func (p planting) sign() float64 { return float64(2*p.rng.IntN(2) - 1) }

// times scales by the size, or by its inverse.
func (p planting) times(by float64) float64 { return math.Pow(by, p.sign()) }

func (p planting) values() []float64 { return p.cols[p.channel] }

func faults() []fault {
	return slices.Concat(timeFaults(), sampleFaults(), comparedFaults())
}

// timeFaults are those of a lap's time axes.
func timeFaults() []fault {
	return []fault{
		{check: aggregate.Gaps, what: "neighbouring rows lost", sizes: []float64{edge, 3, 40}, plant: func(p planting) {
			i, n := p.place(500), int(math.Round(p.size*p.limit))-1
			p.without(i, i+n)
		}},
		{check: aggregate.Lost, what: "single samples lost here and there", sizes: []float64{edge, 3, 20}, plant: func(p planting) {
			x, share := p.values(), p.size*p.limit
			for i, n := 5, 0; i < len(x)-5; i++ {
				if float64(n) < share*float64(i) {
					x[i-p.rng.IntN(3)], n = math.NaN(), n+1
					i += 3
				}
			}
		}},
		{check: aggregate.Backward, what: "rows whose time stands or goes back", sizes: []float64{1, 5, 50}, plant: func(p planting) {
			t, n := p.cols["TIME"], int(p.size)
			i := p.place(500)
			copy(t[i:i+n], slices.Clone(t[i-n-p.rng.IntN(100):][:n]))
		}},
		{check: aggregate.Missing, what: "samples missing or infinite", sizes: []float64{1, 3, 20}, plant: func(p planting) {
			x, i := p.values(), p.place(500)
			for k := range int(p.size) {
				x[i+k] = []float64{math.NaN(), math.Inf(1)}[p.rng.IntN(2)]
			}
		}},
		{check: aggregate.Rate, what: "the clock drifts to either side", sizes: []float64{edge, 2, 5}, plant: func(p planting) {
			t, by := p.cols["TIME"], p.size*p.limit
			end := t[len(t)-1]
			for i, v := range t {
				t[i] = v + by*v*(v/end-1)
			}
		}},
		{check: aggregate.Rate, what: "the clock is fast or slow throughout", sizes: []float64{edge, 2, 5}, plant: func(p planting) {
			by := 1 + p.sign()*p.size*p.limit
			for i := range p.cols["TIME"] {
				p.cols["TIME"][i] *= by
			}
		}},
		{check: aggregate.Duration, what: "twice or half the rate, or more", sizes: []float64{edge, 2}, plant: func(p planting) {
			by := p.times(p.size * p.limit)
			for i := range p.cols["TIME"] {
				p.cols["TIME"][i] *= by
			}
		}},
		{check: aggregate.Duration, what: "the end is not there", sizes: []float64{edge, 3}, plant: func(p planting) {
			n := len(p.cols["TIME"])
			p.without(int(float64(n)/(p.size*p.limit)), n)
		}},
	}
}

// sampleFaults are those that a channel shows by itself.
func sampleFaults() []fault {
	return []fault{
		{check: aggregate.Flat, what: "one value for some seconds", sizes: []float64{edge, 2, 5}, plant: func(p planting) {
			x, n := p.values(), int(p.size*p.limit*p.rate)
			i := p.place(n + 1)
			for k := range n {
				x[i+k] = x[i]
			}
		}},
		{check: aggregate.Clipping, what: "cut so that some samples are at the range", sizes: []float64{edge, 4, 40}, plant: func(p planting) {
			x := p.values()
			top := clipAt(x, int(math.Ceil(p.size*p.limit)))
			for i := range x {
				x[i] = min(x[i], top)
			}
		}},
		{check: aggregate.Spikes, what: "one sample off, in tens of the steps around it", sizes: []float64{edge, 3, 8}, plant: func(p planting) {
			x, i := p.values(), p.place(100)
			x[i] += p.sign() * p.size * 10 * usualStep(x, i)
		}},
		{check: aggregate.Steps, what: "the gauge's zero jumps", sizes: []float64{edge, 2, 5}, gauges: true, plant: func(p planting) {
			x, by := p.values(), p.sign()*p.size*p.limit*p.level
			for i := p.place(len(x) / 3); i < len(x); i++ {
				x[i] += by
			}
		}},
		{check: aggregate.Drift, what: "the gauge drifts", sizes: []float64{edge, 2, 5}, gauges: true, plant: func(p planting) {
			x, by := p.values(), p.sign()*p.size*p.limit*p.level
			for i := range x {
				x[i] += by * float64(i) / float64(len(x))
			}
		}},
		{check: aggregate.SinglePeak, what: "one thump that does this share of the damage", sizes: []float64{edge, 1.6, 1.9}, plant: func(p planting) {
			x, at := p.cols["az"], p.place(500)
			thump := func(peak float64) []float64 {
				out := slices.Clone(x)
				ring{35, 0.3, 1}.addTo(out, at, int(p.rate), peak)
				return out
			}
			low, high := 0.0, 1000*p.level
			for range 12 {
				if mid := (low + high) / 2; p.share(thump(mid)) < p.size*p.limit {
					low = mid
				} else {
					high = mid
				}
			}
			copy(x, thump(high))
		}},
		{check: aggregate.FewSamples, what: "a band that reaches too far up", sizes: []float64{edge, 2, 4}, plant: func(planting) {}},
	}
}

// comparedFaults are those that show beside other laps.
func comparedFaults() []fault {
	scale := func(p planting) {
		x, by := p.values(), p.times(p.size*p.limit)
		for i := range x {
			x[i] *= by
		}
	}
	return []fault{
		{check: aggregate.Level, what: "a channel scaled up or down; 4.9: m/s2 for g", sizes: []float64{edge, 2, 4.9}, plant: scale},
		{check: aggregate.Level, what: "a dead channel", sizes: []float64{1}, plant: func(p planting) {
			x := p.values()
			for i := range x {
				x[i] = x[0]
			}
		}},
		{check: aggregate.Swapped, what: "one of two channels scaled", sizes: []float64{edge, 2, 5}, plant: scale},
		{check: aggregate.Swapped, what: "two channels swapped", sizes: []float64{1}, plant: func(p planting) {
			p.cols["az"], p.cols["ax"] = p.cols["ax"], p.cols["az"]
		}},
		{check: aggregate.Duplicate, what: "another lap's samples", sizes: []float64{1}},
	}
}

// clipAt returns the value at which to cut x so that at least n samples, in runs of
// three or more, are at it.
func clipAt(x []float64, n int) float64 {
	top := slices.Max(x)
	for by := 0.99; by > 0; by -= 0.01 {
		at, run := 0, 0
		for _, v := range append(slices.Clone(x), math.Inf(-1)) {
			if v >= by*top {
				run++
				continue
			}
			if run >= 3 {
				at += run
			}
			run = 0
		}
		if at >= n {
			return by * top
		}
	}
	return 0
}

// usualStep is the median size of the steps within 32 samples around sample i.
func usualStep(x []float64, i int) float64 {
	var steps []float64
	for k := i - 32; k < i+32; k++ {
		steps = append(steps, math.Abs(x[k+1]-x[k]))
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// leastFound is the share of the planted faults that has to be found. Of spikes just
// beyond the limit it is less: beside rough road they may be shocks, which no one is to
// be warned of.
func (f fault) leastFound(size float64) int {
	if f.check == aggregate.Spikes && size == edge {
		return 40
	}
	return 95
}

// TestPlantedFaults plants every sort of fault in several sizes and counts how many are
// found, and how many clean laps are set aside or warned of.
func TestPlantedFaults(t *testing.T) {
	if testing.Short() && raceDetector {
		t.Skip("it judges lap after lap; the small season runs the same goroutines")
	}
	g := ground{dir: t.TempDir(), records: map[bool][]record{false: demoRecords(t, false, lapsOfEvent, 0), true: demoRecords(t, true, 99, 0, 1, 2)},
		clean: map[bool][]reading{}}
	var table strings.Builder
	for _, gauges := range []bool{false, true} {
		fmt.Fprintln(&table, g.cleanLaps(t, gauges))
	}
	fmt.Fprintf(&table, "%-22s %-52s %5s %7s %5s %s\n", "check", "planted", "size", "planted", "found", "share")
	for k, f := range faults() {
		all, found := 0, 0
		for _, size := range f.sizes {
			n := g.found(t, f, size, uint64(k))
			fmt.Fprintf(&table, "%-22s %-52s %5.3g %7d %5d %3d %%\n", f.check, f.what, size, planted, n, 100*n/planted)
			if f.leastFound(size) == 95 {
				all, found = all+planted, found+n
			}
			if n*100 < f.leastFound(size)*planted-100 { // one may be missed
				t.Errorf("%s, size %g: %d of %d planted faults found (%s)", f.check, size, n, planted, f.what)
			}
		}
		if found*100 < 95*all {
			t.Errorf("%s: %d of %d planted faults found (%s), want 95 %%", f.check, found, all, f.what)
		}
	}
	t.Log("\n" + table.String())
}

// ground is the laps in which faults are planted.
type ground struct {
	dir     string
	records map[bool][]record // by whether they have gauges
	clean   map[bool][]reading
}

// cleanBand is the upper end of the band in Hz: ten samples a cycle of the slower bike.
const cleanBand = 45

// cleanLaps reads the laps as they are; at most one in fifty may be set aside, and at
// most one in twenty be warned of.
func (g *ground) cleanLaps(t *testing.T, gauges bool) string {
	records := g.records[gauges]
	g.clean[gauges] = make([]reading, len(records))
	eachOf(len(records), func(i int) { g.clean[gauges][i] = records[i].read(t, g.dir) })
	aside, warned, flagged := 0, 0, map[string]int{}
	for _, f := range judge(t, g.clean[gauges], cleanBand) {
		if f.aside {
			aside++
		}
		if len(f.checks) > 0 {
			warned++
		}
		slices.Sort(f.checks)
		for _, c := range slices.Compact(f.checks) {
			flagged[c]++
		}
	}
	if aside*50 > len(records) {
		t.Errorf("%d of %d clean laps are set aside", aside, len(records))
	}
	if warned*20 > len(records) {
		t.Errorf("%d of %d clean laps have findings: %v", warned, len(records), flagged)
	}
	return fmt.Sprintf("clean laps, gauges %v: %d, set aside %d, with findings %d %v", gauges, len(records), aside, warned, flagged)
}

// found plants a fault of one size again and again and counts how often its check finds
// it in its lap.
func (g *ground) found(t *testing.T, f fault, size float64, seed uint64) int {
	hits := make([]bool, planted)
	eachOf(len(hits), func(i int) {
		laps := slices.Clone(g.clean[f.gauges])
		at := (i*7 + int(seed)) % len(laps)
		bad, band := g.records[f.gauges][at].clone(), float64(cleanBand)
		switch {
		case f.plant == nil:
			again := laps[at]
			bad.id += " again"
			again.id = bad.id
			laps = append(laps, again)
		default:
			f.plant(g.planting(t, f, bad, laps[at], size, rand.New(rand.NewPCG(seed, uint64(1000*size)+uint64(i)<<20))))
			laps[at] = bad.read(t, g.dir)
		}
		if f.check == aggregate.FewSamples {
			band = size * bad.rate / limitOf(f.check)
		}
		hits[i] = slices.Contains(judge(t, laps, band)[bad.id].checks, f.check)
	})
	n := 0
	for _, h := range hits {
		if h {
			n++
		}
	}
	return n
}

func (g *ground) planting(t *testing.T, f fault, r record, clean reading, size float64, rng *rand.Rand) planting {
	p := planting{record: r, size: size, limit: limitOf(f.check), rng: rng, channel: []string{"az", "ax"}[rng.IntN(2)]}
	if f.gauges {
		p.channel = []string{"toe", "bore"}[rng.IntN(2)]
	}
	p.share = func(x []float64) float64 {
		signal := frame.Must(clean.signal.Attrs(), frame.Col("value", clean.signal.Columns()[0].Unit, x))
		row, err := damage.ReadRow(damageOf(t, signal))
		if err != nil {
			t.Error(err)
		}
		return row.LargestShare
	}
	levels, err := frame.Get[[]float64](clean.quality, "level")
	if err != nil {
		t.Fatal(err)
	}
	p.level = levels[slices.Index(textColumn(t, clean.quality, "channel"), p.channel)]
	return p
}

func limitOf(check string) float64 {
	all := aggregate.Checks()
	return all[slices.IndexFunc(all, func(c aggregate.Check) bool { return c.Name == check })].Limit
}
