package season

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/condense"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/ingest"
	"lapwear/stages/resample"
	"lapwear/stages/rig"
)

// keyed are the stages with every field set, so that each can be changed.
func keyed() []stages.Stage {
	m := fatigue.Material{Name: "m", Source: "s", Ultimate: 300, Scatter: 0.1, Survival: 0.5,
		Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 5, Knee: 5e6, Beyond: fatigue.Beyond{Form: fatigue.BeyondSlope, Slope: 6}, Cutoff: 1e8},
		Mean:  fatigue.MeanStress{Rule: fatigue.MeanGoodman, Ultimate: 300, FatigueStrength: 500, Gamma: 0.6, M: 0.3}}
	handbook, table := m, m
	handbook.Curve = fatigue.EquivalentStress{A1: 10, A2: -3, A3: 0.5, A4: 5, MPaPerUnit: fatigue.KSI}
	table.Curve = fatigue.Table{Amplitudes: []float64{100, 50}, Lives: []float64{1e4, 1e6}}
	strength := func(m fatigue.Material) damage.Strength {
		return damage.Strength{Material: m, Survival: 0.9, Residue: damage.Half}
	}
	tr := fatigue.Transfer{Gain: 8, Offset: 5, Factor: 1.1}
	checks := aggregate.Checks()
	return []stages.Stage{
		ingest.Params{Time: ingest.Time{Column: "T", Scale: 1, Rate: 5}, Channels: []ingest.Channel{{Name: "a", Column: "A", Unit: "g"}},
			Ranges: []float64{50}, StartS: 1, EndS: 2, Position: ingest.Channel{Name: "d", Column: "D", Unit: "m"}},
		resample.Params{Rate: 512, BandLow: 1, BandHigh: 50, Channels: []string{"a"}},
		calibrate.Params{Laps: []string{"L"}, Circuits: []string{"X"}, Gauge: "g", GaugeScale: 0.07, Candidates: []string{"a"},
			Rivals: []string{"b"}, Fitting: asUsual(1, 50).Fitting},
		calibrate.Gate{Gauge: "g", Direction: "positive", Slope: 5, Limits: asUsual(1, 50).Limits, Accepted: []calibrate.Acceptance{{Test: "lag", Reason: "r"}}},
		calibrate.Predict{},
		count.Params{Gate: 0.01, Metres: 1000, BandHigh: 50},
		damage.Params{Strength: strength(m), Transfer: tr, ReferenceCycles: 1e6, Along: damage.AlongTime},
		damage.Params{Strength: strength(handbook), Transfer: tr, ReferenceCycles: 1e6, Along: damage.AlongTime},
		damage.Params{Strength: strength(table), Transfer: tr, ReferenceCycles: 1e6, Along: damage.AlongTime},
		aggregate.Account{Scenario: "base", Hotspot: "toe", MaterialName: "m", Strength: strength(m), Transfer: tr,
			Laps: []aggregate.Lap{{ID: "L", Circuit: "X", Chain: "c", Km: 3}}, Calendar: true,
			Planned: []aggregate.Planned{{Circuit: "X", Laps: 3, Km: 9, Fleet: true, Fallback: true}}, TargetSeasons: 1, TargetLifeFactor: 1.5, ThicknessExponent: 2},
		aggregate.Laps{Laps: []aggregate.ManifestLap{{ID: "L", File: "f", Circuit: "X", Event: "e", Session: "s", Rider: "r", Bike: "b",
			Setup: "u", Lap: "1", Use: "season", DistanceKm: 3, StartS: 1, EndS: 2}}, Km: []float64{3},
			Groups: []aggregate.Group{{Scenario: "base", Hotspot: "toe", Material: "m", Channel: "a"}}},
		aggregate.Calibration{Fitted: []aggregate.Given{{Scenario: "base", Hotspot: "toe", Channel: "a", Gain: 8, Offset: 5}},
			Given: []aggregate.Given{{Scenario: "base", Hotspot: "bore", Channel: "b", Gain: 8, Offset: 5}}},
		aggregate.Concat{Table: "season"},
		aggregate.Figures{Laps: []string{"L"}},
		condense.Params{Spots: []damage.Spot{{Name: "toe", Transfer: tr, Strength: strength(m)}}, Channels: []string{"a"}, Share: 0.8,
			Blend: 0.1, Gate: 0.01, Multiple: 3},
		rig.Params{Spots: []damage.Spot{{Name: "toe", Transfer: tr, Strength: strength(m)}}, Axes: []rig.Axis{{Channel: "a", Scale: 9.8}},
			Rate: 512, Drift: 0.5, Level: 0.9, Limits: rig.Limits{Low: 1, High: 50, Stroke: 0.1, Velocity: 1, Acceleration: 50}},
		aggregate.Quality{Parts: []aggregate.QualityPart{{Use: "season", Scenario: "base", Hotspots: []string{"toe"}}}},
		aggregate.Compare{Factor: "rider", Reference: "r"},
		aggregate.PlacesTable{Spots: []aggregate.PlacedSpot{{Scenario: "base", Hotspot: "toe", Along: damage.AlongTime}}},
		aggregate.Places{Scenario: "base", Hotspot: "toe", Laps: []aggregate.PlacedLap{{ID: "L", Circuit: "X"}}},
		aggregate.Findings{Checks: checks[:1], Channels: []string{"a"}, Laps: []aggregate.ReadLap{{ID: "L", Circuit: "X", Overlaps: []string{"M"}}}},
		aggregate.SpotFindings{Checks: checks[:1], Hotspot: "toe", Channel: "a", Factor: 1.1, BandHigh: 50},
		aggregate.Verdicts{Laps: []aggregate.JudgedLap{{ID: "L", Accepted: []aggregate.Accepted{{Check: "gaps", Reason: "r"}}}},
			Spots: []aggregate.JudgedSpot{{Hotspot: "toe", Channel: "a"}}},
	}
}

// outside are the fields that no result depends on, or that stand in the inputs'
// labels, each with the reason.
var outside = map[string]string{
	"calibrate.Params.Laps":                          "stands in the inputs' labels",
	"condense.Params.Spots.Strength.Material.Name":   "a name",
	"condense.Params.Spots.Strength.Material.Source": "a source",
	"condense.Params.Spots.Strength.Material.Record": "a source's particulars",
	"rig.Params.Spots.Strength.Material.Name":        "a name",
	"rig.Params.Spots.Strength.Material.Source":      "a source",
	"rig.Params.Spots.Strength.Material.Record":      "a source's particulars",
	"damage.Params.Strength.Material.Name":           "a name",
	"damage.Params.Strength.Material.Source":         "a source",
	"damage.Params.Strength.Material.Record":         "a source's particulars",
	"aggregate.Account.Strength.Material.Name":       "a name",
	"aggregate.Account.Strength.Material.Source":     "a source",
	"aggregate.Account.Strength.Material.Record":     "a source's particulars",
	"aggregate.Calibration.Fitted.Channel":           "comes from the inputs",
	"aggregate.Calibration.Fitted.Gain":              "comes from the inputs",
}

// Law: whatever a result depends on is part of its key. Every exported field of every
// stage is changed in turn; the key must change with it.
func TestEveryFieldEntersTheKey(t *testing.T) {
	sum := func(s stages.Stage) key.ID {
		h := key.New(s.Name(), s.Revision(), "")
		s.AddTo(h)
		return h.Sum()
	}
	for _, s := range keyed() {
		before := sum(s)
		v := reflect.New(reflect.TypeOf(s)).Elem()
		v.Set(reflect.ValueOf(s))
		name := strings.TrimPrefix(fmt.Sprintf("%T", s), "*")
		walk(t, name, v, func(path string) {
			if why, ok := outside[path]; ok {
				if sum(v.Interface().(stages.Stage)) != before {
					t.Errorf("%s enters the key, though it %s", path, why)
				}
				return
			}
			if sum(v.Interface().(stages.Stage)) == before {
				t.Errorf("%s does not enter the key", path)
			}
		})
	}
}

// walk changes every scalar below v in turn, calls check, and puts it back.
func walk(t *testing.T, path string, v reflect.Value, check func(path string)) {
	t.Helper()
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				walk(t, path+"."+f.Name, v.Field(i), check)
			}
		}
	case reflect.Slice:
		if v.Len() == 0 {
			t.Errorf("%s is empty here: nothing of it is tested", path)
			return
		}
		old := reflect.ValueOf(v.Interface())
		copied := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		reflect.Copy(copied, old)
		v.Set(copied)
		walk(t, path, v.Index(0), check)
		v.Set(old)
	case reflect.Interface:
		old := reflect.ValueOf(v.Interface())
		inner := reflect.New(old.Type()).Elem()
		for i := range old.NumField() {
			inner.Set(old)
			walk(t, path+"."+old.Type().Name()+"."+old.Type().Field(i).Name, inner.Field(i), func(p string) {
				v.Set(inner)
				check(p)
			})
		}
		v.Set(old)
	default:
		old := reflect.New(v.Type()).Elem()
		old.Set(v)
		change(t, path, v)
		check(trimmed(path))
		v.Set(old)
	}
}

// trimmed cuts a path at a field that is outside as a whole.
func trimmed(path string) string {
	for prefix := range outside {
		if strings.HasPrefix(path, prefix+".") {
			return prefix
		}
	}
	return path
}

func change(t *testing.T, path string, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(v.Float() + 0.25)
	case reflect.String:
		v.SetString(v.String() + "x")
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Int:
		v.SetInt(v.Int() + 1)
	default:
		t.Fatalf("%s: no way to change a %v", path, v.Kind())
	}
}

// The table laps has the manifest's columns, and every table those that other
// programs lean on.
func TestTablesHaveTheirColumns(t *testing.T) {
	want := map[string]string{
		"laps": "lap_id,file,circuit,event,session,rider,bike,setup,lap,distance_km,start_s,end_s,use," +
			"scenario,hotspot,material,channel,gain_mpa_per_unit,samples,duration_s,cycles,max_amplitude_mpa,damage," +
			"damage_per_km,damage_per_s,equivalent_amplitude_mpa,flags",
		"circuits": "circuit,hotspot,scenario,laps_recorded,damage_per_lap_mean,damage_per_lap_low,damage_per_lap_high," +
			"damage_per_km_mean,laps_planned,km_planned,season_damage,share,basis",
		"season": "scenario,hotspot,material,season_damage,between_laps_damage,life_seasons,target_seasons,life_factor," +
			"target_life_factor,stress_reserve,failure_probability,km_recorded,km_planned",
		"calibration": "hotspot,channel,gain_mpa_per_unit,gain_low_mpa_per_unit,gain_high_mpa_per_unit,gain_ls_mpa_per_unit," +
			"gain_tls_mpa_per_unit,gain_damage_mpa_per_unit,offset_mpa,correlation,coherence,lag_ms,damage_ratio,residual_mpa,linear,chosen,reason",
		"places":  "circuit,hotspot,scenario,along,from_m,to_m,from_s,to_s,laps,damage_per_lap_mean,damage_per_lap_max,share_of_circuit,season_damage,rank",
		"quality": "lap_id,channel,samples,rate_hz,gaps,spikes,clipped,flat_s,drift,verdict,reason",
	}
	for _, table := range runTiny(t) {
		var have []string
		for _, c := range table.Frame.Columns() {
			have = append(have, c.Name)
		}
		for name := range strings.SplitSeq(want[table.Name], ",") {
			if want[table.Name] != "" && !slices.Contains(have, name) {
				t.Errorf("table %s has no column %q", table.Name, name)
			}
		}
		delete(want, table.Name)
	}
	for name := range want {
		t.Errorf("there is no table %s", name)
	}
}
