package rig

import (
	"fmt"
	"math"

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
	Repeats     int     // that were found
	Judged      int     // of these, those that show the drive from end to end
	BetweenS    float64 // from the first repeat to the last, what is none: dwell, ramps, torn repeats
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
	Done      float64 // damage of all repeats and of what lies between them
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

// Compare finds the drive's repeats in a recording, each anew, and compares them with the drive.
func Compare(w Wanted, r Recorded) (Check, error) {
	c := Check{Name: r.Name}
	m, err := align(w, r)
	if err != nil {
		return c, err
	}
	c.Correlation, c.ClockPPM = m.peak, m.clock*1e6
	c.BeginsS, c.Repeats = m.repeats[0].begins/w.Rate, len(m.repeats)
	c.take(w, m)
	if c.Judged == 0 {
		return c, fmt.Errorf("compare recording %q: no whole repeat of it shows the drive; record longer", r.Name)
	}
	return c, nil
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

// take goes through the repeats and what lies between them.
func (c *Check) take(w Wanted, m *matched) {
	for i, s := range w.Spots {
		by := "channel"
		if i < len(m.r.Gauges) && m.r.Gauges[i] != nil {
			by = "gauge"
		}
		c.Spots = append(c.Spots, SpotCheck{Hotspot: s.Meter.Spot.Name, By: by, Low: math.Inf(1), High: math.Inf(-1)})
	}
	var judged []Recorded
	for _, p := range m.repeats {
		one := m.repeat(p)
		if p.shows {
			judged = append(judged, one)
		}
		for i := range w.Spots {
			c.Spots[i].add(w, i, one, p.shows)
		}
	}
	for _, b := range m.between() {
		c.BetweenS += float64(len(b.Axes[0])) / w.Rate
		for i := range w.Spots {
			c.Spots[i].Done += w.once(i, b)
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

// once is what a stretch does that is no repeat: what stays open counts as half cycles.
func (w Wanted) once(i int, stretch Recorded) float64 {
	did, err := w.Spots[i].Meter.Tally(w.followed(i, stretch))
	if err != nil {
		return math.NaN()
	}
	return did.Once
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
