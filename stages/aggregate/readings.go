package aggregate

import (
	"context"
	"math"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// ReadLap is a lap whose recording is looked at.
type ReadLap struct {
	ID, Circuit, Bike string

	Overlaps []string // laps of the same use with which it shares a part of its recording
	Witness  bool     // not looked at itself: the others are compared with it too
}

// Findings tells what is to be found in laps by what ingest has seen in their samples: nothing of it
// depends on a hot spot's gain or material. Its inputs are each lap's quality, labelled by
// ReadingLabel, which may be missing. A finding is a figure that reaches its check's limit.
//
// Outputs are the rows of the table quality, without verdicts (Output), and the findings
// (FindingsOutput), of a lap that could not be read one of no check that says why.
type Findings struct {
	Checks   []Check
	Laps     []ReadLap // in driven order
	Channels []string  // that are looked at; others of the readings are passed over
}

// FindingsOutput is the output of findings: lap_id, check, severity, channel, hotspot, text; an empty
// channel or hot spot is all of them.
const FindingsOutput = "findings"

// ReadingLabel is the label of a lap's quality.
func ReadingLabel(lap string) string { return "quality of " + lap }

// Name returns "aggregate".
func (Findings) Name() string { return Name }

// Revision returns the package's Revision.
func (Findings) Revision() int { return Revision }

// Outputs names the rows and the findings.
func (Findings) Outputs() []string { return findingsOutputs }

var findingsOutputs = []string{Output, FindingsOutput}

// AddTo adds the parameters to a key.
func (t Findings) AddTo(h *key.Hasher) {
	h.String("table", "findings")
	limits(t.Checks).addTo(h)
	for _, l := range t.Laps {
		h.String("lap."+l.ID+".circuit", l.Circuit)
		h.String("lap."+l.ID+".bike", l.Bike)
		h.Bool("lap."+l.ID+".witness", l.Witness)
		for _, o := range l.Overlaps {
			h.String("lap."+l.ID+".overlaps", o)
		}
	}
	for _, c := range t.Channels {
		h.String("channel", c)
	}
}

// readLap is a lap being looked at.
type readLap struct {
	ReadLap
	findings
	place  int // in driven order
	rows   []figures
	failed string // why it could not be read

	// Once laps are compared:
	own           *peerTable // of its circuit
	rates, levels []peers    // by channel: of its bike, and of that at its circuit
}

// court is the laps being looked at together.
type court struct {
	Findings
	laps      []readLap
	witnesses []readLap
	inputs    map[string]stages.Input
	least     float64 // of the checks' limits
}

// Run looks at the laps.
func (t Findings) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	c := court{Findings: t, inputs: in.ByLabel(), least: math.Inf(1), laps: make([]readLap, 0, len(t.Laps))}
	for _, k := range t.Checks {
		c.least = min(c.least, k.Limit)
	}
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
	return []stages.Output{{Name: Output, Frame: qualityFrame(c.rows())}, {Name: FindingsOutput, Frame: c.found()}}, nil
}

// find adds a finding where the figure reaches the check's limit, and tells whether.
func (c *court) find(l *readLap, check, channel string, figure float64) bool {
	return figure >= c.least && l.find(c.Checks, check, channel, "", figure)
}

// rows are the laps' figures; a lap that could not be read has a row without channel.
func (c *court) rows() []qualityRow {
	n := 0
	for i := range c.laps {
		n += max(1, len(c.laps[i].rows))
	}
	out := make([]qualityRow, 0, n)
	for i := range c.laps {
		l := &c.laps[i]
		if len(l.rows) == 0 {
			nan := math.NaN()
			out = append(out, qualityRow{lap: l.ID, rate: nan, flat: nan, drift: nan, step: nan, ratio: nan, lost: nan})
		}
		for k := range l.rows {
			out = append(out, l.rows[k].qualityRow)
		}
	}
	return out
}

func (c *court) found() *frame.Frame {
	var all found
	for i := range c.laps {
		all.add(c.laps[i].ID, c.laps[i].failed, c.laps[i].findings)
	}
	return all.frame()
}

// open reads a lap's figures.
func (c *court) open(l ReadLap) error {
	out := readLap{ReadLap: l, place: len(c.laps) + len(c.witnesses)}
	in := c.inputs[ReadingLabel(l.ID)]
	if in.Missing != "" {
		out.failed = in.Missing
	} else if err := c.read(&out, in); err != nil {
		return err
	}
	if l.Witness {
		c.witnesses = append(c.witnesses, out)
	} else {
		c.laps = append(c.laps, out)
	}
	return nil
}

func (c *court) read(l *readLap, in stages.Input) error {
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
func (c *court) judgeTime(l *readLap) {
	if len(l.rows) == 0 {
		return
	}
	first := &l.rows[0]
	if c.find(l, Backward, "", float64(first.backward)) {
		l.say("time does not advance at %s, the first on %s", counted{first.backward, "sample"}, first.backwardAt)
	}
	if !slices.ContainsFunc(l.rows[1:], func(r figures) bool { return !r.sharesTime(first) }) {
		c.judgeAxis(l, first, "", "")
		return
	}
	for i := range l.rows {
		r := &l.rows[i]
		c.judgeAxis(l, r, r.channel, r.channel+": ")
	}
}

func (c *court) judgeAxis(l *readLap, r *figures, channel, prefix string) {
	if c.find(l, Lost, channel, r.lost) {
		l.say("%s%s %% of the samples are not there", prefix, brief(100*r.lost))
	}
	if c.find(l, Gaps, channel, r.gapSteps) {
		l.say("%sa gap of %s s, %s nominal steps, before %s; %s in all", prefix, brief(r.gapSteps/r.rate), brief(r.gapSteps), r.gapAt, counted{r.gaps, "gap"})
	}
	if c.find(l, Rate, channel, r.unsteady) {
		l.say("%sthe rate departs by %s %% from %s Hz within the lap", prefix, brief(100*r.unsteady), brief(r.rate))
	}
}

// judgeSamples looks at what a lap's samples show by themselves.
func (c *court) judgeSamples(l *readLap) {
	for i := range l.rows {
		r := &l.rows[i]
		if c.find(l, Missing, r.channel, float64(r.missing)) {
			l.say("%s: %s missing or not finite, the first on %s", r.channel, counted{r.missing, "sample"}, r.missingAt)
		}
		if c.find(l, Flat, r.channel, r.flat) {
			l.say("%s: one value for %s s%s", r.channel, brief(r.flat), from(r.flatAt))
		}
		if c.find(l, Dead, r.channel, r.dead) {
			l.say("%s: no life in %s %% of the samples%s; did the bike stand still?", r.channel, brief(100*r.dead), from(r.deadAt))
		}
		if c.find(l, Clipping, r.channel, float64(r.clipped)) {
			l.say("%s: %s at the end of the range%s", r.channel, counted{r.clipped, "sample"}, from(r.clippedAt))
		}
		if c.find(l, Sentinel, r.channel, float64(r.sentinels)) {
			l.say("%s: %s of %s, far beyond all others%s: the logger's word for no value? leave the cells empty at the source",
				r.channel, counted{r.sentinels, "sample"}, plain(r.sentinel), from(r.sentinelsAt))
		}
		if c.find(l, Spikes, r.channel, float64(r.spikes)) {
			l.say("%s: %s%s", r.channel, counted{r.spikes, "spike"}, from(r.spikesAt))
		}
		step, drift := math.Abs(r.step)/r.level, math.Abs(r.drift)/r.level
		if c.find(l, Steps, r.channel, step) {
			l.say("%s: a lasting shift by %s, %s times its level%s", r.channel, brief(r.step), brief(step), from(r.stepsAt))
		}
		if c.find(l, Drift, r.channel, drift) {
			l.say("%s: a drift by %s, %s times its level", r.channel, brief(r.drift), brief(drift))
		}
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
func (c *court) findOverlaps(l *readLap) {
	if n := len(l.Overlaps); n > 0 && c.find(l, Overlap, "", float64(n)) {
		l.say("it shares a part of its recording with %s %s: that part counts more than once; correct start_s and end_s",
			map[bool]string{true: "lap", false: "laps"}[n == 1], strings.Join(l.Overlaps, ", "))
	}
}
