package figure

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// sample has every mark, and texts that are markup elsewhere.
func sample(text string, v ...float64) *Figure {
	at := make([]float64, len(v))
	for i := range at {
		at[i] = float64(i)
	}
	line := &Line{Name: text, X: at, Y: v}
	return &Figure{ID: "a-1", Title: text, Desc: text, X: Axis{Label: text, Unit: "s"}, Y: Axis{Label: text, Unit: "MPa"},
		Marks: []Mark{
			line, &Line{Name: "doubtful", X: at, Y: v, Faint: true, Like: line}, &Line{Name: "held", X: at, Y: v, Step: true},
			&Points{Name: text, X: at, Y: v}, &Points{Name: "cloud", X: v, Y: at, Small: true},
			&Intervals{Name: text, Row: at, Value: v, Low: v, High: v},
			&Intervals{Name: "bars", Row: at, Value: v, Bars: true},
			&Bars{Name: text, From: at, To: at, Value: v}, &Bars{Name: "slim", From: at, To: at, Value: v, Slim: true},
			&Strip{Edges: append([]float64{-1}, at...), Value: v},
			&Rule{Name: text, At: 1}, &Rule{At: 2, OnY: true}}}
}

// wellFormed parses an SVG document and returns its text.
func wellFormed(svg string) (string, error) {
	d := xml.NewDecoder(strings.NewReader(svg))
	d.Entity = map[string]string{}
	var text strings.Builder
	for {
		t, err := d.Token()
		switch {
		case errors.Is(err, io.EOF):
			return text.String(), nil
		case err != nil:
			return "", err
		}
		switch t := t.(type) {
		case xml.CharData:
			text.Write(t)
		case xml.StartElement:
			if t.Name.Local == "script" {
				return "", errors.New("there is a script")
			}
			for _, a := range t.Attr {
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					return "", fmt.Errorf("attribute %s is %q", a.Name.Local, a.Value)
				}
			}
		}
	}
}

func TestHostileTextStaysText(t *testing.T) {
	hostile := `</text><script>alert("x")</script>&amp;'`
	f := sample(hostile, 1, 2, 3)
	f.Title, f.Width = hostile, 900
	text, err := wellFormed(f.SVG())
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(text, hostile) {
		t.Errorf("the text %q is not shown as it stands", hostile)
	}
}

func TestEqualFiguresGiveEqualBytes(t *testing.T) {
	want := sample("a", 1, math.NaN(), 3).SVG()
	for range 20 {
		if got := sample("a", 1, math.NaN(), 3).SVG(); got != want {
			t.Fatal(cmp.Diff(want, got))
		}
	}
}

func TestFileCarriesItsStyle(t *testing.T) {
	var b strings.Builder
	if err := sample("a", 1, 2).WriteFile(&b); err != nil {
		t.Fatal(err)
	}
	if _, err := wellFormed(b.String()); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "prefers-color-scheme:dark") {
		t.Error("a file of its own has no colours for a dark ground")
	}
}

func TestLineHasGaps(t *testing.T) {
	f := &Figure{Y: Axis{Log: true}, Marks: []Mark{&Line{X: []float64{0, 1, 2, 3, 4, 5}, Y: []float64{1, 2, 0, 4, math.Inf(1), 8}}}}
	for line := range strings.SplitSeq(f.SVG(), "<") {
		if strings.HasPrefix(line, `path class="line`) {
			if got := strings.Count(line, "M"); got != 3 { // 1 2, 4, 8: 0 has no logarithm and infinity no place
				t.Errorf("line has %d pieces, want 3: %s", got, line)
			}
			return
		}
	}
	t.Error("there is no line")
}

func TestTicks(t *testing.T) {
	// The rules are common practice, no source: round steps of 1, 2 or 5, all within the range.
	for _, c := range []struct {
		reason string
		s      scale
		wanted float64
		want   string
	}{
		{"steps of one", scale{low: 0, high: 5}, 5, "0 1 2 3 4 5"},
		{"steps of a fifth with one decimal", scale{low: 0.1, high: 1.05}, 5, "0.2 0.4 0.6 0.8 1.0"},
		{"a minus sign, not a hyphen", scale{low: -20, high: 20}, 4, "−20 −10 0 10 20"},
		{"small numbers as powers", scale{low: 0, high: 4e-6}, 4, "0 10⁻⁶ 2·10⁻⁶ 3·10⁻⁶ 4·10⁻⁶"},
		{"decades", scale{low: 0.5, high: 2e4, log: true}, 4, "1 10 100 1000 10000"},
		{"many decades are thinned out", scale{low: 1e-9, high: 1e9, log: true}, 6, "10⁻⁹ 10⁻⁶ 0.001 1 1000 10⁶ 10⁹"},
		{"few decades get more", scale{low: 0.9, high: 60, log: true}, 6, "1 2 5 10 20 50"},
		{"less than a decade: linear steps", scale{low: 2, high: 4, log: true}, 4, "2.0 2.5 3.0 3.5 4.0"},
	} {
		var got []string
		for _, k := range c.s.ticks(c.wanted) {
			got = append(got, k.label)
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%s: ticks of %v: %q, want %q", c.reason, c.s, s, c.want)
		}
	}
}

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		v    float64
		want string
	}{
		{0, "0"}, {1, "1.00"}, {123.4, "123"}, {0.00123, "0.00123"}, {1234567, "1.23·10⁶"}, {-4.4e-5, "−4.40·10⁻⁵"},
		{9.999e-7, "10.00·10⁻⁷"}, {math.NaN(), "–"}, {math.Inf(1), "no limit"}, {99999, "99999"},
	} {
		if got := Number(c.v); got != c.want {
			t.Errorf("Number(%v) = %q, want %q", c.v, got, c.want)
		}
	}
}

// FuzzFigure states that any numbers and texts give well-formed SVG with finite places.
func FuzzFigure(f *testing.F) {
	f.Add("a<b", 1.0, 2.0, -3.0, false)
	f.Add("\x00\xff\u2028", math.Inf(1), math.NaN(), 0.0, true)
	f.Add("", 1e308, -1e308, 5e-324, false)
	f.Add("", 1e308, 1e-308, 5e-324, true)
	f.Add("one", 7.0, 7.0, 7.0, true)
	f.Fuzz(func(t *testing.T, text string, a, b, c float64, log bool) {
		fig := sample(text, a, b, c)
		fig.X.Log, fig.Y.Log = log, log
		if _, err := wellFormed(fig.SVG()); err != nil {
			t.Fatal(err)
		}
		fig.Y.Names = []string{text, "b", "c"}
		if _, err := wellFormed(fig.SVG()); err != nil {
			t.Fatal(err)
		}
	})
}

// Bars of equal ranges are equally wide, whatever they stand for; what is doubtful has its
// line's colour, faint, and takes none from those that follow.
func TestBarsAndDoubtfulLines(t *testing.T) {
	sure := &Line{Name: "sure", X: []float64{0, 1}, Y: []float64{1, 2}}
	svg := (&Figure{Title: "t", Marks: []Mark{sure, &Line{Name: "doubtful", X: []float64{1, 2}, Y: []float64{2, 1}, Faint: true, Like: sure},
		&Bars{From: []float64{0, 1, 2}, To: []float64{1, 2, 3}, Value: []float64{1, math.NaN(), 4}}}}).SVG()
	for _, want := range []string{`class="line s1"`, `class="line faint s1"`, `class="bar s2"`} {
		if !strings.Contains(svg, want) {
			t.Errorf("no %s in %s", want, svg)
		}
	}
	bars := regexp.MustCompile(`class="bar s2" d="M([\d.]+) [\d.]+V[\d.]+H([\d.]+)V[\d.]+zM([\d.]+) [\d.]+V[\d.]+H([\d.]+)V[\d.]+z"`).FindStringSubmatch(svg)
	if bars == nil {
		t.Fatalf("not two bars, one for each known value: %s", svg)
	}
	var at [4]float64
	for i, b := range bars[1:] {
		at[i], _ = strconv.ParseFloat(b, 64)
	}
	if a, b := at[1]-at[0], at[3]-at[2]; math.Abs(a-b) > 0.2 || a < 10 {
		t.Errorf("bars %v and %v wide, want them equal", a, b)
	}
}

// A stretch from 0 to 1 that reaches from 2 to 4 on axes that show just that fills the plot.
func TestExtentsFillTheirStretch(t *testing.T) {
	f := Figure{X: Axis{Low: 0, High: 2}, Y: Axis{Low: 0, High: 4}, Marks: []Mark{
		&Extents{Name: "kept", From: []float64{0}, To: []float64{1}, Low: []float64{0}, High: []float64{4}},
		&Extents{Faint: true, From: []float64{1, math.NaN()}, To: []float64{2, 3}, Low: []float64{1, 1}, High: []float64{3, 3}}}}
	c := newCanvas(&f)
	middle, _ := c.x.at(1)
	top, _ := c.y.at(4)
	bottom, _ := c.y.at(0)
	svg := f.SVG()
	want := `<path class="fill s1" d="M` + num(c.left) + " " + num(bottom+0.3) + "V" + num(top-0.3) + "H" + num(middle) + "V" + num(bottom+0.3) + `z"/>`
	if !strings.Contains(svg, want) {
		t.Errorf("no %s in %s", want, svg)
	}
	if strings.Count(svg, `class="fill behind"`) != 1 || strings.Contains(svg, "NaN") {
		t.Errorf("what is not finite is drawn: %s", svg)
	}
}
