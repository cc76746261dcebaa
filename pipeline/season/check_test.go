package season

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

const twoChannels = `lapwear: 1
season: a
component: b
laps: laps.csv
time: {column: T, unit: s}
channels:
  z: {column: Z, unit: g}
  x: {column: X, unit: g}
hotspots:
  h: {follow: z, gain: 4 MPa/g, material: m}
  k: {follow: x, gain: 4 MPa/g, material: m}
materials: {m: {sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}}}
`

// checked is what Check finds, without what the texts go on to say.
type checked struct {
	Faults   []string
	SetAside []string // "lap: reason"
}

func check(t *testing.T, files map[string]string) checked {
	t.Helper()
	dir := small(t, files)
	c := Check(filepath.Join(dir, "season.yaml"), LoadOptions{})
	if (c.Season == nil) != (len(c.Faults) > 0) {
		t.Errorf("season %v beside %d faults", c.Season != nil, len(c.Faults))
	}
	var out checked
	for _, f := range c.Faults {
		out.Faults = append(out.Faults, filepath.Base(f.File)+": "+f.Message)
	}
	for _, l := range c.SetAside {
		for _, why := range l.Reasons {
			out.SetAside = append(out.SetAside, l.Lap+": "+strings.ReplaceAll(why, dir+string(filepath.Separator), ""))
		}
	}
	return out
}

// begins cuts each text to the length of the one that it is compared with.
func begins(got, want []string) []string {
	out := append([]string(nil), got...)
	for i := range min(len(got), len(want)) {
		if strings.HasPrefix(got[i], want[i]) {
			out[i] = want[i]
		}
	}
	return out
}

// TestCheckFindsAllAtOnce: a fault in one place does not hide those in others.
func TestCheckFindsAllAtOnce(t *testing.T) {
	rows := "0,1,1\n0.1,2,2\n0.2,1,1\n"
	sound := "T,Z,X\n" + rows
	laps := "lap_id,file,circuit,start_s\nA,a.csv,Hill,\nB,b.csv,Hill,\n"
	tests := []struct {
		reason string
		files  map[string]string
		want   checked
	}{
		{"nothing", map[string]string{"season.yaml": twoChannels, "laps.csv": laps, "a.csv": sound, "b.csv": sound}, checked{}},
		{"both columns of a recording, and another recording's row",
			map[string]string{"season.yaml": twoChannels, "laps.csv": laps, "a.csv": "T,P,Q\n" + rows, "b.csv": "T,Z,X\n0,1,off\n1,1,1\n"},
			checked{nil, []string{`A: read "a.csv": line 1: no column "Z"`, `A: read "a.csv": line 1: no column "X"`, `B: read "b.csv": line 2, column "X": found "off"`}}},
		{"a fault of the season file, of the manifest, of the calendar and of the recordings",
			map[string]string{"season.yaml": strings.Replace(twoChannels, "h: {follow: z, gain: 4 MPa/g", "h: {follow: z, gain: 4 MPa/mm", 1) + "calendar: cal.csv\n",
				"laps.csv": laps + "C,c.csv,,\nD,d.csv,Hill,9\n", "cal.csv": "circuit,laps\nHill,many\n",
				"a.csv": "T,Z,Q\n" + rows, "c.csv": "T,Q,X\n" + rows, "d.csv": sound},
			checked{
				[]string{`cal.csv: laps is "many"`, `laps.csv: circuit is empty`, `season.yaml: "gain" of hotspot "h"`},
				[]string{`A: read "a.csv": line 1: no column "X"`, `B: there is no file "b.csv"`, `C: read "c.csv": line 1: no column "Z"`, `D: read "d.csv": start_s 9 is outside`}}},
		{"a faulty time leaves the columns to check",
			map[string]string{"season.yaml": strings.Replace(twoChannels, "unit: s}", "unit: kg}", 1), "laps.csv": laps, "a.csv": "T,Z,Q\n" + rows, "b.csv": sound},
			checked{[]string{`season.yaml: `}, []string{`A: read "a.csv": line 1: no column "X"`}}},
		{"a faulty channel leaves the others to check",
			map[string]string{"season.yaml": strings.Replace(twoChannels, "z: {column: Z, unit: g}", "z: {colunm: Z, unit: g}", 1), "laps.csv": laps, "a.csv": "T,Z,Q\n" + rows, "b.csv": sound},
			checked{[]string{`season.yaml: `, `season.yaml: `}, []string{`A: read "a.csv": line 1: no column "X"`}}},
		{"a band that a recording's rate does not carry",
			map[string]string{"season.yaml": twoChannels + "signal: {band: [0.1 Hz, 7 Hz]}\n", "laps.csv": laps, "a.csv": sound, "b.csv": "T,Z,X\n0,1,1\n0.01,2,2\n0.02,1,1\n"},
			checked{nil, []string{`A: recording "a.csv": the band reaches 7 Hz, and half of the recording's rate is 5 Hz`}}},
		{"nothing but the season file can be read", map[string]string{"season.yaml": "lapwear: 1\n  season: [\n", "laps.csv": laps},
			checked{[]string{`season.yaml: `}, nil}},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			got := check(t, tt.files)
			got.Faults, got.SetAside = begins(got.Faults, tt.want.Faults), begins(got.SetAside, tt.want.SetAside)
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Checking is quick enough to do it before every run (measured: 0.35 s of processor time
// for 2000 small recordings; the bound leaves room for a busy machine, which may try again).
func TestCheckIsQuick(t *testing.T) {
	files := map[string]string{"season.yaml": twoChannels}
	laps, text := strings.Builder{}, strings.Builder{}
	laps.WriteString("lap_id,file,circuit\n")
	text.WriteString("T,Z,X\n")
	for i := range 500 {
		fmt.Fprintf(&text, "%.4f,%d,%d\n", float64(i)/200, i%11, i%7)
	}
	for i := range 2000 {
		name := fmt.Sprintf("r%04d.csv", i)
		fmt.Fprintf(&laps, "L%d,%s,Hill\n", i, name)
		files[name] = text.String()
	}
	files["laps.csv"] = laps.String()
	dir := small(t, files)
	const soon, most = 30 * time.Second, 3
	for tries := 1; ; tries++ {
		began := time.Now()
		c := Check(filepath.Join(dir, "season.yaml"), LoadOptions{})
		took := time.Since(began)
		if len(c.Faults) > 0 || len(c.SetAside) > 0 {
			t.Fatalf("%d faults, %d laps set aside; want none", len(c.Faults), len(c.SetAside))
		}
		if took <= soon {
			return
		}
		if tries == most {
			t.Fatalf("took %v in try %d, want %v at most", took, tries, soon)
		}
	}
}
