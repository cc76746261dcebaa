package aggregate

import (
	"context"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// ingested is a lap's quality as ingest gives it: channels z and x, nothing wrong,
// but for what change does.
func ingested(change func(z, x *figures)) *frame.Frame {
	fine := func(channel, digest string, level float64) figures {
		return figures{qualityRow: qualityRow{channel: channel, samples: 1000, rate: 100, flat: 0.01, drift: 0.1, step: 0.1},
			duration: 10, level: level, digest: digest}
	}
	rows := []figures{fine("z", "", 1), fine("x", "", 0.5)}
	if change != nil {
		change(&rows[0], &rows[1])
	}
	t := layout[figures]{rows: rows}
	t.text("channel", func(r *figures) string { return r.channel })
	t.count("samples", func(r *figures) int64 { return r.samples })
	t.number("rate_hz", "Hz", func(r *figures) float64 { return r.rate })
	t.count("gaps", func(r *figures) int64 { return r.gaps })
	t.count("spikes", func(r *figures) int64 { return r.spikes })
	t.count("clipped", func(r *figures) int64 { return r.clipped })
	t.number("flat_s", "s", func(r *figures) float64 { return r.flat })
	t.number("drift", "", func(r *figures) float64 { return r.drift })
	t.count("missing", func(r *figures) int64 { return r.missing })
	t.text("missing_at", func(r *figures) string { return r.missingAt })
	t.count("backward", func(r *figures) int64 { return r.backward })
	t.text("backward_at", func(r *figures) string { return r.backwardAt })
	t.number("gap_steps", "", func(r *figures) float64 { return r.gapSteps })
	t.text("gap_at", func(r *figures) string { return r.gapAt })
	t.number("unsteady", "", func(r *figures) float64 { return r.unsteady })
	t.number("duration_s", "s", func(r *figures) float64 { return r.duration })
	t.number("step", "", func(r *figures) float64 { return r.step })
	t.number("level", "", func(r *figures) float64 { return r.level })
	t.text("digest", func(r *figures) string { return r.digest })
	return t.frame()
}

// verdict is what the tables say of one lap: each channel's verdict and findings, why
// it is set aside, and its flags.
type verdict struct {
	Rows  [][2]string
	Aside string
	Flags []Flag
}

// verdictOf judges a lap L among four faultless ones of its circuit.
func verdictOf(t *testing.T, v Verdicts, l JudgedLap, reading stages.Input, row damage.Row) verdict {
	t.Helper()
	l.ID, l.Circuit = "L", "Hill"
	v.Channels, v.Spots = []string{"z", "x"}, []JudgedSpot{{"toe", "z"}}
	reading.Label = ReadingLabel("L")
	in := stages.Inputs{Frames: []stages.Input{reading, {Label: LapLabel("toe", "L"), Frame: damageFrame(row)}}}
	for _, id := range []string{"A", "B", "C", "D"} {
		v.Laps = append(v.Laps, JudgedLap{ID: id, Circuit: "Hill"})
		in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(id), Frame: ingested(func(z, _ *figures) { z.digest = "of " + id })},
			stages.Input{Label: LapLabel("toe", id), Frame: damageFrame(damage.Row{Rate: 1000})})
	}
	v.Laps = append(v.Laps, l)
	out, err := v.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := readQuality(out[0].Frame)
	if err != nil {
		t.Fatal(err)
	}
	aside, err := Aside(out[1].Frame)
	if err != nil {
		t.Fatal(err)
	}
	flags, err := Flags(out[2].Frame)
	if err != nil {
		t.Fatal(err)
	}
	got := verdict{Aside: aside["L"], Flags: flags}
	for _, r := range rows {
		if r.lap == "L" {
			got.Rows = append(got.Rows, [2]string{r.verdict, r.findings})
		} else if r.verdict != verdictOK {
			t.Errorf("lap %s: %s, %s", r.lap, r.verdict, r.reason)
		}
	}
	return got
}

// damageFrame is a damage as the stage damage gives it.
func damageFrame(r damage.Row) *frame.Frame { return r.Frame() }

// The limits are this project's own: common practice, no source.
func TestVerdicts(t *testing.T) {
	with := func(name string, limit float64, s Severity) []Check {
		out := Checks()
		out[checkPlace(name)] = Check{name, limit, s}
		return out
	}
	read := func(change func(z, x *figures)) stages.Input { return stages.Input{Frame: ingested(change)} }
	spiky := read(func(z, _ *figures) { z.spikes = 2 })
	holed := read(func(z, _ *figures) { z.missing, z.missingAt = 3, `line 9, column "AZ"` })
	flag := func(channel, hotspot, check string, s Severity) []Flag {
		return []Flag{{"L", channel, hotspot, check, s}}
	}
	tests := []struct {
		reason  string
		checks  []Check
		lap     JudgedLap
		reading stages.Input
		damage  damage.Row
		want    verdict
	}{
		{"nothing", Checks(), JudgedLap{}, read(nil), damage.Row{Rate: 1000}, verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"a warning concerns its channel", Checks(), JudgedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "spikes"}, {"ok", ""}}, Flags: flag("z", "", Spikes, Warn)}},
		{"a figure below the limit is no finding", with(Spikes, 3, Warn), JudgedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"a note", with(Spikes, 1, Note), JudgedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"note", "spikes"}, {"ok", ""}}, Flags: flag("z", "", Spikes, Note)}},
		{"off does not look", with(Spikes, 1, Off), JudgedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"accepted is shown and no flag", Checks(), JudgedLap{Accepted: []Accepted{{Spikes, "kerb"}}}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"accepted", "spikes"}, {"ok", ""}}}},
		{"set aside concerns the whole lap", Checks(), JudgedLap{}, holed, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "missing"}, {"set aside", ""}},
				Aside: `missing: z: 3 samples missing or not finite, the first on line 9, column "AZ"`}},
		{"accepted, it is used", Checks(), JudgedLap{Accepted: []Accepted{{Missing, "seen"}}}, holed, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"accepted", "missing"}, {"ok", ""}}}},
		{"what is wrong with the time concerns all channels", Checks(), JudgedLap{},
			read(func(z, x *figures) { z.unsteady, x.unsteady = 0.02, 0.02 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "rate"}, {"warn", "rate"}}, Flags: flag("", "", Rate, Warn)}},
		{"it lasts too long", Checks(), JudgedLap{}, read(func(z, _ *figures) { z.duration = 16 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "duration"}, {"warn", "duration"}}, Flags: flag("", "", Duration, Warn)}},
		{"both scaled alike are not swapped", with(Level, 2, SetAside), JudgedLap{}, read(func(z, x *figures) { z.level, x.level = 0.3, 0.15 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "level"}, {"set aside", "level"}},
				Aside: "level: z: it vibrates 0.3 times as much as in the circuit's other laps; is it scaled as they are?"}},
		{"swapped", with(Swapped, 2, SetAside), JudgedLap{}, read(func(z, x *figures) { z.level, x.level = 0.6, 0.9 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}, {"set aside", "swapped"}},
				Aside: "swapped: x vibrates 1.5 times as much as z, in the circuit's other laps 0.5 times; are they swapped, or is one scaled otherwise?"}},
		{"no level, no comparison", Checks(), JudgedLap{}, read(func(z, x *figures) { z.level, x.level = math.NaN(), 0 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"warn", "steps;drift"}},
				Flags: []Flag{{"L", "x", "", Steps, Warn}, {"L", "x", "", Drift, Warn}}}},
		{"a twin of another lap", Checks(), JudgedLap{}, read(func(z, _ *figures) { z.digest = "of B" }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "duplicate"}, {"warn", "duplicate"}}, Flags: flag("", "", Duplicate, Warn)}},
		{"one cycle does it all", Checks(), JudgedLap{}, read(nil), damage.Row{Rate: 1000, LargestShare: 0.8},
			verdict{Rows: [][2]string{{"warn", "single_peak"}, {"ok", ""}}, Flags: flag("z", "toe", SinglePeak, Warn)}},
		{"eight samples a cycle", Checks(), JudgedLap{}, read(nil), damage.Row{Rate: 400},
			verdict{Rows: [][2]string{{"warn", "few_samples_per_cycle"}, {"ok", ""}}, Flags: flag("z", "toe", FewSamples, Warn)}},
		{"eight are enough", with(FewSamples, 8, Warn), JudgedLap{}, read(nil), damage.Row{Rate: 400},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"it could not be read, whatever is accepted", Checks(), JudgedLap{Accepted: []Accepted{{Gaps, "x"}}},
			stages.Input{Missing: "no such column"}, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}}, Aside: "no such column"}},
	}
	for _, tt := range tests {
		got := verdictOf(t, Verdicts{Checks: tt.checks, BandHigh: 50}, tt.lap, tt.reading, tt.damage)
		if got.Flags != nil && len(got.Flags) == 0 {
			got.Flags = nil
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestOthers(t *testing.T) {
	tests := []struct {
		reason string
		all    peers
		own    float64
		want   float64
	}{
		{"too few others", peers{1, 2, 3}, 2, math.NaN()},
		{"three others", peers{1, 2, 3, 9}, 9, 2},
		{"the middle one is its own", peers{1, 2, 3, 4, 5}, 3, 3},
		{"four others", peers{1, 2, 3, 4, 50}, 1, 3.5},
		{"equal ones", peers{2, 2, 2, 2}, 2, 2},
		{"not a number", peers{1, 2, 3, 4}, math.NaN(), math.NaN()},
	}
	for _, tt := range tests {
		if got := tt.all.others(tt.own); got != tt.want && !(math.IsNaN(got) && math.IsNaN(tt.want)) {
			t.Errorf("%s: %v, want %v", tt.reason, got, tt.want)
		}
	}
}

// Everything that a verdict depends on is part of its key.
func TestVerdictsKey(t *testing.T) {
	id := func(change func(v *Verdicts)) key.ID {
		v := Verdicts{Checks: Checks(), Laps: []JudgedLap{{ID: "A", Circuit: "Hill", Accepted: []Accepted{{Gaps, "x"}}}},
			Channels: []string{"z"}, Spots: []JudgedSpot{{"toe", "z"}}, BandHigh: 50}
		change(&v)
		h := key.New(v.Name(), v.Revision(), "any")
		v.AddTo(h)
		return h.Sum()
	}
	for what, change := range map[string]func(v *Verdicts){
		"limit":    func(v *Verdicts) { v.Checks[3].Limit++ },
		"severity": func(v *Verdicts) { v.Checks[3].Severity = Off },
		"circuit":  func(v *Verdicts) { v.Laps[0].Circuit = "Lake" },
		"accept":   func(v *Verdicts) { v.Laps[0].Accepted[0].Reason = "y" },
		"check":    func(v *Verdicts) { v.Laps[0].Accepted[0].Check = Flat },
		"channel":  func(v *Verdicts) { v.Channels[0] = "x" },
		"follow":   func(v *Verdicts) { v.Spots[0].Channel = "x" },
		"band":     func(v *Verdicts) { v.BandHigh = 60 },
	} {
		if id(change) == id(func(*Verdicts) {}) {
			t.Errorf("another %s gives the same key", what)
		}
	}
}
