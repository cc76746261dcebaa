package report

import (
	"errors"
	"fmt"
	"html"
	"html/template"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages/frame"
)

// Law: a text of the page is escaped as the standard library's templates escape it, a cell's as its package html does.
func TestEscaped(t *testing.T) {
	page := template.Must(template.New("").Parse(`<p title="{{.}}">{{.}}</p>`))
	r := rand.New(rand.NewPCG(5, 17))
	letters := []rune("ab \n\x00\"&'<>+=`;-–é⚑")
	for range 5000 {
		var b strings.Builder
		for range r.IntN(12) {
			b.WriteRune(letters[r.IntN(len(letters))])
		}
		s := b.String()
		var want strings.Builder
		if err := page.Execute(&want, s); err != nil {
			t.Fatal(err)
		}
		o := &pageWriter{w: io.Discard}
		o.raw(`<p title="`).text(s).raw(`">`).text(s).raw("</p>")
		if string(o.b) != want.String() {
			t.Fatalf("%q is written %q, want %q", s, o.b, want.String())
		}
		if got := string(appendEscaped(nil, s, inCell)); got != html.EscapeString(s) {
			t.Fatalf("%q is written %q in a cell, want %q", s, got, html.EscapeString(s))
		}
	}
}

func TestCells(t *testing.T) {
	for _, c := range []struct {
		reason string
		cell   cell
		want   string
	}{
		{"a text", text("a<b"), "<td>a&lt;b</td>"},
		{"a long text may wrap", text(strings.Repeat("é", 33)), `<td class="long">` + strings.Repeat("é", 33) + "</td>"},
		{"one of 32 letters is not long", text(strings.Repeat("é", 32)), "<td>" + strings.Repeat("é", 32) + "</td>"},
		{"a number sorts by six digits", number(1.23456789e-6), `<td class="n" data-v="1.23457e-06">1.23·10⁻⁶</td>`},
		{"a number that is not known", number(math.NaN()), `<td class="n" data-v="">–</td>`},
		{"what is without limit sorts last", number(math.Inf(1)), `<td class="n" data-v="1.8e+308">no limit</td>`},
		{"a count is in full", count(123456789), `<td class="n" data-v="1.23457e+08">123456789</td>`},
		{"a count that is none", count(1.5), `<td class="n" data-v="1.5">1.50</td>`},
		{"a share", percent(0.1234), `<td class="n" data-v="0.1234">12.3 %</td>`},
		{"a small share", percent(1e-5), `<td class="n" data-v="1e-05">&lt;0.1 %</td>`},
		{"nearly all", percent(0.9999), `<td class="n" data-v="0.9999">&gt;99.9 %</td>`},
		{"a number to look at", cell{Number: 2, Form: formCount, Kind: kindWatch}, `<td class="n watch" data-v="2">2</td>`},
	} {
		if got := string(c.cell.append(nil)); got != c.want {
			t.Errorf("%s: %s, want %s", c.reason, got, c.want)
		}
	}
}

// failing takes so many bytes.
type failing struct{ room int }

var errFull = errors.New("disk full")

func (f *failing) Write(b []byte) (int, error) {
	if f.room -= len(b); f.room < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestPageTellsOfAFailedWrite(t *testing.T) {
	p := bigSeason(200)
	size := len(rendered(t, p))
	for _, room := range []int{0, size / 2, size - 1} {
		if err := p.WriteHTML(&failing{room}); !errors.Is(err, errFull) {
			t.Errorf("with room for %d of %d bytes: %v", room, size, err)
		}
	}
	if err := p.WriteHTML(&failing{size}); err != nil {
		t.Error(err)
	}
}

// reordered is a table with its rows in another order.
func reordered(f *frame.Frame, order []int) *frame.Frame {
	var cols []frame.Column
	for _, c := range f.Columns() {
		switch v := c.Values().(type) {
		case []string:
			cols = append(cols, frame.Col(c.Name, c.Unit, picked(v, order)))
		case []float64:
			cols = append(cols, frame.Col(c.Name, c.Unit, picked(v, order)))
		}
	}
	return frame.Must(nil, cols...)
}

func picked[T any](v []T, order []int) []T {
	out := make([]T, len(order))
	for i, k := range order {
		out[i] = v[k]
	}
	return out
}

// Law: the section on places is the same however the rows of circuits, hot spots and scenarios are mixed, as long as the places of each follow one another.
func TestPlacesOfMixedRows(t *testing.T) {
	places := func(f *frame.Frame) string {
		p := &Page{Tables: []Table{{"season", seasonTable()}, {"places", f}}}
		s := p.places()
		o := &pageWriter{w: io.Discard}
		var b strings.Builder
		for _, d := range s.Figures {
			b.WriteString(d.Figure.SVG())
		}
		for _, r := range s.Grids[0].Rows {
			for i := range r {
				o.b = r[i].append(o.b)
			}
		}
		return b.String() + string(o.b)
	}
	f := placesTable()
	order := make([]int, f.Rows())
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return a%100 - b%100 }) // the first place of all, then the second
	if want, got := places(f), places(reordered(f, order)); got != want {
		t.Error("mixed rows give another section on places")
	}
}

func TestBins(t *testing.T) {
	nan := math.NaN()
	s := sheet{frame.Must(nil, frame.Col("from_m", "m", []float64{0, 50, nan, nan}), frame.Col("to_m", "m", []float64{50, 100, nan, nan}),
		frame.Col("from_s", "s", []float64{nan, nan, 2, 3}), frame.Col("to_s", "s", []float64{nan, nan, 3, 4}))}
	for _, c := range []struct {
		reason string
		rows   []stretch
		from   float64
		to     []float64
	}{
		{"by distance", []stretch{{0, 2}}, 0, []float64{50, 100}},
		{"by time", []stretch{{2, 4}}, 2, []float64{3, 4}},
		{"apart", []stretch{{0, 1}, {1, 2}}, 0, []float64{50, 100}},
		{"by one and the other", []stretch{{1, 4}}, 50, []float64{100, 3, 4}},
		{"apart, by one and the other", []stretch{{3, 4}, {0, 1}}, 3, []float64{4, 50}},
	} {
		if from, to := bins(s, ends(s), c.rows); from != c.from || !slices.Equal(to, c.to) {
			t.Errorf("%s: from %v to %v, want %v and %v", c.reason, from, to, c.from, c.to)
		}
	}
}

// wideSeason is an invented season of 100 laps on 5 circuits at 16 hot spots, with 200 places of each circuit.
func wideSeason() *Page {
	const laps, circuits, spots, places = 100, 5, 16, 200
	spot := func(i int) string { return fmt.Sprintf("h%02d", 1+i) }
	circuit := func(i int) string { return fmt.Sprintf("circuit %d", 1+i) }
	of := func(text string) func(int) string { return func(int) string { return text } }
	value := func(i int) float64 { return 1e-5 * (1.5 + math.Sin(float64(i))) }
	share := func(i int) float64 { return 0.5 + 0.49*math.Sin(float64(i)) }
	p := &Page{Component: "bracket", Season: "2031", Total: laps}
	for i := range laps {
		p.Inputs = append(p.Inputs, Input{"recording", fmt.Sprintf("laps/L%05d.parquet", i), strings.Repeat("0a", 32), 1})
	}
	p.Tables = []Table{
		{"season", columns(spots, map[string]func(int) string{"scenario": of(base), "hotspot": spot, "material": of("alloy")},
			map[string]func(int) float64{"season_damage": share, "life_factor": func(i int) float64 { return 1 / share(i) }, "target_life_factor": func(int) float64 { return 1.5 }},
			"scenario", "hotspot", "material", "season_damage", "life_factor", "target_life_factor")},
		{"circuits", columns(circuits*spots, map[string]func(int) string{"scenario": of(base), "hotspot": func(i int) string { return spot(i / circuits) },
			"circuit": func(i int) string { return circuit(i % circuits) }},
			map[string]func(int) float64{lapMean: value, lapLow: func(i int) float64 { return value(i) / 2 }, lapHigh: func(i int) float64 { return 2 * value(i) }, "share": share,
				"severity": func(i int) float64 { return float64(1 + i%circuits) }},
			"scenario", "hotspot", "circuit", lapMean, lapLow, lapHigh, "share", "severity")},
		{"laps", columns(laps*spots, map[string]func(int) string{"scenario": of(base), "hotspot": func(i int) string { return spot(i % spots) },
			"lap_id": func(i int) string { return fmt.Sprintf("L%05d", i/spots) }, "circuit": func(i int) string { return circuit(i / spots % circuits) }},
			map[string]func(int) float64{"damage": value, "largest_share": share, "rainflow_over_dirlik": func(i int) float64 { return 2 * share(i) }},
			"scenario", "hotspot", "lap_id", "circuit", "damage", "largest_share", "rainflow_over_dirlik")},
		{"places", columns(places*circuits*spots, map[string]func(int) string{"scenario": of(base), "hotspot": func(i int) string { return spot(i / circuits / places) },
			"circuit": func(i int) string { return circuit(i / places % circuits) }},
			map[string]func(int) float64{"from_s": func(i int) float64 { return 0.5 * float64(i%places) }, "to_s": func(i int) float64 { return 0.5 * float64(i%places+1) },
				"damage_per_lap_mean": value, "damage_per_lap_max": func(i int) float64 { return 3 * value(i) }, "share_of_circuit": share, "season_damage": value,
				"rank": func(i int) float64 { return max(0, float64(1+i%places-(places-2))) }},
			"circuit", "hotspot", "scenario", "from_s", "to_s", "damage_per_lap_mean", "damage_per_lap_max", "share_of_circuit", "season_damage", "rank")}}
	return p
}

// BenchmarkWide writes the report of a season of many hot spots.
func BenchmarkWide(b *testing.B) {
	p := wideSeason()
	b.ReportAllocs()
	for b.Loop() {
		if err := p.WriteHTML(io.Discard); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkNumber writes numbers as a person reads them.
func BenchmarkNumber(b *testing.B) {
	var dst []byte
	for i := 0; b.Loop(); i++ {
		dst = figure.AppendNumber(dst[:0], float64(1+i%1000)*1.7e-6)
	}
}
