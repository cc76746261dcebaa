package rig

import (
	"fmt"
	"math"
	"slices"

	"lapwear/fatigue"
	"lapwear/stages/damage"
)

// Block is a number of cycles between -Amplitude and Amplitude.
type Block struct {
	Amplitude float64 // MPa
	Cycles    float64
	Damage    float64
}

// Constant is the fully reversed amplitude that does a damage in a number of cycles.
func Constant(m damage.Meter, wanted, cycles float64) Block {
	return Block{Amplitude: m.Law().EquivalentAmplitude(wanted, cycles), Cycles: cycles, Damage: wanted}
}

// blockCount is how many levels a block programme has.
const blockCount = 8

// Blocks sort a repeat's cycles into levels of fully reversed amplitude, the highest
// first, each with the cycles that do the damage of those it stands for: those of the
// amplitudes from it down to the next level. Where a level does no damage, as below a
// limit of endurance, the level above does it for it.
func Blocks(m damage.Meter, x []float64, repeats float64) ([]Block, error) {
	c, err := fatigue.CountCycles(x, m.Gate)
	if err != nil {
		return nil, err
	}
	t := m.Spot.Transfer
	top := 0.0
	each := func(do func(amplitude, damage float64)) {
		m.EachRepeated(c, func(d float64, start, end int32) {
			do(math.Abs(t.Stress(x[start])-t.Stress(x[end]))/2, d)
		})
	}
	each(func(a, _ float64) { top = max(top, a) })
	sums := make([]float64, blockCount)
	each(func(a, d float64) {
		k := int((1 - a/top) * blockCount)
		sums[min(max(k, 0), blockCount-1)] += d
	})
	var out []Block
	for k, d := range sums {
		b := Block{Amplitude: top * float64(blockCount-k) / blockCount, Damage: d * repeats}
		one := m.Law().Damage(-b.Amplitude, b.Amplitude)
		if one == 0 && k > 0 {
			out[k-1].add(m, b.Damage)
			b.Damage = 0
		}
		out = append(out, b)
		if one > 0 {
			out[k].Cycles = b.Damage / one
		}
	}
	return out, nil
}

func (b *Block) add(m damage.Meter, d float64) {
	if one := m.Law().Damage(-b.Amplitude, b.Amplitude); one > 0 {
		b.Damage += d
		b.Cycles = b.Damage / one
	}
}

// Random is a shaped random shaking that wears any part with one resonance as the
// repeats do.
type Random struct {
	Freq, Density []float64 // Hz, (m/s²)²/Hz
	Reached       []float64 // damage over the wanted, by frequency
	Largest       []float64 // response to expect over that in the drive, by frequency
	Seconds       float64
	RMS           float64 // m/s²
	Over          float64 // the greatest of Largest
	Matches       float64 // s in which a shaking of the same damage has no response larger than the drive's
}

// Shaking is what a random equivalent is made of.
type Shaking struct {
	Acceleration []float64 // m/s², of a repeat
	Rate         float64
	Repeats      float64
	Low, High    float64 // Hz
	Seconds      float64 // of the random shaking
	Q, Slope     float64
}

// perOctave is how many natural frequencies an octave has.
const perOctave = 6

// RandomOf shapes the random equivalent by fatigue damage spectrum.
func RandomOf(s Shaking) (Random, error) {
	o, err := s.oscillators()
	if err != nil {
		return Random{}, err
	}
	wanted, largest, err := s.felt(o)
	if err != nil {
		return Random{}, err
	}
	r := Random{Freq: o.Freq, Seconds: s.Seconds}
	if r.Density, r.Reached, err = o.EquivalentDensity(wanted, s.Seconds); err != nil {
		return r, err
	}
	if r.Largest, err = r.largest(o, largest, s.Seconds); err != nil {
		return r, err
	}
	r.Over = slices.Max(r.Largest)
	for i := 1; i < len(r.Freq); i++ {
		r.RMS += (r.Freq[i] - r.Freq[i-1]) * (r.Density[i] + r.Density[i-1]) / 2
	}
	r.RMS = math.Sqrt(r.RMS)
	r.Matches, err = r.matches(o, largest)
	return r, err
}

func (s Shaking) oscillators() (fatigue.Oscillators, error) {
	low, high := math.Max(s.Low, s.Rate/4000), math.Min(s.High, s.Rate/10)
	o := fatigue.Oscillators{Q: s.Q, Slope: s.Slope}
	for k := 0; ; k++ {
		f := low * math.Pow(2, float64(k)/perOctave)
		if f > high*(1+1e-9) {
			break
		}
		o.Freq = append(o.Freq, f)
	}
	if len(o.Freq) < 2 {
		return o, fmt.Errorf("shape a spectrum: the rate of %g Hz leaves no room between %g and %g Hz; give rig: rate more", s.Rate, low, high)
	}
	return o, nil
}

// ringing is after how many of the lowest resonance's time constants, Q/(pi·f), it is taken to move as it does for ever.
const ringing = 6

// felt is what the resonances take of all repeats, and their largest response: as the drive runs on, for the low ones ring up over
// several repeats. The damage of a repeat is what one more does after they have.
func (s Shaking) felt(o fatigue.Oscillators) (wanted, largest []float64, err error) {
	before := max(1, int(math.Ceil(ringing*s.Q/(math.Pi*o.Freq[0])*s.Rate/float64(len(s.Acceleration)))))
	long := slices.Repeat(s.Acceleration, before+1)
	without, err := o.DamageOfSignal(long[:before*len(s.Acceleration)], s.Rate)
	if err != nil {
		return nil, nil, err
	}
	if wanted, err = o.DamageOfSignal(long, s.Rate); err != nil {
		return nil, nil, err
	}
	for i := range wanted {
		wanted[i] = (wanted[i] - without[i]) * s.Repeats
	}
	largest, err = o.LargestOfSignal(long, s.Rate)
	return wanted, largest, err
}

// largest is what is to be expected of the shaking over the drive's, by frequency.
func (r Random) largest(o fatigue.Oscillators, drive []float64, seconds float64) ([]float64, error) {
	out, err := o.LargestOfDensity(r.Freq, r.Density, seconds)
	for i := range out {
		out[i] /= drive[i]
	}
	return out, err
}

// matches is the time, by halving, in which a shaking of the same damage has no response larger than the drive's: its density falls with
// the time to the power of -2/slope, more than what its peaks gain of it. NaN where no time within a million-fold does.
func (r Random) matches(o fatigue.Oscillators, drive []float64) (float64, error) {
	low, high := r.Seconds*1e-6, r.Seconds*1e6
	over := func(seconds float64) (float64, error) {
		level := math.Pow(r.Seconds/seconds, 1/o.Slope)
		x, err := r.largest(o, drive, seconds)
		if err != nil {
			return 0, err
		}
		return level * slices.Max(x), nil
	}
	if v, err := over(high); err != nil || v > 1 {
		return math.NaN(), err
	}
	for range 60 {
		mid := math.Sqrt(low * high)
		v, err := over(mid)
		if err != nil {
			return 0, err
		}
		if v > 1 {
			low = mid
		} else {
			high = mid
		}
	}
	return high, nil
}
