package aggregate

import (
	"bytes"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/frame"
)

// The sums are worked out by hand.
func TestSumFleet(t *testing.T) {
	nan := math.NaN()
	laps := func(bike []string, damage, between, perKm, km []float64, use []string) *frame.Frame {
		n := len(bike)
		same := func(s string) []string {
			v := make([]string, n)
			for i := range v {
				v[i] = s
			}
			return v
		}
		scenario := same("base")
		scenario[n-1] = "thicker"
		return frame.Must(nil, frame.Col("scenario", "", scenario), frame.Col("hotspot", "", same("toe")), frame.Col("material", "", same("alloy")),
			frame.Col("bike", "", bike), frame.Col("use", "", use), frame.Col("damage", "", damage), frame.Col("between_laps_damage", "", between),
			frame.Col("damage_per_km", "1/km", perKm), frame.Col("distance_km", "km", km))
	}
	account := frame.Must(nil, frame.Col("scenario", "", []string{"base", "thicker"}), frame.Col("hotspot", "", []string{"toe", "toe"}),
		frame.Col("season_damage", "", []float64{0.5, 0.25}), frame.Col("life_factor", "", []float64{2, 4}), frame.Col("target_life_factor", "", []float64{1.5, 1.5}))
	f, err := SumFleet([]FleetSeason{
		{Component: "cradle", Season: "2031", Hotspots: []string{"toe", "bore"}, SetAside: []string{"EB-1", "EB-3", "EB-1"}, Failed: "fit refused", Laps: laps([]string{"EB-2", "EB-1", "EB-2", "EB-1", "EB-1"}, []float64{0.25, 0.5, 0.125, 8, 16}, []float64{0.25, nan, 0, 0, 0},
			[]float64{nan, 0.125, 0.0625, 1, 1}, []float64{5, nan, nan, 1, 1}, []string{"season", "both", "season", "calibration", "season"}), Account: account},
		{Component: "cradle", Season: "2032", Laps: laps([]string{"EB-2", "EB-2"}, []float64{0.5, 1}, []float64{0, 0}, []float64{nan, 1}, []float64{nan, 1}, []string{"season", "season"})},
		{Component: "cradle", Season: "2032", Laps: laps([]string{"EB-2", "EB-2"}, []float64{0.5, 1}, []float64{0, 0}, []float64{nan, 1}, []float64{nan, 1}, []string{"season", "season"})},
		{Component: "rail", Season: "2032", Failed: "rail.yaml: 1 fault"},
		{Component: "cradle", Season: "2033", Laps: laps([]string{"EB-2", "EB-2"}, []float64{0.5, 1}, []float64{0, 0}, []float64{nan, 1}, []float64{nan, 1}, []string{"season", "season"})},
		{Component: "rail", Season: "2033", Laps: laps([]string{"EB-2", "EB-2"}, []float64{0.5, 1}, []float64{0, 0}, []float64{nan, 1}, []float64{nan, 1}, []string{"season", "season"})},
		{Failed: "no such file"},
		{Component: "cradle", Season: "2034", Laps: laps([]string{"EB-2", "EB-2"}, []float64{0.5, 1}, []float64{0, 0}, []float64{nan, 1}, []float64{nan, 1}, []string{"season", "season"})},
	})
	if err != nil {
		t.Fatal(err)
	}
	var got bytes.Buffer
	if err := f.WriteCSV(&got); err != nil {
		t.Fatal(err)
	}
	want := `component,season,bike,hotspot,material,laps,laps_without_distance,km,damage,damage_to_date,season_damage,life_factor,target_life_factor,laps_set_aside,remark
cradle,2031,EB-2,toe,alloy,2,0,7,0.625,0.625,0.5,2,1.5,0,
cradle,2031,EB-1,toe,alloy,1,0,4,0.5,0.5,0.5,2,1.5,2,
cradle,2031,EB-3,toe,,0,0,0,0,0,0.5,2,1.5,1,
cradle,2031,,bore,,0,0,,,,,,,3,fit refused
cradle,2032,EB-2,toe,alloy,1,1,0,0.5,1.125,,,,0,
cradle,2032,EB-2,toe,alloy,1,1,0,0.5,1.625,,,,0,another season file has this row too; a lap that both count is in damage_to_date twice
rail,2032,,,,0,0,,,,,,,0,rail.yaml: 1 fault
cradle,2033,EB-2,toe,alloy,1,1,0,0.5,2.125,,,,0,
rail,2033,EB-2,toe,alloy,1,1,0,0.5,,,,,0,
,,,,,0,0,,,,,,,0,no such file
cradle,2034,EB-2,toe,alloy,1,1,0,0.5,,,,,0,
`
	if d := cmp.Diff(want, got.String()); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
	note, ok := Describe(FleetTable)
	for _, c := range f.Columns() {
		if !ok || note.Columns[c.Name].Meaning == "" {
			t.Errorf("column %q has no meaning", c.Name)
		}
	}
}
