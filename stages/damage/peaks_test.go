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
