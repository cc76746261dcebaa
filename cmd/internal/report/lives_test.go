package report

import (
	"math"
	"strings"
	"testing"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages/life"
)

func someLives(t *testing.T, results life.Results, expected life.Expected) *Lives {
	t.Helper()
	p := life.Defaults()
	p.Draws = 200
	p.Expected = []life.Expected{expected}
	v, err := life.Judge(results, p)
	if err != nil {
		t.Fatal(err)
	}
	return &Lives{v, p}
}

func expectedLives() life.Expected {
	return life.Expected{Predicted: 1000, Target: 500, Scatter: 0.15, Slope: 5, Amplitude: 80, Cycles: 1e6, ThicknessExponent: 2}
}

func brokenAt(hotspot, note string) life.Results {
	return life.Results{Unit: "repeats", Specimens: []life.Specimen{{Name: "A", Life: 900, Hotspot: hotspot, Note: note},
		{Name: "B", Life: 1300, Hotspot: hotspot}, {Name: "C", Life: 1500, RunOut: true}}}
}

func TestSpecimensInTheReport(t *testing.T) {
	for _, c := range []struct {
		reason   string
		results  life.Results
		expected life.Expected
		drawn    []string
		sentence string
	}{
		{"all is known", brokenAt("toe", ""), expectedLives(), []string{"probability", "margin", "update", "further"}, "toe, 2 failed of 3: life factor 2."},
		{"nothing was expected", brokenAt("toe", ""), life.Expected{Predicted: math.NaN(), Target: math.NaN(), Scatter: math.NaN(), Slope: math.NaN()},
			[]string{"probability", "further"}, "toe, 2 failed of 3: life 12"},
		{"nothing failed", life.Results{Unit: "hours", Specimens: []life.Specimen{{Name: "A", Life: 900, RunOut: true}}}, expectedLives(),
			[]string{"margin", "update"}, "The part, 0 failed of 1: life factor of at least 1."},
		{"nothing can be told", life.Results{Unit: "hours", Specimens: []life.Specimen{{Name: "A", Life: 900}}},
			life.Expected{Predicted: math.NaN(), Target: math.NaN(), Scatter: math.NaN()}, nil, "The part, 1 failed of 1: no life can be stated."},
	} {
		l := someLives(t, c.results, c.expected)
		var drawn []string
		for _, d := range LifeFigures(&l.Verdicts[0], l.Params) {
			drawn = append(drawn, d.Name)
			if svg := d.Figure.SVG(); strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
				t.Errorf("%s: figure %s holds what is no number", c.reason, d.Name)
			}
		}
		if strings.Join(drawn, " ") != strings.Join(c.drawn, " ") {
			t.Errorf("%s: drew %v, want %v", c.reason, drawn, c.drawn)
		}
		if got := LifeSentence(&l.Verdicts[0], l.Params); !strings.HasPrefix(got, c.sentence) {
			t.Errorf("%s: %q, want %q", c.reason, got, c.sentence)
		}
	}
}

func TestHostileSpecimensStayText(t *testing.T) {
	p := &Page{Component: "c", Season: "s", Lives: someLives(t, brokenAt("<b>toe", "<script>alert(1)</script>"), expectedLives())}
	var b strings.Builder
	if err := p.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<b>toe", "<script>alert"} {
		if strings.Contains(b.String(), bad) {
			t.Errorf("the page holds %q as markup", bad)
		}
	}
	if !strings.Contains(b.String(), "Specimens of the rig test") {
		t.Error("the page has no section on specimens")
	}
}

// On its paper a model's lives are a straight line: the share exp(-exp(z)) survives Weibull's z, Φ(-z) the lognormal's (definitions).
func TestPaper(t *testing.T) {
	for _, model := range []struct {
		p      paper
		failed float64
		want   float64
	}{{paper{0}, 1 - 1/math.E, 0}, {paper{1}, 0.5, 0}, {paper{1}, 0.8413447460685429, 1}, {paper{0}, -math.Expm1(-math.Exp(-2)), -2}} {
		if got := model.p.height(model.failed); math.Abs(got-model.want) > 1e-12 {
			t.Errorf("%v paper: %g stands at %g, want %g", model.p.model, model.failed, got, model.want)
		}
	}
	for _, model := range []paper{{0}, {1}} {
		shares := model.shares()
		for i, h := range model.heights(shares) {
			want := model.axis().Low + (model.axis().High-model.axis().Low)*float64(i)/float64(len(shares)-1)
			if math.Abs(h-want) > 1e-9 {
				t.Errorf("%v paper: share %d stands at %g, want %g", model.model, i, h, want)
			}
		}
	}
}

func TestGivenTicks(t *testing.T) {
	f := figure.Figure{X: figure.Axis{Low: 0, High: 1}, Y: figure.Axis{Low: -1, High: 1, Ticks: []figure.Tick{{At: 0, Label: "half"}, {At: 5, Label: "beyond"}}}}
	if svg := f.SVG(); !strings.Contains(svg, ">half<") || strings.Contains(svg, "beyond") {
		t.Errorf("ticks that were given: %s", svg)
	}
}
