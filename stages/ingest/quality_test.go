package ingest

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/stages/frame"
)

// shaken is a record of n samples at 1000 Hz: a sine of 20 Hz and noise.
func shaken(n int) []float64 {
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]float64, n)
	for i := range x {
		x[i] = 3*math.Sin(2*math.Pi*20*float64(i)/1000) + 0.2*rng.NormFloat64()
	}
	return x
}

// ramp climbs by 1 a sample, but by 0.01 far from a single sample that is too high.
func ramp(high float64) []float64 {
	x := make([]float64, 400)
	for i := 1; i < len(x); i++ {
		x[i] = x[i-1] + 1
		if i == 350 {
			x[i] -= 0.99
		}
	}
	x[100] += high
	return x
}

// whole is the axis of n uniform samples from 0 s on.
func whole(n int, rate float64) *axis {
	return &axis{rate: rate, nominal: float64(n), duration: float64(n) / rate}
}

// siteOf is the place of a sample at 1000 Hz.
func siteOf(i int) site { return site{strconv.Itoa(i), float64(i) / 1000} }

// near12 compares numbers.
var near12 = cmp.Comparer(func(a, b float64) bool { return a != a && b != b || math.Abs(a-b) < 1e-12 })

func TestQuality(t *testing.T) {
	const n = 6400
	with := func(change func(x []float64)) []float64 {
		x := shaken(n)
		change(x)
		return x
	}
	none := nowhere()
	type found struct {
		spikes    int64
		spikesAt  site
		clipped   int64
		clippedAt site
		flat      float64
		flatAt    site
	}
	tests := []struct {
		reason string
		x      []float64
		want   found
	}{
		{"nothing wrong", shaken(n), found{0, none, 0, none, 0, none}},
		{"two single samples, up and down", with(func(x []float64) { x[1000] += 30; x[4000] -= 30 }), found{2, siteOf(1000), 0, none, 0, none}},
		{"two samples, then three: one spike each", with(func(x []float64) {
			for _, i := range []int{1000, 1001, 4000, 4001, 4002} {
				x[i] += 30
			}
		}), found{2, siteOf(1000), 0, none, 0, none}},
		{"four samples are a thump", with(func(x []float64) {
			for i := range 4 {
				x[1000+i] += 30
			}
		}), found{0, none, 0, none, 0, none}},
		{"a shift is none", with(func(x []float64) {
			for i := 1000; i < n; i++ {
				x[i] += 30
			}
		}), found{0, none, 0, none, 0, none}},
		{"a pair of single samples, three apart: neither is the other's ringing", with(func(x []float64) { x[1000] += 40; x[1003] -= 40 }),
			found{2, siteOf(1000), 0, none, 0, none}},
		{"a pair eight apart", with(func(x []float64) { x[1000] += 40; x[1008] += 40 }), found{2, siteOf(1000), 0, none, 0, none}},
		{"the first sample", with(func(x []float64) { x[0] += 40 }), found{1, siteOf(0), 0, none, 0, none}},
		{"the last sample", with(func(x []float64) { x[n-1] += 40 }), found{1, siteOf(n - 1), 0, none, 0, none}},
		{"a shock that begins at once and swings every five samples", with(func(x []float64) {
			for k := range 40 {
				x[1000+k] += 30 * math.Exp(-float64(k)/15) * math.Sin(2*math.Pi*float64(k)/5)
			}
		}), found{0, none, 0, none, 0, none}},
		{"a shock rings", with(func(x []float64) {
			for k := range 12 {
				x[1000+k] += 30 * math.Exp(-float64(k)/6) * math.Cos(math.Pi*float64(k))
			}
		}), found{0, none, 0, none, 0, none}},
		{"too small to stand out", with(func(x []float64) { x[1000] += 2 }), found{0, none, 0, none, 0, none}},
		{"a spike of 11 times the local step on a ramp", ramp(12), found{1, siteOf(100), 0, none, 0, none}},
		{"one of 5 times does not stand out, though it does not ring", ramp(6), found{0, none, 0, none, 0, none}},
		{"steps of one resolution on a constant are no spikes; its value is an extreme", func() []float64 {
			x := make([]float64, 100)
			x[30], x[31], x[60] = 1, 1, 1
			return x
		}(), found{0, none, 97, siteOf(0), 0.038, site{"", 0.061}}},
		{"clipped at both ends", with(func(x []float64) {
			for i, v := range x {
				x[i] = min(max(v, -2), 2.5)
			}
		}), found{0, none, -1, none, -1, none}},
		{"a run of two at the extreme is not clipped", with(func(x []float64) { x[10], x[11] = 5, 5 }), found{0, none, 0, none, 0.001, site{"", 0.01}}},
		{"frozen for half a second", with(func(x []float64) {
			for i := range 501 {
				x[3000+i] = 0.5
			}
		}), found{0, none, 0, none, 0.5, siteOf(3000)}},
		{"of two equal stretches the first counts, whatever float64 makes of their times", with(func(x []float64) {
			for i := range 301 {
				x[700+i], x[4100+i] = 0.5, 0.5
			}
		}), found{0, none, 0, none, 0.3, siteOf(700)}},
		{"constant", make([]float64, n), found{0, none, 0, none, float64(n-1) / 1000, siteOf(0)}},
	}
	for _, tt := range tests {
		q := assess(tt.x, whole(len(tt.x), 1000), 0, siteOf)
		got := found{q.spikes, q.spikesAt, q.clipped, q.clippedAt, q.flat, q.flatAt}
		if tt.want.clipped < 0 { // counted here the slow way
			tt.want.clipped, tt.want.flat = countClipped(tt.x)
			tt.want.clippedAt, tt.want.flatAt = got.clippedAt, got.flatAt
		}
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(found{}, site{}), near12); diff != "" {
			t.Errorf("%s: %s", tt.reason, diff)
		}
	}
}

// With a coarse resolution neighbours are equal everywhere, at the extremes too.
func TestClippedAtACoarseResolution(t *testing.T) {
	coarse := func(step, top float64) []float64 {
		x := shaken(6400)
		for i, v := range x {
			x[i] = min(math.Round(v/step)*step, top)
		}
		return x
	}
	tests := []struct {
		reason string
		x      []float64
		cut    bool
	}{
		{"half a unit on a sine of 3: runs of three at its crests are usual", coarse(0.5, 99), false},
		{"a thousandth, cut at 2", coarse(0.001, 2), true},
		{"a tenth, cut at 2: runs at the cut are longer than elsewhere", coarse(0.1, 2), true},
	}
	for _, tt := range tests {
		if got := assess(tt.x, whole(len(tt.x), 1000), 0, siteOf).clipped; (got > 0) != tt.cut {
			t.Errorf("%s: %d samples clipped", tt.reason, got)
		}
	}
}

func TestSentinels(t *testing.T) {
	with := func(v float64, at ...int) []float64 {
		x := shaken(6400)
		for _, i := range at {
			x[i] = v
		}
		return x
	}
	type found struct {
		value float64
		n     int64
		at    site
	}
	tests := []struct {
		reason string
		x      []float64
		want   found
	}{
		{"none", shaken(6400), found{0, 0, nowhere()}},
		{"one", with(-9999, 100), found{-9999, 1, siteOf(100)}},
		{"a stretch", with(32767, 7, 8, 9), found{32767, 3, siteOf(7)}},
		{"kept with single precision", with(float64(float32(1e30)), 5), found{float64(float32(1e30)), 1, siteOf(5)}},
		{"as large, but not such a number", with(-9876, 100), found{0, 0, nowhere()}},
		{"such a number among others as large", func() []float64 {
			x := with(999, 100)
			x[200] = 700
			return x
		}(), found{0, 0, nowhere()}},
		{"nothing else", with(9999, slices.Collect(func(yield func(int) bool) {
			for i := 0; i < 6400 && yield(i); i++ {
			}
		})...), found{0, 0, nowhere()}},
	}
	for _, tt := range tests {
		q := assess(tt.x, whole(len(tt.x), 1000), 0, siteOf)
		if diff := cmp.Diff(tt.want, found{q.sentinel, q.sentinels, q.sentinelsAt}, cmp.AllowUnexported(found{}, site{}), near12); diff != "" {
			t.Errorf("%s: %s", tt.reason, diff)
		}
	}
}

// What an axis shows goes into the quality as it is; shares and rates follow from it.
func TestQualityOfAnAxis(t *testing.T) {
	x := shaken(900)
	got := assess(x, &axis{rate: 1000, gaps: 3, gapSteps: 4, unsteady: 0.2, nominal: 1200, duration: 1.2}, 0, siteOf)
	want := quality{samples: 900, rate: 1000, gaps: 3, gapSteps: 4, unsteady: 0.2, lostShare: 0.25, duration: 1.2, present: 750,
		spikesAt: nowhere(), sentinelsAt: nowhere(), clippedAt: nowhere(), flatAt: nowhere(), deadAt: nowhere(), stepAt: got.stepAt,
		drift: got.drift, step: got.step, level: got.level, digest: digestOf(x), sketch: got.sketch}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(quality{}, site{}), near12); diff != "" {
		t.Error(diff)
	}
}

// countClipped counts the samples at the bounds -2 and 2.5 that have two equal
// neighbours in a row around them, and the longest such run in s.
func countClipped(x []float64) (n int64, longest float64) {
	equal := func(i, j int) bool { return i >= 0 && j < len(x) && x[i] == x[j] }
	run := 0
	for i, v := range x {
		if i > 0 && x[i-1] == v {
			run++
		} else {
			run = 0
		}
		longest = max(longest, float64(run)/1000)
		if v != -2 && v != 2.5 {
			continue
		}
		if equal(i-2, i-1) && equal(i-1, i) || equal(i-1, i) && equal(i, i+1) || equal(i, i+1) && equal(i+1, i+2) {
			n++
		}
	}
	return n, longest
}

func TestDrift(t *testing.T) {
	line := func(n int, slope float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = 7 + slope*float64(i)/1000
		}
		return x
	}
	noisy := shaken(6400)
	for i := range noisy {
		noisy[i] += 10 * float64(i) / 6399
	}
	for i := range 1000 { // an outlying stretch does not move the line far
		noisy[2000+i] += 500
	}
	late := []float64{0, 1, 2, 4, 8}
	tests := []struct {
		reason   string
		x, times []float64
		want     float64
		within   float64
	}{
		{"a straight line", line(6400, 2), nil, 2 * 6.399, 1e-9},
		{"two samples", line(2, -5), nil, -0.005, 1e-12},
		{"a sine, noise, an outlying stretch", noisy, nil, 10, 0.5},
		{"no drift", shaken(6400), nil, 0, 0.1},
		{"times that are not uniform", []float64{0, 3, 6, 12, 24}, late, 24, 1e-12},
		{"large numbers do not overflow", []float64{-8e307, -8e307, -8e307}, nil, 0, 0},
	}
	for _, tt := range tests {
		if got := assess(tt.x, &axis{times: tt.times, rate: 1000}, 0, siteOf).drift; !(math.Abs(got-tt.want) <= tt.within) {
			t.Errorf("%s: drift %v, want %v within %v", tt.reason, got, tt.want, tt.within)
		}
	}
}

func TestStepAndLevel(t *testing.T) {
	sine := func(n int, rate, hz, size float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = 5 + size*math.Sin(2*math.Pi*hz*float64(i)/rate)
		}
		return x
	}
	with := func(x []float64, change func(x []float64)) []float64 {
		change(x)
		return x
	}
	rms := 3 / math.Sqrt2 * 0.984 // 0.984 = sin(u)/u, u = pi 20 Hz 5 ms: the mean over 5 ms
	tests := []struct {
		reason      string
		x           []float64
		rate        float64
		step, level float64
		within      float64
	}{
		{"a sine", sine(6400, 1000, 20, 3), 1000, 0, rms, 0.03},
		{"the same at half the rate", sine(3200, 500, 20, 3), 500, 0, rms, 0.08},
		{"at four times the rate", sine(25600, 4000, 20, 3), 4000, 0, rms, 0.03},
		{"ten large spikes", with(sine(6400, 1000, 20, 3), func(x []float64) {
			for i := range 10 {
				x[600*i+100] += 500
			}
		}), 1000, 0, rms, 0.2},
		{"a shift", with(sine(6400, 1000, 20, 3), func(x []float64) {
			for i := 3000; i < len(x); i++ {
				x[i] -= 40
			}
		}), 1000, -40, rms, 0.1},
		{"slower than half a hertz is no vibration", sine(64000, 1000, 0.3, 3), 1000, 0, 0, 0.3},
		{"a constant", make([]float64, 6400), 1000, 0, 0, 0},
		{"too short for a shift and for a level", []float64{0, 0, 0, 9, 9, 9}, 1000, 0, math.NaN(), 0},
		{"two samples", []float64{0, 9}, 1000, 0, math.NaN(), 0},
		{"varies once and never vibrates", with(make([]float64, 6400), func(x []float64) { x[0] = 1 }), 1000, 0, math.NaN(), 0},
		{"a straight line does not vibrate", with(make([]float64, 6400), func(x []float64) {
			for i := range x {
				x[i] = float64(i) / 1000
			}
		}), 1000, 3.3, math.NaN(), 0},
		{"numbers too large to add up", with(make([]float64, 300), func(x []float64) {
			for i := range x {
				x[i] = 1.7e308 * float64(i%2*2-1)
			}
		}), 1000, 0, math.NaN(), 0},
	}
	for _, tt := range tests {
		got := assess(tt.x, whole(len(tt.x), tt.rate), 0, siteOf)
		slow := tt.reason == "slower than half a hertz is no vibration" || math.IsNaN(tt.level)
		if !slow && math.Abs(got.step-tt.step) > 0.5 {
			t.Errorf("%s: step %v, want %v", tt.reason, got.step, tt.step)
		}
		if !(math.Abs(got.level-tt.level) <= tt.within) && !(math.IsNaN(got.level) && math.IsNaN(tt.level)) {
			t.Errorf("%s: level %v, want %v within %v", tt.reason, got.level, tt.level, tt.within)
		}
	}
}

func TestClippedAtTheSensorsRange(t *testing.T) {
	x := []float64{0, 4.98, 1, -5, -5, -5, 2, 4.9, 5.1, 0}
	tests := []struct {
		reason string
		sensor float64
		want   int64
	}{
		{"not known: runs at the extreme", 0, 3},
		{"at it, beyond it, or within half a per cent", 5, 5},
		{"never reached", 8, 3},
	}
	for _, tt := range tests {
		if got := assess(x, whole(len(x), 100), tt.sensor, siteOf).clipped; got != tt.want {
			t.Errorf("%s: %d clipped, want %d", tt.reason, got, tt.want)
		}
	}
}

func TestUnsteady(t *testing.T) {
	stamps := func(n int, step func(i int) float64) []float64 {
		t := make([]float64, n)
		for i := 1; i < n; i++ {
			t[i] = t[i-1] + step(i)
		}
		return t
	}
	rng := rand.New(rand.NewPCG(3, 4))
	tests := []struct {
		reason       string
		t            []float64
		want, within float64
	}{
		{"jitter of 10 % of a step evens out", stamps(8000, func(int) float64 { return 0.01 * (1 + 0.1*rng.NormFloat64()) }), 0, 0.03},
		{"half of it is 4 % faster: its mean lies between", stamps(8000, func(i int) float64 {
			if i < 4000 {
				return 0.01
			}
			return 0.0104
		}), 0.02, 0.002},
		{"a gap is none", stamps(8000, func(i int) float64 {
			if i == 3000 {
				return 0.05
			}
			return 0.01 * (1 + 1e-2*float64(i%2))
		}), 0, 0.005},
		{"1000 Hz, then 500 Hz for good", stamps(8000, func(i int) float64 {
			if i < 4000 {
				return 0.001
			}
			return 0.002
		}), 0.5, 1e-9},
		{"500 Hz, then 1000 Hz for less time", stamps(8000, func(i int) float64 {
			if i < 6000 {
				return 0.002
			}
			return 0.001
		}), 1, 0.01},
		{"each sample is lost or not, even odds", stamps(8000, func(int) float64 {
			d := 0.001
			for rng.IntN(2) == 0 {
				d += 0.001
			}
			return d
		}), 0.5, 0.15},
	}
	for _, tt := range tests {
		p := paceOf(tt.t)
		if p.uniform {
			t.Errorf("%s: the stamps pass for uniform", tt.reason)
		}
		if got := p.unsteady(tt.t); math.Abs(got-tt.want) > tt.within {
			t.Errorf("%s: unsteady by %v, want %v within %v", tt.reason, got, tt.want, tt.within)
		}
	}
}

// Law: the digest tells contents apart and nothing else.
func TestDigest(t *testing.T) {
	x := shaken(2000)
	of := func(x []float64, rate float64) string { return assess(x, whole(len(x), rate), 0, siteOf).digest }
	if of(x, 1000) != of(slices.Clone(x), 500) {
		t.Error("equal samples have other digests")
	}
	y := slices.Clone(x)
	y[1999] = math.Nextafter(y[1999], 9)
	if of(x, 1000) == of(y, 1000) {
		t.Error("other samples have the same digest")
	}
	if of(make([]float64, 9), 1000) != "" {
		t.Error("a record of one value has a digest")
	}
}

// Law: a mean over a time passes sin(u)/u, u = pi frequency time (the Fourier transform of
// a rectangle); a window's mean does so at any rate, as long as the signal is slow.
func TestWindow(t *testing.T) {
	for _, length := range []float64{0.4, 0.5, 1, 1.5, 2.5, 3, 5, 7.5, 10, 25, 62.5, 250} {
		w := windowOf(length)
		if !(w.end >= 0 && w.end <= 1) {
			t.Errorf("length %g: the next samples weigh %g", length, w.end)
		}
		for _, cycles := range []float64{0.02, 0.1, 0.2} { // that the window holds
			f := 2 * math.Pi * cycles / length // a sample, in radians
			got := 1.0
			for k := 1; k <= w.whole; k++ {
				got += 2 * math.Cos(f*float64(k))
			}
			got = (got + 2*w.end*math.Cos(f*float64(w.whole+1))) * w.weight
			u := math.Pi * cycles
			if want := math.Sin(u) / u; f < math.Pi && math.Abs(got-want) > 0.05*(1-want)+1e-12 && length >= 1.5 {
				t.Errorf("length %g, %g cycles: passes %g, want %g", length, cycles, got, want)
			}
		}
	}
}

// Law: the level of a signal is the same at any rate that holds its band.
func TestLevelAtAnyRate(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	type tone struct{ hz, phase float64 }
	var tones []tone
	for hz := 3.0; hz < 60; hz += 0.37 {
		tones = append(tones, tone{hz, 2 * math.Pi * rng.Float64()})
	}
	at := func(rate float64) float64 {
		x := make([]float64, int(20*rate))
		for i := range x {
			for _, s := range tones {
				x[i] += math.Sin(2*math.Pi*s.hz*float64(i)/rate + s.phase)
			}
		}
		return assess(x, whole(len(x), rate), 0, siteOf).level
	}
	want := at(4000)
	for _, rate := range []float64{200, 250, 300, 333, 400, 480, 500, 512, 700, 1000, 1024, 1100, 1300, 1900, 2000} {
		if got := at(rate); math.Abs(got/want-1) > 0.05 {
			t.Errorf("%g Hz: level %.4g, at 4000 Hz %.4g", rate, got, want)
		}
	}
}

// The share that shows no life. The limits are this package's own.
func TestDead(t *testing.T) {
	const n = 20000
	rng := rand.New(rand.NewPCG(2, 4))
	with := func(change func(x []float64)) []float64 {
		x := shaken(n)
		change(x)
		return x
	}
	noise := func(x []float64) {
		for i := range x {
			x[i] = 0.02 * float64(rng.IntN(3)-1)
		}
	}
	tests := []struct {
		reason string
		x      []float64
		rate   float64
		want   float64
		within float64
	}{
		{"alive", shaken(n), 1000, 0, 0},
		{"noise of the last digit for 40 %", with(func(x []float64) { noise(x[12000:]) }), 1000, 0.4, 0.02},
		{"for 70 %", with(func(x []float64) { noise(x[6000:]) }), 1000, 0.7, 0.02},
		{"frozen for 0.9 s of every second", with(func(x []float64) {
			for i := range x {
				if i%1000 >= 100 {
					x[i] = x[i-1]
				}
			}
		}), 1000, 0.9, 0.01},
		{"ten times as rough for a third", with(func(x []float64) {
			for i := range x[:n/3] {
				x[i] *= 10
			}
		}), 1000, 0, 0},
		{"a tenth of the road is ten times as smooth", with(func(x []float64) {
			for i := range x[:n/10] {
				x[i] /= 10
			}
		}), 1000, 0, 0},
		{"the blocks are too short to tell", with(func(x []float64) { noise(x[12000:]) }), 4000, 0, 0},
		{"one value throughout is no part", make([]float64, n), 1000, 0, 0},
	}
	for _, tt := range tests {
		if got := assess(tt.x, whole(len(tt.x), tt.rate), 0, siteOf).dead; math.Abs(got-tt.want) > tt.within {
			t.Errorf("%s: %.3g is dead, want %.3g", tt.reason, got, tt.want)
		}
	}
}

// Law: the sketch is that of the lap, however its samples were rounded, scaled, shifted
// or cut by a few, and another lap's is another.
func TestSketch(t *testing.T) {
	road := func(seed uint64) []float64 {
		rng := rand.New(rand.NewPCG(seed, 1))
		x, y, v := make([]float64, 20000), 0.0, 0.0
		for i := range x { // a damped oscillator at some 20 Hz
			v += 0.001 * (3e3*rng.NormFloat64() - 15800*y - 12*v)
			y += 0.001 * v
			x[i] = y
		}
		return x
	}
	of := func(x []float64) (out []float64) {
		for word := range strings.FieldsSeq(assess(x, whole(len(x), 1000), 0, siteOf).sketch) {
			v, err := strconv.ParseFloat(word, 64)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, v)
		}
		return out
	}
	apart := func(a, b []float64) (most float64) {
		for i := range a {
			most = max(most, math.Abs(a[i]-b[i]))
		}
		return most
	}
	x := road(1)
	changed := func(change func(v float64) float64) []float64 {
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] = change(v)
		}
		return out
	}
	want := of(x)
	if len(want) != 128 {
		t.Fatalf("%d figures, want 128", len(want))
	}
	for reason, y := range map[string][]float64{
		"rounded":         changed(func(v float64) float64 { return math.Round(100*v) / 100 }),
		"in another unit": changed(func(v float64) float64 { return 9.81 * v }),
		"another zero":    changed(func(v float64) float64 { return v + 40 }),
		"cut by two":      x[:len(x)-2],
	} {
		if got := apart(of(y), want); got > 20 {
			t.Errorf("%s: %g thousandths apart", reason, got)
		}
	}
	for seed := range uint64(20) {
		if got := apart(of(road(seed+2)), want); got < 60 {
			t.Errorf("lap %d is only %g thousandths from another", seed, got)
		}
	}
	if got := assess(x[:500], whole(500, 1000), 0, siteOf).sketch; got != "" {
		t.Errorf("a record of 500 samples has the sketch %q", got)
	}
}

// Law: passing over stretches in which no step stands out finds the spikes that looking at every sample finds.
func TestCalmStretchesHideNoSpike(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	found := int64(0)
	for round := range 400 {
		x := make([]float64, 1+rng.IntN(2000))
		white, last, before := 10*rng.Float64(), 0.0, 0.0
		for i := range x {
			last, before = 1.8*last-0.9*before+rng.NormFloat64(), last
			x[i] = math.Round(64*(last+white*rng.NormFloat64())) / 64
		}
		for range rng.IntN(6) {
			at, height := rng.IntN(len(x)), 60*math.Exp(2*rng.NormFloat64())
			for i := at; i < min(len(x), at+1+rng.IntN(4)); i++ {
				x[i] += height
			}
		}
		all := rangeOf(x)
		var near [2 * spikeReach]float64
		want, first := int64(0), 0
		for i := 0; i < len(x); i++ {
			if width := spikeAt(x, i, all.resolution, near[:0]); width > 0 {
				if want++; want == 1 {
					first = i
				}
				i += width - 1
			}
		}
		if n, at := spikes(x, all); n != want || at != first {
			t.Fatalf("round %d: %d spikes, the first at %d; want %d, at %d", round, n, at, want, first)
		}
		found += want
	}
	if found < 100 {
		t.Fatalf("only %d spikes in all: the test shows nothing", found)
	}
}

// Law: samples of single precision have the quality of the same numbers as float64, but for the digest.
func TestQualityOfSinglePrecision(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for round := range 200 {
		lean := make([]float32, 2+rng.IntN(9000))
		grain := float32(math.Exp2(float64(rng.IntN(12) - 8)))
		for i := range lean {
			lean[i] = float32(math.Round(rng.NormFloat64()*100/float64(grain))) * grain / 7
			if i > 0 && rng.IntN(400) == 0 {
				lean[i] = lean[i-1] * float32(1+30*rng.NormFloat64())
			}
		}
		if round%10 == 0 {
			lean[rng.IntN(len(lean))] = -9999
		}
		wide := frame.Widen(lean, nil)
		ax := whole(len(lean), 1000)
		got, want := assess(lean, ax, 900, siteOf), assess(wide, ax, 900, siteOf)
		if got.digest == "" || len(got.digest) != len(want.digest) {
			t.Fatalf("round %d: digest %q, of float64 %q", round, got.digest, want.digest)
		}
		got.digest = want.digest
		if diff := cmp.Diff(want, got, cmp.AllowUnexported(quality{}, site{}), cmpopts.EquateNaNs()); diff != "" {
			t.Fatalf("round %d: %s", round, diff)
		}
	}
}

// Law: the running sums do not depend on where the stretches end.
func TestSumsMoveOn(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 100 {
		x := make([]float32, 1+rng.IntN(500))
		for i := range x {
			x[i] = float32(rng.NormFloat64())
		}
		all, part := sumsOf(x), sumsOf(x)
		all.move(0, len(x))
		for from, to := 0, 0; to < len(x); {
			from += rng.IntN(to - from + 1)
			to = min(len(x), max(to, from)+rng.IntN(40))
			part.move(from, to)
			if !slices.Equal(part.sum[:to-from+1], all.sum[from:to+1]) {
				t.Fatalf("the sums from %d to %d differ", from, to)
			}
		}
		all.drop()
		part.drop()
	}
}

// Law: the middle that is selected is the one that sorting finds.
func TestMedianOfMany(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 1))
	for round := range 300 {
		v := make([]float64, leastSelected+rng.IntN(3000))
		for i := range v {
			v[i] = math.Round(rng.NormFloat64() * math.Exp2(float64(round%20)))
		}
		s := slices.Sorted(slices.Values(v))
		want := s[len(s)/2]
		if len(s)%2 == 0 {
			want = s[len(s)/2-1]/2 + s[len(s)/2]/2
		}
		if got := median(v); got != want {
			t.Fatalf("round %d: the middle of %d values is %v, want %v", round, len(v), got, want)
		}
	}
}
