package rig

import (
	"fmt"
	"math"

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
	low := math.Max(s.Low, s.Rate/4000)
	high := math.Min(s.High, s.Rate/10)
	o := fatigue.Oscillators{Q: s.Q, Slope: s.Slope}
	for k := 0; ; k++ {
		f := low * math.Pow(2, float64(k)/perOctave)
		if f > high*(1+1e-9) {
			break
		}
		o.Freq = append(o.Freq, f)
	}
	if len(o.Freq) < 2 {
		return Random{}, fmt.Errorf("shape a spectrum: the rate of %g Hz leaves no room between %g and %g Hz; give rig: rate more", s.Rate, low, high)
	}
	wanted, err := o.DamageOfSignal(s.Acceleration, s.Rate)
	if err != nil {
		return Random{}, err
	}
	largest, err := o.LargestOfSignal(s.Acceleration, s.Rate)
	if err != nil {
		return Random{}, err
	}
	for i := range wanted {
		wanted[i] *= s.Repeats
	}
	r := Random{Freq: o.Freq, Seconds: s.Seconds}
	if r.Density, r.Reached, err = o.EquivalentDensity(wanted, s.Seconds); err != nil {
		return r, err
	}
	expected, err := o.LargestOfDensity(r.Freq, r.Density, s.Seconds)
	if err != nil {
		return r, err
	}
	for i := range expected {
		r.Largest = append(r.Largest, expected[i]/largest[i])
		r.Over = max(r.Over, r.Largest[i])
	}
	for i := 1; i < len(r.Freq); i++ {
		r.RMS += (r.Freq[i] - r.Freq[i-1]) * (r.Density[i] + r.Density[i-1]) / 2
	}
	r.RMS = math.Sqrt(r.RMS)
	return r, nil
}
