package rig

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"

	"lapwear/stages/frame"
)

// Real prints as JSON where it is finite; else it is null, which reads as not a number.
type Real float64

// MarshalJSON implements json.Marshaler.
func (r Real) MarshalJSON() ([]byte, error) {
	v := float64(r)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, v, 'g', -1, 64), nil
}

// UnmarshalJSON implements json.Unmarshaler.
func (r *Real) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*r = Real(math.NaN())
		return nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	*r = Real(v)
	return err
}

// planVersion is the version of the plan's form.
const planVersion = 1

// Plan is the manifest of a rig test: all that is needed to run it and to judge a
// recording of it.
type Plan struct {
	Version    int      `json:"lapwear_testplan"`
	Season     string   `json:"season"`
	Component  string   `json:"component"`
	Scenario   string   `json:"scenario"`
	SeasonFile string   `json:"season_file"` // relative to the plan's folder
	Set        []string `json:"set,omitempty"`

	Cut      CutOf         `json:"cut"`
	Drive    DriveOf       `json:"drive"`
	Hotspots []PlannedSpot `json:"hotspots"`
	Rests    []Rest        `json:"rests_on"` // of the season, beside its laps

	Method      string       `json:"method"`
	Repeats     Real         `json:"repeats"`
	Governs     string       `json:"governed_by"` // the hot spot that decides the repeats
	Hours       Real         `json:"hours"`
	Running     Real         `json:"hours_running"`
	Inspecting  Real         `json:"hours_inspecting"`
	Inspections int          `json:"inspections"`
	Sums        []string     `json:"arithmetic"`
	Limits      []LimitOf    `json:"limits"`
	Remedy      *RemedyOf    `json:"one_remedy,omitempty"` // nil where no limit of motion is broken
	Mix         MixOf        `json:"mix"`
	Equivalents Equivalents  `json:"equivalents"`
	Warnings    []string     `json:"warnings"`
	Files       map[string]F `json:"files"`
}

// F is a file of the plan with the SHA-256 of its content.
type F struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
}

// Rest is one thing that a plan's expectations rest on, as it was then.
type Rest struct {
	What string `json:"what"`
	Is   string `json:"is"`
}

// CutOf says which lap was cut and what is left of it.
type CutOf struct {
	LapID   string          `json:"lap_id"`
	Circuit string          `json:"circuit"`
	Before  Real            `json:"seconds_before"`
	After   Real            `json:"seconds_after"`
	Pieces  int             `json:"pieces"`
	Blend   Real            `json:"blend_s"`
	Wanted  Real            `json:"wanted_share"`
	Share   map[string]Real `json:"share"`
	Joints  map[string]Real `json:"joints_share"`
}

// DriveOf describes the drive's file.
type DriveOf struct {
	Rate    Real     `json:"rate_hz"`
	Samples int      `json:"samples"`
	Seconds Real     `json:"seconds_per_repeat"`
	Low     Real     `json:"low_hz"`
	High    Real     `json:"high_hz"`
	Level   Real     `json:"level"`
	Axes    []AxisOf `json:"axes"`
}

// AxisOf is an axis of the drive: its columns and what it does.
type AxisOf struct {
	Channel      string     `json:"channel"`
	Unit         string     `json:"unit"`
	Scale        Real       `json:"m_per_s2_per_unit"`
	Column       string     `json:"column"`
	Displacement string     `json:"displacement_column,omitempty"`
	Steady       Real       `json:"steady_level"` // mean, as gravity; no motion of the rig
	Motion       []MotionOf `json:"motion,omitempty"`
}

// MotionOf are the figures of a motion.
type MotionOf struct {
	Quantity string `json:"quantity"`
	Unit     string `json:"unit"`
	Peak     Real   `json:"peak"`
	AtS      Real   `json:"peak_at_s"`
	RMS      Real   `json:"rms"`
	Span     Real   `json:"span"`
	Limit    Real   `json:"limit"`
}

// PlannedSpot is a hot spot in the plan.
type PlannedSpot struct {
	Hotspot  string `json:"hotspot"`
	Channel  string `json:"channel"`
	Material string `json:"material"`
	Gain     Real   `json:"gain_mpa_per_unit"`
	Offset   Real   `json:"offset_mpa"`
	Factor   Real   `json:"stress_factor"`
	Gate     Real   `json:"gate"`     // in the channel's unit
	Strength string `json:"strength"` // names all that turns stress into damage

	SeasonDamage Real `json:"season_damage"`
	Lap          Real `json:"lap_damage"`
	Cut          Real `json:"cut_damage"`
	Once         Real `json:"damage_once"`
	PerRepeat    Real `json:"damage_per_repeat"`
	Median       Real `json:"damage_per_repeat_median"`
	Kept         Real `json:"drive_over_cut"`
	Wanted       Real `json:"wanted_damage"`
	Reached      Real `json:"reached_over_wanted"`
}

// LimitOf is a finding as the plan lists it.
type LimitOf struct {
	Axis     string  `json:"axis"`
	Quantity string  `json:"quantity"`
	Unit     string  `json:"unit"`
	Value    Real    `json:"value"`
	Limit    Real    `json:"limit"`
	AtS      Real    `json:"at_s"`
	BeyondS  Real    `json:"beyond_s"`
	Fixes    []FixOf `json:"fixes"`
}

// FixOf is a fix as the plan lists it.
type FixOf struct {
	Fix     string          `json:"fix"`
	Setting Real            `json:"setting"`
	Kept    map[string]Real `json:"damage_kept"`
}

// RemedyOf is the one level that obeys all limits of motion, with what it costs.
type RemedyOf struct {
	Level   Real            `json:"level"`
	Kept    map[string]Real `json:"damage_kept"`
	Repeats Real            `json:"repeats"`
	Hours   Real            `json:"hours"`
}

// lowest finds the lowest of the levels that the broken limits ask for; nil where none asks for one.
func (p *Plan) lowest() *FixOf {
	var out *FixOf
	for i, l := range p.Limits {
		for k, f := range l.Fixes {
			if f.Fix == levelFix && (out == nil || f.Setting < out.Setting) {
				out = &p.Limits[i].Fixes[k]
			}
		}
	}
	return out
}

// FindRemedy works out the one level that obeys all limits of motion, and the repeats and hours that the test then takes.
func (p *Plan) FindRemedy(s Stops) {
	f := p.lowest()
	if f == nil {
		return
	}
	repeats := math.NaN()
	for _, h := range p.Hotspots {
		per := float64(h.PerRepeat * f.Kept[h.Hotspot])
		if p.Method == Failure {
			per = float64(h.Median * f.Kept[h.Hotspot])
		}
		n := math.Ceil(float64(h.Wanted) / per * (1 - 1e-12))
		if p.Method == Failure {
			n = math.Floor(float64(h.Wanted) / per)
		}
		if math.IsNaN(repeats) || p.Method == Failure && n < repeats || p.Method != Failure && n > repeats {
			repeats = n
		}
	}
	p.Remedy = &RemedyOf{Level: f.Setting, Kept: f.Kept, Repeats: Real(repeats), Hours: Real(HoursOf(repeats, float64(p.Drive.Seconds), s).Total)}
}

// LimitsFrame lays limits out as ReadLimits reads them, a row for each fix and hot spot.
func LimitsFrame(limits []LimitOf, hotspots []string) *frame.Frame {
	var found []Finding
	for _, l := range limits {
		f := Finding{Axis: l.Axis, Quantity: l.Quantity, Unit: l.Unit, Value: float64(l.Value), Limit: float64(l.Limit), AtS: float64(l.AtS), BeyondS: float64(l.BeyondS)}
		for _, x := range l.Fixes {
			fix := Fix{Text: x.Fix, Setting: float64(x.Setting)}
			for _, h := range hotspots {
				kept, ok := x.Kept[h]
				if !ok {
					kept = Real(math.NaN())
				}
				fix.Kept = append(fix.Kept, float64(kept))
			}
			f.Fixes = append(f.Fixes, fix)
		}
		found = append(found, f)
	}
	return findingsFrame(found, hotspots)
}

// MixOf is the mix, or why there is none.
type MixOf struct {
	Band    Real            `json:"band"`
	Parts   []MixPart       `json:"parts"`
	Hours   Real            `json:"hours_running"`
	Single  Real            `json:"single_lap_hours_running"`
	Reached map[string]Real `json:"reached_over_wanted"`
	Why     string          `json:"infeasible,omitempty"`
}

// MixPart is a cut or a lap of the mix.
type MixPart struct {
	LapID   string `json:"lap_id"`
	What    string `json:"what"` // "cut" or "lap"
	Seconds Real   `json:"seconds"`
	Repeats Real   `json:"repeats"`
}

// Equivalents are other tests of equal damage.
type Equivalents struct {
	Constant []ConstantOf `json:"constant_amplitude"`
	Random   []RandomFor  `json:"random"`
}

// ConstantOf is a constant, fully reversed amplitude.
type ConstantOf struct {
	Hotspot   string `json:"hotspot"`
	Amplitude Real   `json:"amplitude_mpa"`
	Channel   Real   `json:"amplitude_unit"` // of the channel
	Cycles    Real   `json:"cycles"`
}

// RandomFor is the random shaking of an axis; its density is in the table equivalents.
type RandomFor struct {
	Axis    string `json:"axis"`
	RMS     Real   `json:"rms_m_per_s2"`
	Hours   Real   `json:"hours"`
	Q       Real   `json:"q"`
	Slope   Real   `json:"slope"`
	Largest Real   `json:"largest_response_over_drive"`
	Faster  Real   `json:"time_compression"`
	Level   Real   `json:"level_over_uncompressed"`
	Least   Real   `json:"damage_over_wanted_least"` // of all resonances
	Most    Real   `json:"damage_over_wanted_most"`
	Matches Real   `json:"hours_of_the_drives_peaks"` // above which no response is larger than in the drive
	Warning string `json:"warning,omitempty"`
}

// Write writes the plan as JSON, indented.
func (p *Plan) Write(w io.Writer) error {
	p.Version = planVersion
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(p)
}

// ReadPlan reads a plan.
func ReadPlan(r io.Reader) (*Plan, error) {
	var p Plan
	if err := json.NewDecoder(r).Decode(&p); err != nil {
		return nil, fmt.Errorf("read plan: %w; give the plan.json that testplan wrote", err)
	}
	if p.Version != planVersion {
		return nil, fmt.Errorf("read plan: version %d, expected %d; give the plan.json that testplan wrote, or run testplan again", p.Version, planVersion)
	}
	if len(p.Drive.Axes) == 0 || !(p.Drive.Rate > 0) {
		return nil, fmt.Errorf("read plan: it has no drive; run testplan again")
	}
	return &p, nil
}

// ReadLimits groups the rows of the table limits.
func ReadLimits(f *frame.Frame) ([]LimitOf, error) {
	t := tableReader{f: f}
	axis, what, unit := t.text("axis"), t.text("quantity"), t.text("unit")
	value, limit, at, beyond := t.numbers("value"), t.numbers("limit"), t.numbers("at_s"), t.numbers("beyond_s")
	fix, setting, spot, kept := t.text("fix"), t.numbers("setting"), t.text("hotspot"), t.numbers("damage_kept")
	if t.err != nil {
		return nil, t.err
	}
	out := []LimitOf{}
	for i := range axis {
		n := len(out)
		if n == 0 || out[n-1].Axis != axis[i] || out[n-1].Quantity != what[i] {
			out = append(out, LimitOf{Axis: axis[i], Quantity: what[i], Unit: unit[i], Value: Real(value[i]), Limit: Real(limit[i]),
				AtS: Real(at[i]), BeyondS: Real(beyond[i])})
		}
		last := &out[len(out)-1]
		if m := len(last.Fixes); m == 0 || last.Fixes[m-1].Fix != fix[i] {
			last.Fixes = append(last.Fixes, FixOf{Fix: fix[i], Setting: Real(setting[i]), Kept: map[string]Real{}})
		}
		last.Fixes[len(last.Fixes)-1].Kept[spot[i]] = Real(kept[i])
	}
	return out, nil
}

// ReadMotion reads an axis' rows of the table motion.
func ReadMotion(f *frame.Frame, channel string) ([]MotionOf, error) {
	t := tableReader{f: f}
	axis, what, unit := t.text("axis"), t.text("quantity"), t.text("unit")
	peak, at, rms, span, limit := t.numbers("peak"), t.numbers("peak_at_s"), t.numbers("rms"), t.numbers("span"), t.numbers("limit")
	if t.err != nil {
		return nil, t.err
	}
	var out []MotionOf
	for i := range axis {
		if axis[i] == channel {
			out = append(out, MotionOf{what[i], unit[i], Real(peak[i]), Real(at[i]), Real(rms[i]), Real(span[i]), Real(limit[i])})
		}
	}
	return out, nil
}

// tableReader reads columns and keeps the first error.
type tableReader struct {
	f   *frame.Frame
	err error
}

func (t *tableReader) text(name string) []string {
	v, err := frame.Get[[]string](t.f, name)
	if err != nil && t.err == nil {
		t.err = err
	}
	return v
}

func (t *tableReader) numbers(name string) []float64 {
	v, err := frame.Get[[]float64](t.f, name)
	if err != nil && t.err == nil {
		t.err = err
	}
	return v
}
