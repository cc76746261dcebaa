package calibrate

import "math"

// rounds is how often the weights of the noise floors' fit are renewed.
const rounds = 12

// noiseFloor estimates the power of the channel's noise in a line, where that noise and the
// gauge's are alike at all frequencies. With N and M of it in the lines' Sxx and Sss,
//
//	1 - γ² = N/Sxx + M/Sss - N·M/(Sxx·Sss)
//
// which tells them apart where channel and gauge have spectra of unlike shape, as through a
// resonance: at its peak the gauge's noise is nothing, so that what is not in common is
// the channel's. (J. S. Bendat and A. G. Piersol, Random Data, noise at input and output,
// from memory.) It is fitted by least absolute deviations, so that a line that no response
// explains weighs little, with the coherence as weight, since where there is none neither
// noise can be told. Where the shapes are alike, both are believed to lack the same
// share.
func noiseFloor(lines []line, n float64) float64 {
	f := newFloors(lines, n)
	if len(f.a) == 0 {
		return 0
	}
	for range rounds {
		f.refit()
	}
	return f.channel * f.meanX
}

// floors is a fit of both noises, in shares of harmonic means of the lines' powers.
type floors struct {
	a, b, apart  []float64
	meanX, meanS float64

	channel, gauge float64
}

func newFloors(lines []line, n float64) *floors {
	f := &floors{}
	var count, overX, overS float64
	for _, o := range lines {
		if c := o.coherence(n); c > 0 {
			f.a, f.b, f.apart = append(f.a, 1/o.xx), append(f.b, 1/o.ss), append(f.apart, 1-c)
			count, overX, overS = count+c, overX+c/o.xx, overS+c/o.ss
		}
	}
	f.meanX, f.meanS = count/overX, count/overS
	for i := range f.a {
		f.a[i], f.b[i] = f.a[i]*f.meanX, f.b[i]*f.meanS
	}
	return f
}

// alike is the weight of the belief that both lack the same share, in parts of all lines'.
const alike = 0.02

// refit fits once, with weights from the last fit's deviations.
func (f *floors) refit() {
	var aa, ab, bb, ay, by, total float64
	for i, a := range f.a {
		b := f.b[i]
		y := f.apart[i] + f.channel*f.gauge*a*b
		off := math.Abs(y - f.channel*a - f.gauge*b)
		w := (1 - f.apart[i]) / (off + 1e-3)
		aa, ab, bb, ay, by, total = aa+w*a*a, ab+w*a*b, bb+w*b*b, ay+w*a*y, by+w*b*y, total+w
	}
	tie := alike * total
	aa, bb, ab = aa+tie, bb+tie, ab-tie
	d := aa*bb - ab*ab
	f.channel, f.gauge = (ay*bb-by*ab)/d, (by*aa-ay*ab)/d
	switch {
	case f.channel < 0:
		f.channel, f.gauge = 0, by/bb
	case f.gauge < 0:
		f.channel, f.gauge = ay/aa, 0
	}
	f.channel, f.gauge = min(max(0, f.channel), 1), min(max(0, f.gauge), 1)
}
