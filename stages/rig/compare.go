package rig

import (
	"fmt"
	"math"
	"math/bits"

	"gonum.org/v1/gonum/dsp/fourier"

	"lapwear/fatigue"
	"lapwear/stages/damage"
)

// Wanted is the drive that a rig recording is held against.
type Wanted struct {
	Rate      float64 // Hz
	Low, High float64 // Hz, the band of the drive; High may be infinite
	Channels  []string
	Axes      [][]float64 // one repeat, by axis
	Spots     []Watched
}

// Watched is a hot spot whose stress follows one axis, or a signal that is made of several.
type Watched struct {
	Axis   int
	Meter  damage.Meter
	Signal []float64 // one repeat, in the unit that Meter counts; nil = the axis itself
}

// drive is what a hot spot follows in a repeat of the drive.
func (w Wanted) drive(i int) []float64 {
	if s := w.Spots[i].Signal; s != nil {
		return s
	}
	return w.Axes[w.Spots[i].Axis]
}

// Recorded is what the rig did, at the drive's rate.
type Recorded struct {
	Name   string
	Axes   [][]float64 // by axis
	Gauges [][]float64 // by spot, in the unit that its meter counts; nil where there is no gauge
	Made   [][]float64 // by spot, what is made of the axes where its stress does not follow one alone; nil elsewhere
}

// Check is a recording held against the drive.
type Check struct {
	Name        string
	Correlation float64 // of the repeat that fits best, from -1 to 1
	BeginsS     float64 // when the first whole repeat begins
	ClockPPM    float64 // how much slower the recording's clock runs than the drive's, in millionths
	Repeats     int     // whole ones
	Judged      int     // of these, those that show the drive
	Axes        []AxisCheck
	Spots       []SpotCheck
	Spectra     []Ratio
	Levels      []Crossing
}

// AxisCheck compares an axis, its means taken off.
type AxisCheck struct {
	Channel          string
	ErrorRMS         float64 // rms of the difference over that of the drive
	RMS              float64 // recording over drive
	BandPower        float64 // power within the band, recording over drive
	WorstHz, Worst   float64 // the third of an octave that is furthest off, and its power ratio
	Max, Min         float64 // of the recording
	DriveMax         float64
	DriveMin         float64
	LevelDifference  float64 // of the means
	CrossingsOff     float64 // mean relative difference of level crossings, where the drive has ten or more
	OutsideBandPower float64 // of the recording, beyond the band's upper end, over all its power
}

// SpotCheck compares damage at a hot spot.
type SpotCheck struct {
	Hotspot   string
	By        string  // "channel" or "gauge"
	Ratio     float64 // damage of a judged repeat, in the mean, over the drive's
	Low, High float64 // least and greatest of the repeats
	Done      float64 // damage of all whole repeats
}

// Ratio is a third of an octave of an axis.
type Ratio struct {
	Channel          string
	Hz               float64 // middle
	Drive, Recording float64 // power, unit²
}

// Crossing is a level of an axis with its rises per repeat.
type Crossing struct {
	Channel                 string
	Level, Drive, Recording float64
}

// leastCorrelation is below which a recording does not show the drive (common practice,
// no source).
const leastCorrelation = 0.5

// Compare aligns a recording with the drive and compares them, repeat by repeat.
func Compare(w Wanted, r Recorded) (Check, error) {
	c := Check{Name: r.Name}
	n := len(w.Axes[0])
	if len(r.Axes[0]) < n {
		return c, fmt.Errorf("compare recording %q: it lasts %.4g s, a repeat %.4g s; record one repeat at least",
			r.Name, float64(len(r.Axes[0]))/w.Rate, float64(n)/w.Rate)
	}
	at := place(w.Axes, r.Axes)
	best := cutRecorded(r, at, n, 0)
	lag, peak := lagOf(w, best.Axes)
	c.Correlation = peak
	if peak < leastCorrelation {
		why := "record this plan's drive, and give its columns with --column"
		if peak < -leastCorrelation {
			why = "the sensor is turned over: correct its sign"
		}
		return c, fmt.Errorf("compare recording %q: its correlation with the drive is %.2f, expected %.1f or more; %s", r.Name, peak, leastCorrelation, why)
	}
	c.ClockPPM = clock(w, best.Axes)
	first := at % n
	c.BeginsS = float64(first)/w.Rate + lag
	c.take(w, r, first, lag*w.Rate)
	if c.Judged == 0 {
		return c, fmt.Errorf("compare recording %q: no whole repeat of it shows the drive; record longer", r.Name)
	}
	return c, nil
}

// strongest is the axis that moves most, by which recordings are aligned.
func strongest(axes [][]float64) int {
	best, most := 0, -1.0
	for i, x := range axes {
		if v := spread(x); v > most {
			best, most = i, v
		}
	}
	return best
}

// spread is the root mean square about the mean.
func spread(x []float64) float64 {
	m, sum := meanOf(x), 0.0
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	return math.Sqrt(sum / float64(len(x)))
}

func meanOf(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// place finds the sample at which a whole repeat begins that fits the drive best: the
// greatest correlation of the strongest axis over all places, each with the recording's
// own mean and spread there.
func place(drive, recorded [][]float64) int {
	a := strongest(drive)
	x, y := drive[a], recorded[a]
	c := correlate(x, y)
	n := float64(len(x))
	var sum, squares float64
	for _, v := range y[:len(x)] {
		sum, squares = sum+v, squares+v*v
	}
	best, most := 0, math.Inf(-1)
	for p := 0; p+len(x) <= len(y); p++ {
		if p > 0 {
			gone, come := y[p-1], y[p+len(x)-1]
			sum, squares = sum+come-gone, squares+come*come-gone*gone
		}
		if v := squares - sum*sum/n; v > 1e-12*squares {
			if f := math.Abs(c[p]) / math.Sqrt(v); f > most*(1+1e-9) || math.IsInf(most, -1) {
				best, most = p, f
			}
		}
	}
	return best
}

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

// lagOf refines a place to parts of a sample.
func lagOf(w Wanted, axes [][]float64) (seconds, peak float64) {
	a := strongest(w.Axes)
	return fatigue.Lag(w.Axes[a], axes[a], w.Rate, refine/w.Rate)
}

// refine is how many samples a place may be off.
const refine = 4

// clock compares the lags of a repeat's beginning and end.
func clock(w Wanted, axes [][]float64) float64 {
	a, third := strongest(w.Axes), len(w.Axes[0])/3
	n := len(w.Axes[a])
	early, p := fatigue.Lag(w.Axes[a][:third], axes[a][:third], w.Rate, refine/w.Rate)
	late, q := fatigue.Lag(w.Axes[a][n-third:], axes[a][n-third:], w.Rate, refine/w.Rate)
	if p < leastCorrelation || q < leastCorrelation {
		return math.NaN()
	}
	return (late - early) / (float64(n-third) / w.Rate) * 1e6
}

// cutRecorded takes n samples of all signals from a place on, brought forward by parts
// of a sample.
func cutRecorded(r Recorded, at, n int, lag float64) Recorded {
	const margin = 64 // of samples that parts of a sample are found from
	one := func(x []float64) []float64 {
		if x == nil {
			return nil
		}
		from, to := max(0, at-margin), min(len(x), at+n+margin)
		part := x[from:to]
		if lag != 0 {
			part = fatigue.Shift(part, -lag)
		}
		return part[at-from : min(at-from+n, len(part))]
	}
	out := Recorded{Name: r.Name}
	for _, x := range r.Axes {
		out.Axes = append(out.Axes, one(x))
	}
	for _, x := range r.Gauges {
		out.Gauges = append(out.Gauges, one(x))
	}
	for _, x := range r.Made {
		out.Made = append(out.Made, one(x))
	}
	return out
}

// take goes through the whole repeats.
func (c *Check) take(w Wanted, r Recorded, first int, lag float64) {
	n := len(w.Axes[0])
	for i, s := range w.Spots {
		by := "channel"
		if i < len(r.Gauges) && r.Gauges[i] != nil {
			by = "gauge"
		}
		c.Spots = append(c.Spots, SpotCheck{Hotspot: s.Meter.Spot.Name, By: by, Low: math.Inf(1), High: math.Inf(-1)})
	}
	var judged []Recorded
	for at := first; at+n <= len(r.Axes[0]); at += n {
		one := cutRecorded(r, at, n, lag)
		c.Repeats++
		_, peak := lagOf(w, one.Axes)
		shows := peak >= leastCorrelation
		if shows {
			judged = append(judged, one)
		}
		for i := range w.Spots {
			c.Spots[i].add(w, i, one, shows)
		}
	}
	c.Judged = len(judged)
	for i := range c.Spots {
		c.Spots[i].Ratio /= float64(c.Judged)
	}
	for a := range w.Axes {
		c.axis(w, a, judged)
	}
}

// followed is what a hot spot felt in a repeat, in the unit that its meter counts, on the
// drive's steady level: by its gauge where it has one.
func (w Wanted) followed(i int, one Recorded) []float64 {
	x := one.Axes[w.Spots[i].Axis]
	for _, other := range [][][]float64{one.Made, one.Gauges} {
		if i < len(other) && other[i] != nil {
			x = other[i]
		}
	}
	shift := meanOf(w.drive(i)) - meanOf(x)
	out := make([]float64, len(x))
	for k, v := range x {
		out[k] = v + shift
	}
	return out
}

func (s *SpotCheck) add(w Wanted, i int, one Recorded, shows bool) {
	m := w.Spots[i].Meter
	did, err := m.Tally(w.followed(i, one))
	if err != nil {
		did.Repeated = math.NaN()
	}
	s.Done += did.Repeated
	want, err := m.Tally(w.drive(i))
	if !shows || err != nil {
		return
	}
	ratio := did.Repeated / want.Repeated
	s.Ratio += ratio
	s.Low, s.High = min(s.Low, ratio), max(s.High, ratio)
}

// axis compares an axis over all judged repeats.
func (c *Check) axis(w Wanted, a int, judged []Recorded) {
	x := w.Axes[a]
	out := AxisCheck{Channel: w.Channels[a], Max: math.Inf(-1), Min: math.Inf(1), DriveMax: math.Inf(-1), DriveMin: math.Inf(1)}
	base, scale := meanOf(x), spread(x)
	for _, v := range x {
		out.DriveMax, out.DriveMin = max(out.DriveMax, v), min(out.DriveMin, v)
	}
	levels, rises := crossings(x)
	met := make([]float64, len(levels))
	for _, one := range judged {
		y := one.Axes[a]
		shift := base - meanOf(y)
		out.LevelDifference -= shift / float64(len(judged))
		moved := make([]float64, len(y))
		sum := 0.0
		for i, v := range y {
			moved[i] = v + shift
			sum += (moved[i] - x[i]) * (moved[i] - x[i])
			out.Max, out.Min = max(out.Max, moved[i]), min(out.Min, moved[i])
		}
		out.ErrorRMS += math.Sqrt(sum/float64(len(y))) / scale / float64(len(judged))
		out.RMS += spread(y) / scale / float64(len(judged))
		for k, v := range risesThrough(moved, levels) {
			met[k] += v / float64(len(judged))
		}
	}
	out.CrossingsOff = c.crossings(w.Channels[a], levels, rises, met)
	c.spectrum(w, a, judged, &out)
	c.Axes = append(c.Axes, out)
}

// enoughRises is how many rises a level needs for its count to say something.
const enoughRises = 10

func (c *Check) crossings(channel string, levels, drive, met []float64) float64 {
	sum, n := 0.0, 0.0
	for k, l := range levels {
		c.Levels = append(c.Levels, Crossing{channel, l, drive[k], met[k]})
		if drive[k] >= enoughRises {
			sum += math.Abs(met[k]/drive[k] - 1)
			n++
		}
	}
	return sum / n
}

// spectrum compares the power in thirds of an octave.
func (c *Check) spectrum(w Wanted, a int, judged []Recorded, out *AxisCheck) {
	n := min(spectrumLength, len(w.Axes[a]))
	welch := fatigue.Welch{Window: fatigue.Hann, Length: n, Overlap: n / 2}
	cross, err := welch.CrossSpectrum(w.Rate)
	if err != nil {
		return
	}
	for _, one := range judged {
		if _, err := cross.Add(w.Axes[a], one.Axes[a]); err != nil {
			return
		}
	}
	s, err := cross.Spectra()
	if err != nil {
		return
	}
	step := s.Freq[1]
	var drive, recorded, beyond, all float64
	for k, f := range s.Freq {
		if f >= w.Low && f <= w.High {
			drive, recorded = drive+s.Pxx[k]*step, recorded+s.Pyy[k]*step
		}
		if f > w.High {
			beyond += s.Pyy[k] * step
		}
		all += s.Pyy[k] * step
	}
	out.BandPower, out.OutsideBandPower = recorded/drive, beyond/all
	c.thirds(w, a, s, drive, out)
}

// worthPower is the share of the drive's power from which a third of an octave is told
// as the worst.
const worthPower = 0.005

func (c *Check) thirds(w Wanted, a int, s fatigue.Spectra, power float64, out *AxisCheck) {
	step := s.Freq[1]
	out.Worst, out.WorstHz = 1, math.NaN()
	for k := -12; ; k++ { // the base-two thirds about 16 Hz, in the manner of IEC 61260-1
		mid := 16 * math.Pow(2, float64(k)/3)
		lo, hi := mid*math.Pow(2, -1./6), mid*math.Pow(2, 1./6)
		if lo > math.Min(w.High, w.Rate/2) {
			return
		}
		var x, y float64
		for i, f := range s.Freq {
			if f >= lo && f < hi {
				x, y = x+s.Pxx[i]*step, y+s.Pyy[i]*step
			}
		}
		if x == 0 {
			continue
		}
		c.Spectra = append(c.Spectra, Ratio{w.Channels[a], mid, x, y})
		if x > worthPower*power && math.Abs(math.Log(y/x)) > math.Abs(math.Log(out.Worst)) {
			out.Worst, out.WorstHz = y/x, mid
		}
	}
}
