package rig

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

	"lapwear/fatigue"
)

// matched is a recording with the drive's repeats in it, in order.
type matched struct {
	w       Wanted
	r       Recorded
	repeats []place
	peak    float64 // correlation of the repeat that fits best
	clock   float64 // by what part more of its samples the recording takes for the drive's; NaN where it cannot be told
}

// place is where a repeat lies in a recording.
type place struct {
	at     int     // sample at which it fits best
	begins float64 // sample, in parts
	shows  bool    // the drive, from end to end
}

// refine is how many samples a place may be off.
const refine = 4

// align finds the drive's repeats: the one that fits best first, from there the ones before and after, each anew and near where
// it is expected if it is there, else wherever it is; then the recording's clock; then where each begins, to parts of a sample.
func align(w Wanted, r Recorded) (*matched, error) {
	n := len(w.Axes[0])
	if len(r.Axes[0]) < n {
		return nil, fmt.Errorf("compare recording %q: it lasts %.4g s, a repeat %.4g s; record one repeat at least",
			r.Name, float64(len(r.Axes[0]))/w.Rate, float64(n)/w.Rate)
	}
	a := strongest(w)
	fit := fits(w.Axes[a], r.Axes[a])
	best := 0
	for p, f := range fit {
		if math.Abs(f) > math.Abs(fit[best])*(1+1e-9) {
			best = p
		}
	}
	u := &matched{w: w, r: r}
	if _, u.peak = lagOf(w, r.cut(float64(best), n, 0).Axes); u.peak < leastCorrelation {
		why := "record this plan's drive, and give its columns with --column"
		if u.peak < -leastCorrelation {
			why = "the sensor is turned over: correct its sign"
		}
		return nil, fmt.Errorf("compare recording %q: its correlation with the drive is %.2f, expected %.1f or more; %s", r.Name, u.peak, leastCorrelation, why)
	}
	u.walk(fit, best, n)
	u.clock = u.findClock(n)
	for i := range u.repeats {
		u.settle(&u.repeats[i])
	}
	return u, nil
}

// strongest is the axis by which recordings are aligned: the one that moves a hot spot's stress most. Axes may have unlike units, so
// that their own spreads say nothing.
func strongest(w Wanted) int {
	best, most := 0, -1.0
	for i, x := range w.Axes {
		v := 0.0
		for k, s := range w.Spots {
			if s.Axis == i {
				v = max(v, spread(w.drive(k))*math.Abs(s.Meter.Spot.Transfer.Gain*s.Meter.Spot.Transfer.Factor))
			}
		}
		if v > most && spread(x) > 0 {
			best, most = i, v
		}
	}
	return best
}

// fits is the correlation of x with each stretch of y as long, from -1 to 1; 0 where y stands still.
func fits(x, y []float64) []float64 {
	c := correlate(x, y)
	n, scale := float64(len(x)), spread(x)*math.Sqrt(float64(len(x)))
	base := meanOf(y)
	sums := func(v float64) (float64, float64) { v -= base; return v, v * v }
	var sum, squares, greatest float64
	for _, v := range y[:len(x)] {
		a, b := sums(v)
		sum, squares = sum+a, squares+b
	}
	out, power := make([]float64, len(y)-len(x)+1), make([]float64, len(y)-len(x)+1)
	for p := range out {
		if p > 0 {
			a, b := sums(y[p-1])
			d, e := sums(y[p+len(x)-1])
			sum, squares = sum+d-a, squares+e-b
		}
		power[p] = squares - sum*sum/n
		greatest = max(greatest, power[p])
	}
	for p, v := range power {
		if v > stillPower*greatest && scale > 0 {
			out[p] = c[p] / (scale * math.Sqrt(v))
		}
	}
	return out
}

// stillPower is up to which part of the power of its strongest stretch a recording stands still; sums of squares leave as much.
const stillPower = 1e-9

// correlate returns Σ (x[i]-mean)·y[p+i] for each place p of x within y.
func correlate(x, y []float64) []float64 {
	size := 1 << bits.Len(uint(len(x)+len(y)))
	a, b := make([]float64, size), make([]float64, size)
	m := meanOf(x)
	for i, v := range x {
		a[i] = v - m
	}
	copy(b, y)
	fft := fourier.NewFFT(size)
	p, q := fft.Coefficients(nil, a), fft.Coefficients(nil, b)
	for k := range q {
		q[k] *= complex(real(p[k]), -imag(p[k])) / complex(float64(size), 0)
	}
	return fft.Sequence(nil, q)
}

// walk lists the repeats from the best one on, both ways.
func (u *matched) walk(fit []float64, best, n int) {
	u.repeats = []place{{at: best}}
	for _, way := range []int{1, -1} {
		for at, ok := next(fit, best, n, way); ok; at, ok = next(fit, at, n, way) {
			u.repeats = append(u.repeats, place{at: at})
		}
	}
	slices.SortFunc(u.repeats, func(a, b place) int { return cmp.Compare(a.at, b.at) })
}

// asGood is from what part of the best correlation on a repeat is taken to be where it is expected.
const asGood = 0.98

// next finds the repeat after one, or before it: where it would be if the drive ran on, if it fits there about as well as anywhere
// within a repeat's length; else where it fits best, for the rig dwelt, or stopped and was started again.
func next(fit []float64, from, n, way int) (int, bool) {
	slack := 2*refine + n/1000 // of clocks
	greatest := func(begin, end int) int {
		at := -1
		for k := begin; k < end; k++ {
			if p := from + way*k; p >= 0 && p < len(fit) && (at < 0 || fit[p] > fit[at]) {
				at = p
			}
		}
		return at
	}
	for begin := n - slack; ; begin += n {
		at := greatest(begin, begin+n)
		if at < 0 {
			return 0, false
		}
		if fit[at] < leastCorrelation {
			continue
		}
		if near := greatest(n-slack, n+slack); begin == n-slack && fit[near] >= max(leastCorrelation, asGood*fit[at]) {
			return near, true
		}
		for { // on to the top, where it lies beyond the stretch that was searched
			k := way * (at - from)
			further := greatest(k, k+n/4)
			if further == at || fit[further] <= fit[at] {
				return at, true
			}
			at = further
		}
	}
}

// lagOf refines a place to parts of a sample.
func lagOf(w Wanted, axes [][]float64) (seconds, peak float64) {
	a := strongest(w)
	return fatigue.Lag(w.Axes[a], axes[a], w.Rate, refine/w.Rate)
}

// findClock takes what most repeats show between their beginning and end; where repeats that run on agree with it, their distance,
// which tells it closer.
func (u *matched) findClock(n int) float64 {
	var each []float64
	distance, pairs := 0.0, 0.0
	before := math.NaN()
	for _, p := range u.repeats {
		axes := u.r.cut(float64(p.at), n, 0).Axes
		lag, peak := lagOf(u.w, axes)
		if peak < leastCorrelation {
			before = math.NaN()
			continue
		}
		if c := clockWithin(u.w, axes); !math.IsNaN(c) {
			each = append(each, c)
		}
		at := float64(p.at) + lag*u.w.Rate
		if d := at - before - float64(n); math.Abs(d) < 2*refine+float64(n)/1000 {
			distance, pairs = distance+d, pairs+1
		}
		before = at
	}
	if len(each) == 0 {
		return math.NaN()
	}
	slices.Sort(each)
	c := each[len(each)/2]
	if d := distance / pairs; pairs > 0 && math.Abs(d-c*float64(n)) < 0.5 {
		c = d / float64(n)
	}
	return c
}

// clockWithin compares the lags of a repeat's first and last third.
func clockWithin(w Wanted, axes [][]float64) float64 {
	a, n := strongest(w), len(w.Axes[0])
	third := n / 3
	early, p := fatigue.Lag(w.Axes[a][:third], axes[a][:third], w.Rate, refine/w.Rate)
	late, q := fatigue.Lag(w.Axes[a][n-third:], axes[a][n-third:], w.Rate, refine/w.Rate)
	if p < leastCorrelation || q < leastCorrelation {
		return math.NaN()
	}
	return (late - early) / (float64(n-third) / w.Rate)
}

// settle finds where a repeat begins, the clock allowed for, and whether it shows the drive.
func (u *matched) settle(p *place) {
	n := len(u.w.Axes[0])
	p.begins = float64(p.at)
	if !math.IsNaN(u.clock) {
		p.begins -= u.clock * float64(n) / 2
	}
	one := u.repeat(*p)
	lag, peak := lagOf(u.w, one.Axes)
	p.begins += lag * u.w.Rate
	a := strongest(u.w)
	p.shows = peak >= leastCorrelation && !torn(u.w.Axes[a], one.Axes[a])
}

// torn tells whether a rig stood still for a tenth of a repeat, in which the drive moves.
func torn(drive, recorded []float64) bool {
	const parts, still = 10, 0.1
	level := spread(recorded) / spread(drive)
	for k := range parts {
		from, to := k*len(drive)/parts, (k+1)*len(drive)/parts
		if spread(recorded[from:to]) < still*level*spread(drive[from:to]) {
			return true
		}
	}
	return false
}

// repeat is what was recorded in a repeat, by the drive's clock.
func (u *matched) repeat(p place) Recorded {
	clock := u.clock
	if math.IsNaN(clock) {
		clock = 0
	}
	return u.r.cut(p.begins, len(u.w.Axes[0]), clock)
}

// between lists what was recorded between repeats.
func (u *matched) between() []Recorded {
	n := len(u.w.Axes[0])
	var out []Recorded
	for i := 1; i < len(u.repeats); i++ {
		from, to := u.repeats[i-1].at+n, u.repeats[i].at
		if to-from > 2*refine+n/1000 {
			out = append(out, u.r.cut(float64(from), to-from, 0))
		}
	}
	return out
}

// cut takes n samples of all signals from a place on, which need not be whole, by a clock that takes parts of a sample more for each.
func (r Recorded) cut(from float64, n int, clock float64) Recorded {
	out := Recorded{Name: r.Name}
	for _, x := range r.Axes {
		out.Axes = append(out.Axes, stretch(x, from, n, clock))
	}
	for _, x := range r.Gauges {
		out.Gauges = append(out.Gauges, stretch(x, from, n, clock))
	}
	for _, x := range r.Made {
		out.Made = append(out.Made, stretch(x, from, n, clock))
	}
	return out
}

// stretch brings n samples of x from a place on to another clock, in blocks over which both part by no more than a fiftieth of a sample.
func stretch(x []float64, from float64, n int, clock float64) []float64 {
	if x == nil {
		return nil
	}
	const margin, apart = 64, 0.02 // of samples that parts of a sample are found from
	block := n
	if clock != 0 {
		block = max(16, min(n, int(apart/math.Abs(clock))))
	}
	out := make([]float64, 0, n)
	for i := 0; i < n; i += block {
		m := min(block, n-i)
		p := from + float64(i)*(1+clock) + clock*float64(m)/2
		at := min(max(int(math.Floor(p)), 0), len(x)-m)
		begin, end := max(0, at-margin), min(len(x), at+m+margin)
		part := fatigue.Shift(x[begin:end], float64(at)-p)
		out = append(out, part[at-begin:at-begin+m]...)
	}
	return out
}
