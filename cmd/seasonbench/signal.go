package main

import (
	"math"
	"math/bits"
)

// source gives noise that is near enough to Gaussian, fast.
type source struct{ a, b uint64 }

func newSource(seed uint64) *source { return &source{mix(seed), mix(seed + 1)} }

// mix spreads a seed over all bits (splitmix64's finalizer, from memory).
func mix(v uint64) uint64 {
	v += 0x9e3779b97f4a7c15
	v = (v ^ v>>30) * 0xbf58476d1ce4e5b9
	v = (v ^ v>>27) * 0x94d049bb133111eb
	return v ^ v>>31
}

// normal is a sum of four uniform numbers of 16 bits, of mean 0 and variance 1.
func (s *source) normal() float64 {
	s.a = s.a*0xda942042e4dd58b5 + 0x2545f4914f6cdd1d
	v := bits.RotateLeft64(s.a^s.a>>29, int(s.a>>58))
	sum := int64(v&0xffff) + int64(v>>16&0xffff) + int64(v>>32&0xffff) + int64(v>>48) - 2*0xffff
	return float64(sum) * (1.7320508 / 65536)
}

// resonator is noise about one frequency.
type resonator struct{ c1, c2, gain, y1, y2 float64 }

func newResonator(hz, damping, rate, rms float64) resonator {
	w := 2 * math.Pi * hz / rate
	r := math.Exp(-damping * w)
	c1, c2 := 2*r*math.Cos(w), -r*r
	// Variance of an autoregressive process of order two (Box and Jenkins, Time Series Analysis, 3.2.4; from memory).
	variance := (1 - c2) / ((1 + c2) * ((1-c2)*(1-c2) - c1*c1))
	return resonator{c1: c1, c2: c2, gain: rms / math.Sqrt(variance)}
}

func (r *resonator) next(noise float64) float64 {
	y := r.c1*r.y1 + r.c2*r.y2 + r.gain*noise
	r.y2, r.y1 = r.y1, y
	return y
}

// counts fills dst with a channel of a lap as a logger of 16 bits counts it: road, frame and motor over
// a slow swing, and some counts of noise.
func counts(dst []int16, rate float64, lap, channel int) {
	s := newSource(uint64(lap)<<20 | uint64(channel))
	level := 1 + 0.2*math.Sin(float64(channel)) + 0.02*s.normal()
	road, frame := newResonator(18, 0.15, rate, 900*level), newResonator(45, 0.08, rate, 500*level)
	motor := newResonator(min(260, rate/5), 0.03, rate, 60*level)
	swing := 2 * math.Pi / (rate * (4 + s.normal()/4))
	for i := range dst {
		n := s.normal()
		v := 800*math.Sin(swing*float64(i)) + road.next(n) + frame.next(s.normal()) + motor.next(n) + 4*s.normal()
		dst[i] = int16(max(-32767, min(32767, math.Round(v))))
	}
}

// sensitivity is what one count of a channel stands for, in g: 16 bits over a range of ±16 g, or of ±32 g.
func sensitivity(channel int) float64 { return math.Ldexp(1, channel%2-11) }
