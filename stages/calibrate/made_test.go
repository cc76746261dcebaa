package calibrate

import (
	"math"
	"math/rand/v2"
	"strconv"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// made says how calibration laps are made up: vibration of known spectrum on a channel
// acc_z, stress that follows it with a known gain, and decoys.
type made struct {
	laps, circuits int
	seconds, rate  float64
	gain, lag      float64 // MPa/g, s
	noiseX, noiseS float64 // rms of white noise, as a share of the signal's rms
	drift, zero    float64 // ustrain
	seed           uint64
	bend           func(v float64) float64 // stress in units of gain·g from g; nil = linear
	filter         func(hz float64) complex128
	also           float64 // MPa/g that acc_y adds
	levels         float64 // how much laps differ in level
	lags           float64 // s by which the gauge is later still on every other lap
	noiseY         float64 // as noiseX, on acc_y
	noiseSlow      float64 // rms of noise on acc_z whose power falls with the square of the frequency
	lapGain        float64 // standard deviation of laps' gains, relative
}

// slow returns noise whose power falls with the square of the frequency from 0.5 Hz on,
// of rms noiseSlow.
func (m made) slow(rng *rand.Rand, n int) []float64 {
	out := make([]float64, n)
	if m.noiseSlow == 0 {
		return out
	}
	fft := fourier.NewFFT(n)
	a := make([]complex128, n/2+1)
	for k := 1; k < len(a); k++ {
		if f := float64(k) * m.rate / float64(n); f >= 0.5 {
			a[k] = complex(rng.NormFloat64(), rng.NormFloat64()) * complex(1/f, 0)
		}
	}
	copy(out, fft.Sequence(nil, a))
	var ss float64
	for _, v := range out {
		ss += v * v / float64(n)
	}
	floats.Scale(m.noiseSlow/math.Sqrt(ss), out)
	return out
}

func usual() made {
	return made{laps: 4, circuits: 2, seconds: 30, rate: 512, gain: 8.37, lag: 3.4e-3, noiseX: 0.05, noiseS: 0.05, zero: 300, levels: 0.3}
}

const testModulus = 0.07 // MPa per ustrain

// lapMade is one lap's signals.
type lapMade struct {
	name, circuit string
	x, y, z, toe  []float64
}

// vibration returns n samples of noise with resonances at 18 and 36 Hz, of rms 1.
func vibration(rng *rand.Rand, n int, rate float64) []float64 {
	fft := fourier.NewFFT(padded(n))
	a := make([]complex128, fft.Len()/2+1)
	for k := 1; k < len(a); k++ {
		f := float64(k) * rate / float64(fft.Len())
		var p float64
		for _, m := range []struct{ hz, d, share float64 }{{4, 0.3, 0.1}, {18, 0.15, 0.5}, {36, 0.1, 0.4}} {
			r := f / m.hz
			p += m.share * r * r / ((1-r*r)*(1-r*r) + 4*m.d*m.d*r*r) / m.hz
		}
		p /= 1 + math.Pow(f/80, 8)
		h := math.Sqrt(p)
		a[k] = complex(h*rng.NormFloat64(), h*rng.NormFloat64())
	}
	v := fft.Sequence(nil, a)
	var ss float64
	for _, s := range v {
		ss += s * s / float64(len(v))
	}
	for i := range v {
		v[i] /= math.Sqrt(ss)
	}
	return v[:n]
}

// padded is a power of two above n.
func padded(n int) int {
	size := 1
	for size <= n {
		size *= 2
	}
	return size
}

// later returns v later by lag s and through a filter, nil for none.
func later(v []float64, rate, lag float64, filter func(float64) complex128) []float64 {
	if filter == nil {
		filter = func(float64) complex128 { return 1 }
	}
	fft := fourier.NewFFT(padded(len(v)))
	w := make([]float64, fft.Len())
	copy(w, v)
	a := fft.Coefficients(nil, w)
	for k := range a {
		f := float64(k) * rate / float64(len(w))
		sin, cos := math.Sincos(-2 * math.Pi * f * lag)
		a[k] *= complex(cos, sin) * filter(f) / complex(float64(len(w)), 0)
	}
	return fft.Sequence(nil, a)[:len(v)]
}

func (m made) make() []lapMade {
	rng := rand.New(rand.NewPCG(m.seed, 7))
	var out []lapMade
	n := int(m.seconds * m.rate)
	for i := range m.laps {
		l := lapMade{name: "L" + strconv.Itoa(i+1), circuit: "C" + strconv.Itoa(i%m.circuits+1)}
		z, y, x := vibration(rng, n, m.rate), vibration(rng, n, m.rate), vibration(rng, n, m.rate)
		level := 1 + m.levels*(float64(i)/float64(max(1, m.laps-1))-0.5)
		gain := m.gain * (1 + m.lapGain*rng.NormFloat64())
		for k := range z {
			at := level * (1 + 0.5*math.Sin(2*math.Pi*3*float64(k)/float64(n)))
			z[k], x[k], y[k] = at*z[k], at*(0.8*x[k]+0.3*z[k]), at*y[k]
		}
		slow := m.slow(rng, n)
		stress := later(z, m.rate, m.lag+m.lags*float64(i%2), m.filter)
		for k := range z {
			t := float64(k) / float64(n)
			if m.bend != nil {
				stress[k] = m.bend(stress[k])
			}
			l.z = append(l.z, z[k]+m.noiseX*rng.NormFloat64()+slow[k])
			l.x, l.y = append(l.x, x[k]), append(l.y, y[k]+m.noiseY*rng.NormFloat64())
			mpa := gain*stress[k] + m.also*y[k] + math.Abs(m.gain)*m.noiseS*rng.NormFloat64()
			l.toe = append(l.toe, mpa/testModulus+m.zero*float64(i)+m.drift*(t+0.3*math.Sin(4*t)))
		}
		out = append(out, l)
	}
	return out
}

func inputsOf(laps []lapMade, rate float64) stages.Inputs {
	var in stages.Inputs
	add := func(lap, channel, unit string, v []float64) {
		f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", 0)}, frame.Col("value", unit, v))
		in.Frames = append(in.Frames, stages.Input{Label: Label(lap, channel), Frame: f})
	}
	for _, l := range laps {
		add(l.name, "acc_x", "g", l.x)
		add(l.name, "acc_y", "g", l.y)
		add(l.name, "acc_z", "g", l.z)
		add(l.name, "toe", "ustrain", l.toe)
	}
	return in
}

func usualFitting() Fitting {
	return Fitting{MaxLag: 0.02, HighPass: 0.3, Slope: 5, MaxBend: 0.1, MaxExcess: 0.25, Combine: 1, Gain: GainAuto, Seed: 1}
}

func usualLimits() Limits {
	return Limits{MinCoherence: 0.8, MaxLag: 0.02, MaxBend: 0.1, MaxExcess: 0.25, MaxSpread: 0.1, MaxRipple: 0.2, RatioLow: 0.5, RatioHigh: 2,
		MinLaps: 1, MinCircuits: 1, ProvenLaps: 3, ProvenRounds: 2}
}

func paramsOf(laps []lapMade) Params {
	p := Params{Gauge: "toe", GaugeScale: testModulus, Candidates: []string{"acc_x", "acc_y", "acc_z"}, Fitting: usualFitting()}
	for _, l := range laps {
		p.Laps, p.Circuits = append(p.Laps, l.name), append(p.Circuits, l.circuit)
	}
	return p
}
