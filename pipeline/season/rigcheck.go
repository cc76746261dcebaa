package season

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
	"lapwear/stages/ingest"
	"lapwear/stages/resample"
	"lapwear/stages/rig"
)

// RigCheck holds recordings of the rig against a plan.
type RigCheck struct {
	Plan     *rig.Plan
	Wanted   rig.Wanted
	Season   *Season  // the plan's scenario
	Left     []string // hot spots that a recording does not tell, each with the reason
	spots    []*Hotspot
	plannedN []rig.PlannedSpot
}

// RigColumns says how a recording of the rig differs from one of the bike.
type RigColumns struct {
	Columns map[string]string // by channel
	Time    string            // column in s; "" as the season says
	Rate    float64           // Hz, for recordings without a time column; 0 as the season says
	Gauges  bool              // the hot spots' gauges are recorded, too
}

// PlanSeason is where a plan's season file lies.
func PlanSeason(p *rig.Plan, dir string) string {
	if filepath.IsAbs(p.SeasonFile) {
		return p.SeasonFile
	}
	return filepath.Join(dir, filepath.FromSlash(p.SeasonFile))
}

// CheckRig prepares a check of the plan in dir. The season must be as it was when the
// plan was made, as far as stress becomes damage.
func (s *Season) CheckRig(p *rig.Plan, dir string) (*RigCheck, error) {
	c := &RigCheck{Plan: p}
	for _, sc := range s.Scenarios() {
		if sc.Name == p.Scenario {
			c.Season = sc.Season
		}
	}
	if c.Season == nil {
		return nil, fmt.Errorf("check rig: the season has no scenario %q; run testplan again", p.Scenario)
	}
	drive, err := openDrive(p, dir)
	if err != nil {
		return nil, err
	}
	defer drive.Close()
	w := &c.Wanted
	w.Rate, w.Low, w.High = float64(p.Drive.Rate), float64(p.Drive.Low), float64(p.Drive.High)
	if math.IsNaN(w.High) {
		w.High = math.Inf(1)
	}
	var names []string
	for _, a := range p.Drive.Axes {
		names, w.Channels = append(names, a.Column), append(w.Channels, a.Channel)
	}
	if w.Axes, err = drive.Read(names); err != nil {
		return nil, fmt.Errorf("read drive: %w; run testplan again", err)
	}
	for _, h := range p.Hotspots {
		if err := c.watch(h); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// openDrive opens the plan's drive if it is the one that was planned.
func openDrive(p *rig.Plan, dir string) (*frame.Source, error) {
	file, ok := p.Files["drive_parquet"]
	if !ok || !filepath.IsLocal(file.Path) {
		return nil, fmt.Errorf("read plan: it names no drive beside it; run testplan again")
	}
	path := filepath.Join(dir, file.Path)
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read drive: %w; keep it beside the plan", err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return nil, fmt.Errorf("read drive: %w", err)
	}
	if hex.EncodeToString(h.Sum(nil)) != file.SHA256 {
		return nil, fmt.Errorf("read drive: %q is not the plan's; run testplan again", path)
	}
	return frame.OpenParquet(path)
}

func (c *RigCheck) watch(h rig.PlannedSpot) error {
	var spot *Hotspot
	for i := range c.Season.Hotspots {
		if c.Season.Hotspots[i].Name == h.Hotspot {
			spot = &c.Season.Hotspots[i]
		}
	}
	strength := damage.Strength{}
	if spot != nil {
		d := c.Season.Damage
		strength = damage.Strength{Material: spot.Material, Survival: d.Survival, Residue: d.Residue}
	}
	if spot == nil || strengthName(strength) != h.Strength {
		return fmt.Errorf("check rig: hot spot %q of the season is no longer that of the plan; run testplan again", h.Hotspot)
	}
	axis := -1
	for i, name := range c.Wanted.Channels {
		if name == h.Channel {
			axis = i
		}
	}
	if axis < 0 {
		c.Left = append(c.Left, fmt.Sprintf("%s follows %s, not one axis", h.Hotspot, h.Channel))
		return nil
	}
	m, err := damage.NewMeter(damage.Spot{Name: h.Hotspot, Strength: strength,
		Transfer: fatigue.Transfer{Gain: float64(h.Gain), Offset: float64(h.Offset), Factor: float64(h.Factor)}}, float64(h.Gate))
	if err != nil {
		return err
	}
	t, err := m.Tally(c.Wanted.Axes[axis])
	if err != nil {
		return err
	}
	if math.Abs(t.Repeated-float64(h.PerRepeat)) > 1e-6*float64(h.PerRepeat) {
		c.Left = append(c.Left, fmt.Sprintf("%s: its stress is not one gain on %s", h.Hotspot, h.Channel))
		return nil
	}
	c.Wanted.Spots = append(c.Wanted.Spots, rig.Watched{Axis: axis, Meter: m})
	c.spots, c.plannedN = append(c.spots, spot), append(c.plannedN, h)
	return nil
}

// Planned is what the plan says of watched hot spot i.
func (c *RigCheck) Planned(i int) rig.PlannedSpot { return c.plannedN[i] }

// Read reads a recording of the rig, brought to the drive's rate and the season's band,
// as its laps are.
func (c *RigCheck) Read(ctx context.Context, path string, o RigColumns) (rig.Recorded, error) {
	r := rig.Recorded{Name: filepath.Base(path)}
	names := append([]string{}, c.Wanted.Channels...)
	if o.Gauges {
		for _, h := range c.spots {
			if h.Gauge == "" {
				return r, fmt.Errorf("read recording %q: hot spot %q has no gauge in the season file; leave --gauges and --mass out", r.Name, h.Name)
			}
			names = append(names, h.Gauge)
		}
	}
	signals, err := c.signals(ctx, path, names, o)
	if err != nil {
		return r, fmt.Errorf("read recording %q: %w", path, err)
	}
	r.Axes = signals[:len(c.Wanted.Axes)]
	if !o.Gauges {
		return r, nil
	}
	for i, g := range signals[len(c.Wanted.Axes):] {
		per := c.spots[i].GaugeScale / float64(c.plannedN[i].Gain) // channel units per unit of the gauge
		x := make([]float64, len(g))
		for k, v := range g {
			x[k] = per * v
		}
		r.Gauges = append(r.Gauges, x)
	}
	return r, nil
}

func (c *RigCheck) signals(ctx context.Context, path string, names []string, o RigColumns) ([][]float64, error) {
	p := ingest.Params{Time: ingest.Time(c.Season.Time), StartS: math.NaN(), EndS: math.NaN()}
	if o.Time != "" {
		p.Time = ingest.Time{Column: o.Time, Scale: 1}
	}
	if o.Rate > 0 {
		p.Time = ingest.Time{Rate: o.Rate}
	}
	seen := map[string]bool{}
	for _, n := range names {
		for _, ch := range c.Season.Channels {
			if ch.Name != n || seen[n] {
				continue
			}
			seen[n] = true
			column := ch.Column
			if as, ok := o.Columns[n]; ok {
				column = as
			}
			p.Channels, p.Ranges = append(p.Channels, ingest.Channel{Name: n, Column: column, Unit: ch.Unit}), append(p.Ranges, ch.Range)
		}
	}
	out, err := p.Run(ctx, stages.Inputs{File: stages.File{Path: path}})
	if err != nil {
		return nil, err
	}
	even := resample.Params{Rate: c.Wanted.Rate, BandLow: c.Season.Signal.BandLow, BandHigh: c.Season.Signal.BandHigh}
	if even.BandHigh > even.Rate/2 {
		even.BandHigh = 0
	}
	in := stages.Inputs{}
	for _, x := range out {
		if seen[x.Name] {
			even.Channels = append(even.Channels, x.Name)
			in.Frames = append(in.Frames, stages.Input{Label: x.Name, Frame: x.Frame})
		}
	}
	if out, err = even.Run(ctx, in); err != nil {
		return nil, err
	}
	return covered(out, names)
}

// covered lists signals by name, of the stretch that all cover.
func covered(out []stages.Output, names []string) ([][]float64, error) {
	var signals [][]float64
	begin, n := math.Inf(-1), math.MaxInt
	var starts []float64
	rate := 0.0
	for _, name := range names {
		for _, x := range out {
			if x.Name != name {
				continue
			}
			v, err := frame.Get[[]float64](x.Frame, "value")
			if err != nil {
				return nil, err
			}
			start, _ := x.Frame.Number("start_s")
			rate, _ = x.Frame.Number("rate_hz")
			signals, starts, begin = append(signals, v), append(starts, start), math.Max(begin, start)
		}
	}
	if len(signals) != len(names) {
		return nil, fmt.Errorf("it has %d of %d channels", len(signals), len(names))
	}
	for i := range signals {
		skip := min(int(math.Round((begin-starts[i])*rate)), len(signals[i]))
		signals[i] = signals[i][skip:]
		n = min(n, len(signals[i]))
	}
	for i := range signals {
		signals[i] = signals[i][:n]
	}
	return signals, nil
}
