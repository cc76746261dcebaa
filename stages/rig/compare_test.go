package rig

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/fatigue"
	"lapwear/stages/damage"
)

// shaken is a drive of one axis and one hot spot: noise up to 40 Hz at 256 Hz.
func shaken(t *testing.T) Wanted {
	t.Helper()
	r := rand.New(rand.NewPCG(6, 6))
	x := make([]float64, 8192)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	w, err := newWave(x, 256, 256)
	if err != nil {
		t.Fatal(err)
	}
	x = w.signal(band{1, 40}, 3)
	for i := range x {
		x[i] += 1
	}
	m, err := damage.NewMeter(toe(), 0)
	if err != nil {
		t.Fatal(err)
	}
	return Wanted{Rate: 256, Low: 1, High: 40, Channels: []string{"acc_z"}, Axes: [][]float64{x}, Spots: []Watched{{Meter: m}}}
}

// played is what a rig makes of a drive: it begins late, by parts of a sample, and is run on and on.
func played(x []float64, level, late float64, n int) []float64 {
	w, _ := newWave(x, 1, 1)
	y := w.part(band{0, math.Inf(1)}, func(omega float64) complex128 {
		return complex(level*math.Cos(omega*late), -level*math.Sin(omega*late))
	})
	out := make([]float64, n)
	for i := range out {
		out[i] = y[i%len(y)]
	}
	return out
}

// A rig that runs at level g does g^slope of the damage, has an error of 1-g and g² of the power; where
// it begins is found to parts of a sample. The recording has no steady level: the sensor
// does not pass it.
func TestCompareFindsLevelAndLag(t *testing.T) {
	w := shaken(t)
	for _, c := range []struct{ level, late float64 }{{1, 0}, {0.9, 1000}, {1.1, 3333.4}, {0.8, 8000.25}} {
		got, err := Compare(w, Recorded{Name: "r", Axes: [][]float64{played(w.Axes[0], c.level, c.late, 3*8192)}})
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(got.BeginsS*256 - c.late); d > 0.02 {
			t.Errorf("begins at sample %g, want %g", got.BeginsS*256, c.late)
		}
		whole := int(math.Floor(3 - c.late/8192))
		if got.Repeats != whole || got.Judged != whole {
			t.Errorf("%d repeats, %d judged, want %d", got.Repeats, got.Judged, whole)
		}
		if want := math.Pow(c.level, 5); math.Abs(got.Spots[0].Ratio/want-1) > 0.002 {
			t.Errorf("level %g: damage ratio %g, want %g", c.level, got.Spots[0].Ratio, want)
		}
		a := got.Axes[0]
		if math.Abs(a.ErrorRMS-math.Abs(1-c.level)) > 0.01 || math.Abs(a.RMS/c.level-1) > 0.001 {
			t.Errorf("level %g: error %g, rms %g", c.level, a.ErrorRMS, a.RMS)
		}
		if math.Abs(a.BandPower/(c.level*c.level)-1) > 0.01 || math.Abs(a.Worst/(c.level*c.level)-1) > 0.02 && a.Worst != 1 {
			t.Errorf("level %g: power %g, worst third %g", c.level, a.BandPower, a.Worst)
		}
		if math.Abs(a.LevelDifference+meanOf(w.Axes[0])) > 1e-6 {
			t.Errorf("steady level is %g off, want all of the drive's", a.LevelDifference)
		}
		if math.Abs(got.ClockPPM) > 5 {
			t.Errorf("clock is %g millionths off", got.ClockPPM)
		}
		if c.level == 1 && (a.CrossingsOff > 0.01 || math.Abs(a.Max-a.DriveMax) > 0.01) {
			t.Errorf("crossings %g off, maximum %g, want %g", a.CrossingsOff, a.Max, a.DriveMax)
		}
	}
}

// A clock that runs 20 millionths slow stretches the drive.
func TestCompareFindsTheClock(t *testing.T) {
	w := shaken(t)
	x := w.Axes[0]
	y := make([]float64, len(x))
	for i := range y { // by parts of 64 samples, each shifted a little more
		if i%64 == 0 {
			late := float64(i+32) * 20e-6
			part := fatigue.Shift(x, late)
			copy(y[i:min(i+64, len(y))], part[i:min(i+64, len(y))])
		}
	}
	got, err := Compare(w, Recorded{Name: "r", Axes: [][]float64{y}})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.ClockPPM-20) > 3 {
		t.Errorf("clock is %g millionths slow, want 20", got.ClockPPM)
	}
}

func TestCompareRefuses(t *testing.T) {
	w := shaken(t)
	r := rand.New(rand.NewPCG(7, 7))
	other := make([]float64, 9000)
	for i := range other {
		other[i] = r.NormFloat64()
	}
	for _, c := range []struct {
		reason string
		x      []float64
		want   string
	}{
		{"less than one repeat", w.Axes[0][:8000], "record one repeat at least"},
		{"something else", other, "record this plan's drive"},
		{"a sensor turned over", played(w.Axes[0], -1, 300, 9000), "turned over"},
		{"nothing at all", make([]float64, 9000), "correlation with the drive is 0.00"},
	} {
		if _, err := Compare(w, Recorded{Name: "r", Axes: [][]float64{c.x}}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.reason, err, c.want)
		}
	}
}

// Two points give the line through them; by hand: 0.8 at 10 kg and 1.1 at 14 kg make
// 0.075 per kg and 0.05 fixed, and 1 at 12.6667 kg.
func TestBallastOfTwoRuns(t *testing.T) {
	felt := []Felt{{10, 0.8}, {14, 1.1}}
	got, err := FitBallast(felt, UsualRange(felt))
	if err != nil {
		t.Fatal(err)
	}
	nan := math.NaN()
	want := Ballast{PerKg: 0.075, Fixed: 0.05, Mass: 38. / 3, Low: nan, High: nan, Residual: nan}
	if d := cmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateApprox(1e-12, 0)); d != "" {
		t.Error(d)
	}
}

// The interval by Fieller's theorem holds exactly the masses that a t test of the line's
// height at them against 1 does not refuse: checked at both ends, by the textbook variance of a line,
// s²·(1/n + (m-mean)²/Sxx). t(0.975, 4) = 2.776445 (any table of Student's t).
func TestBallastInterval(t *testing.T) {
	felt := []Felt{{8, 0.71}, {10, 0.79}, {12, 0.97}, {14, 1.08}, {16, 1.29}, {18, 1.38}}
	got, err := FitBallast(felt, UsualRange(felt))
	if err != nil {
		t.Fatal(err)
	}
	if !(got.Low < got.Mass && got.Mass < got.High) {
		t.Fatalf("%+v: the interval does not hold the mass", got)
	}
	for _, m := range []float64{got.Low, got.High} {
		height := got.PerKg*m + got.Fixed
		sd := got.Residual * math.Sqrt(1./6+(m-13)*(m-13)/70)
		if v := math.Abs(height-1) / sd; math.Abs(v-2.776445) > 1e-5 {
			t.Errorf("at %g kg the line is %g deviations off, want 2.776445", m, v)
		}
	}
}

// Of many tests whose runs scatter about a line, 95 % have the true mass within their interval: Fieller's interval is exact for normal
// residuals. With 20000 tests the share's standard error is 0.0015.
func TestBallastIntervalCoversTheTruth(t *testing.T) {
	for _, c := range []struct {
		reason  string
		masses  []float64
		scatter float64
	}{
		{"three runs", []float64{10, 13, 16}, 0.004},
		{"four runs", []float64{11, 13, 15, 17}, 0.01},
		{"two runs at each of three masses", []float64{9, 9, 12, 12, 15, 15}, 0.03},
		{"the answer at the edge", []float64{14, 16, 18, 20}, 0.01},
	} {
		r := rand.New(rand.NewPCG(11, 12))
		const tests = 20000
		held := 0
		for range tests {
			felt := make([]Felt, len(c.masses))
			for i, m := range c.masses {
				felt[i] = Felt{m, 0.06*m + 0.16 + c.scatter*r.NormFloat64()} // 1 at 14 kg
			}
			b, err := FitBallast(felt, BallastRange{0, 100})
			if err == nil && b.Low <= 14 && 14 <= b.High {
				held++
			}
		}
		if share := float64(held) / tests; math.Abs(share-0.95) > 0.006 {
			t.Errorf("%s: %.4f of the intervals hold the truth, want 0.95", c.reason, share)
		}
	}
}

func TestBallastRefuses(t *testing.T) {
	for _, c := range []struct {
		reason string
		felt   []Felt
		want   string
	}{
		{"one mass", []Felt{{10, 0.8}, {10, 0.9}}, "two masses"},
		{"beyond what was tried", []Felt{{10, 0.4}, {12, 0.5}}, "22 kg, outside the range of 9.6 to 12.4 kg"},
		{"less stress with more mass", []Felt{{10, 1.1}, {12, 0.9}}, "does not rise"},
		{"all scatter", []Felt{{10, 0.7}, {10, 1.2}, {11, 0.75}, {11, 1.25}, {12, 0.8}, {12, 1.3}}, "scatter too much"},
	} {
		if _, err := FitBallast(c.felt, UsualRange(c.felt)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.reason, err, c.want)
		}
	}
	if b, err := FitBallast([]Felt{{10, 0.4}, {12, 0.5}}, BallastRange{5, 30}); err != nil || math.Abs(b.Mass-22) > 1e-9 {
		t.Errorf("with a wider range: %+v, %v, want 22 kg", b, err)
	}
}

// A gauge that feels f of the track's stress is found by rms and by damage.
func TestFeltByGauge(t *testing.T) {
	w := shaken(t)
	x := played(w.Axes[0], 1, 500, 2*8192)
	gauge := make([]float64, len(x))
	for i, v := range x {
		gauge[i] = 0.85*v + 7 // a gauge's zero means nothing
	}
	rms, damage := FeltBy(w, 0, Recorded{Name: "r", Axes: [][]float64{x}, Gauges: [][]float64{gauge}}, 12)
	want := Felt{12, 0.85}
	if d := cmp.Diff(want, rms, cmpopts.EquateApprox(1e-3, 0)); d != "" {
		t.Error("by rms:", d)
	}
	if d := cmp.Diff(want, damage, cmpopts.EquateApprox(1e-3, 0)); d != "" {
		t.Error("by damage:", d)
	}
}
