package resample

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
)

// fixture holds what scipy computed; see testdata/make_fixture.py.
type fixture struct {
	MadeBy  string `json:"made_by"`
	Filters []struct {
		Name      string
		InRate    float64 `json:"in_rate"`
		OutRate   float64 `json:"out_rate"`
		Low, High float64
		Tolerance float64
		First     int // the number of y's first output
		X, Y      []float64
	}
	Splines []struct {
		Rate    float64
		T, X, Y []float64
	}
}

func readFixture(t *testing.T) fixture {
	t.Helper()
	b, err := os.ReadFile("testdata/scipy.json")
	if err != nil {
		t.Fatal(err)
	}
	var f fixture
	if err := json.Unmarshal(b, &f); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(f.MadeBy, "scipy ") || len(f.Filters) != 8 || len(f.Splines) != 4 {
		t.Fatalf("fixture made by %q has %d filters and %d splines, want 8 and 4", f.MadeBy, len(f.Filters), len(f.Splines))
	}
	return f
}

func TestFiltersAgreeWithScipy(t *testing.T) {
	for _, c := range readFixture(t).Filters {
		t.Run(c.Name, func(t *testing.T) {
			r, err := NewResampler(c.InRate, c.OutRate, Band{c.Low, c.High})
			if err != nil {
				t.Fatal(err)
			}
			if len(c.Y) < 40 {
				t.Fatalf("only %d outputs to compare", len(c.Y))
			}
			y := r.Apply(c.X)
			if d := largestDifference(y[c.First:c.First+len(c.Y)], c.Y); d > c.Tolerance {
				t.Errorf("largest difference %g, want at most %g", d, c.Tolerance)
			}
		})
	}
}

func TestUniformAgreesWithScipy(t *testing.T) {
	for _, c := range readFixture(t).Splines {
		y, err := Uniform(c.T, c.X, c.Rate)
		if err != nil {
			t.Fatal(err)
		}
		if len(y) != len(c.Y) {
			t.Fatalf("%d samples: %d results, want %d", len(c.X), len(y), len(c.Y))
		}
		if d := largestDifference(y, c.Y); d > 1e-10 {
			t.Errorf("%d samples: largest difference %g", len(c.X), d)
		}
	}
}

func largestDifference(a, b []float64) float64 {
	d := 0.0
	for i := range a {
		d = math.Max(d, math.Abs(a[i]-b[i])) // NaN stays NaN, which no tolerance accepts
	}
	if math.IsNaN(d) {
		return math.Inf(1)
	}
	return d
}
