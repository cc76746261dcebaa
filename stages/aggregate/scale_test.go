package aggregate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// Law: the album finds what comparing with every sketch finds, whatever their number of figures and however near the edges
// of cells they are.
func TestAlbumFindsAllAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	a, found := newAlbum(0), 0
	for i := range 3000 {
		d := drawn{digest: string(rune('a' + i)), duration: 100, figures: make([]float64, []int{1, 5, 8, 128}[rng.IntN(4)])}
		for k := range d.figures {
			d.figures[k] = float64(rng.IntN(200) - 100)
		}
		if i > 0 && rng.IntN(2) == 0 { // one that was written otherwise
			d.figures = slices.Clone(a.drawn[rng.IntN(i)].figures)
			for k := range d.figures {
				d.figures[k] += float64(rng.IntN(2*alikeWithin+1) - alikeWithin)
			}
		}
		var want []int32
		for k, o := range a.drawn {
			if d.alike(o) {
				want = append(want, int32(k))
			}
		}
		if got := a.alike(d); !slices.Equal(got, want) {
			t.Fatalf("sketch %d of %d figures: like %v, want %v", i, len(d.figures), got, want)
		}
		found += len(want)
		a.add(d)
	}
	if found < 1000 {
		t.Errorf("only %d alike: the test shows nothing", found)
	}
}

// Law: the median of the deviations is the one of the sorted deviations.
func TestDeviationIsByTheMedian(t *testing.T) {
	rng, told := rand.New(rand.NewPCG(7, 8)), 0
	for range 2000 {
		p := make(peers, 1+rng.IntN(40))
		for i := range p {
			p[i] = math.Round(20*math.Exp(rng.NormFloat64())) + 1 // many are equal
		}
		slices.Sort(p)
		v := p[rng.IntN(len(p))]
		usual, n := p.others(v)
		want := math.NaN()
		if n >= manyPeers && factor(v, usual) >= leastUnusual {
			at := slices.Index(p, v)
			var off []float64
			for _, o := range slices.Delete(slices.Clone(p), at, at+1) {
				off = append(off, math.Log(factor(o, usual)))
			}
			slices.Sort(off)
			want = math.Log(factor(v, usual)) / (off[(n-1)/2]/2 + off[n/2]/2)
			told++
		}
		if got := p.deviation(v); got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Fatalf("%v of %v: %v, want %v", v, p, got, want)
		}
	}
	if told < 500 {
		t.Errorf("only %d deviations: the test shows nothing", told)
	}
}
