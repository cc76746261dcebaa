package season

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapwear/cache"
	"lapwear/pipeline"
	"lapwear/stages/frame"
)

// tiny is a season whose numbers can be worked out by hand: a sawtooth between 0 and
// 10 g, ten times a lap, at 10 MPa/g, on N = 1e6 (S/100)^-4.
const tiny = `
lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
calendar: calendar.csv
time: {rate: 100 Hz}
channels: {acc_z: {column: AZ, unit: g}}
hotspots:
  toe: {follow: acc_z, gain: 10 MPa/g, offset: 30 MPa, stress_factor: 2, material: m}
materials:
  m: {source: made up, sn: {kind: power, amplitude: 100 MPa, cycles: 1e6, slope: 4}}
damage: {residue: repeat}
target: {seasons: 2, life_factor: 1.5}
scenarios:
  thicker: {hotspots.toe.stress_factor: 1}
`

func tinySeason(t *testing.T) *Season {
	t.Helper()
	dir := t.TempDir()
	var lap strings.Builder
	lap.WriteString("AZ\n")
	for range 10 {
		lap.WriteString("0\n10\n")
	}
	for name, text := range map[string]string{
		"season.yaml":  tiny,
		"laps.csv":     "lap_id,file,circuit,distance_km\nA,a.csv,Hill,4\nB,b.csv,Hill,4\n",
		"calendar.csv": "circuit,session,laps,lap_km\nHill,practice,30,4\nHill,race,70,4\n",
		"a.csv":        lap.String(), "b.csv": lap.String(),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	if faults != nil {
		t.Fatal(faults)
	}
	return s
}

func runTiny(t *testing.T) []Table {
	t.Helper()
	store, err := cache.Open(filepath.Join(t.TempDir(), "cache"), cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	out, err := tinySeason(t).Run(context.Background(), pipeline.Options{Store: store}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(out.Failures) > 0 || len(out.Laps.SetAside) > 0 {
		t.Fatalf("failures %v, set aside %v", out.Failures, out.Laps.SetAside)
	}
	return out.Tables
}

// By hand: repeated, the sawtooth has ten full cycles a lap. Stress runs from 2 x 30 =
// 60 to 2 x 130 = 260 MPa, amplitude 100 MPa: each cycle does 1e-6, a lap 1e-5. A
// hundred laps do 1e-3: life 1000 seasons, factor 500 over a target of 2. The reserve
// is that of stress with slope 4: (1 / (2 x 1.5) / 1e-3)^(1/4). Half the stress
// factor is a sixteenth of the damage.
func TestSeasonByHand(t *testing.T) {
	want := map[string]map[string]float64{
		"base": {"season_damage": 1e-3, "between_laps_damage": 0, "life_seasons": 1000, "life_factor": 500,
			"stress_reserve": math.Pow(1/3.0/1e-3, 0.25), "km_recorded": 8, "km_planned": 400},
		"thicker": {"season_damage": 1e-3 / 16, "life_seasons": 16000, "life_factor": 8000,
			"stress_reserve": 2 * math.Pow(1/3.0/1e-3, 0.25)},
	}
	for _, table := range runTiny(t) {
		if table.Name != "season" {
			continue
		}
		scenario, err := frame.Get[[]string](table.Frame, "scenario")
		if err != nil {
			t.Fatal(err)
		}
		for i, sc := range scenario {
			for column, w := range want[sc] {
				v, err := frame.Get[[]float64](table.Frame, column)
				if err != nil {
					t.Fatal(err)
				}
				if math.Abs(v[i]-w) > 1e-12*math.Abs(w) {
					t.Errorf("%s: %s is %v, want %v", sc, column, v[i], w)
				}
			}
			delete(want, sc)
		}
	}
	if len(want) > 0 {
		t.Errorf("scenarios without a row: %v", fmt.Sprint(want))
	}
}
