package cli

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The rows of a manifest from --partial cut a recording into all of its samples, each
// once, whatever its times look like.
func TestLapsCoverTheRecording(t *testing.T) {
	rows := []struct {
		reason, axis string
		time         func(i int) string
	}{
		{"times in s with few decimals", "{column: TIME, unit: s}", func(i int) string { return fmt.Sprintf("%.3f", float64(i)/200) }},
		{"times in ms from a late start, whose thousandths are not exact", "{column: TIME, unit: ms}", func(i int) string { return strconv.Itoa(86399935 + 5*i) }},
		{"times with all digits of a step that is no short number", "{column: TIME, unit: s}", func(i int) string { return strconv.FormatFloat(float64(i)/187.3, 'g', -1, 64) }},
		{"before zero", "{column: TIME, unit: s}", func(i int) string { return fmt.Sprintf("%.3f", float64(i)/200-30) }},
		{"no time column", "{rate: 187.3 Hz}", strconv.Itoa},
	}
	const samples, season = 20_000, `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: %s
channels: {acc_z: {column: AZ, unit: g}, laps: {column: LAP, unit: "1"}}
hotspots: {toe: {follow: acc_z, gain: 8 MPa/g, material: alloy}}
materials: {alloy: {source: invented, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}}}
`
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			dir := t.TempDir()
			t.Setenv("LAPWEAR_CACHE", filepath.Join(dir, "cache"))
			var rec strings.Builder
			rec.WriteString("TIME,AZ,LAP\n")
			for i := range samples {
				fmt.Fprintf(&rec, "%s,%.4f,%d\n", row.time(i), 3*math.Sin(0.17*float64(i))+math.Sin(0.0311*float64(i)), (i+900)/4321)
			}
			for name, text := range map[string]string{"hill.csv": rec.String(), "season.yaml": fmt.Sprintf(season, row.axis)} {
				if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			file := filepath.Join(dir, "season.yaml")
			command(t, "laps", dir, "--by", "laps", "--season", file, "--path", "{circuit}.csv", "--shortest", "5s", "--partial", "--out", filepath.Join(dir, "laps.csv"))
			command(t, "run", file, "--quiet")
			var got []int
			sum := 0
			for _, n := range tableColumn(t, filepath.Join(dir, "out", "laps.csv"), "samples") {
				k, err := strconv.Atoi(n)
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, k)
				sum += k
			}
			if diff := cmp.Diff([]int{3421, 4321, 4321, 4321, 3616}, got); diff != "" || sum != samples {
				t.Errorf("the laps have %d samples of %d (-want +got):\n%s", sum, samples, diff)
			}
		})
	}
}

// command runs a command that must end well.
func command(t *testing.T, args ...string) {
	t.Helper()
	var out, errs bytes.Buffer
	if code := Main(args, &out, &errs); code != exitDone {
		t.Fatalf("%q: exit code %d\n%s%s", args, code, &out, &errs)
	}
}

func tableColumn(t *testing.T, path, name string) []string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for i, c := range rows[0] {
		if c == name {
			for _, r := range rows[1:] {
				out = append(out, r[i])
			}
		}
	}
	return out
}

func TestPathPattern(t *testing.T) {
	rows := []struct {
		reason, pattern, path string
		want                  lapRow
		other                 bool
		fault                 string
	}{
		{"all fields", "{event}-{circuit}/{session}/{bike}_{rider}_{setup}.csv", "/d/R1-Hill/race/7_Ana_soft.csv",
			lapRow{Event: "R1", Circuit: "Hill", Session: "race", Bike: "7", Rider: "Ana", Setup: "soft"}, false, ""},
		{"a field may hold spaces and what is not ASCII", "{circuit}/{rider}.csv", "/d/Süd Ring/Ana M.csv", lapRow{Circuit: "Süd Ring", Rider: "Ana M"}, false, ""},
		{"the earlier field is short, and the other reading is told of", "{event}-{circuit}/{}.csv", "/R1-Old-Mill/a.csv", lapRow{Event: "R1", Circuit: "Old-Mill"}, true, ""},
		{"text of no meaning is not kept", "{circuit}/{}.{}", "/Hill/a.csv.gz", lapRow{Circuit: "Hill"}, false, ""},
		{"a field begins with its folder", "{circuit}.csv", "/d/Lake/Hill.csv", lapRow{Circuit: "Hill"}, false, ""},
		{"plain text begins with its folder", "Hill/{rider}.csv", "/d/NewHill/Ana.csv", lapRow{}, false, "does not end as"},
		{"a dot stands for itself", "{circuit}.csv", "/d/Hill-csv", lapRow{}, false, "does not end as"},
		{"a field is not empty", "{bike}_{rider}.csv", "/d/7_.csv", lapRow{}, false, "does not end as"},
		{"a field is more than spaces", "{bike}_{rider}.csv", "/d/7_ .csv", lapRow{Bike: "7"}, false, "only spaces"},
		{"too few folders", "{circuit}/{session}/{rider}.csv", "Hill/Ana.csv", lapRow{}, false, "does not end as"},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			p, err := parsePathPattern(row.pattern)
			if err != nil {
				t.Fatal(err)
			}
			var got lapRow
			other, err := p.read(row.path, &got)
			if row.fault != "" && (err == nil || !strings.Contains(err.Error(), row.fault)) || row.fault == "" && err != nil {
				t.Errorf("error %v, want %q", err, row.fault)
			}
			if diff := cmp.Diff(row.want, got); diff != "" || other != row.other {
				t.Errorf("another reading: %v, want %v; row (-want +got):\n%s", other, row.other, diff)
			}
		})
	}
}

func TestBadPathPattern(t *testing.T) {
	rows := []struct{ pattern, want string }{
		{"rec/a.csv", "has no field"},
		{"{circuit/a.csv", "no } after"},
		{"circuit}/{rider}.csv", "no { before"},
		{"{track}.csv", `no field "track"`},
		{"{rider}/{rider}.csv", "occurs twice"},
		{"{bike}{rider}.csv", "touch"},
	}
	for _, row := range rows {
		if _, err := parsePathPattern(row.pattern); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: error %v, want %q", row.pattern, err, row.want)
		}
	}
}

func TestStems(t *testing.T) {
	rows := []struct {
		reason      string
		files, want []string
	}{
		{"the file's name", []string{"rec/a.csv", "rec/b.parquet"}, []string{"a", "b"}},
		{"packed text loses both extensions", []string{"a.csv.gz", "b.v2.csv.zst", "c.2.gz"}, []string{"a", "b.v2", "c.2"}},
		{"equal names take their folders", []string{"d1/a.csv", "d2/a.csv", "d2/b.csv"}, []string{"d1_a", "d2_a", "b"}},
		{"equal but for the extension", []string{"d/a.csv", "d/a.mf4"}, []string{"d_a.csv", "d_a.mf4"}},
	}
	for _, row := range rows {
		if diff := cmp.Diff(row.want, stems(row.files)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.reason, diff)
		}
	}
}

// Numbers within names count by their value, so that a folder is read in driven order.
func TestCompareNames(t *testing.T) {
	want := []string{"Run1", "run", "run01.csv", "run1.csv", "run2.csv", "run2b.csv", "run10.csv", "run100000000000000000000.csv", "sun1"}
	for i := range want {
		for k := range want {
			if got, should := compareNames(want[i], want[k]), sign(i-k); got != should {
				t.Errorf("%q to %q: %d, want %d", want[i], want[k], got, should)
			}
		}
	}
}

func sign(n int) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}

// What may have hidden a mark is said: rows that are not there, and laps that last much
// longer than the others.
func TestLapsNameWhatMayHideAMark(t *testing.T) {
	at := func(from, to, step float64) (out []float64) {
		for v := from; v < to; v += step {
			out = append(out, v)
		}
		return out
	}
	row := func(lap string, from, to float64) lapRow {
		return lapRow{Lap: lap, StartS: number(from), EndS: number(to)}
	}
	tests := []struct {
		reason string
		times  []float64
		laps   []lapRow
		want   []string
	}{
		{"nothing", at(0, 300, 0.01), []lapRow{row("1", 0, 90), row("2", 90, 182), row("3", 182, 290)}, nil},
		{"nine seconds without rows", append(at(0, 31, 0.01), at(40, 300, 0.01)...), nil,
			[]string{"there are no rows for 9.01 s from 30.990 s to 40.000 s; a mark in there is not seen, and laps beside it may be two"}},
		{"half a second is none", append(at(0, 31, 0.01), at(31.5, 300, 0.01)...), nil, nil},
		{"rows every two seconds are no gaps", at(0, 300, 2), nil, nil},
		{"a lap of two rounds", at(0, 3, 0.01), []lapRow{row("1", 0, 90), row("2", 90, 270), row("3", 270, 362), row("4", 362, 450)},
			[]string{"of the laps, that last 90.0 s at the median, these last over 1.5 times as long: 2 (180.0 s); is a mark missing?"}},
		{"of two laps neither is usual", at(0, 3, 0.01), []lapRow{row("1", 0, 90), row("2", 90, 270)}, nil},
	}
	for _, tt := range tests {
		l := &lapFinder{app: &app{err: new(bytes.Buffer)}}
		l.noteGaps(lapRecording{}, tt.times)
		l.noteLong(lapRecording{}, tt.laps)
		var got []string
		for _, n := range l.found.Notes {
			got = append(got, n.Note)
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}
