// Package calibrate is the stage that fits, on laps that carry a gauge, the gain
// from an accelerometer channel to the stress at a hot spot.
//
// The fit is plain least squares through each lap's own means, so that a gauge's
// zero, which may differ from lap to lap, does not enter:
//
//	gain = sum (x - mean x)(s - mean s) / sum (x - mean x)^2
//
// over all calibration laps together, s being the gauge in MPa. Noise in x flattens
// a least-squares gain (regression dilution); the correlation says by how much it
// may: the loss of gain is at most 1 - r^2 when all scatter is noise in x.
//
// The interval is a delete-one-lap jackknife with Student's t: laps, not samples,
// are what repeats independently.
package calibrate

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 1

// Output names. Transfer has the attributes channel and gain_mpa_per_unit and no
// columns; Candidates has a row a candidate channel.
const (
	Transfer   = "transfer"
	Candidates = "candidates"
)

// AsideInput is the label of an input that names, in its column lap_id, laps that are
// passed over. It may be left out.
const AsideInput = "set aside"

// Label is the label of the input for a lap's channel.
func Label(lap, channel string) string { return lap + "/" + channel }

// Params are the stage's parameters.
type Params struct {
	Laps       []string // calibration laps; those that are missing are passed over
	Gauge      string   // channel that carries the gauge
	GaugeScale float64  // MPa per unit of the gauge, modulus included
	Candidates []string // channels to fit, at least one
}

// Name returns "calibrate".
func (Params) Name() string { return "calibrate" }

// Revision returns the package's Revision.
func (Params) Revision() int { return Revision }

// AddTo adds the parameters to a key. The laps' names are in the inputs' labels.
func (p Params) AddTo(h *key.Hasher) {
	h.String("gauge", p.Gauge)
	h.Float("gauge_scale_mpa", p.GaugeScale)
	for i, c := range p.Candidates {
		h.String("candidate."+strconv.Itoa(i), c)
	}
}

// Fit is the result for one candidate channel. Low and High are the 95 % interval,
// NaN with fewer than three laps.
type Fit struct {
	Channel     string
	Unit        string
	Gain        float64 // MPa per unit of the channel
	Low, High   float64
	Correlation float64
	ResidualMPa float64 // root mean square of what the fit leaves
	Laps        int
}

// Run fits every candidate and chooses the one with the highest correlation.
func (p Params) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	p, err := p.withoutAside(in)
	if err != nil {
		return nil, err
	}
	fits := make([]Fit, 0, len(p.Candidates))
	for _, c := range p.Candidates {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f, err := p.fit(in, c)
		if err != nil {
			return nil, err
		}
		fits = append(fits, f)
	}
	best := choose(fits)
	if best < 0 {
		return nil, stages.Refuse("fit gauge %q: neither it nor a candidate channel varies on any calibration lap; "+
			"check the gauge's column, or give a gain", p.Gauge)
	}
	transfer := frame.Must([]frame.Attr{
		frame.Text("channel", fits[best].Channel),
		frame.Num("gain_mpa_per_unit", "MPa", fits[best].Gain)})
	return []stages.Output{{Name: Transfer, Frame: transfer}, {Name: Candidates, Frame: table(fits, best)}}, nil
}

// withoutAside returns p without the laps that are to be passed over.
func (p Params) withoutAside(in stages.Inputs) (Params, error) {
	for _, i := range in.Frames {
		if i.Label != AsideInput {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return p, err
		}
		aside, err := frame.Get[[]string](f, "lap_id")
		if err != nil {
			return p, err
		}
		p.Laps = slices.DeleteFunc(slices.Clone(p.Laps), func(l string) bool { return slices.Contains(aside, l) })
	}
	return p, nil
}

// moments are a lap's centred sums.
type moments struct{ n, xx, xy, yy float64 }

func (m moments) plus(o moments) moments {
	return moments{m.n + o.n, m.xx + o.xx, m.xy + o.xy, m.yy + o.yy}
}

func (m moments) minus(o moments) moments {
	return moments{m.n - o.n, m.xx - o.xx, m.xy - o.xy, m.yy - o.yy}
}

func (p Params) fit(in stages.Inputs, channel string) (Fit, error) {
	var laps []moments
	var total moments
	unit := ""
	for _, lap := range p.Laps {
		gauge, xs, u, err := pair(in, lap, p.Gauge, channel)
		if err != nil {
			return Fit{}, err
		}
		if gauge == nil {
			continue
		}
		m := centred(xs, gauge, p.GaugeScale)
		laps, total, unit = append(laps, m), total.plus(m), u
	}
	if len(laps) == 0 {
		return Fit{}, stages.Refuse("fit gauge %q: no usable calibration lap; "+
			"mark laps that carry the gauge with use 'calibration' or 'both', or give a gain", p.Gauge)
	}
	f := Fit{Channel: channel, Unit: unit, Gain: total.xy / total.xx, Laps: len(laps),
		Correlation: total.xy / math.Sqrt(total.xx*total.yy)}
	f.ResidualMPa = math.Sqrt(max(0, total.yy-f.Gain*total.xy) / total.n)
	f.Low, f.High = jackknife(laps, total)
	return f, nil
}

// pair reads a lap's gauge and channel; nil when the lap is missing.
func pair(in stages.Inputs, lap, gauge, channel string) (g, x []float64, unit string, err error) {
	frames := map[string]*frame.Frame{}
	for _, i := range in.Frames {
		if i.Label != Label(lap, gauge) && i.Label != Label(lap, channel) {
			continue
		}
		if i.Missing != "" {
			return nil, nil, "", nil
		}
		if frames[i.Label], err = i.Get(); err != nil {
			return nil, nil, "", err
		}
	}
	gf, xf := frames[Label(lap, gauge)], frames[Label(lap, channel)]
	if gf == nil || xf == nil {
		return nil, nil, "", fmt.Errorf("fit gauge %q: lap %q has no input for it and %q", gauge, lap, channel)
	}
	c, err := aligned(gf, xf)
	if r := (*stages.Refusal)(nil); errors.As(err, &r) {
		return nil, nil, "", stages.Refuse("fit gauge %q to channel %q, lap %q: %s", gauge, channel, lap, r.Reason)
	}
	if err != nil {
		return nil, nil, "", err
	}
	return c.gauge, c.channel, xf.Columns()[0].Unit, nil
}

// centred returns the sums of a lap about its own means, gauge in MPa.
func centred(x, gauge []float64, scale float64) moments {
	n := float64(len(x))
	var mx, my float64
	for i := range x {
		mx += x[i]
		my += gauge[i] * scale
	}
	mx, my = mx/n, my/n
	m := moments{n: n}
	for i := range x {
		dx, dy := x[i]-mx, gauge[i]*scale-my
		m.xx += dx * dx
		m.xy += dx * dy
		m.yy += dy * dy
	}
	return m
}

// jackknife returns the 95 % interval of the gain from deleting one lap at a time
// (Efron and Stein 1981, doi:10.1214/aos/1176345462, with Student's t).
func jackknife(laps []moments, total moments) (low, high float64) {
	n := float64(len(laps))
	if n < 3 {
		return math.NaN(), math.NaN()
	}
	var sum float64
	gains := make([]float64, len(laps))
	for i, m := range laps {
		rest := total.minus(m)
		gains[i] = rest.xy / rest.xx
		sum += gains[i]
	}
	var ss float64
	for _, g := range gains {
		ss += (g - sum/n) * (g - sum/n)
	}
	se := math.Sqrt(ss * (n - 1) / n)
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(0.975)
	gain := total.xy / total.xx
	return gain - t*se, gain + t*se
}

// choose returns the place of the highest correlation by magnitude, the first of
// equals; -1 when none is a number.
func choose(fits []Fit) int {
	best := -1
	for i, f := range fits {
		if math.IsNaN(f.Correlation) {
			continue
		}
		if best < 0 || math.Abs(f.Correlation) > math.Abs(fits[best].Correlation) {
			best = i
		}
	}
	return best
}

func table(fits []Fit, best int) *frame.Frame {
	n := len(fits)
	channel, unit, reason := make([]string, n), make([]string, n), make([]string, n)
	chosen := make([]bool, n)
	num := func(get func(Fit) float64) []float64 {
		v := make([]float64, n)
		for i, f := range fits {
			v[i] = get(f)
		}
		return v
	}
	for i, f := range fits {
		channel[i], unit[i], chosen[i] = f.Channel, f.Unit, i == best
		reason[i] = explain(fits, i, best)
	}
	return frame.Must(nil,
		frame.Col("channel", "", channel),
		frame.Col("unit", "", unit),
		frame.Col("gain_mpa_per_unit", "MPa", num(func(f Fit) float64 { return f.Gain })),
		frame.Col("gain_low_mpa_per_unit", "MPa", num(func(f Fit) float64 { return f.Low })),
		frame.Col("gain_high_mpa_per_unit", "MPa", num(func(f Fit) float64 { return f.High })),
		frame.Col("correlation", "", num(func(f Fit) float64 { return f.Correlation })),
		frame.Col("residual_mpa", "MPa", num(func(f Fit) float64 { return f.ResidualMPa })),
		frame.Col("laps", "", num(func(f Fit) float64 { return float64(f.Laps) })),
		frame.Col("chosen", "", chosen),
		frame.Col("reason", "", reason))
}

func explain(fits []Fit, i, best int) string {
	f := fits[i]
	switch {
	case math.IsNaN(f.Correlation):
		return "constant on the calibration laps"
	case i != best:
		return fmt.Sprintf("|r| = %.4f, %s has %.4f", math.Abs(f.Correlation), fits[best].Channel, math.Abs(fits[best].Correlation))
	case len(fits) == 1:
		return fmt.Sprintf("the channel to follow; r = %.4f on %d laps", f.Correlation, f.Laps)
	}
	return fmt.Sprintf("highest |r| of %d candidates: r = %.4f on %d laps", len(fits), f.Correlation, f.Laps)
}
