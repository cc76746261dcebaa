package calibrate

import (
	"math"
	"math/cmplx"
	"regexp"
	"testing"
)

// responseOf is a transfer's frequency response at a frequency.
func responseOf(t term, rate, hz float64) complex128 {
	var h complex128
	for i, w := range t.taps {
		h += complex(w, 0) * cmplx.Exp(complex(0, -2*math.Pi*hz*float64(i-len(t.taps)/2)/rate))
	}
	return h
}

// The laps are made through a single-degree-of-freedom resonance, so that the response is
// known: D. J. Inman, Engineering Vibration, section 3.2 (from memory). Its half-power
// width is twice damping times frequency, down to a tenth of a line of 2 s.
func TestResponseFindsTheResonance(t *testing.T) {
	if testing.Short() {
		t.Skip("many laps")
	}
	for _, tt := range []struct {
		reason         string
		hz, damping    float64
		noiseX, noiseS float64
		gain           string
		peak, damage   float64 // most that the response at its peak may be off, and damage on laps held out
	}{
		{"6 % damping", 30, 0.06, 0.05, 0.05, GainAuto, 0.03, 0.05},
		{"1 % damping: 0.6 Hz wide", 30, 0.01, 0.05, 0.05, GainAuto, 0.03, 0.05},
		{"half a percent at 20 Hz: 0.2 Hz wide", 20, 0.005, 0.05, 0.05, GainAuto, 0.1, 0.4},
		{"half a percent at 10 Hz: 0.1 Hz wide", 10, 0.005, 0.02, 0.02, GainAuto, 0.3, 0.5},
		{"noise in the channel alone", 30, 0.02, 0.5, 0, GainAuto, 0.07, 0.3},
		{"noise in the gauge alone", 30, 0.02, 0, 0.5, GainAuto, 0.05, 0.1},
		{"noise in both, as least squares has it", 30, 0.06, 0.1, 0.5, GainLeast, 0.05, 0.1},
	} {
		m := usual()
		m.laps, m.seconds, m.rate, m.noiseX, m.noiseS, m.filter = 8, 60, 256, tt.noiseX, tt.noiseS, resonance(tt.hz, tt.damping)
		f := usualFitting()
		f.Response, f.Gain = true, tt.gain
		c := candidate{channel: "acc_z", unit: "g"}
		f.fit(&c, pairsOf(m.make(), m.rate))
		if err := f.assess(&c); err != nil {
			t.Fatal(err)
		}
		sin, cos := math.Sincos(-2 * math.Pi * tt.hz * (m.lag - c.lag.lag))
		want := complex(m.gain, 0) * m.filter(tt.hz) * complex(cos, sin)
		got := responseOf(c.fitted()[0], m.rate, tt.hz)
		if e := cmplx.Abs(got/want - 1); e > tt.peak {
			t.Errorf("%s: the response at %v Hz is %v, made with %v: off by %.3f, want %v", tt.reason, tt.hz, got, want, e, tt.peak)
		}
		if len(c.hums) > 0 {
			t.Errorf("%s: a resonance is taken for a hum: %+v", tt.reason, c.hums)
		}
		if e := math.Abs(c.lapOut.at(f.own()).total - 1); e > tt.damage {
			t.Errorf("%s: damage predicted over measured on laps held out is %.3f, want 1 within %v", tt.reason, c.lapOut.at(f.own()).total, tt.damage)
		}
	}
}

// A mode of the part that takes a fiftieth of the load, half a percent damped, triples the
// stress over 0.2 Hz: it hides between the lines of 2 s, where one gain seems to serve.
func narrowMode(hz float64) func(float64) complex128 {
	mode := resonance(hz, 0.005)
	return func(f float64) complex128 { return 1 + 0.02*mode(f) }
}

func TestNarrowResonanceIsNamed(t *testing.T) {
	m := usual()
	m.laps, m.seconds, m.rate, m.filter = 6, 40, 256, narrowMode(18)
	laps := m.make()
	out := fit(t, paramsOf(laps), inputsOf(laps, m.rate))
	_, err := pass(usualGate(), out)
	if want := regexp.MustCompile(`not flat: .*, [0-9.]+ % from one gain .*, most at (17\.9|18|18\.1) Hz.*say transfer: frf`); err == nil || !want.MatchString(err.Error()) {
		t.Errorf("error %v, want a refusal like %v", err, want)
	}
	var c candidate
	f := usualFitting()
	f.delayed(&c, pairsOf(laps, m.rate))
	lines, n := newRung(c.laps, c.plan).sum(everyPart)
	if coarse, _ := c.plan.ripple(lines, n, f.Slope, m.gain); coarse.size > usualLimits().MaxRipple {
		t.Errorf("lines of %v s show a ripple of %v already: nothing hides between them", c.plan.seconds, coarse.size)
	}
}

// A resonance that does nearly all of the stress gives each lap a gain of its own, by how
// much it is excited; it is named all the same.
func TestResonanceIsNamedBesideOddLaps(t *testing.T) {
	m := usual()
	m.laps, m.seconds, m.rate, m.filter = 6, 40, 256, resonance(30, 0.008)
	laps := m.make()
	_, err := pass(usualGate(), fit(t, paramsOf(laps), inputsOf(laps, m.rate)))
	if want := regexp.MustCompile(`(?s)the gain of lap .*not flat: .*most at (29\.9|30|30\.1) Hz`); err == nil || !want.MatchString(err.Error()) {
		t.Errorf("error %v, want a refusal like %v", err, want)
	}
}

// Law: what is flat shows no ripple at any resolution, whatever the noise: of 60 seasons
// not one is refused for it.
func TestFlatStaysFlat(t *testing.T) {
	if testing.Short() {
		t.Skip("many laps")
	}
	for seed := range uint64(60) {
		m := usual()
		m.seed, m.laps, m.seconds, m.rate = seed, 4, 20, 128
		m.noiseX, m.noiseS = 0.1*float64(seed%5), 0.1*float64(seed%7)
		c := candidate{channel: "acc_z"}
		f := usualFitting()
		f.delayed(&c, pairsOf(m.make(), m.rate))
		c.estimate = estimateGain(c.laps, f.Seed)
		f.look(&c)
		if c.ripple.size > usualLimits().MaxRipple || len(c.hums) > 0 {
			t.Errorf("season %d: ripple %+v, hums %+v", seed, c.ripple, c.hums)
		}
	}
}
