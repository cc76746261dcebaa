package aggregate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// finding is a figure that reached its limit.
type finding struct {
	check            string
	place            int // of the check in the order of the tables; below 0 it is no check's
	severity         Severity
	channel, hotspot string // "" = all
	text             string
	accepted         bool
}

func (f *finding) says() string { return f.check + ": " + f.text }

// limits are the checks that are applied.
type limits []Check

func (k limits) addTo(h *key.Hasher) {
	for _, c := range k {
		h.Float("quality."+c.Name+".limit", c.Limit)
		h.String("quality."+c.Name+".severity", string(c.Severity))
		h.Float("quality."+c.Name+".set_aside", c.Aside)
	}
}

// of returns a check's limit; NaN where the check is not applied.
func (k limits) of(check string) float64 {
	for i := range k {
		if k[i].Name == check {
			return k[i].Limit
		}
	}
	return math.NaN()
}

// reached returns the place of a check whose limit a figure reaches, -1 where it does not.
func (k limits) reached(check string, figure float64) int {
	for i := range k {
		if c := &k[i]; figure >= c.Limit && c.Name == check && c.Severity != Off {
			return i
		}
	}
	return -1
}

// findings are those in a lap.
type findings []finding

// find adds a finding where the figure reaches the check's limit, and tells whether. What it says is to follow: of nearly all figures nothing is said.
func (l *findings) find(k limits, check, channel, hotspot string, figure float64) bool {
	i := k.reached(check, figure)
	if i < 0 {
		return false
	}
	*l = append(*l, finding{check: check, place: checkPlace(check), severity: k[i].severity(figure), channel: channel, hotspot: hotspot})
	return true
}

// say gives the last finding its text.
func (l findings) say(format string, args ...any) { l[len(l)-1].text = fmt.Sprintf(format, args...) }

// found is findings of laps, as FindingsOutput has them.
type found struct {
	laps     []string
	findings []finding
}

// add adds a lap's findings; failed is why it could not be read or counted.
func (t *found) add(lap, failed string, own []finding) {
	if failed != "" {
		t.laps, t.findings = append(t.laps, lap), append(t.findings, finding{text: failed})
	}
	for i := range own {
		t.laps, t.findings = append(t.laps, lap), append(t.findings, own[i])
	}
}

func (t *found) frame() *frame.Frame {
	l := layout[finding]{rows: t.findings, cols: []frame.Column{frame.Col("lap_id", "", slices.Concat([]string{}, t.laps))}}
	l.text("check", func(f *finding) string { return f.check })
	l.text("severity", func(f *finding) string { return string(f.severity) })
	l.text("channel", func(f *finding) string { return f.channel })
	l.text("hotspot", func(f *finding) string { return f.hotspot })
	l.text("text", func(f *finding) string { return f.text })
	return l.frame()
}

// readFound reads what found.frame gives.
func readFound(f *frame.Frame) (found, error) {
	t := found{findings: make([]finding, f.Rows())}
	err := takeTexts(f, t.findings, []textField[finding]{
		{"check", func(f *finding, v string) { f.check, f.place = v, checkPlace(v) }},
		{"severity", func(f *finding, v string) { f.severity = Severity(v) }},
		{"channel", func(f *finding, v string) { f.channel = v }},
		{"hotspot", func(f *finding, v string) { f.hotspot = v }},
		{"text", func(f *finding, v string) { f.text = v }},
	})
	if err == nil {
		t.laps, err = frame.Get[[]string](f, "lap_id")
	}
	return t, err
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
	if i, ok := in.Labelled(label); ok {
		return i.Get()
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
