package aggregate

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// JudgedLap is a lap to be judged, with what a person accepted of it.
type JudgedLap struct {
	ID, Circuit string
	Accepted    []Accepted
}

// JudgedSpot is a hot spot whose damage is judged with the channel that it follows.
type JudgedSpot struct{ Hotspot, Channel string }

// Verdicts judges laps by what ingest found in their samples and by their damage.
// It is the one stage that knows the checks' limits. Its inputs are each lap's
// quality, labelled by ReadingLabel, and its damage at each hot spot, labelled by
// LapLabel; all may be missing.
//
//   - A finding is a figure that reaches its check's limit.
//   - A lap is set aside when it could not be read or counted, or for a finding of that
//     severity that nobody accepted.
//
// Outputs are the rows of the table quality (Output), the laps set aside with their
// reasons (AsideOutput: lap_id, reason) and the findings of notes and warnings
// (FlagsOutput: lap_id, channel, hotspot, check, severity; an empty channel or hot
// spot is all of them).
type Verdicts struct {
	Checks   []Check
	Laps     []JudgedLap // in driven order
	Channels []string    // that are judged; others of the readings are passed over
	Spots    []JudgedSpot
	BandHigh float64 // Hz, the upper end of the pass band; 0 = open
}

// Outputs of the verdicts beside Output.
const (
	AsideOutput = "set aside"
	FlagsOutput = "flags"
)

// AsideInput and FlagsInput are the labels of the verdicts' outputs where other
// stages read them.
const (
	AsideInput = "set aside"
	FlagsInput = "flags"
)

// ReadingLabel is the label of a lap's quality.
func ReadingLabel(lap string) string { return "quality of " + lap }

// Name returns "aggregate".
func (Verdicts) Name() string { return Name }

// Revision returns the package's Revision.
func (Verdicts) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (t Verdicts) AddTo(h *key.Hasher) {
	h.String("table", "verdicts")
	for _, c := range t.Checks {
		h.Float("quality."+c.Name+".limit", c.Limit)
		h.String("quality."+c.Name+".severity", string(c.Severity))
	}
	for _, l := range t.Laps {
		h.String("lap."+l.ID+".circuit", l.Circuit)
		for _, a := range l.Accepted {
			h.String("lap."+l.ID+".accept."+a.Check, a.Reason)
		}
	}
	for _, c := range t.Channels {
		h.String("channel", c)
	}
	for _, s := range t.Spots {
		h.String("hotspot."+s.Hotspot+".channel", s.Channel)
	}
	h.Float("band_high_hz", t.BandHigh)
}

// finding is a figure that reached its limit.
type finding struct {
	Check
	place            int    // in the order of the tables
	channel, hotspot string // "" = all
	text             string
	accepted         bool
}

// judged is a lap being judged.
type judged struct {
	JudgedLap
	rows     []figures
	failed   string // why it could not be read or counted
	findings []finding
}

// court is the laps being judged together.
type court struct {
	Verdicts
	laps   []judged
	inputs map[string]stages.Input
}

// Run judges the laps.
func (t Verdicts) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	c := court{Verdicts: t, inputs: make(map[string]stages.Input, len(in.Frames))}
	for _, i := range in.Frames {
		c.inputs[i.Label] = i
	}
	for _, l := range t.Laps {
		if err := c.open(l); err != nil {
			return nil, err
		}
	}
	for i := range c.laps {
		c.judgeSamples(&c.laps[i])
	}
	c.compareLaps()
	c.findDuplicates()
	if err := c.judgeDamage(); err != nil {
		return nil, err
	}
	return []stages.Output{
		{Name: Output, Frame: qualityFrame(c.rows())},
		{Name: AsideOutput, Frame: c.aside()},
		{Name: FlagsOutput, Frame: c.flags()},
	}, nil
}

// open reads a lap's figures.
func (c *court) open(l JudgedLap) error {
	out := judged{JudgedLap: l}
	in := c.inputs[ReadingLabel(l.ID)]
	if in.Missing != "" {
		out.failed = in.Missing
		c.laps = append(c.laps, out)
		return nil
	}
	f, err := in.Get()
	if err != nil {
		return err
	}
	rows, err := readFigures(l.ID, f)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if slices.Contains(c.Channels, r.channel) {
			out.rows = append(out.rows, r)
		}
	}
	c.laps = append(c.laps, out)
	return nil
}

// find adds a finding where the figure reaches the check's limit.
func (c *court) find(l *judged, check, channel, hotspot string, figure float64, format string, args ...any) {
	i := slices.IndexFunc(c.Checks, func(k Check) bool { return k.Name == check })
	if i < 0 || c.Checks[i].Severity == Off || !(figure >= c.Checks[i].Limit) {
		return
	}
	accepted := slices.ContainsFunc(l.Accepted, func(a Accepted) bool { return a.Check == check })
	l.findings = append(l.findings, finding{c.Checks[i], checkPlace(check), channel, hotspot, fmt.Sprintf(format, args...), accepted})
}

// judgeSamples looks at what a lap shows by itself.
func (c *court) judgeSamples(l *judged) {
	for i := range l.rows {
		r := &l.rows[i]
		if i == 0 { // time is that of all channels
			c.find(l, Gaps, "", "", r.gapSteps, "a gap of %s s, %s nominal steps, before %s; %s in all",
				brief(r.gapSteps/r.rate), brief(r.gapSteps), r.gapAt, counted{r.gaps, "gap"})
			c.find(l, Backward, "", "", float64(r.backward), "time does not advance at %s, the first on %s",
				counted{r.backward, "sample"}, r.backwardAt)
			c.find(l, Rate, "", "", r.unsteady, "the rate departs by %s %% from %s Hz within the lap", brief(100*r.unsteady), brief(r.rate))
		}
		c.find(l, Missing, r.channel, "", float64(r.missing), "%s: %s missing or not finite, the first on %s",
			r.channel, counted{r.missing, "sample"}, r.missingAt)
		c.find(l, Flat, r.channel, "", r.flat, "%s: one value for %s s", r.channel, brief(r.flat))
		c.find(l, Clipping, r.channel, "", float64(r.clipped), "%s: %s at the end of the range", r.channel, counted{r.clipped, "sample"})
		c.find(l, Spikes, r.channel, "", float64(r.spikes), "%s: %s", r.channel, counted{r.spikes, "spike"})
		step, drift := math.Abs(r.step)/r.level, math.Abs(r.drift)/r.level
		c.find(l, Steps, r.channel, "", step, "%s: a lasting shift by %s, %s times its level", r.channel, brief(r.step), brief(step))
		c.find(l, Drift, r.channel, "", drift, "%s: a drift by %s, %s times its level", r.channel, brief(r.drift), brief(drift))
	}
}

// compareLaps looks at how a lap differs from its circuit's other laps.
func (c *court) compareLaps() {
	all := c.gather()
	for i := range c.laps {
		l := &c.laps[i]
		for k := range l.rows {
			r := &l.rows[k]
			if k == 0 {
				usual := all[[3]string{l.Circuit}].others(r.duration)
				c.find(l, Duration, "", "", factor(r.duration, usual), "it lasts %s s, the circuit's other laps %s s", brief(r.duration), brief(usual))
			}
			r.ratio = r.level / all[[3]string{l.Circuit, r.channel}].others(r.level)
			c.find(l, Level, r.channel, "", factor(r.ratio, 1), "%s: it vibrates %s times as much as in the circuit's other laps; is it scaled as they are?",
				r.channel, brief(r.ratio))
			for _, o := range l.rows[:k] {
				between := r.level / o.level
				usual := all[[3]string{l.Circuit, o.channel, r.channel}].others(between)
				c.find(l, Swapped, r.channel, "", factor(between, usual), "%s vibrates %s times as much as %s, in the circuit's other laps %s times; are they swapped, or is one scaled otherwise?",
					r.channel, brief(between), o.channel, brief(usual))
			}
		}
	}
}

// gather collects durations by circuit, levels by circuit and channel, and ratios of
// levels by circuit and two channels.
func (c *court) gather() map[[3]string]peers {
	all := map[[3]string]peers{}
	add := func(v float64, of ...string) {
		if v > 0 && !math.IsInf(v, 1) {
			var k [3]string
			copy(k[:], of)
			all[k] = append(all[k], v)
		}
	}
	for _, l := range c.laps {
		for k, r := range l.rows {
			if k == 0 {
				add(r.duration, l.Circuit)
			}
			add(r.level, l.Circuit, r.channel)
			for _, o := range l.rows[:k] {
				add(r.level/o.level, l.Circuit, o.channel, r.channel)
			}
		}
	}
	for _, p := range all {
		slices.Sort(p)
	}
	return all
}

// findDuplicates looks for laps that hold the same samples of a channel. The finding
// is the later lap's.
func (c *court) findDuplicates() {
	type content struct{ channel, digest string }
	laps := map[content][]string{}
	for i := range c.laps {
		l := &c.laps[i]
		told := false
		for _, r := range l.rows {
			if r.digest == "" {
				continue
			}
			k := content{r.channel, r.digest}
			if same := laps[k]; len(same) > 0 && !told {
				told = true
				c.find(l, Duplicate, "", "", float64(len(same)+1), "%s holds the same samples as lap %s", r.channel, same[0])
			}
			laps[k] = append(laps[k], l.ID)
		}
	}
}

// judgeDamage looks at a lap's damage at each hot spot.
func (c *court) judgeDamage() error {
	few := slices.IndexFunc(c.Checks, func(k Check) bool { return k.Name == FewSamples })
	for i := range c.laps {
		l := &c.laps[i]
		for _, s := range c.Spots {
			in := c.inputs[LapLabel(s.Hotspot, l.ID)]
			if in.Missing != "" {
				l.failed = cmp.Or(l.failed, in.Missing)
				continue
			}
			f, err := in.Get()
			if err != nil {
				return err
			}
			row, err := damage.ReadRow(f)
			if err != nil {
				return err
			}
			c.find(l, SinglePeak, s.Channel, s.Hotspot, row.LargestShare, "%s: one cycle does %s %% of the damage at %s",
				s.Channel, brief(100*row.LargestShare), s.Hotspot)
			if few < 0 || !(c.BandHigh > 0 && row.Rate < c.Checks[few].Limit*c.BandHigh) {
				continue
			}
			c.find(l, FewSamples, s.Channel, s.Hotspot, math.Inf(1), "%s: %s samples per cycle at the band's upper end",
				s.Channel, brief(row.Rate/c.BandHigh))
		}
	}
	return nil
}

// aside returns the reason for which a lap is set aside; "" if it is not.
func (l *judged) aside() string {
	if l.failed != "" {
		return l.failed
	}
	for _, f := range l.inOrder() {
		if f.Severity == SetAside && !f.accepted {
			return f.Name + ": " + f.text
		}
	}
	return ""
}

// inOrder returns the lap's findings in the order of the checks.
func (l *judged) inOrder() []finding {
	out := slices.Clone(l.findings)
	slices.SortStableFunc(out, func(a, b finding) int { return cmp.Compare(a.place, b.place) })
	return out
}

// rows returns the rows of the table quality.
func (c *court) rows() []qualityRow {
	var out []qualityRow
	for i := range c.laps {
		l := &c.laps[i]
		aside := l.aside()
		if len(l.rows) == 0 {
			nan := math.NaN()
			out = append(out, qualityRow{lap: l.ID, rate: nan, flat: nan, drift: nan, step: nan, ratio: nan,
				verdict: verdictSetAside, reason: aside})
			continue
		}
		for _, r := range l.rows {
			out = append(out, l.row(r.qualityRow, aside))
		}
	}
	return out
}

// row adds to a channel's figures what was found of them.
func (l *judged) row(r qualityRow, aside string) qualityRow {
	order := []string{verdictOK, verdictNote, verdictAccepted, verdictWarn, verdictSetAside}
	worst := 0
	var reasons, names, accepted []string
	for _, f := range l.inOrder() {
		if f.channel != "" && f.channel != r.channel {
			continue
		}
		verdict := string(f.Severity)
		if f.accepted {
			verdict = verdictAccepted
		} else {
			reasons = append(reasons, f.Name+": "+f.text)
		}
		worst = max(worst, slices.Index(order, verdict))
		if !slices.Contains(names, f.Name) {
			names = append(names, f.Name)
		}
	}
	for _, a := range l.Accepted {
		accepted = append(accepted, a.Check+": "+a.Reason)
	}
	r.verdict, r.reason = order[worst], strings.Join(reasons, "; ")
	if aside != "" {
		r.verdict = verdictSetAside
		if !slices.Contains(reasons, aside) {
			r.reason = strings.Join(append([]string{aside}, reasons...), "; ")
		}
	}
	r.findings, r.accepted = strings.Join(names, ";"), strings.Join(accepted, "; ")
	return r
}

func (c *court) aside() *frame.Frame {
	laps, reasons := []string{}, []string{}
	for i := range c.laps {
		if why := c.laps[i].aside(); why != "" {
			laps, reasons = append(laps, c.laps[i].ID), append(reasons, why)
		}
	}
	return frame.Must(nil, frame.Col("lap_id", "", laps), frame.Col("reason", "", reasons))
}

// Flag is a finding of a lap that is used. An empty channel or hot spot is all.
type Flag struct {
	Lap, Channel, Hotspot, Check string
	Severity                     Severity
}

func (c *court) flags() *frame.Frame {
	rows := []Flag{}
	for i := range c.laps {
		l := &c.laps[i]
		if l.aside() != "" {
			continue
		}
		own := len(rows)
		for _, f := range l.inOrder() {
			r := Flag{l.ID, f.channel, f.hotspot, f.Name, f.Severity}
			if !f.accepted && !slices.Contains(rows[own:], r) {
				rows = append(rows, r)
			}
		}
	}
	t := layout[Flag]{rows: rows}
	t.text("lap_id", func(r *Flag) string { return r.Lap })
	t.text("channel", func(r *Flag) string { return r.Channel })
	t.text("hotspot", func(r *Flag) string { return r.Hotspot })
	t.text("check", func(r *Flag) string { return r.Check })
	t.text("severity", func(r *Flag) string { return string(r.Severity) })
	return t.frame()
}

// Flags reads the output FlagsOutput.
func Flags(f *frame.Frame) ([]Flag, error) {
	rows := make([]Flag, f.Rows())
	for name, set := range map[string]func(r *Flag, v string){
		"lap_id":   func(r *Flag, v string) { r.Lap = v },
		"channel":  func(r *Flag, v string) { r.Channel = v },
		"hotspot":  func(r *Flag, v string) { r.Hotspot = v },
		"check":    func(r *Flag, v string) { r.Check = v },
		"severity": func(r *Flag, v string) { r.Severity = Severity(v) },
	} {
		if err := take(f, name, rows, frame.Get[[]string], set); err != nil {
			return nil, err
		}
	}
	return rows, nil
}

// readFlags returns the flags by lap; none where there is no such input.
func readFlags(in stages.Inputs) (map[string][]Flag, error) {
	out := map[string][]Flag{}
	f, err := optional(in, FlagsInput)
	if f == nil || err != nil {
		return out, err
	}
	rows, err := Flags(f)
	for _, r := range rows {
		out[r.Lap] = append(out[r.Lap], r)
	}
	return out, err
}

// readAside returns the laps that are set aside with their reasons; none where there
// is no such input.
func readAside(in stages.Inputs) (map[string]string, error) {
	f, err := optional(in, AsideInput)
	if f == nil || err != nil {
		return nil, err
	}
	return Aside(f)
}

// Aside reads the output AsideOutput: reasons by lap.
func Aside(f *frame.Frame) (map[string]string, error) {
	laps, err := frame.Get[[]string](f, "lap_id")
	if err != nil {
		return nil, err
	}
	reasons, err := frame.Get[[]string](f, "reason")
	if err != nil {
		return nil, err
	}
	out := make(map[string]string, len(laps))
	for i, l := range laps {
		out[l] = reasons[i]
	}
	return out, nil
}

// optional returns the frame of an input; nil where there is no such input.
func optional(in stages.Inputs, label string) (*frame.Frame, error) {
	for _, i := range in.Frames {
		if i.Label == label {
			return i.Get()
		}
	}
	return nil, nil
}

// brief is a number that is written with three significant digits.
type brief float64

func (v brief) String() string { return strconv.FormatFloat(float64(v), 'g', 3, 64) }

// counted is a number of things.
type counted struct {
	n    int64
	what string
}

func (c counted) String() string {
	if c.n == 1 {
		return "1 " + c.what
	}
	return strconv.FormatInt(c.n, 10) + " " + c.what + "s"
}
