package demo

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/dsp/fourier"
)

// mode is a resonance that shapes the road's noise.
type mode struct {
	hz, damping float64
	share       float64 // of the signal's variance; a spectrum's shares add up to 1
}

var (
	verticalModes = []mode{
		{3.2, 0.30, 0.06},  // bike on its springs
		{18.5, 0.16, 0.42}, // wheels on their tyres
		{31, 0.10, 0.20},   // frame
		{44, 0.08, 0.32},   // cradle with inverter
	}
	lengthwiseModes = []mode{{7, 0.30, 0.12}, {24, 0.12, 0.50}, {39, 0.09, 0.38}}
	sidewaysModes   = []mode{{5, 0.35, 0.25}, {21, 0.15, 0.45}, {34, 0.12, 0.30}}
)

// ring is how one axis answers a kerb strike: a decaying oscillation.
type ring struct{ hz, damping, share float64 }

var (
	verticalRing   = ring{35, 0.07, 1}
	lengthwiseRing = ring{28, 0.09, 0.62}
	sidewaysRing   = ring{42, 0.10, 0.25}
)

const (
	lengthwiseShare = 0.62 // vibration along the bike, of the vertical
	sidewaysShare   = 0.40
	common          = 0.30 // of the vertical vibration that is seen lengthwise too
	humPerSpeed     = 2.9  // first motor order, Hz per m/s
	humLevel        = 0.35 // g, once above 100 Hz

	toePerG        = 8.4  // MPa per g vertical
	borePerG       = 5.2  // MPa per g lengthwise
	toeCross       = 0.6  // MPa per g sideways
	boreCross      = 0.25 // MPa per g vertical
	toeNoise       = 1.5  // MPa rms that no accelerometer explains
	boreNoise      = 0.8
	gaugeNoise     = 3         // ustrain rms
	modulus        = 71e3      // MPa
	sensorNoise    = 0.02      // g rms
	accelStep      = 1.0 / 128 // 12 bits over ±16 g
	strainStep     = 1.0 / 4
	distanceStep   = 1.0 / 8
	slowHz         = 20 // rate at which the unused columns change
	rpmPerSpeed    = 60 * humPerSpeed
	lapScatter     = 0.02 // standard deviation of a lap's level
	strikeScatter  = 0.22 // standard deviation of the log of a strike's peak
	strikeJitter   = 3.0  // m
	strikeLongest  = 0.5  // s after which a ring has died away
	leanUnbalanced = 0.12 // share of the cornering acceleration across the bike
)

// samples is a recording: columns of equal length. The gauges are nil except in
// laps that have them.
type samples struct {
	time, ax, ay, az, dist []float32
	toe, bore              []float32
	rpm, speed, temp       []float32
}

// motion is where the bike is, sample by sample.
type motion struct {
	x, v, along []float64 // m, m/s, g
}

// load is what the cradle feels, in g along three axes, before any sensor.
type load struct{ x, y, z []float64 }

// synthesize records one lap. All that is random comes from rng.
func synthesize(l lap, t *track, rng *rand.Rand) samples {
	c := circuits[l.circuit]
	m := t.drive(l.rider.pace, l.rate)
	size := l.rider.level * l.bike.factor * l.setup.factor * (1 + lapScatter*rng.NormFloat64())
	ld := vibrate(c, t, m, size, l.rate, rng)
	ld.strikeKerbs(c, t, m, strikes{size, c.kerbs * l.rider.kerbs / float64(len(t.kerbs))}, l.rate, rng)
	s := m.slowColumns(l.rate, rng)
	if l.gauges {
		s.toe, s.bore = ld.strain(rng)
	}
	ld.hum(m, l.rate, rng)
	s.ax, s.ay, s.az = sense(ld.x, rng), sense(ld.y, rng), sense(ld.z, rng)
	return s
}

// drive moves the bike once round the track, at rate samples a second.
func (t *track) drive(pace float64, rate int) motion {
	var m motion
	dt := 1 / float64(rate)
	end := float64(len(t.speed)) * step
	for x := 0.0; x < end; {
		v := pace * at(t.speed, x)
		slope := (at(t.speed, x+step) - at(t.speed, x)) / step
		m.x, m.v = append(m.x, x), append(m.v, v)
		m.along = append(m.along, pace*v*slope/gravity)
		x += v * dt
	}
	return m
}

// vibrate builds the load of road and riding: noise that swells with speed and
// surface, on the slow accelerations of braking and cornering.
func vibrate(c circuit, t *track, m motion, size float64, rate int, rng *rand.Rand) load {
	n := len(m.x)
	z := noise(n, rate, verticalModes, rng)
	x := noise(n, rate, lengthwiseModes, rng)
	y := noise(n, rate, sidewaysModes, rng)
	own := math.Sqrt(1 - common*common)
	for i := range n {
		grow := size * c.surface * at(t.rough, m.x[i]) * math.Sqrt(m.v[i]/50)
		lean := m.v[i] * m.v[i] * at(t.curvature, m.x[i]) / gravity
		x[i] = m.along[i] + grow*lengthwiseShare*(own*x[i]+common*z[i])
		y[i] = leanUnbalanced*lean + grow*sidewaysShare*y[i]
		z[i] = math.Sqrt(1+lean*lean) - 1 + grow*z[i]
	}
	return load{x, y, z}
}

// noise returns n samples of Gaussian noise of unit variance whose spectrum is the
// sum of the modes.
func noise(n, rate int, modes []mode, rng *rand.Rand) []float64 {
	size := 1
	for size < n {
		size *= 2
	}
	coeff := make([]complex128, size/2+1)
	power := spectrum(modes, float64(rate)/float64(size), len(coeff))
	for k := range coeff {
		a := math.Sqrt(power[k]) / 2 // a line and its mirror image add up to 2a
		coeff[k] = complex(a*rng.NormFloat64(), a*rng.NormFloat64())
	}
	return fourier.NewFFT(size).Sequence(nil, coeff)[:n]
}

// spectrum returns the share of the variance in each of n lines df apart.
func spectrum(modes []mode, df float64, n int) []float64 {
	out := make([]float64, n)
	line := make([]float64, n)
	for _, m := range modes {
		var sum float64
		for k := 1; k < n; k++ {
			r := float64(k) * df / m.hz
			d := 1 - r*r
			line[k] = r * r / (d*d + 4*m.damping*m.damping*r*r)
			line[k] *= 1 / (1 + math.Pow(float64(k)*df/90, 8)) // tyre and frame pass nothing fast
			sum += line[k]
		}
		for k := 1; k < n; k++ {
			out[k] += m.share * line[k] / sum
		}
	}
	return out
}

// strikes is how hard and how often the kerbs are hit in a lap.
type strikes struct {
	size   float64
	chance float64 // at each place
}

// strikeKerbs adds the strikes of a lap: front wheel, then rear.
func (ld load) strikeKerbs(c circuit, t *track, m motion, s strikes, rate int, rng *rand.Rand) {
	for _, place := range t.kerbs {
		hit := rng.Float64() < s.chance
		peak := s.size * c.strike * math.Exp(strikeScatter*min(rng.NormFloat64(), 2))
		x := place + strikeJitter*rng.NormFloat64()
		side := 1.0
		if rng.Float64() < 0.5 {
			side = -1
		}
		if !hit {
			continue
		}
		for _, w := range []struct{ behind, share float64 }{{0, 1}, {wheelbase, 0.7}} {
			i := m.reach(x + w.behind)
			verticalRing.addTo(ld.z, i, rate, w.share*peak)
			lengthwiseRing.addTo(ld.x, i, rate, -w.share*peak)
			sidewaysRing.addTo(ld.y, i, rate, side*w.share*peak)
		}
	}
}

// reach returns the first sample at or after the place x.
func (m motion) reach(x float64) int {
	lo, hi := 0, len(m.x)
	for lo < hi {
		if mid := (lo + hi) / 2; m.x[mid] < x {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// addTo adds a ring of that peak from sample i on.
func (r ring) addTo(v []float64, i, rate int, peak float64) {
	omega := 2 * math.Pi * r.hz / float64(rate)
	n := min(len(v)-i, int(strikeLongest*float64(rate)))
	for j := range max(n, 0) {
		p := omega * float64(j)
		v[i+j] += r.share * peak * math.Exp(-r.damping*p) * math.Sin(p)
	}
}

// strain returns what the gauges read at weld toe and bolt bore, in ustrain: the
// stress over the modulus, each gauge with its own zero.
func (ld load) strain(rng *rand.Rand) (toe, bore []float32) {
	n := len(ld.z)
	toe, bore = make([]float32, n), make([]float32, n)
	zeroToe, zeroBore := 40*rng.NormFloat64(), 40*rng.NormFloat64()
	read := func(stress, noise, zero float64) float32 {
		stress += noise * rng.NormFloat64()
		return quantize(stress/modulus*1e6+zero+gaugeNoise*rng.NormFloat64(), strainStep)
	}
	for i := range n {
		toe[i] = read(toePerG*ld.z[i]+toeCross*ld.y[i], toeNoise, zeroToe)
		bore[i] = read(borePerG*ld.x[i]+boreCross*ld.z[i], boreNoise, zeroBore)
	}
	return toe, bore
}

// hum adds the first motor order. The accelerometer on the cradle's skin sees it;
// the cradle, much softer, does not follow and carries no stress from it.
func (ld load) hum(m motion, rate int, rng *rand.Rand) {
	phase := 2 * math.Pi * rng.Float64()
	for i, v := range m.v {
		hz := humPerSpeed * v
		phase += 2 * math.Pi * hz / float64(rate)
		level := humLevel * min(max((hz-105)/20, 0), 1)
		if level == 0 {
			continue
		}
		s, c := math.Sincos(phase)
		ld.z[i] += level * s
		ld.x[i] += 0.8 * level * c
		ld.y[i] += 0.5 * level * s
	}
}

// sense returns what an accelerometer reads: noise on top, then steps of the logger.
func sense(v []float64, rng *rand.Rand) []float32 {
	out := make([]float32, len(v))
	for i, a := range v {
		out[i] = quantize(a+sensorNoise*rng.NormFloat64(), accelStep)
	}
	return out
}

// slowColumns returns the time, the distance and the columns that the season file
// does not use.
func (m motion) slowColumns(rate int, rng *rand.Rand) samples {
	n := len(m.x)
	s := samples{time: make([]float32, n), dist: make([]float32, n),
		rpm: make([]float32, n), speed: make([]float32, n), temp: make([]float32, n)}
	warm := 58 + 6*rng.Float64()
	for i := range n {
		s.time[i] = float32(float64(i) / float64(rate))
		s.dist[i] = quantize(m.x[i], distanceStep)
		held := i - i%(rate/slowHz)
		s.rpm[i] = quantize(m.v[held]*rpmPerSpeed, 8)
		s.speed[i] = quantize(m.v[held]*3.6, 0.25)
		s.temp[i] = quantize(warm+4*float64(held)/float64(n), 0.5)
	}
	return s
}

// quantize rounds to a multiple of by.
func quantize(v, by float64) float32 { return float32(math.Round(v/by) * by) }
