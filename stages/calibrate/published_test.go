package calibrate

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// published reads a table of published values, each with its source, by column.
func published(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "fatigue", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, v := range line {
			row[all[0][i]] = v
		}
		out = append(out, row)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// strd reads a data set of NIST's Statistical Reference Datasets and the certified value of
// a coefficient.
func strd(t *testing.T, set, coefficient string) (x, y []float64, certified float64) {
	t.Helper()
	for _, r := range published(t, "nist-strd-data.csv") {
		if r["dataset"] == set {
			x, y = append(x, number(t, r["x"])), append(y, number(t, r["y"]))
		}
	}
	for _, r := range published(t, "nist-strd-certified.csv") {
		if r["dataset"] == set && r["quantity"] == coefficient {
			return x, y, number(t, r["value"])
		}
	}
	t.Fatalf("no %s of %s", coefficient, set)
	return nil, nil, 0
}

// NIST StRD, linear regression, certified values: the sums from which gains and curvatures
// are solved agree to 9 digits.
func TestCertifiedRegression(t *testing.T) {
	for _, tt := range []struct {
		set, coefficient string
		term             func(x float64) float64
		got              func(n normal) float64
	}{
		{"Norris", "B1", math.Sqrt, func(n normal) float64 { alone, _, _, _ := n.solve(); return alone }},
		{"Pontius", "B1", func(x float64) float64 { return x * x }, func(n normal) float64 { _, slope, _, _ := n.solve(); return slope }},
		{"Pontius", "B2", func(x float64) float64 { return x * x }, func(n normal) float64 { _, _, coef, _ := n.solve(); return coef }},
	} {
		x, y, want := strd(t, tt.set, tt.coefficient)
		var n normal
		for i := range x {
			n.add(x[i], tt.term(x[i]), y[i])
		}
		if got := tt.got(n); !(math.Abs(got/want-1) < 5e-10) {
			t.Errorf("%s %s: %.15g, certified %.15g", tt.set, tt.coefficient, got, want)
		}
	}
	for _, set := range []string{"NoInt1", "NoInt2"} {
		x, y, want := strd(t, set, "B1")
		if got := (evidence{m: sums(x, y)}).leastSquares(); !(math.Abs(got/want-1) < 5e-10) {
			t.Errorf("%s: %.15g, certified %.15g", set, got, want)
		}
	}
}

// Reference library: scipy.signal 1.10.1, welch, csd and coherence, whose segments lose their
// mean. A periodic Hann window leaves a mean in the first two lines alone, so that from the
// third on nothing differs.
func TestSpectraAgainstReference(t *testing.T) {
	const length, rate = 64, 500.0
	var x, y []float64
	for _, r := range published(t, filepath.Join("scipy", "spectra-signals.csv")) {
		x, y = append(x, number(t, r["x"])), append(y, number(t, r["y"]))
	}
	p := plan{seconds: length / rate, low: 2, top: length / 2}
	l := prepared{x: x, s: y, rate: rate}
	l.measure(p)
	n := float64(l.segments(p))
	var power float64 // of the window: 3/8 a sample
	for i := range length {
		w := 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/length)
		power += w * w
	}
	compared := 0
	for _, r := range published(t, filepath.Join("scipy", "spectra.csv")) {
		k := int(math.Round(number(t, r["freq"])*p.seconds)) - p.low
		if r["window"] != "hann" || r["length"] != "64" || k < 0 {
			continue
		}
		compared++
		sides := 2.0
		if k == p.top-p.low {
			sides = 1
		}
		perDensity := sides / (n * rate * power)
		one := l.lines[k]
		pxx, pyy := number(t, r["pxx"]), number(t, r["pyy"])
		pxy := complex(number(t, r["pxy_re"]), number(t, r["pxy_im"]))
		c := number(t, r["coherence"])
		for _, v := range []struct {
			what      string
			got, want complex128
		}{
			{"channel's density", complex(one.xx*perDensity, 0), complex(pxx, 0)},
			{"gauge's density", complex(one.ss*perDensity, 0), complex(pyy, 0)},
			{"transfer function", one.xs / complex(one.xx, 0), pxy / complex(pxx, 0)},
			{"coherence less its bias", complex(one.coherence(n), 0), complex(max(0, (c-1/n)/(1-1/n)), 0)},
		} {
			if cmplx.Abs(v.got-v.want) > 1e-9*cmplx.Abs(v.want)+1e-12 {
				t.Errorf("%s at %s Hz: %v, reference %v", v.what, r["freq"], v.got, v.want)
			}
		}
	}
	if compared != p.lines() {
		t.Errorf("%d lines compared of %d", compared, p.lines())
	}
}

// Closed form by hand, for noises alike: d = (syy-sxx)/(2 sxy) = 1/2, slope d + sqrt(d²+1).
func TestTotalLeastSquaresByHand(t *testing.T) {
	e := evidence{m: moments{n: 10, xx: 2, xy: 2, yy: 4}}
	want := (1 + math.Sqrt(5)) / 2
	noise := 2 - 2/want // of either: sxx - sxy/slope
	if other := 4 - 2*want; math.Abs(noise-other) > 1e-12 {
		t.Fatalf("noises %v and %v are not alike", noise, other)
	}
	share := noise / (2 * e.apart())
	if got := e.totalLeastSquares(share); math.Abs(got-want) > 1e-12 {
		t.Errorf("slope %v, by hand %v", got, want)
	}
}
