package aggregate

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// JudgedLap is a lap to be judged, with what a person accepted of it.
type JudgedLap struct {
	ID string

	Accepted []Accepted
}

// JudgedSpot is a hot spot that follows a channel.
type JudgedSpot struct{ Hotspot, Channel string }

// Verdicts judges laps by what was found in them. Its inputs are the outputs of Findings on the laps,
// labelled by RowsInput and FindingsInput, those of SpotFindings on each hot spot, labelled by
// SpotFindingsLabel, and whether there are signals, labelled by SignalsLabel, which may be left out.
//
//   - A lap is set aside when it could not be read or counted, or for findings of that
//     severity that nobody accepted. It is then set aside for all of Spots.
//   - An acceptance is stale when the check finds nothing in the lap.
//
// Outputs are the rows of the table quality (Output), the laps set aside with their
// reasons (AsideOutput: lap_id, reason, checks) and the findings in the laps that are
// used (FlagsOutput: lap_id, channel, hotspot, check, severity, accepted; an empty
// channel or hot spot is all of them).
type Verdicts struct {
	Laps  []JudgedLap // in driven order
	Spots []JudgedSpot
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

// RowsInput and FindingsInput are the labels of what was found in the laps' samples.
const (
	RowsInput     = "rows"
	FindingsInput = "findings"
)

// SpotFindingsLabel is the label of what was found in the laps' damage at a hot spot.
func SpotFindingsLabel(hotspot string) string { return "findings/" + hotspot }

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
	for _, l := range t.Laps {
		h.String("lap", l.ID)
		for _, a := range l.Accepted {
			h.String("lap."+l.ID+".accept."+a.Check, a.Reason)
		}
	}
	for _, s := range t.Spots {
		h.String("hotspot."+s.Hotspot+".channel", s.Channel)
	}
}

// judged is a lap being judged.
type judged struct {
	JudgedLap
	failed   string    // why it could not be read or counted
	findings []finding // in the order of the checks

	reasons, checks []string // for which it is set aside, and that may be accepted all the same
}

// bench is the laps being judged together.
type bench struct {
	Verdicts
	laps []judged
	at   map[string]int // the laps' places
}

// Run judges the laps.
func (t Verdicts) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	b := bench{t, make([]judged, len(t.Laps)), make(map[string]int, len(t.Laps))}
	for i, l := range t.Laps {
		b.laps[i], b.at[l.ID] = judged{JudgedLap: l}, i
	}
	if err := b.take(inputs[FindingsInput]); err != nil {
		return nil, err
	}
	for i := range b.laps {
		l := &b.laps[i]
		l.failed = cmp.Or(l.failed, inputs[SignalsLabel(l.ID)].Missing)
	}
	for _, s := range t.Spots {
		if err := b.take(inputs[SpotFindingsLabel(s.Hotspot)]); err != nil {
			return nil, err
		}
	}
	for i := range b.laps {
		b.laps[i].decide()
	}
	rows, err := b.rows(inputs[RowsInput])
	if err != nil {
		return nil, err
	}
	return []stages.Output{
		{Name: Output, Frame: qualityFrame(rows)},
		{Name: AsideOutput, Frame: b.aside()},
		{Name: FlagsOutput, Frame: b.flags()},
	}, nil
}

// take adds findings to their laps.
func (b *bench) take(in stages.Input) error {
	f, err := in.Get()
	if err != nil {
		return err
	}
	t, err := readFound(f)
	if err != nil {
		return err
	}
	for i, own := range t.findings {
		at, ok := b.at[t.laps[i]]
		if !ok {
			return fmt.Errorf("read findings: lap %q is not among those to be judged", t.laps[i])
		}
		l := &b.laps[at]
		if own.check == "" {
			l.failed = cmp.Or(l.failed, own.text)
			continue
		}
		own.accepted = own.place >= 0 && l.accepts(own.check)
		l.findings = append(l.findings, own)
	}
	return nil
}

// rows returns the rows of the table quality.
func (b *bench) rows(in stages.Input) ([]qualityRow, error) {
	f, err := in.Get()
	if err != nil {
		return nil, err
	}
	rows, err := readQuality(f)
	if err != nil {
		return nil, err
	}
	for i := range rows {
		at, ok := b.at[rows[i].lap]
		if !ok {
			return nil, fmt.Errorf("read findings: lap %q is not among those to be judged", rows[i].lap)
		}
		b.laps[at].fill(&rows[i], b.Spots)
	}
	return rows, nil
}

func (l *judged) accepts(check string) bool {
	return slices.ContainsFunc(l.Accepted, func(a Accepted) bool { return a.Check == check })
}

// stale names what was accepted of the lap and is found no more. Of a lap that could
// not be read or counted nobody knows.
func (l *judged) stale() []string {
	if l.failed != "" {
		return nil
	}
	var out []string
	for _, a := range l.Accepted {
		if !slices.ContainsFunc(l.findings, func(f finding) bool { return f.check == a.Check }) {
			out = append(out, a.Check)
		}
	}
	return out
}

// decide puts the findings in the order of the checks, and takes down the reasons for which the lap is set aside, none if it is
// not, and the checks that someone may accept to use it all the same, none if that is in vain.
func (l *judged) decide() {
	slices.SortStableFunc(l.findings, func(a, b finding) int { return cmp.Compare(a.place, b.place) })
	if l.failed != "" {
		l.reasons = []string{l.failed}
		return
	}
	for i := range l.findings {
		f := &l.findings[i]
		if f.severity != SetAside || f.accepted {
			continue
		}
		if text := f.says(); !slices.Contains(l.reasons, text) {
			l.reasons = append(l.reasons, text)
		}
		if !slices.Contains(l.checks, f.check) {
			l.checks = append(l.checks, f.check)
		}
	}
}

// verdictsInOrder are the verdicts from the mildest on.
var verdictsInOrder = []string{verdictOK, verdictNote, verdictAccepted, verdictWarn, verdictSetAside}

// fill adds to a channel's figures what was found of them. A lap that is set aside is
// so for all channels: the reason says which is at fault.
func (l *judged) fill(r *qualityRow, spots []JudgedSpot) {
	worst := 0
	reasons := slices.Clone(l.reasons)
	var names []string
	for i := range l.findings {
		f := &l.findings[i]
		if f.place < 0 || f.channel != "" && f.channel != r.channel {
			continue
		}
		verdict := string(f.severity)
		if f.accepted {
			verdict = verdictAccepted
		} else if text := f.says(); !slices.Contains(reasons, text) {
			reasons = append(reasons, text)
		}
		worst = max(worst, slices.Index(verdictsInOrder, verdict))
		if !slices.Contains(names, f.check) {
			names = append(names, f.check)
		}
	}
	if len(l.reasons) > 0 {
		worst = len(verdictsInOrder) - 1
	}
	var concerns []string
	for _, s := range spots {
		if worst > 0 && (len(l.reasons) > 0 || s.Channel == r.channel) {
			concerns = append(concerns, s.Hotspot)
		}
	}
	r.verdict, r.reason = verdictsInOrder[worst], strings.Join(reasons, "; ")
	r.findings, r.accepted = strings.Join(names, ";"), AcceptedText(l.Accepted)
	r.stale, r.concerns = strings.Join(l.stale(), ";"), strings.Join(concerns, ";")
}

func (b *bench) aside() *frame.Frame {
	laps, reasons, checks := []string{}, []string{}, []string{}
	for i := range b.laps {
		if l := &b.laps[i]; len(l.reasons) > 0 {
			laps, reasons = append(laps, l.ID), append(reasons, strings.Join(l.reasons, "; "))
			checks = append(checks, strings.Join(l.checks, ";"))
		}
	}
	return frame.Must(nil, frame.Col("lap_id", "", laps), frame.Col("reason", "", reasons), frame.Col("checks", "", checks))
}

func (b *bench) flags() *frame.Frame {
	rows := []Flag{}
	for i := range b.laps {
		l := &b.laps[i]
		if len(l.reasons) > 0 {
			continue
		}
		own := len(rows)
		for _, f := range l.findings {
			r := Flag{l.ID, f.channel, f.hotspot, f.check, f.severity, f.accepted}
			if !slices.Contains(rows[own:], r) {
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
	t.truth("accepted", func(r *Flag) bool { return r.Accepted })
	return t.frame()
}
