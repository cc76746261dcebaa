package demo

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/goccy/go-yaml"
	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/stat"

	"lapwear/fatigue"
)

// inBand returns v, sampled at rate, at twice the rate and with nothing outside
// the season file's band.
func inBand(v []float32, rate int) []float64 {
	n := 1
	for n < len(v) {
		n *= 2
	}
	x := make([]float64, n)
	for i, s := range v {
		x[i] = float64(s)
	}
	c := fourier.NewFFT(n).Coefficients(nil, x)
	wide := make([]complex128, n+1)
	df := float64(rate) / float64(n)
	for k := range c {
		if f := float64(k) * df; f >= 0.5 && f <= 100 {
			wide[k] = c[k] / complex(float64(n), 0)
		}
	}
	return fourier.NewFFT(2*n).Sequence(nil, wide)[:2*len(v)]
}

// shipped is what the tests read of the season file.
type shipped struct {
	Materials map[string]struct {
		Source   string
		Ultimate string
		SN       struct {
			Amplitude, Beyond   string
			Cycles, Slope, Knee float64
		}
		Scatter    float64
		MeanStress struct{ Rule string } `yaml:"mean_stress"`
	}
	Hotspots map[string]hotspot
	Damage   struct{ Survival string }
	Target   struct {
		LifeFactor float64 `yaml:"life_factor"`
	}
	Scenarios map[string]map[string]any
}

// hotspot is what the tests read of a hot spot.
type hotspot struct {
	Material, Offset string
	StressFactor     float64 `yaml:"stress_factor"`
}

// replaced returns the hot spot as the scenario has it; "" is the season itself.
func (s shipped) replaced(scenario, name string) hotspot {
	h := s.Hotspots[name]
	values := s.Scenarios[scenario]
	if m, ok := values["hotspots."+name+".material"]; ok {
		h.Material = m.(string)
	}
	if f, ok := values["hotspots."+name+".stress_factor"]; ok {
		h.StressFactor = f.(float64)
	}
	return h
}

func readShipped(t *testing.T) shipped {
	t.Helper()
	var s shipped
	if err := yaml.Unmarshal(seasonYAML, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// number reads the number before a unit; 0 for an empty text.
func number(t *testing.T, text string) float64 {
	t.Helper()
	if text == "" {
		return 0
	}
	var v float64
	if _, err := fmt.Sscan(text, &v); err != nil {
		t.Fatalf("read %q: %v", text, err)
	}
	return v
}

// law returns the season file's law for a material, its own or a published one.
func (s shipped) law(t *testing.T, name string) *fatigue.Law {
	t.Helper()
	m, ok := fatigue.Lookup(name)
	if own, has := s.Materials[name]; has {
		m = fatigue.Material{
			Name: name, Source: own.Source, Ultimate: number(t, own.Ultimate), Scatter: own.Scatter,
			Curve: fatigue.Power{RefAmplitude: number(t, own.SN.Amplitude), RefCycles: own.SN.Cycles,
				Slope: own.SN.Slope, Knee: own.SN.Knee, Beyond: fatigue.Beyond{Form: own.SN.Beyond}},
			Mean: fatigue.MeanStress{Rule: own.MeanStress.Rule},
		}
	} else if !ok {
		t.Fatalf("material %q is neither in the season file nor published", name)
	}
	l, err := fatigue.NewLaw(m, number(t, s.Damage.Survival)/100)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// counted is the closed cycles of a few laps of each circuit, per hot spot.
type counted map[string][][]fatigue.Cycles

// countSome counts up to n season laps of each circuit, every rider and session
// among them as the laps come.
func countSome(t *testing.T, n int) counted {
	t.Helper()
	laps, err := plan(DefaultLaps)
	if err != nil {
		t.Fatal(err)
	}
	out := counted{"weld_toe": make([][]fatigue.Cycles, len(circuits)), "bolt_bore": make([][]fatigue.Cycles, len(circuits))}
	tracks := layOutAll()
	for i, l := range laps {
		if l.use == "calibration" || l.dialect == textInCells || len(out["weld_toe"][l.circuit]) >= n || i%2 == 1 {
			continue
		}
		s := synthesize(l, tracks[l.circuit], newStream(0, l.id))
		for hotspot, v := range map[string][]float32{"weld_toe": s.az, "bolt_bore": s.ax} {
			x := inBand(v, l.rate)
			lo, hi := x[0], x[0]
			for _, a := range x {
				lo, hi = min(lo, a), max(hi, a)
			}
			c, err := fatigue.CountCycles(x, 0.005*(hi-lo))
			if err != nil {
				t.Fatal(err)
			}
			out[hotspot][l.circuit] = append(out[hotspot][l.circuit], c.Closed)
		}
	}
	return out
}

// seasonDamage returns the mean damage of a lap at each circuit, and the calendar's.
func seasonDamage(laps [][]fatigue.Cycles, law *fatigue.Law, tf fatigue.Transfer) (perLap []float64, total float64) {
	for i, c := range circuits {
		var mean float64
		for _, lap := range laps[i] {
			mean += law.Sum(lap, 1, tf).Damage / float64(len(laps[i]))
		}
		perLap = append(perLap, mean)
		total += mean * float64(c.practice+c.qualifying+c.race)
	}
	return perLap, total
}

// TestSeasonDamage keeps the story that the season tells. The bands are the
// demonstration's own choice: base meets the target, the casting misses it, the
// others have more in hand. Closed cycles alone: what closes between laps adds about a fifth.
func TestSeasonDamage(t *testing.T) {
	if raceDetector {
		t.Skip("one goroutine, much computing")
	}
	s := readShipped(t)
	cycles := countSome(t, 3)
	gains := map[string]float64{"weld_toe": toePerG, "bolt_bore": borePerG}
	for _, tc := range []struct {
		scenario, hotspot string
		low, high         float64
		reason            string
	}{
		{"", "weld_toe", 0.35, 0.6, "life factor about 2 against the target of 1.5"},
		{"", "bolt_bore", 0.2, 0.6, "life factor above 1.5"},
		{"cast-cradle", "weld_toe", 0.75, 1.4, "misses the target"},
		{"steel-cradle", "weld_toe", 0.02, 0.35, "better than base"},
		{"steel-cradle", "bolt_bore", 1e-6, 0.2, "better than base"},
		{"thicker", "weld_toe", 0.2, 0.45, "better than base"},
	} {
		h := s.replaced(tc.scenario, tc.hotspot)
		tf := fatigue.Transfer{Gain: gains[tc.hotspot], Offset: number(t, h.Offset), Factor: h.StressFactor}
		perLap, total := seasonDamage(cycles[tc.hotspot], s.law(t, h.Material), tf)
		hardest, mildest := slices.Max(perLap), slices.Min(perLap)
		t.Logf("%-12s %-9s %-24s season %.3f, circuits 1:%.0f", tc.scenario, tc.hotspot, h.Material, total, hardest/mildest)
		if total < tc.low || total > tc.high {
			t.Errorf("%s %s: season damage %.3f, want %.2f to %.2f: %s", tc.scenario, tc.hotspot, total, tc.low, tc.high, tc.reason)
		}
		if tc.scenario == "" && hardest < 10*mildest {
			t.Errorf("%s: the hardest circuit does %.1f times the damage of the mildest, want more than 10", tc.hotspot, hardest/mildest)
		}
	}
}

// TestGaugesFollowOneAxis checks that a calibration has one right answer.
func TestGaugesFollowOneAxis(t *testing.T) {
	if raceDetector {
		t.Skip("one goroutine, much computing")
	}
	tracks := layOutAll()
	for _, l := range testSessions() {
		s := synthesize(l, tracks[l.circuit], newStream(0, l.id))
		axes := map[string][]float64{"x": inBand(s.ax, l.rate), "y": inBand(s.ay, l.rate), "z": inBand(s.az, l.rate)}
		for _, g := range []struct {
			name   string
			strain []float32
			axis   string
			gain   float64
		}{{"toe", s.toe, "z", toePerG}, {"bore", s.bore, "x", borePerG}} {
			stress := inBand(g.strain, l.rate)
			for i := range stress {
				stress[i] *= modulus * 1e-6
			}
			_, slope := stat.LinearRegression(axes[g.axis], stress, nil, false)
			if math.Abs(slope/g.gain-1) > 0.05 {
				t.Errorf("%s %s: gain %.3f MPa/g, want %.1f within 5 %%", l.id, g.name, slope, g.gain)
			}
			for _, axis := range []string{"x", "y", "z"} {
				r := math.Abs(stat.Correlation(axes[axis], stress, nil))
				if axis == g.axis && r < 0.95 || axis != g.axis && r > 0.7 {
					t.Errorf("%s %s: correlation %.3f with axis %s", l.id, g.name, r, axis)
				}
			}
		}
	}
}
