package aggregate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// finding is a figure that reached its limit.
type finding struct {
	Check
	place            int    // in the order of the tables; below 0 it is no check's
	channel, hotspot string // "" = all
	text             string
	accepted         bool
}

func (f *finding) says() string { return f.Name + ": " + f.text }

// reached returns the place of a check whose limit a figure reaches, -1 where it does not.
func (c *court) reached(check string, figure float64) int {
	for i := range c.Checks {
		if k := &c.Checks[i]; k.Name == check && k.Severity != Off && figure >= k.Limit {
			return i
		}
	}
	return -1
}

// find adds a finding where the figure reaches the check's limit, and tells whether.
func (c *court) find(l *judged, check, channel, hotspot string, figure float64, format string, args ...any) bool {
	i := c.reached(check, figure)
	if i < 0 {
		return false
	}
	found := c.Checks[i]
	found.Severity = found.severity(figure)
	l.findings = append(l.findings, finding{found, checkPlace(check), channel, hotspot, fmt.Sprintf(format, args...), l.accepts(check)})
	return true
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
		if !slices.ContainsFunc(l.findings, func(f finding) bool { return f.Name == a.Check }) {
			out = append(out, a.Check)
		}
	}
	return out
}

// aside returns the reasons for which a lap is set aside, none if it is not, and the
// checks that someone may accept to use it all the same, none if that is in vain.
func (l *judged) aside() (reasons, checks []string) {
	if l.failed != "" {
		return []string{l.failed}, nil
	}
	for _, f := range l.inOrder() {
		if f.Severity != SetAside || f.accepted {
			continue
		}
		if text := f.says(); !slices.Contains(reasons, text) {
			reasons = append(reasons, text)
		}
		if !slices.Contains(checks, f.Name) {
			checks = append(checks, f.Name)
		}
	}
	return reasons, checks
}

// inOrder returns the lap's findings in the order of the checks.
func (l *judged) inOrder() []finding {
	out := slices.Clone(l.findings)
	slices.SortStableFunc(out, func(a, b finding) int { return cmp.Compare(a.place, b.place) })
	return out
}

// rows returns the rows of the table quality.
func (c *court) rows() []qualityRow {
	n := 0
	for i := range c.laps {
		n += max(1, len(c.laps[i].rows))
	}
	out := make([]qualityRow, 0, n)
	for i := range c.laps {
		l := &c.laps[i]
		aside, _ := l.aside()
		if len(l.rows) == 0 {
			nan := math.NaN()
			row := qualityRow{lap: l.ID, rate: nan, flat: nan, drift: nan, step: nan, ratio: nan, lost: nan}
			out = append(out, l.row(c.Spots, row, aside))
			continue
		}
		for k := range l.rows {
			out = append(out, l.row(c.Spots, l.rows[k].qualityRow, aside))
		}
	}
	return out
}

// row adds to a channel's figures what was found of them. A lap that is set aside is
// so for all channels: the reason says which is at fault.
func (l *judged) row(spots []JudgedSpot, r qualityRow, aside []string) qualityRow {
	order := []string{verdictOK, verdictNote, verdictAccepted, verdictWarn, verdictSetAside}
	worst := 0
	reasons := slices.Clone(aside)
	var names []string
	for _, f := range l.inOrder() {
		if f.place < 0 || f.channel != "" && f.channel != r.channel {
			continue
		}
		verdict := string(f.Severity)
		if f.accepted {
			verdict = verdictAccepted
		} else if text := f.says(); !slices.Contains(reasons, text) {
			reasons = append(reasons, text)
		}
		worst = max(worst, slices.Index(order, verdict))
		if !slices.Contains(names, f.Name) {
			names = append(names, f.Name)
		}
	}
	if len(aside) > 0 {
		worst = len(order) - 1
	}
	var concerns []string
	for _, s := range spots {
		if worst > 0 && (len(aside) > 0 || s.Channel == r.channel) {
			concerns = append(concerns, s.Hotspot)
		}
	}
	r.verdict, r.reason = order[worst], strings.Join(reasons, "; ")
	r.findings, r.accepted = strings.Join(names, ";"), AcceptedText(l.Accepted)
	r.stale, r.concerns = strings.Join(l.stale(), ";"), strings.Join(concerns, ";")
	return r
}

// AcceptedText writes what was accepted as the manifest does.
func AcceptedText(accepted []Accepted) string {
	var out []string
	for _, a := range accepted {
		out = append(out, a.Check+": "+a.Reason)
	}
	return strings.Join(out, "; ")
}

// AsideLap is a lap that is set aside.
type AsideLap struct {
	Lap, Reason string
	Checks      []string // to be accepted, if the lap is to be used all the same; none if it cannot be
}

func (c *court) aside() *frame.Frame {
	laps, reasons, checks := []string{}, []string{}, []string{}
	for i := range c.laps {
		if why, names := c.laps[i].aside(); len(why) > 0 {
			laps, reasons = append(laps, c.laps[i].ID), append(reasons, strings.Join(why, "; "))
			checks = append(checks, strings.Join(names, ";"))
		}
	}
	return frame.Must(nil, frame.Col("lap_id", "", laps), frame.Col("reason", "", reasons), frame.Col("checks", "", checks))
}

// AsideLaps reads the output AsideOutput, in driven order.
func AsideLaps(f *frame.Frame) ([]AsideLap, error) {
	rows := make([]AsideLap, f.Rows())
	err := takeTexts(f, rows, []textField[AsideLap]{
		{"lap_id", func(r *AsideLap, v string) { r.Lap = v }},
		{"reason", func(r *AsideLap, v string) { r.Reason = v }},
		{"checks", func(r *AsideLap, v string) { r.Checks = listed(v) }},
	})
	return rows, err
}

// Aside reads the output AsideOutput: reasons by lap.
func Aside(f *frame.Frame) (map[string]string, error) {
	rows, err := AsideLaps(f)
	out := make(map[string]string, len(rows))
	for _, r := range rows {
		out[r.Lap] = r.Reason
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

// Flag is a finding of a lap that is used. An empty channel or hot spot is all.
type Flag struct {
	Lap, Channel, Hotspot, Check string

	Severity Severity
	Accepted bool
}

// name is the flag as tables show it.
func (f Flag) name() string {
	if f.Accepted {
		return AcceptedFlag(f.Check)
	}
	return f.Check
}

func (c *court) flags() *frame.Frame {
	rows := []Flag{}
	for i := range c.laps {
		l := &c.laps[i]
		if why, _ := l.aside(); len(why) > 0 {
			continue
		}
		own := len(rows)
		for _, f := range l.inOrder() {
			r := Flag{l.ID, f.channel, f.hotspot, f.Name, f.Severity, f.accepted}
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

// Flags reads the output FlagsOutput.
func Flags(f *frame.Frame) ([]Flag, error) {
	rows := make([]Flag, f.Rows())
	err := takeTexts(f, rows, []textField[Flag]{
		{"lap_id", func(r *Flag, v string) { r.Lap = v }},
		{"channel", func(r *Flag, v string) { r.Channel = v }},
		{"hotspot", func(r *Flag, v string) { r.Hotspot = v }},
		{"check", func(r *Flag, v string) { r.Check = v }},
		{"severity", func(r *Flag, v string) { r.Severity = Severity(v) }},
	})
	if err != nil {
		return nil, err
	}
	err = take(f, "accepted", rows, frame.Get[[]bool], func(r *Flag, v bool) { r.Accepted = v })
	return rows, err
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

// optional returns the frame of an input; nil where there is no such input.
func optional(in stages.Inputs, label string) (*frame.Frame, error) {
	for _, i := range in.Frames {
		if i.Label == label {
			return i.Get()
		}
	}
	return nil, nil
}

// textField is a text column and what takes its values.
type textField[R any] struct {
	name string
	set  func(r *R, v string)
}

// takeTexts copies text columns into rows, in the order of the fields.
func takeTexts[R any](f *frame.Frame, rows []R, fields []textField[R]) error {
	for _, c := range fields {
		if err := take(f, c.name, rows, frame.Get[[]string], c.set); err != nil {
			return err
		}
	}
	return nil
}

// listed splits what is listed with ";".
func listed(s string) []string {
	if s == "" {
		return nil
	}
	return strings.Split(s, ";")
}
