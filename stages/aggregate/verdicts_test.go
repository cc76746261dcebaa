package aggregate

import (
	"bytes"
	"context"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/calibrate"
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
	return ingestedRows(rows)
}

// ingestedRows is a lap's quality as ingest gives it.
func ingestedRows(rows []figures) *frame.Frame {
	t := layout[figures]{rows: rows}
	for _, c := range figureFields {
		switch {
		case c.text != nil:
			t.text(c.name, func(r *figures) string { return *c.text(r) })
		case c.count != nil:
			t.count(c.name, func(r *figures) int64 { return *c.count(r) })
		default:
			t.number(c.name, "", func(r *figures) float64 { return *c.number(r) })
		}
	}
	return t.frame()
}

// trial is laps that are judged, in the steps in which a season's graph does it.
type trial struct {
	Checks   []Check
	Laps     []triedLap
	Channels []string
	Spots    []triedSpot
	BandHigh float64
}

type triedLap struct {
	ID, Circuit, Bike string

	Accepted []Accepted
	Overlaps []string
	Witness  bool
}

type triedSpot struct {
	Hotspot, Channel string
	Factor           float64
}

// findings is the first step.
func (t trial) findings() Findings {
	f := Findings{Checks: t.Checks, Channels: t.Channels}
	for _, l := range t.Laps {
		f.Laps = append(f.Laps, ReadLap{l.ID, l.Circuit, l.Bike, l.Overlaps, l.Witness})
	}
	return f
}

// spot is the step of a hot spot.
func (t trial) spot(s triedSpot) SpotFindings {
	return SpotFindings{Checks: t.Checks, Hotspot: s.Hotspot, Channel: s.Channel, Factor: s.Factor, BandHigh: t.BandHigh}
}

// verdicts is the last step.
func (t trial) verdicts() Verdicts {
	var v Verdicts
	for _, l := range t.Laps {
		if !l.Witness {
			v.Laps = append(v.Laps, JudgedLap{l.ID, l.Accepted})
		}
	}
	for _, s := range t.Spots {
		v.Spots = append(v.Spots, JudgedSpot{s.Hotspot, s.Channel})
	}
	return v
}

func (t trial) run(in stages.Inputs) ([]stages.Output, error) {
	found, err := t.findings().Run(context.Background(), in)
	if err != nil {
		return nil, err
	}
	judging := stages.Inputs{Frames: append(slices.Clone(in.Frames),
		stages.Input{Label: RowsInput, Frame: found[0].Frame}, stages.Input{Label: FindingsInput, Frame: found[1].Frame})}
	for _, s := range t.Spots {
		out, err := t.spot(s).Run(context.Background(), in)
		if err != nil {
			return nil, err
		}
		judging.Frames = append(judging.Frames, stages.Input{Label: SpotFindingsLabel(s.Hotspot), Frame: out[0].Frame})
	}
	return t.verdicts().Run(context.Background(), judging)
}

// verdict is what the tables say of one lap: each channel's verdict and findings, why
// it is set aside, and its flags.
type verdict struct {
	Rows  [][2]string
	Aside string
	Flags []Flag
}

// verdictOf judges a lap L among four faultless ones of its circuit.
func verdictOf(t *testing.T, v trial, l triedLap, reading stages.Input, row damage.Row) verdict {
	t.Helper()
	l.ID, l.Circuit = "L", "Hill"
	v.Channels, v.Spots = []string{"z", "x"}, []triedSpot{{"toe", "z", 2}}
	reading.Label = ReadingLabel("L")
	calibrated := frame.Must([]frame.Attr{frame.Num(calibrate.Amplitude, "MPa", 50)})
	in := stages.Inputs{Frames: []stages.Input{reading, {Label: TransferLabel("toe"), Frame: calibrated}}}
	toe := damage.Figures{Laps: []string{"L"}, Missing: []string{""}, Rows: []damage.Row{row}}
	for _, id := range []string{"A", "B", "C", "D"} {
		v.Laps = append(v.Laps, triedLap{ID: id, Circuit: "Hill"})
		in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(id), Frame: ingested(func(z, _ *figures) { z.digest = "of " + id })})
		toe.Laps, toe.Missing, toe.Rows = append(toe.Laps, id), append(toe.Missing, ""), append(toe.Rows, damage.Row{Rate: 1000})
	}
	v.Laps = append(v.Laps, l)
	in.Frames = append(in.Frames, stages.Input{Label: FiguresLabel("toe"), Frame: toe.Frame()})
	out, err := v.run(in)
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

// The limits are this project's own: common practice, no source.
func TestVerdicts(t *testing.T) {
	with := func(name string, limit float64, s Severity) []Check {
		out := Checks()
		out[checkPlace(name)] = Check{Name: name, Limit: limit, Severity: s}
		return out
	}
	read := func(change func(z, x *figures)) stages.Input { return stages.Input{Frame: ingested(change)} }
	spiky := read(func(z, _ *figures) { z.spikes = 2 })
	holed := read(func(z, _ *figures) { z.missing, z.missingAt = 3, `line 9, column "AZ"` })
	flag := func(channel, hotspot, check string, s Severity) []Flag {
		return []Flag{{"L", channel, hotspot, check, s, false}}
	}
	tests := []struct {
		reason  string
		checks  []Check
		lap     triedLap
		reading stages.Input
		damage  damage.Row
		want    verdict
	}{
		{"nothing", Checks(), triedLap{}, read(nil), damage.Row{Rate: 1000}, verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"a warning concerns its channel", Checks(), triedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "spikes"}, {"ok", ""}}, Flags: flag("z", "", Spikes, Warn)}},
		{"a figure below the limit is no finding", with(Spikes, 3, Warn), triedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"a note", with(Spikes, 1, Note), triedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"note", "spikes"}, {"ok", ""}}, Flags: flag("z", "", Spikes, Note)}},
		{"off does not look", with(Spikes, 1, Off), triedLap{}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"accepted is shown", Checks(), triedLap{Accepted: []Accepted{{Spikes, "kerb"}}}, spiky, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"accepted", "spikes"}, {"ok", ""}}, Flags: []Flag{{"L", "z", "", Spikes, Warn, true}}}},
		{"set aside concerns the whole lap", Checks(), triedLap{}, holed, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "missing"}, {"set aside", ""}},
				Aside: `missing: z: 3 samples missing or not finite, the first on line 9, column "AZ"`}},
		{"accepted, it is used", Checks(), triedLap{Accepted: []Accepted{{Missing, "seen"}}}, holed, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"accepted", "missing"}, {"ok", ""}}, Flags: []Flag{{"L", "z", "", Missing, SetAside, true}}}},
		{"all reasons for which it is set aside", Checks(), triedLap{}, read(func(z, x *figures) {
			z.missing, z.missingAt, x.missing, x.missingAt = 1, "line 2", 2, "line 3"
			z.backward, z.backwardAt, x.backward, x.backwardAt = 1, "line 4", 1, "line 4"
		}), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "backward;missing"}, {"set aside", "backward;missing"}},
				Aside: "backward: time does not advance at 1 sample, the first on line 4; " +
					"missing: z: 1 sample missing or not finite, the first on line 2; missing: x: 2 samples missing or not finite, the first on line 3"}},
		{"gaps of one channel concern that one", Checks(), triedLap{}, read(func(_, x *figures) { x.gaps, x.gapSteps, x.gapAt = 1, 20, "line 7" }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}, {"set aside", "gaps"}},
				Aside: "gaps: x: a gap of 0.2 s, 20 nominal steps, before line 7; 1 gap in all"}},
		{"many samples lost", Checks(), triedLap{}, read(func(_, x *figures) { x.lost = 0.01 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"warn", "lost"}}, Flags: flag("x", "", Lost, Warn)}},
		{"so many that it is not used", Checks(), triedLap{}, read(func(_, x *figures) { x.lost = 0.05 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}, {"set aside", "lost"}}, Aside: "lost: x: 5 % of the samples are not there"}},
		{"a note stays one", with(Lost, 0.01, Note), triedLap{}, read(func(_, x *figures) { x.lost = 0.5 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"note", "lost"}}, Flags: flag("x", "", Lost, Note)}},
		{"who accepts a hole has not accepted that half of the lap is lost", Checks(), triedLap{Accepted: []Accepted{{Gaps, "seen"}}},
			read(func(_, x *figures) { x.gaps, x.gapSteps, x.gapAt, x.lost = 1, 500, "line 7", 0.5 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}, {"set aside", "lost;gaps"}}, Aside: "lost: x: 50 % of the samples are not there"}},
		{"both accepted, both are shown", Checks(), triedLap{Accepted: []Accepted{{Gaps, "seen"}, {Lost, "a straight"}}},
			read(func(_, x *figures) { x.gaps, x.gapSteps, x.gapAt, x.lost = 1, 500, "line 7", 0.5 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"accepted", "lost;gaps"}},
				Flags: []Flag{{"L", "x", "", Lost, SetAside, true}, {"L", "x", "", Gaps, SetAside, true}}}},
		{"a tenth without life", Checks(), triedLap{}, read(func(z, _ *figures) { z.dead = 0.1 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "dead"}, {"ok", ""}}, Flags: flag("z", "", Dead, Warn)}},
		{"few samples lost", Checks(), triedLap{}, read(func(_, x *figures) { x.lost = 0.0099 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"no other lap has its rate", Checks(), triedLap{}, read(func(z, x *figures) { z.rate, x.rate = 98.9, 98.9 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "rate"}, {"warn", "rate"}},
				Flags: []Flag{{"L", "z", "", Rate, Warn, false}, {"L", "x", "", Rate, Warn, false}}}},
		{"its rate is that of the others but for the clock", Checks(), triedLap{}, read(func(z, x *figures) { z.rate, x.rate = 99.1, 99.1 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"another bike's logger has another rate", Checks(), triedLap{Bike: "7"}, read(func(z, x *figures) { z.rate, x.rate = 50, 50 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"the ultimate stress is reached: the channel is not at fault", Checks(), triedLap{}, read(nil), damage.Row{Rate: 1000, OverUltimate: 1},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}, Flags: flag("z", "toe", OverUltimate, Warn)}},
		{"what is wrong with the time concerns all channels", Checks(), triedLap{},
			read(func(z, x *figures) { z.unsteady, x.unsteady = 0.02, 0.02 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "rate"}, {"warn", "rate"}}, Flags: flag("", "", Rate, Warn)}},
		{"it lasts too long", Checks(), triedLap{}, read(func(z, _ *figures) { z.duration = 16 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "duration"}, {"warn", "duration"}}, Flags: flag("", "", Duration, Warn)}},
		{"both scaled alike are not swapped", with(Level, 2, SetAside), triedLap{}, read(func(z, x *figures) { z.level, x.level = 0.3, 0.15 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "level"}, {"set aside", "level"}},
				Aside: "level: z: it vibrates 0.3 times as much as in the circuit's other laps; is it scaled as they are?; " +
					"level: x: it vibrates 0.3 times as much as in the circuit's other laps; is it scaled as they are?"}},
		{"swapped", with(Swapped, 2, SetAside), triedLap{}, read(func(z, x *figures) { z.level, x.level = 0.6, 0.9 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}, {"set aside", "swapped"}},
				Aside: "swapped: x vibrates 1.5 times as much as z, in the circuit's other laps 0.5 times; are they swapped, or is one scaled otherwise?"}},
		{"one of two is dead: the sound one is not charged", Checks(), triedLap{}, read(func(z, _ *figures) { z.level = 0.005 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "steps;drift;level;swapped"}, {"ok", ""}},
				Flags: []Flag{{"L", "z", "", Steps, Warn, false}, {"L", "z", "", Drift, Warn, false}, {"L", "z", "", Level, Warn, false}, {"L", "z", "", Swapped, Warn, false}}}},
		{"the first of two is scaled by three", with(Level, 9, SetAside), triedLap{}, read(func(z, _ *figures) { z.level = 3 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "swapped"}, {"ok", ""}}, Flags: flag("z", "", Swapped, Warn)}},
		{"m/s² in a lap of a season in g", with(Level, 2, SetAside), triedLap{}, read(func(z, x *figures) { z.level, x.level = 10, 5 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "level"}, {"set aside", "level"}},
				Aside: "level: z: it vibrates 10 times as much as in the circuit's other laps; is it scaled as they are, or is it m/s² taken for g?; " +
					"level: x: it vibrates 10 times as much as in the circuit's other laps; is it scaled as they are, or is it m/s² taken for g?"}},
		{"a place holder is named with its value", with(Sentinel, 1, SetAside), triedLap{},
			read(func(z, _ *figures) { z.sentinel, z.sentinels, z.sentinelsAt = -9999, 1, `line 9, column "AZ"` }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", "sentinel"}, {"set aside", ""}},
				Aside: `sentinel: z: 1 sample of -9999, far beyond all others, first on line 9, column "AZ": the logger's word for no value? leave the cells empty at the source`}},
		{"it shares a part of its recording", Checks(), triedLap{Overlaps: []string{"A", "B"}}, read(nil), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "overlap"}, {"warn", "overlap"}}, Flags: flag("", "", Overlap, Warn)}},
		{"a twin in one channel of two", Checks(), triedLap{}, read(func(z, x *figures) { z.digest, x.digest = "of B", "its own" }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "duplicate"}, {"ok", ""}}, Flags: flag("z", "", Duplicate, Warn)}},
		{"no level, no comparison; a level of 0 is a dead channel", Checks(), triedLap{}, read(func(z, x *figures) { z.level, x.level = math.NaN(), 0 }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"ok", ""}, {"warn", "steps;drift;level"}},
				Flags: []Flag{{"L", "x", "", Steps, Warn, false}, {"L", "x", "", Drift, Warn, false}, {"L", "x", "", Level, Warn, false}}}},
		{"a twin of another lap", Checks(), triedLap{}, read(func(z, _ *figures) { z.digest = "of B" }), damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"warn", "duplicate"}, {"warn", "duplicate"}}, Flags: flag("", "", Duplicate, Warn)}},
		{"one cycle does it all", Checks(), triedLap{}, read(nil), damage.Row{Rate: 1000, LargestShare: 0.8},
			verdict{Rows: [][2]string{{"warn", "single_peak"}, {"ok", ""}}, Flags: flag("z", "toe", SinglePeak, Warn)}},
		{"eight samples a cycle", Checks(), triedLap{}, read(nil), damage.Row{Rate: 400},
			verdict{Rows: [][2]string{{"warn", "few_samples_per_cycle"}, {"ok", ""}}, Flags: flag("z", "toe", FewSamples, Warn)}},
		{"three halves of what was calibrated, the stress factor of 2 in both", Checks(), triedLap{}, read(nil), damage.Row{Rate: 1000, MaxAmplitude: 150},
			verdict{Rows: [][2]string{{"warn", "outside_calibrated"}, {"ok", ""}}, Flags: flag("z", "toe", OutsideCalibrated, Warn)}},
		{"near what was calibrated", Checks(), triedLap{}, read(nil), damage.Row{Rate: 1000, MaxAmplitude: 149}, verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"eight are enough", with(FewSamples, 8, Warn), triedLap{}, read(nil), damage.Row{Rate: 400},
			verdict{Rows: [][2]string{{"ok", ""}, {"ok", ""}}}},
		{"it could not be read, whatever is accepted", Checks(), triedLap{Accepted: []Accepted{{Gaps, "x"}}},
			stages.Input{Missing: "no such column"}, damage.Row{Rate: 1000},
			verdict{Rows: [][2]string{{"set aside", ""}}, Aside: "no such column"}},
	}
	for _, tt := range tests {
		got := verdictOf(t, trial{Checks: tt.checks, BandHigh: 50}, tt.lap, tt.reading, tt.damage)
		if got.Flags != nil && len(got.Flags) == 0 {
			got.Flags = nil
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestBrief(t *testing.T) {
	for _, tt := range []struct {
		reason string
		v      brief
		want   string
	}{
		{"a usual rate", 1000, "1000"},
		{"three digits", 971.4, "971"},
		{"more before the point are rounded", 12345, "12300"},
		{"rounded up a decade", 999.7, "1000"},
		{"small", 0.000123456, "0.000123"},
		{"very large", 3.21e9, "3.21e+09"},
		{"very small", 1.5e-8, "1.5e-08"},
		{"none", 0, "0"},
		{"no end", brief(math.Inf(1)), "+Inf"},
		{"below 0", -1234, "-1230"},
	} {
		if got := tt.v.String(); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.reason, got, tt.want)
		}
	}
}

func TestOthers(t *testing.T) {
	tests := []struct {
		reason string
		all    peers
		own    float64
		want   float64
		others int
	}{
		{"too few others", peers{1, 2, 3}, 2, math.NaN(), 2},
		{"three others", peers{1, 2, 3, 9}, 9, 2, 3},
		{"the middle one is its own", peers{1, 2, 3, 4, 5}, 3, 3, 4},
		{"four others", peers{1, 2, 3, 4, 50}, 1, 3.5, 4},
		{"equal ones", peers{2, 2, 2, 2}, 2, 2, 3},
		{"not among them", peers{1, 2, 3, 4}, 2.5, 2.5, 4},
		{"not a number", peers{1, 2, 3, 4}, math.NaN(), math.NaN(), 4},
	}
	for _, tt := range tests {
		got, n := tt.all.others(tt.own)
		if got != tt.want && !(math.IsNaN(got) && math.IsNaN(tt.want)) || n != tt.others {
			t.Errorf("%s: %v of %d, want %v of %d", tt.reason, got, n, tt.want, tt.others)
		}
	}
}

// A season of one lap of each of five circuits and two of another, of which one is
// scaled by 5, is compared throughout; one by 3 may be the circuit.
func TestTooFewLapsOfACircuit(t *testing.T) {
	run := func(laps int, level float64) (compared, findings string) {
		v := trial{Checks: Checks(), Channels: []string{"z", "x"}}
		var in stages.Inputs
		for i, id := range []string{"A", "B", "C", "D", "E", "L"}[6-laps:] {
			v.Laps = append(v.Laps, triedLap{ID: id, Circuit: id, Witness: i == 0})
			in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(id), Frame: ingested(func(z, x *figures) {
				z.digest, x.digest = id, id
				if id == "L" {
					z.level, x.level = level, level/2
				}
			})})
		}
		out, err := v.run(in)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := readQuality(out[0].Frame)
		if err != nil {
			t.Fatal(err)
		}
		last := rows[len(rows)-1]
		return last.compared, last.findings
	}
	for _, tt := range []struct {
		reason             string
		laps               int
		level              float64
		compared, findings string
	}{
		{"like the laps of other circuits", 6, 1, "5 other laps of all circuits", ""},
		{"a circuit may be three times as rough", 6, 3, "5 other laps of all circuits", ""},
		{"or as smooth", 6, 0.3, "5 other laps of all circuits", ""},
		{"none is five times as rough", 6, 5, "5 other laps of all circuits", "level"},
		{"three others are enough", 4, 5, "3 other laps of all circuits", "level"},
		{"two that agree are enough for a factor of eight", 3, 9.81, "2 other laps of all circuits", "level"},
		{"and for none of less", 3, 5, "2 other laps of all circuits", ""},
		{"one is not, and that is said", 2, 50, "not compared: 1 other lap", ""},
	} {
		if compared, findings := run(tt.laps, tt.level); compared != tt.compared || findings != tt.findings {
			t.Errorf("%s: %q, findings %q; want %q, %q", tt.reason, compared, findings, tt.compared, tt.findings)
		}
	}
}

// Laps that were written in two ways, and whose finding it is.
func TestDuplicates(t *testing.T) {
	type lap struct {
		id, digest, sketch string
		duration           float64
		witness            bool
	}
	tests := []struct {
		reason string
		laps   []lap
		want   map[string]string
	}{
		{"another lap", []lap{{"A", "a", "0 1000 900", 10, false}, {"B", "b", "0 1000 921", 10, false}}, map[string]string{}},
		{"nearly the same samples", []lap{{"A", "a", "0 1000 900", 10, false}, {"B", "b", "5 990 920", 10, false}},
			map[string]string{"B": "duplicate: z holds nearly the samples of lap A; was one lap exported twice?"}},
		{"they last otherwise", []lap{{"A", "a", "0 1000 900", 10, false}, {"B", "b", "0 1000 900", 10.2, false}}, map[string]string{}},
		{"the same is said once", []lap{{"A", "a", "0 1000 900", 10, false}, {"B", "a", "0 1000 900", 10, false}},
			map[string]string{"B": "duplicate: z holds the same samples as lap A"}},
		{"a lap that is no part of this", []lap{{"A", "a", "", 10, true}, {"B", "a", "", 10, false}},
			map[string]string{"B": "duplicate: z holds the same samples as lap A"}},
		{"the later one is at fault, even if it is judged elsewhere", []lap{{"A", "a", "", 10, false}, {"B", "a", "", 10, true}}, map[string]string{}},
		{"no sketch", []lap{{"A", "a", "", 10, false}, {"B", "b", "", 10, false}}, map[string]string{}},
	}
	for _, tt := range tests {
		v := trial{Checks: Checks(), Channels: []string{"z"}}
		var in stages.Inputs
		for _, l := range tt.laps {
			v.Laps = append(v.Laps, triedLap{ID: l.id, Circuit: "Hill", Witness: l.witness})
			in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(l.id), Frame: ingested(func(z, _ *figures) {
				z.digest, z.sketch, z.duration = l.digest, l.sketch, l.duration
			})})
		}
		out, err := v.run(in)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := readQuality(out[0].Frame)
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for _, r := range rows {
			if r.findings != "" {
				got[r.lap] = r.reason
			}
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// judgeLevels judges laps by their level alone; a lap is named by its circuit and place.
func judgeLevels(t *testing.T, circuits []string, levels map[string][]float64) map[string][2]string {
	t.Helper()
	v := trial{Checks: Checks(), Channels: []string{"z"}}
	var in stages.Inputs
	for _, c := range circuits {
		for i, level := range levels[c] {
			id := c + strconv.Itoa(i)
			v.Laps = append(v.Laps, triedLap{ID: id, Circuit: c})
			in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(id), Frame: ingested(func(z, _ *figures) { z.level, z.digest = level, id })})
		}
	}
	out, err := v.run(in)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := readQuality(out[0].Frame)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][2]string{}
	for _, r := range rows {
		if r.findings != "" || strings.HasPrefix(r.compared, notCompared) {
			got[r.lap] = [2]string{r.findings, r.compared}
		}
	}
	return got
}

// What no lap of a circuit or few laps show. Common practice, no source.
func TestLevels(t *testing.T) {
	five := func(by float64) []float64 { return []float64{by, 1.1 * by, 0.9 * by, by, 1.05 * by} }
	tests := []struct {
		reason   string
		circuits []string
		levels   map[string][]float64
		want     map[string][2]string
	}{
		{"circuits may differ by three", []string{"A", "B", "C", "D"},
			map[string][]float64{"A": five(1), "B": five(1.5), "C": five(0.8), "D": five(3)}, map[string][2]string{}},
		{"one of four circuits is in m/s2", []string{"A", "B", "C", "D"},
			map[string][]float64{"A": five(1), "B": five(1.5), "C": five(0.8), "D": five(9.81)}, map[string][2]string{
				"D0": {"level", "4 other laps"}, "D1": {"level", "4 other laps"}, "D2": {"level", "4 other laps"}, "D3": {"level", "4 other laps"}, "D4": {"level", "4 other laps"}}},
		{"one of three", []string{"A", "B", "D"}, map[string][]float64{"A": five(1), "B": five(1), "D": {9.8, 9.9, 10}}, map[string][2]string{
			"D0": {"level", "12 other laps of all circuits"}, "D1": {"level", "12 other laps of all circuits"}, "D2": {"level", "12 other laps of all circuits"}}},
		{"of three that differ nobody knows which", []string{"A", "B", "D"}, map[string][]float64{"A": five(1), "B": five(3), "D": five(30)}, map[string][2]string{}},
		{"a lap that is as at the other circuits is not at fault", []string{"A", "B", "C", "D"},
			map[string][]float64{"A": five(1), "B": five(1), "C": five(1), "D": {10, 10, 1, 10, 10}}, map[string][2]string{
				"D0": {"level", "4 other laps"}, "D1": {"level", "4 other laps"}, "D2": {"level", "4 other laps"}, "D3": {"level", "4 other laps"}, "D4": {"level", "4 other laps"}}},
		{"six that hardly differ show a factor of 1.9", []string{"A"},
			map[string][]float64{"A": {1, 1.02, 0.97, 1.9, 1, 1.03, 0.99}}, map[string][2]string{"A3": {"unusual", "6 other laps"}}},
		{"five do not", []string{"A"}, map[string][]float64{"A": {1, 1.02, 0.97, 1.9, 1, 1.03}}, map[string][2]string{}},
		{"nor do six that differ more", []string{"A"}, map[string][]float64{"A": {1, 1.3, 0.7, 1.9, 1.1, 1.2, 0.8}}, map[string][2]string{}},
		{"a fifth is not unusual, however equal the others", []string{"A"}, map[string][]float64{"A": {1, 1, 1, 1.2, 1, 1, 1}}, map[string][2]string{}},
		{"a quarter is", []string{"A"}, map[string][]float64{"A": {1, 1, 1, 1.26, 1, 1, 1}}, map[string][2]string{"A3": {"unusual", "6 other laps"}}},
		{"of three laps one departs from two that agree", []string{"A"}, map[string][]float64{"A": {1, 1.2, 9.81}}, map[string][2]string{
			"A0": {"", "not compared: 2 other laps"}, "A1": {"", "not compared: 2 other laps"}, "A2": {"level", "2 other laps"}}},
		{"and by less than four it does not", []string{"A"}, map[string][]float64{"A": {1, 1.2, 3}}, map[string][2]string{
			"A0": {"", "not compared: 2 other laps"}, "A1": {"", "not compared: 2 other laps"}}},
	}
	for _, tt := range tests {
		if diff := cmp.Diff(tt.want, judgeLevels(t, tt.circuits, tt.levels)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// The same laps give the same bytes, run after run.
func TestVerdictsAreDeterministic(t *testing.T) {
	v := trial{Checks: Checks(), Channels: []string{"z", "x"}, Spots: []triedSpot{{"toe", "z", 1}, {"bore", "x", 1}}, BandHigh: 50}
	var in stages.Inputs
	var toe, bore damage.Figures
	for i, id := range []string{"A", "B", "C", "D", "E"} {
		v.Laps = append(v.Laps, triedLap{ID: id, Circuit: "Hill", Accepted: []Accepted{{Flat, "parked"}, {Level, "the rig"}}})
		in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(id), Frame: ingested(func(z, x *figures) {
			z.spikes, x.flat, z.drift, x.level, x.lost = int64(i), float64(i), float64(i), float64(i), 0.005*float64(i)
		})})
		toe.Laps, toe.Missing, toe.Rows = append(toe.Laps, id), append(toe.Missing, ""), append(toe.Rows, damage.Row{Rate: 400, OverUltimate: 1})
		bore.Laps, bore.Missing, bore.Rows = toe.Laps, toe.Missing, append(bore.Rows, damage.Row{Rate: 400, LargestShare: 0.7})
	}
	in.Frames = append(in.Frames, stages.Input{Label: FiguresLabel("toe"), Frame: toe.Frame()}, stages.Input{Label: FiguresLabel("bore"), Frame: bore.Frame()})
	var first [][]byte
	for n := range 50 {
		out, err := v.run(in)
		if err != nil {
			t.Fatal(err)
		}
		for i, o := range out {
			b := o.Frame.AppendEncoded(nil)
			if n == 0 {
				first = append(first, b)
			} else if !bytes.Equal(b, first[i]) {
				t.Fatalf("run %d: output %q differs from the first run's", n+1, o.Name)
			}
		}
		// What reads a damaged output names the same column each time.
		_, err = Flags(frame.Must(nil))
		_, again := Flags(frame.Must(nil))
		if err == nil || again == nil || err.Error() != again.Error() {
			t.Fatalf("errors %v and %v", err, again)
		}
	}
}

// An acceptance that finds nothing any more is stale, unless it still does for another
// use or scenario.
func TestStaleAcceptance(t *testing.T) {
	accepted := []Accepted{{Spikes, "kerb"}, {Gaps, "harmless"}}
	judge := func(checks []Check) *frame.Frame {
		v := trial{Checks: checks, Channels: []string{"z"}, Spots: []triedSpot{{"toe", "z", 1}},
			Laps: []triedLap{{ID: "L", Circuit: "Hill", Accepted: accepted}}}
		out, err := v.run(stages.Inputs{Frames: []stages.Input{
			{Label: ReadingLabel("L"), Frame: ingested(func(z, _ *figures) { z.spikes = 1 })},
			{Label: FiguresLabel("toe"), Frame: damage.Figures{Laps: []string{"L"}, Missing: []string{""}, Rows: []damage.Row{{Rate: 1000}}}.Frame()}}})
		if err != nil {
			t.Fatal(err)
		}
		return out[0].Frame
	}
	off := Checks()
	off[checkPlace(Spikes)].Severity = Off
	q := Quality{Parts: []QualityPart{{Use: "calibration", Scenario: "base", Hotspots: []string{"toe"}}, {Use: "season", Scenario: "base"}, {Use: "season", Scenario: "thin"}}}
	out, err := q.Run(context.Background(), stages.Inputs{Frames: []stages.Input{
		{Label: QualityLabel(0), Frame: judge(off)}, {Label: QualityLabel(1), Frame: judge(Checks())}, {Label: QualityLabel(2), Frame: judge(Checks())}}})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := readQuality(out[0].Frame)
	if err != nil {
		t.Fatal(err)
	}
	type said struct{ Verdict, Stale, Concerns, Use string }
	var got []said
	for _, r := range rows {
		got = append(got, said{r.verdict, r.stale, r.concerns, r.use})
	}
	want := []said{{"ok", "gaps", "", "calibration"}, {"accepted", "gaps", "base/toe;thin/toe", "season"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("rows (-want +got):\n%s", diff)
	}
}

// Everything that a verdict depends on is part of its key.
func TestVerdictsKey(t *testing.T) {
	id := func(change func(v *trial)) key.ID {
		v := trial{Checks: Checks(), Laps: []triedLap{{ID: "A", Circuit: "Hill", Accepted: []Accepted{{Gaps, "x"}}}},
			Channels: []string{"z"}, Spots: []triedSpot{{"toe", "z", 1}}, BandHigh: 50}
		change(&v)
		h := key.New(Name, Revision, "any")
		v.findings().AddTo(h)
		v.spot(v.Spots[0]).AddTo(h)
		v.verdicts().AddTo(h)
		return h.Sum()
	}
	for what, change := range map[string]func(v *trial){
		"limit":                               func(v *trial) { v.Checks[3].Limit++ },
		"level from which a lap is set aside": func(v *trial) { v.Checks[3].Aside++ },
		"severity":                            func(v *trial) { v.Checks[3].Severity = Off },
		"circuit":                             func(v *trial) { v.Laps[0].Circuit = "Lake" },
		"bike":                                func(v *trial) { v.Laps[0].Bike = "7" },
		"witness":                             func(v *trial) { v.Laps[0].Witness = true },
		"accept":                              func(v *trial) { v.Laps[0].Accepted[0].Reason = "y" },
		"check":                               func(v *trial) { v.Laps[0].Accepted[0].Check = Flat },
		"overlap":                             func(v *trial) { v.Laps[0].Overlaps = []string{"B"} },
		"channel":                             func(v *trial) { v.Channels[0] = "x" },
		"follow":                              func(v *trial) { v.Spots[0].Channel = "x" },
		"band":                                func(v *trial) { v.BandHigh = 60 },
	} {
		if id(change) == id(func(*trial) {}) {
			t.Errorf("another %s gives the same key", what)
		}
	}
}
