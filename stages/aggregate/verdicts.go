package aggregate

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
)

// JudgedLap is a lap to be judged, with what a person accepted of it.
type JudgedLap struct {
	ID, Circuit, Bike string

	Accepted []Accepted
	Overlaps []string // laps of the same use with which it shares a part of its recording
	Witness  bool     // not judged itself: the others are compared with it too
}

// JudgedSpot is a hot spot whose damage is judged with the channel that it follows.
// Factor multiplies its stress.
type JudgedSpot struct {
	Hotspot, Channel string

	Factor float64
}

// Verdicts judges laps by what ingest found in their samples and by their damage.
// It is the one stage that knows the checks' limits. Its inputs are each lap's
// quality, labelled by ReadingLabel, the hot spots' figures, labelled by FiguresLabel,
// and their transfers where they were fitted, labelled by TransferLabel; qualities and
// transfers may be missing.
//
//   - A finding is a figure that reaches its check's limit.
//   - A lap is set aside when it could not be read or counted, or for findings of that
//     severity that nobody accepted. It is then set aside for all of Spots.
//   - An acceptance is stale when the check finds nothing in the lap.
//
// Outputs are the rows of the table quality (Output), the laps set aside with their
// reasons (AsideOutput: lap_id, reason, checks) and the findings in the laps that are
// used (FlagsOutput: lap_id, channel, hotspot, check, severity, accepted; an empty
// channel or hot spot is all of them).
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

// SignalsLabel is the label of an input that says whether there are signals of a lap to
// be calibrated with; it may be left out.
func SignalsLabel(lap string) string { return "signals of " + lap }

// Name returns "aggregate".
func (Verdicts) Name() string { return Name }

// Revision returns the package's Revision.
func (Verdicts) Revision() int { return Revision }

// Outputs names the verdicts, the laps set aside and the flags.
func (Verdicts) Outputs() []string { return verdictsOutputs }

var verdictsOutputs = []string{Output, AsideOutput, FlagsOutput}

// AddTo adds the parameters to a key.
func (t Verdicts) AddTo(h *key.Hasher) {
	h.String("table", "verdicts")
	for _, c := range t.Checks {
		h.Float("quality."+c.Name+".limit", c.Limit)
		h.String("quality."+c.Name+".severity", string(c.Severity))
		h.Float("quality."+c.Name+".set_aside", c.Aside)
	}
	for _, l := range t.Laps {
		h.String("lap."+l.ID+".circuit", l.Circuit)
		h.String("lap."+l.ID+".bike", l.Bike)
		h.Bool("lap."+l.ID+".witness", l.Witness)
		for _, o := range l.Overlaps {
			h.String("lap."+l.ID+".overlaps", o)
		}
		for _, a := range l.Accepted {
			h.String("lap."+l.ID+".accept."+a.Check, a.Reason)
		}
	}
	for _, c := range t.Channels {
		h.String("channel", c)
	}
	for _, s := range t.Spots {
		h.String("hotspot."+s.Hotspot+".channel", s.Channel)
		h.Float("hotspot."+s.Hotspot+".stress_factor", s.Factor)
	}
	h.Float("band_high_hz", t.BandHigh)
}

// judged is a lap being judged.
type judged struct {
	JudgedLap
	place    int // in driven order
	rows     []figures
	failed   string // why it could not be read or counted
	findings []finding
}

// court is the laps being judged together.
type court struct {
	Verdicts
	laps      []judged
	witnesses []judged
	inputs    map[string]stages.Input
}

// Run judges the laps.
func (t Verdicts) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	c := court{Verdicts: t, inputs: in.ByLabel()}
	for _, l := range t.Laps {
		if err := c.open(l); err != nil {
			return nil, err
		}
	}
	for i := range c.laps {
		c.judgeTime(&c.laps[i])
		c.judgeSamples(&c.laps[i])
		c.findOverlaps(&c.laps[i])
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
	out := judged{JudgedLap: l, place: len(c.laps) + len(c.witnesses)}
	in := c.inputs[ReadingLabel(l.ID)]
	if in.Missing != "" {
		out.failed = in.Missing
	} else if err := c.read(&out, in); err != nil {
		return err
	}
	out.failed = cmp.Or(out.failed, c.inputs[SignalsLabel(l.ID)].Missing)
	if l.Witness {
		c.witnesses = append(c.witnesses, out)
	} else {
		c.laps = append(c.laps, out)
	}
	return nil
}

func (c *court) read(l *judged, in stages.Input) error {
	f, err := in.Get()
	if err != nil {
		return err
	}
	rows, err := readFigures(l.ID, f)
	if err != nil {
		return err
	}
	for i := range rows {
		rows[i].number = 1 + slices.Index(c.Channels, rows[i].channel)
	}
	l.rows = slices.DeleteFunc(rows, func(r figures) bool { return r.number == 0 })
	return nil
}

// judgeTime looks at a lap's time axes. What all channels share is found once.
func (c *court) judgeTime(l *judged) {
	if len(l.rows) == 0 {
		return
	}
	first := &l.rows[0]
	c.find(l, Backward, "", "", float64(first.backward), "time does not advance at %s, the first on %s",
		counted{first.backward, "sample"}, first.backwardAt)
	if !slices.ContainsFunc(l.rows[1:], func(r figures) bool { return !r.sharesTime(first) }) {
		c.judgeAxis(l, first, "", "")
		return
	}
	for i := range l.rows {
		r := &l.rows[i]
		c.judgeAxis(l, r, r.channel, r.channel+": ")
	}
}

func (c *court) judgeAxis(l *judged, r *figures, channel, prefix string) {
	c.find(l, Lost, channel, "", r.lost, "%s%s %% of the samples are not there", prefix, brief(100*r.lost))
	c.find(l, Gaps, channel, "", r.gapSteps, "%sa gap of %s s, %s nominal steps, before %s; %s in all",
		prefix, brief(r.gapSteps/r.rate), brief(r.gapSteps), r.gapAt, counted{r.gaps, "gap"})
	c.find(l, Rate, channel, "", r.unsteady, "%sthe rate departs by %s %% from %s Hz within the lap", prefix, brief(100*r.unsteady), brief(r.rate))
}

// judgeSamples looks at what a lap's samples show by themselves.
func (c *court) judgeSamples(l *judged) {
	for i := range l.rows {
		r := &l.rows[i]
		c.find(l, Missing, r.channel, "", float64(r.missing), "%s: %s missing or not finite, the first on %s",
			r.channel, counted{r.missing, "sample"}, r.missingAt)
		c.find(l, Flat, r.channel, "", r.flat, "%s: one value for %s s%s", r.channel, brief(r.flat), from(r.flatAt))
		c.find(l, Dead, r.channel, "", r.dead, "%s: no life in %s %% of the samples%s; did the bike stand still?", r.channel, brief(100*r.dead), from(r.deadAt))
		c.find(l, Clipping, r.channel, "", float64(r.clipped), "%s: %s at the end of the range%s",
			r.channel, counted{r.clipped, "sample"}, from(r.clippedAt))
		c.find(l, Sentinel, r.channel, "", float64(r.sentinels), "%s: %s of %s, far beyond all others%s: the logger's word for no value? leave the cells empty at the source",
			r.channel, counted{r.sentinels, "sample"}, plain(r.sentinel), from(r.sentinelsAt))
		c.find(l, Spikes, r.channel, "", float64(r.spikes), "%s: %s%s", r.channel, counted{r.spikes, "spike"}, from(r.spikesAt))
		step, drift := math.Abs(r.step)/r.level, math.Abs(r.drift)/r.level
		c.find(l, Steps, r.channel, "", step, "%s: a lasting shift by %s, %s times its level%s", r.channel, brief(r.step), brief(step), from(r.stepsAt))
		c.find(l, Drift, r.channel, "", drift, "%s: a drift by %s, %s times its level", r.channel, brief(r.drift), brief(drift))
	}
}

// from says where something is first seen, if that is known.
func from(place string) string {
	if place == "" {
		return ""
	}
	return ", first on " + place
}

// findOverlaps tells of laps that share a part of a recording.
func (c *court) findOverlaps(l *judged) {
	if n := len(l.Overlaps); n > 0 {
		c.find(l, Overlap, "", "", float64(n), "it shares a part of its recording with %s %s: that part counts more than once; correct start_s and end_s",
			map[bool]string{true: "lap", false: "laps"}[n == 1], strings.Join(l.Overlaps, ", "))
	}
}

// judgeDamage looks at the laps' damage at each hot spot.
func (c *court) judgeDamage() error {
	calibrated, figures := make([]float64, len(c.Spots)), make([]spotFigures, len(c.Spots))
	for i, s := range c.Spots {
		var err error
		if figures[i], err = readSpotFigures(c.inputs, s.Hotspot); err != nil {
			return err
		}
		if calibrated[i], err = readAmplitude(c.inputs[TransferLabel(s.Hotspot)]); err != nil {
			return err
		}
		calibrated[i] *= s.Factor
	}
	for i := range c.laps {
		l := &c.laps[i]
		for j, s := range c.Spots {
			row, missing, err := figures[j].of(l.ID)
			if err != nil {
				return err
			}
			if missing != "" {
				l.failed = cmp.Or(l.failed, missing)
				continue
			}
			c.judgeSpot(l, s, row)
			c.find(l, OutsideCalibrated, s.Channel, s.Hotspot, row.MaxAmplitude/calibrated[j],
				"%s: stress at %s reaches an amplitude of %s MPa, %s times the widest of its calibration: the gain is not proven there",
				s.Channel, s.Hotspot, brief(row.MaxAmplitude), brief(row.MaxAmplitude/calibrated[j]))
		}
	}
	return nil
}

// nearRate is by how much, as a share, a rate may fall short of a limit: a clock that is
// off by parts in a million makes no difference.
const nearRate = 1e-3

func (c *court) judgeSpot(l *judged, s JudgedSpot, row damage.Row) {
	if row.OverUltimate > 0 {
		l.findings = append(l.findings, finding{Check: Check{Name: OverUltimate, Limit: 1, Severity: Warn}, place: -1, channel: s.Channel, hotspot: s.Hotspot})
	}
	c.find(l, SinglePeak, s.Channel, s.Hotspot, row.LargestShare, "%s: one cycle does %s %% of the damage at %s",
		s.Channel, brief(100*row.LargestShare), s.Hotspot)
	few := slices.IndexFunc(c.Checks, func(k Check) bool { return k.Name == FewSamples })
	if few < 0 || !(c.BandHigh > 0 && row.Rate < (1-nearRate)*c.Checks[few].Limit*c.BandHigh) {
		return
	}
	c.find(l, FewSamples, s.Channel, s.Hotspot, math.Inf(1), "%s: %s samples per cycle at the band's upper end",
		s.Channel, brief(row.Rate/c.BandHigh))
}

// brief is a number that is written with three significant digits, without an exponent
// unless it is very large or small.
type brief float64

func (v brief) String() string {
	text := strconv.FormatFloat(float64(v), 'g', 3, 64)
	if a := math.Abs(float64(v)); a >= 1e-5 && a < 1e7 {
		rounded, _ := strconv.ParseFloat(text, 64)
		return strconv.FormatFloat(rounded, 'f', -1, 64)
	}
	return text
}

// plain writes a number as it is.
func plain(v float64) string { return strconv.FormatFloat(v, 'g', 12, 64) }

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
