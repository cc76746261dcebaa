package damage

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/fatigue"
)

// Law: whatever stress is asked from, peaks give all the cycles from there on, in their order, or say that they cannot, and
// they can wherever there are no more cycles than are kept. Written and read they are the same.
func TestPeaksAreTheHighestCycles(t *testing.T) {
	law, err := Strength{steel, 0.5, Carry}.Law()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{0, 1, keptPeaks, keptPeaks + 1, 500} {
		for _, gain := range []float64{1, -1} {
			closed, tr := fatigue.Cycles{From: make([]float64, n), To: make([]float64, n)}, fatigue.Transfer{Gain: gain, Offset: 30, Factor: 1.1}
			for i := range n {
				closed.From[i], closed.To[i] = float64(rng.IntN(200)-100), float64(rng.IntN(200)-100) // many are equal
			}
			p := peaksOf(law, closed, tr)
			if again, err := readPeaks(p.text()); err != nil || cmp.Diff(p, again) != "" {
				t.Errorf("%d cycles: read %+v, %v; written %+v", n, again, err, p)
			}
			for least := -100.0; least < 160; least++ {
				checkPeaks(t, p, least, n, cyclesFrom(law, closed, tr, least))
			}
		}
	}
}

// The same cycles are kept, and the same rest is found, as by looking at the stress of each; also where stresses are equal that signals are not.
func TestHighestByStress(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, tr := range []fatigue.Transfer{
		{Gain: 2, Offset: 3, Factor: 1}, {Gain: -2, Offset: 3, Factor: 1}, {Gain: 1e-17, Offset: 3, Factor: 1.5}, {Gain: -1e-16, Offset: 1, Factor: 1},
	} {
		for n := range 400 {
			c := fatigue.Cycles{From: make([]float64, n), To: make([]float64, n)}
			for i := range n {
				c.From[i], c.To[i] = math.Round(5*rng.NormFloat64()), math.Round(5*rng.NormFloat64())
			}
			at, rest := highest(c, tr)
			if wantAt, wantRest := highestPlainly(c, tr); !slices.Equal(at, wantAt) || rest != wantRest {
				t.Fatalf("%d cycles, %+v: %v and %v, want %v and %v", n, tr, at, rest, wantAt, wantRest)
			}
		}
	}
}

// highestPlainly looks at the stress of each cycle.
func highestPlainly(c fatigue.Cycles, t fatigue.Transfer) (at []int, rest float64) {
	stress := func(i int) float64 { return max(t.Stress(c.From[i]), t.Stress(c.To[i])) }
	rest = math.Inf(-1)
	for i := range c.From {
		at = append(at, i)
		if len(at) <= keptPeaks {
			continue
		}
		out := len(at) - 1
		for k, j := range at {
			if stress(j) < stress(at[out]) {
				out = k
			}
		}
		rest = max(rest, stress(at[out]))
		at = slices.Delete(at, out, out+1)
	}
	return at, rest
}

// cyclesFrom looks at all cycles.
func cyclesFrom(law *fatigue.Law, closed fatigue.Cycles, tr fatigue.Transfer, least float64) (all []Peak) {
	for i := range closed.From {
		x, y := tr.Stress(closed.From[i]), tr.Stress(closed.To[i])
		if max(x, y) >= least {
			all = append(all, Peak{max(x, y), law.Damage(x, y)})
		}
	}
	return all
}

func checkPeaks(t *testing.T, p Peaks, least float64, n int, want []Peak) {
	t.Helper()
	got, ok := p.From(least)
	if ok && !slices.Equal(got, want) {
		t.Errorf("%d cycles from %v MPa: %v, want %v", n, least, got, want)
	}
	if n <= keptPeaks && !ok || len(want) > keptPeaks && ok || len(want) == 0 && !ok {
		t.Errorf("%d cycles, %d from %v MPa: answered %t", n, len(want), least, ok)
	}
}

// What is not known is not none.
func TestNoPeaksKnown(t *testing.T) {
	if got, ok := (Peaks{}).From(1); ok {
		t.Errorf("the zero value answers %v", got)
	}
	for _, text := range []string{"", "1 2", "1 2 x", "1 2 3 4"} {
		if p, err := readPeaks(text); err == nil {
			t.Errorf("%q is read as %+v", text, p)
		}
	}
	if p, err := readPeaks("-Inf"); err != nil || !math.IsInf(p.Rest, -1) || p.Highest != nil {
		t.Errorf("no cycles: %+v, %v", p, err)
	}
}
