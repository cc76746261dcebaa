package calibrate

import (
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// seeds is how many made-up seasons a law is tried on: few unless LAPWEAR_THOROUGH is set,
// and hardly any when tests are to be short.
func seeds(few, many int) int {
	if testing.Short() {
		return min(few, 2)
	}
	if os.Getenv("LAPWEAR_THOROUGH") != "" {
		return many
	}
	return few
}

func lowPass(hz float64) func(float64) complex128 {
	return func(f float64) complex128 { return 1 / complex(1, f/hz) }
}

// Through a resonance a correlogram rings, and its next peak, of the other sign, is about
// as high: a lap's sign is that at all laps' lag.
func TestSignThroughAResonance(t *testing.T) {
	for seed := range uint64(seeds(8, 40)) {
		m := usual()
		m.laps, m.seed, m.filter = 8, seed, resonance(30, 0.03)
		laps := m.make()
		laps[2].z = turned(laps[2].z)
		var c candidate
		usualFitting().delayed(&c, pairsOf(laps, m.rate))
		for i, l := range c.laps {
			if l.turned != (i == 2) {
				t.Errorf("seed %d: lap %s turned: %v, only L3 is", seed, l.lap, l.turned)
			}
			if l.peak < 0.5 && math.Abs(l.own-c.lag.lag) > 5e-3 {
				t.Errorf("seed %d: lag of lap %s is %v s, of all %v", seed, l.lap, l.own, c.lag.lag)
			}
		}
	}
}

// What is predicted of a lap that was left out is what a fit of the other laps alone says.
func TestHeldOutIsAFitOfTheOthers(t *testing.T) {
	if testing.Short() {
		t.Skip("many laps")
	}
	for _, tt := range []struct {
		reason string
		gain   string
		change func(*made)
		fit    func(*testing.T, Fitting, made, []lapMade) candidate
	}{
		{"total least squares", GainAuto, func(*made) {}, single},
		{"damage-matched", GainDamage, func(m *made) { m.also = 3 }, single},
		{"noise of unknown split", GainAuto, func(m *made) { m.noiseSlow = 0.3 }, single},
		{"a combination's weights", GainAuto, func(m *made) { m.also = 4 }, double},
		{"a response with a factor", GainDamage, func(m *made) { m.filter, m.laps = resonance(30, 0.06), 6 }, response},
	} {
		m := usual()
		m.lag, m.lapGain, m.seconds, m.laps, m.rate = 0, 0.05, 20, 4, 256
		tt.change(&m)
		f := usualFitting()
		f.Gain, f.Combine = tt.gain, 2
		laps := m.make()
		all := tt.fit(t, f, m, laps)
		for i, name := range all.lapOut.names {
			rest := tt.fit(t, f, m, append(append([]lapMade{}, laps[:i]...), laps[i+1:]...))
			unseen := all.laps[i].dx
			if all.terms != nil {
				unseen = throughTerms(t, f, all, rest, i)
			}
			for k, slope := range f.slopes() {
				want := math.Pow(math.Abs(rest.used[k].gain), slope) * unseen[k]
				if got := all.lapOut.predicted[i][k]; math.Abs(got/want-1) > 0.004*slope {
					t.Errorf("%s: lap %s at slope %v: predicted %v, from a fit of the others %v", tt.reason, name, slope, got, want)
				}
			}
		}
	}
}

func assessed(t *testing.T, f Fitting, c candidate) candidate {
	t.Helper()
	if err := f.assess(&c); err != nil {
		t.Fatal(err)
	}
	return c
}

func single(t *testing.T, f Fitting, m made, laps []lapMade) candidate {
	t.Helper()
	c := candidate{channel: "acc_z", unit: "g"}
	f.delayed(&c, pairsOf(laps, m.rate))
	return assessed(t, f, c)
}

func response(t *testing.T, f Fitting, m made, laps []lapMade) candidate {
	t.Helper()
	c := candidate{channel: "acc_z", unit: "g"}
	f.Response = true
	f.fit(&c, pairsOf(laps, m.rate))
	return assessed(t, f, c)
}

func double(t *testing.T, f Fitting, m made, laps []lapMade) candidate {
	t.Helper()
	c := candidate{channel: "acc_z", unit: "g"}
	z := pairsOf(laps, m.rate)
	f.delayed(&c, z)
	sum, _, ok := f.combined(c, map[string][]pair{"acc_y": onChannelY(z, laps), "acc_z": z}, []string{"acc_y", "acc_z"})
	if !ok {
		t.Fatal("no combination")
	}
	return assessed(t, f, sum)
}

func onChannelY(z []pair, laps []lapMade) []pair {
	y := append([]pair{}, z...)
	for i := range y {
		y[i].x = laps[i].y
	}
	return y
}

// throughTerms is the damage of a lap's channels through the terms that a fit of other laps
// has.
func throughTerms(t *testing.T, f Fitting, all, rest candidate, lap int) []float64 {
	t.Helper()
	var x []float64
	for k, term := range rest.terms {
		in := all.laps[lap]
		if all.base != nil {
			in = all.base[lap]
		} else {
			in = all.parts[k][lap]
		}
		for j, v := range term.respond(in.x) {
			if k == 0 {
				x = append(x, v)
			} else {
				x[j] += v
			}
		}
	}
	d, _, err := cycleDamages(x, f.slopes())
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// refusalOf fits and judges; nil where it passes.
func refusalOf(t *testing.T, p Params, g Gate, in stages.Inputs) (*stages.Refusal, string) {
	t.Helper()
	tf, err := pass(g, fit(t, p, in))
	var r *stages.Refusal
	if errors.As(err, &r) {
		return r, ""
	}
	if err != nil {
		t.Fatal(err)
	}
	remark, _ := tf.Text(Remark)
	return nil, remark
}

// A test that fails is never dropped: what is accepted of one lap lets no resonance pass.
func TestAcceptedLapLetsNoResonancePass(t *testing.T) {
	m := usual()
	m.filter = resonance(30, 0.06)
	laps := m.make()
	laps[1].z = turned(laps[1].z)
	g := usualGate()
	g.Accepted = []Acceptance{{TestDirection, "seen"}, {TestLinear, "small"}, {TestRatio, "small"}, {TestSpread, "small"}, {TestAgree, "small"}}
	r, _ := refusalOf(t, paramsOf(laps), g, inputsOf(laps, m.rate))
	if r == nil || !strings.Contains(r.Reason, "not flat") || !strings.Contains(r.Reason, `{flat: "why"}`) {
		t.Errorf("%v, want a refusal as not flat", r)
	}
}

// An implausible lag is one with a frequency response too, and where a resonance is accepted.
func TestImplausibleLagThroughAResonance(t *testing.T) {
	for _, tt := range []struct {
		reason   string
		response bool
		lag      float64
		accept   []Acceptance
		want     bool
	}{
		{"frequency response", true, 0.3, nil, true},
		{"a resonance that is accepted", false, 0.3, []Acceptance{{TestFlat, "a"}, {TestLinear, "b"}, {TestRatio, "c"}, {TestSpread, "d"}, {TestAgree, "e"}}, true},
		{"a plausible lag, made longer by the resonance", true, 0.015, nil, false},
	} {
		m := usual()
		m.filter, m.lag = resonance(30, 0.05), tt.lag
		laps := m.make()
		p, g := paramsOf(laps), usualGate()
		p.Fitting.Response, g.Response, g.Accepted = tt.response, tt.response, tt.accept
		r, _ := refusalOf(t, p, g, inputsOf(laps, m.rate))
		if got := r != nil && strings.Contains(r.Reason, "is implausible"); got != tt.want {
			t.Errorf("%s: %v, want the lag refused: %v", tt.reason, r, tt.want)
		}
	}
}

// What is linear through its frequency response is not called bent: large cycles have other
// frequencies than small ones, and a filter passes them otherwise.
func TestFilterIsNoBend(t *testing.T) {
	for _, tt := range []struct {
		reason     string
		change     func(*made)
		want, lack string
	}{
		{"a first-order low pass", func(m *made) { m.filter = lowPass(8) }, "the transfer function is not flat: its magnitude goes from", "not linear"},
		{"a resonance", func(m *made) { m.filter = resonance(24, 0.05) }, "say transfer: frf", "not linear"},
		{"hardening behind a low pass is both", func(m *made) {
			m.filter, m.bend = lowPass(8), func(v float64) float64 { return v + 0.5*v*v*v }
		}, "not linear", "it seems bent"},
	} {
		m := usual()
		m.noiseX, m.noiseS, m.seconds = 0.02, 0.02, 60
		tt.change(&m)
		laps := m.make()
		r, _ := refusalOf(t, paramsOf(laps), usualGate(), inputsOf(laps, m.rate))
		if r == nil || !strings.Contains(r.Reason, tt.want) || strings.Contains(r.Reason, tt.lack) {
			t.Errorf("%s: %v, want %q and not %q", tt.reason, r, tt.want, tt.lack)
		}
	}
}

// On a bracket that is tilted the wrong axis follows too, if less well. It is named before
// and instead of what comes of it; where it passes, the better one is remarked on.
func TestWrongAxisWithCrossTalk(t *testing.T) {
	for _, tt := range []struct {
		reason string
		talk   float64 // of acc_z in acc_x
		passes bool
	}{
		{"r = 0.8", 1, false}, {"r = 0.94", 2, false}, {"r = 0.999: it passes", 30, true},
	} {
		m := usual()
		m.noiseX, m.noiseS = 0.01, 0.01
		laps := m.make()
		for i := range laps {
			for k, z := range laps[i].z {
				laps[i].x[k] += tt.talk * z
			}
		}
		p := paramsOf(laps)
		p.Candidates, p.Rivals = []string{"acc_x"}, []string{"acc_y", "acc_z"}
		r, remark := refusalOf(t, p, usualGate(), inputsOf(laps, m.rate))
		switch {
		case tt.passes && !strings.Contains(remark, `the stress follows "acc_z" better`):
			t.Errorf("%s: %v, remark %q: want it to pass with the better one named", tt.reason, r, remark)
		case !tt.passes && (r == nil || !strings.Contains(r.Reason, `the stress follows "acc_z" (`) || strings.Count(r.Reason, "\n  - ") != 1):
			t.Errorf("%s: %v, remark %q: want the better one named, and no more", tt.reason, r, remark)
		}
	}
}

// The damage-matched gain is that of the slope at which it is judged: there predicted damage
// is the measured one, unless the gain is held at a bound, which the reason says.
func TestDamageMatchedAtTheSlopeOfTheMaterial(t *testing.T) {
	m := usual()
	m.noiseSlow = 0.3
	laps := m.make()
	out := fit(t, paramsOf(laps), inputsOf(laps, m.rate))
	f := chosen(t, out)
	for _, k := range usualFitting().slopes() {
		gain, matched := f.gain(k), f.at(AtSlope("gain_damage_mpa_per_unit", k))
		ratio := f.at(AtSlope("damage_ratio", k))
		if held := strings.Contains(f.reason, "would be outside at slope"); !held && (gain != matched || math.Abs(ratio-1) > 1e-9) {
			t.Errorf("slope %v: gain %v, damage-matched %v, damage ratio %v", k, gain, matched, ratio)
		}
		g := usualGate()
		g.Slope = k
		tf, err := pass(g, out)
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := tf.Number("gain_mpa_per_unit"); got != gain {
			t.Errorf("slope %v: the transfer has %v, the table %v", k, got, gain)
		}
	}
}

// Of combinations of a size the one that leaves least is taken, whatever their order; those
// that are next have rows.
func TestBestCombinationIsTaken(t *testing.T) {
	m := usual()
	m.also, m.noiseS = 2.5, 0.1
	laps := m.make()
	for i := range laps {
		noise := hiss(len(laps[i].x), 0.1)
		for k, y := range laps[i].y {
			laps[i].x[k] = y + noise[k]
		}
	}
	p := paramsOf(laps)
	p.Fitting.Combine = 2
	out := fit(t, p, inputsOf(laps, m.rate))
	if f := chosen(t, out); f.channel != "acc_y+acc_z" || !strings.Contains(f.reason, "next acc_x+acc_z") || !strings.Contains(f.reason, "acc_z alone") {
		t.Errorf("took %s: %s", f.channel, f.reason)
	}
	if rows, _ := frame.Get[[]string](out[Candidates], "channel"); !slices.Contains(rows, "acc_x+acc_z") {
		t.Errorf("rows %q lack the next best combination", rows)
	}
}

// The lags of a combination's laps are the sum's: what the best channel alone does not see
// shifts that channel's.
func TestLagsOfACombinationAreTheSums(t *testing.T) {
	for seed := range uint64(seeds(4, 20)) {
		m := usual()
		m.also, m.lag, m.laps, m.seconds, m.seed, m.noiseX, m.noiseS = 8, 0, 6, 20, seed, 0.02, 0.02
		laps := m.make()
		p := paramsOf(laps)
		p.Fitting.Combine = 2
		f := chosen(t, fit(t, p, inputsOf(laps, m.rate)))
		if lag := f.at("lag_ms"); f.channel != "acc_y+acc_z" || f.at("lag_range_ms") != 0 || math.Abs(lag-1e3*m.lag) > 0.05 {
			t.Errorf("seed %d: %s, lag %v ms, range %v ms: made with %v ms on every lap", seed, f.channel, lag, f.at("lag_range_ms"), 1e3*m.lag)
		}
	}
}

// Clocks that drift apart are named, with their rate; those of one clock are not.
func TestDriftingClock(t *testing.T) {
	for _, ppm := range []float64{-400, -100, 0, 150} {
		m := usual()
		laps := m.make()
		for i := range laps {
			laps[i].toe = paced(laps[i].toe, 1-ppm*1e-6)
		}
		out := fit(t, paramsOf(laps), inputsOf(laps, m.rate))
		got := 1e6 * chosen(t, out).at("clock_drift")
		if ppm == 0 {
			if !math.IsNaN(got) {
				t.Errorf("one clock: drift %v ppm", got)
			}
			continue
		}
		if math.Abs(got/ppm-1) > 0.3 {
			t.Errorf("drift %v ppm, made with %v", got, ppm)
		}
		r, remark := refusalOf(t, paramsOf(laps), usualGate(), inputsOf(laps, m.rate))
		if r != nil {
			remark = r.Reason
		}
		if want := map[bool]string{true: "ppm slow", false: "ppm fast"}[ppm < 0]; !strings.Contains(remark, want) {
			t.Errorf("drift of %v ppm: %q, want %q", ppm, remark, want)
		}
	}
}

// paced is v as a clock takes it that steps by so many of v's samples; straight between them.
func paced(v []float64, step float64) []float64 {
	out := make([]float64, len(v))
	for i := range out {
		at := min(float64(i)*step, float64(len(v)-1))
		k := min(int(at), len(v)-2)
		out[i] = v[k] + (at-float64(k))*(v[k+1]-v[k])
	}
	return out
}
