package demo

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

const (
	gravity   = 9.80665 // m/s2
	leanGrip  = 1.25    // sideways acceleration in a corner, g
	driveGrip = 0.78    // acceleration out of a corner, g; falls with speed
	brakeGrip = 0.95    // deceleration, g
	wheelbase = 1.43    // m
	step      = 1.0     // spacing of a track's points, m
)

// track is a circuit laid out: one value per metre, and the places of its kerbs.
// It belongs to the circuit alone; no seed changes it.
type track struct {
	curvature []float64 // 1/m, positive to the left
	speed     []float64 // of the ordinary rider, m/s
	rough     []float64 // factor on the vibration of the plain surface
	kerbs     []float64 // places where a kerb can be struck, m
}

// newStream returns the random numbers that belong to a name.
func newStream(seed uint64, name string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(name)) // a hash's Write never fails
	return rand.New(rand.NewPCG(seed, h.Sum64()))
}

// layOut draws the circuit's corners, surface and kerbs and solves for its speed.
func layOut(c circuit) *track {
	rng := newStream(0, c.name)
	n := int(math.Round(c.km * 1000 / step))
	t := &track{curvature: make([]float64, n), rough: make([]float64, n)}
	t.bend(c, rng)
	t.breakUp(c, rng)
	t.curvature = smooth(t.curvature, 12)
	t.ride(c.top)
	return t
}

// bend sets a corner into each of the lap's equal shares, and a kerb at its middle
// and its exit.
func (t *track) bend(c circuit, rng *rand.Rand) {
	share := float64(len(t.curvature)) / float64(c.corners)
	for i := range c.corners {
		radius := c.tightest * math.Exp(1.3*rng.Float64())
		length := min(radius*(0.6+1.2*rng.Float64()), 0.6*share)
		start := share*float64(i) + (share-length)*(0.3+0.6*rng.Float64())
		k := 1 / radius
		if rng.Float64() < 0.4 {
			k = -k
		}
		for j := int(start); j < int(start+length); j++ {
			t.curvature[j] = k
		}
		t.kerbs = append(t.kerbs, start+0.5*length, start+0.95*length)
	}
}

// breakUp sets the patches of broken surface.
func (t *track) breakUp(c circuit, rng *rand.Rand) {
	for i := range t.rough {
		t.rough[i] = 1
	}
	for range c.patches {
		centre := rng.Float64() * float64(len(t.rough))
		width := 15 + 30*rng.Float64()
		for i := range t.rough {
			d := (float64(i) - centre) / width
			t.rough[i] += c.patch * math.Exp(-d*d/2)
		}
	}
}

// ride sets the speed: as fast as corner, drive and brakes allow, all the way
// round, so that the lap begins at the speed at which it ends.
func (t *track) ride(top float64) {
	n := len(t.curvature)
	t.speed = make([]float64, n)
	for i, k := range t.curvature {
		t.speed[i] = min(top, math.Sqrt(leanGrip*gravity/max(math.Abs(k), 1e-6)))
	}
	for i := range 2 * n {
		v := t.speed[i%n]
		drive := driveGrip * gravity * (1 - 0.8*v/top)
		t.speed[(i+1)%n] = min(t.speed[(i+1)%n], math.Sqrt(v*v+2*drive*step))
	}
	for i := 2 * n; i > 0; i-- {
		v := t.speed[i%n]
		t.speed[(i-1)%n] = min(t.speed[(i-1)%n], math.Sqrt(v*v+2*brakeGrip*gravity*step))
	}
	t.speed = smooth(t.speed, 8)
}

// smooth returns the circular moving average over 2*half+1 points.
func smooth(v []float64, half int) []float64 {
	n := len(v)
	out := make([]float64, n)
	for i := range v {
		var sum float64
		for j := -half; j <= half; j++ {
			sum += v[(i+j+n)%n]
		}
		out[i] = sum / float64(2*half+1)
	}
	return out
}

// at interpolates v at the place x in metres, round the lap.
func at(v []float64, x float64) float64 {
	i := int(x / step)
	f := x/step - float64(i)
	return v[i%len(v)]*(1-f) + v[(i+1)%len(v)]*f
}
