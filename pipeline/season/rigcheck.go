package season

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/calibrate"
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
	Notes    []string // what to know of those that it tells
	spots    []*Hotspot
	plannedN []rig.PlannedSpot
	made     []*calibrate.Predictor // by spot; nil where its stress follows one axis
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

// CheckRig prepares a check of the plan in dir. The season must be as it was when the plan was made (see
// Rests), its band too, to which recordings are filtered.
func (s *Season) CheckRig(p *rig.Plan, dir string) (*RigCheck, error) {
	of, err := s.OfPlan(p)
	if err != nil {
		return nil, err
	}
	c := &RigCheck{Plan: p, Season: of}
	drive, err := openDrive(p, dir)
	if err != nil {
		return nil, err
	}
	defer drive.Close()
	responses, err := readResponses(p, dir)
	if err != nil {
		return nil, err
	}
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
		if err := c.watch(h, responses[h.Hotspot]); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// openDrive opens the plan's drive if it is the one that was planned.
func openDrive(p *rig.Plan, dir string) (*frame.Source, error) {
	return openPlanned(p, dir, "drive")
}

// openPlanned opens a table of the plan if it is the one that was planned.
func openPlanned(p *rig.Plan, dir, table string) (*frame.Source, error) {
	file, ok := p.Files[table+"_parquet"]
	if !ok || !filepath.IsLocal(file.Path) {
		return nil, fmt.Errorf("read plan: it names no %s beside it; run testplan again", table)
	}
	path := filepath.Join(dir, file.Path)
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w; keep it beside the plan", table, err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return nil, fmt.Errorf("read %s: %w", table, err)
	}
	if hex.EncodeToString(h.Sum(nil)) != file.SHA256 {
		return nil, fmt.Errorf("read %s: %q is not the plan's; run testplan again", table, path)
	}
	return frame.OpenParquet(path)
}

// readResponses reads the plan's transfers that are more than a gain, by hot spot; none where it has none.
func readResponses(p *rig.Plan, dir string) (map[string]*calibrate.Predictor, error) {
	if _, ok := p.Files[responsesTable+"_parquet"]; !ok {
		return nil, nil
	}
	src, err := openPlanned(p, dir, responsesTable)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	spots, err1 := src.ReadStrings("hotspot")
	channels, err2 := src.ReadStrings("channel")
	numbers, err3 := src.Read([]string{"rate_hz", "weight_mpa_per_unit"})
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, fmt.Errorf("read %s: %w; run testplan again", responsesTable, err)
	}
	out := map[string]*calibrate.Predictor{}
	for from := 0; from < len(spots); {
		to := from
		for to < len(spots) && spots[to] == spots[from] {
			to++
		}
		r, err := calibrate.ReadPredictor(frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", numbers[0][from])},
			frame.Col("channel", "", channels[from:to]), frame.Col("weight", "MPa", numbers[1][from:to])))
		if err != nil {
			return nil, err
		}
		out[spots[from]], from = &r, to
	}
	return out, nil
}

// nearRate is how far the drive's rate may be from that of a fitted response, in parts of it.
const nearRate = 1e-9

// madeOf makes a hot spot's stress of the axes, which a response needs all of. n is how often the axes are repeated; of an odd number of
// repeats the middle one is returned, so that what a response remembers is the drive, too.
func (c *RigCheck) madeOf(r *calibrate.Predictor, axes [][]float64, n int) []float64 {
	var signals [][]float64
	for _, name := range r.Channels() {
		signals = append(signals, slices.Repeat(axes[slices.Index(c.Wanted.Channels, name)], n))
	}
	long := len(axes[0])
	return r.Stress(signals)[n/2*long : (n/2+1)*long]
}

// unmakeable says why a response cannot be followed on the rig; "" = it can.
func (c *RigCheck) unmakeable(h rig.PlannedSpot, r *calibrate.Predictor) string {
	for _, name := range r.Channels() {
		if !slices.Contains(c.Wanted.Channels, name) {
			return fmt.Sprintf("%s follows %s, and the rig does not drive %s", h.Hotspot, h.Channel, name)
		}
	}
	if r.Remembers() && math.Abs(r.Rate-c.Wanted.Rate) > nearRate*r.Rate {
		return fmt.Sprintf("%s follows a frequency response at %g Hz, the drive has %g Hz; leave rig: rate out", h.Hotspot, r.Rate, c.Wanted.Rate)
	}
	return ""
}

// farFromPlan is from what share of difference on it is said that the drive does other damage than was planned, where stress is made
// of the axes: the plan cut the stress itself, and joints and remembered blows part the two (common practice, no source).
const farFromPlan = 0.05

func (c *RigCheck) watch(h rig.PlannedSpot, made *calibrate.Predictor) error {
	var spot *Hotspot
	for i := range c.Season.Hotspots {
		if c.Season.Hotspots[i].Name == h.Hotspot {
			spot = &c.Season.Hotspots[i]
		}
	}
	if spot == nil {
		return fmt.Errorf("check rig: the season has no hot spot %q; run testplan again", h.Hotspot)
	}
	d := c.Season.Damage
	strength := damage.Strength{Material: spot.Material, Survival: d.Survival, Residue: d.Residue}
	w := rig.Watched{Axis: slices.Index(c.Wanted.Channels, h.Channel)}
	switch {
	case made != nil:
		if why := c.unmakeable(h, made); why != "" {
			c.Left = append(c.Left, why)
			return nil
		}
		w.Axis, w.Signal = slices.Index(c.Wanted.Channels, made.Channels()[0]), c.madeOf(made, c.Wanted.Axes, 3)
	case w.Axis < 0:
		c.Left = append(c.Left, fmt.Sprintf("%s follows %s, not one axis", h.Hotspot, h.Channel))
		return nil
	}
	var err error
	w.Meter, err = damage.NewMeter(damage.Spot{Name: h.Hotspot, Strength: strength,
		Transfer: fatigue.Transfer{Gain: float64(h.Gain), Offset: float64(h.Offset), Factor: float64(h.Factor)}}, float64(h.Gate))
	if err != nil {
		return err
	}
	if ok, err := c.asPlanned(h, w); !ok || err != nil {
		return err
	}
	c.Wanted.Spots = append(c.Wanted.Spots, w)
	c.spots, c.plannedN, c.made = append(c.spots, spot), append(c.plannedN, h), append(c.made, made)
	return nil
}

// asPlanned tells whether the drive does the planned damage here, exactly where stress follows one axis.
func (c *RigCheck) asPlanned(h rig.PlannedSpot, w rig.Watched) (bool, error) {
	x, near := w.Signal, farFromPlan
	if x == nil {
		x, near = c.Wanted.Axes[w.Axis], 1e-6
	}
	t, err := w.Meter.Tally(x)
	if err != nil {
		return false, err
	}
	off := t.Repeated/float64(h.PerRepeat) - 1
	switch {
	case math.Abs(off) <= near:
	case w.Signal == nil:
		c.Left = append(c.Left, fmt.Sprintf("%s: its stress is not one gain on %s", h.Hotspot, h.Channel))
		return false, nil
	default:
		c.Notes = append(c.Notes, fmt.Sprintf("%s: the drive's axes make %.3g times the planned damage, since %s is made of them beyond the joints; ratios are held against that",
			h.Hotspot, 1+off, h.Channel))
	}
	return true, nil
}

// Planned is what the plan says of watched hot spot i.
func (c *RigCheck) Planned(i int) rig.PlannedSpot { return c.plannedN[i] }

// Reached is what part of the wanted damage some damage is at watched hot spot i. A test to failure wants damage 1 at the life that half
// of all parts reach; there, damage counts as much less as that of a repeat does.
func (c *RigCheck) Reached(i int, damage float64) float64 {
	h := c.plannedN[i]
	if c.Plan.Method == rig.Failure {
		damage *= float64(h.Median / h.PerRepeat)
	}
	return damage / float64(h.Wanted)
}

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
	for _, made := range c.made {
		var stress []float64
		if made != nil {
			stress = c.madeOf(made, r.Axes, 1)
		}
		r.Made = append(r.Made, stress)
	}
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
			v, err := frame.Numbers(x.Frame, "value", nil)
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
