package season

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/frame"
)

// smallSeason is a valid season with a given gain: what is tested stands beside it.
const smallSeason = `lapwear: 1
season: a
component: b
laps: laps.csv
time: {rate: 1 kHz}
channels: {a: {column: A, unit: g}}
hotspots: {h: {follow: a, gain: 4 MPa/g, material: m}}
materials: {m: {sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}}}
`

// small writes files into a folder of the test's own and returns it; without a
// season.yaml it is smallSeason.
func small(t testing.TB, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "season.yaml"), smallSeason)
	for name, text := range files {
		write(t, filepath.Join(dir, name), text)
	}
	return dir
}

// One manifest in all the ways in which spreadsheets and loggers write it.
func TestManifestForms(t *testing.T) {
	const header = "lap_id,file,circuit,rider,distance_km,start_s,end_s,use"
	row1, row2 := "L1,a.csv,Hochmoor,Ana,4.25,0,95.5,both", "L2,b.csv,Südring,Ben,,,,"
	plain := header + "\n" + row1 + "\n" + row2 + "\n"
	semicolons := strings.ReplaceAll(plain, ",", ";")
	rows := []struct{ reason, text string }{
		{"plain", plain},
		{"no line end at the end", strings.TrimSuffix(plain, "\n")},
		{"CRLF", strings.ReplaceAll(plain, "\n", "\r\n")},
		{"CR alone", strings.ReplaceAll(plain, "\n", "\r")},
		{"byte order mark", "\ufeff" + plain},
		{"semicolons", semicolons},
		{"semicolons with decimal commas", strings.NewReplacer("4.25", "4,25", "95.5", "95,5").Replace(semicolons)},
		{"tabs", strings.ReplaceAll(plain, ",", "\t")},
		{"quotes", strings.NewReplacer("L1", `"L1"`, "Südring", `"Südring"`).Replace(plain)},
		{"blanks around values", strings.ReplaceAll(plain, ",", " , ")},
		{"blank lines and blank rows", strings.ReplaceAll(plain, "\nL2", "\n\n,,,,,,,\nL2")},
		{"columns in another order", "use,end_s,start_s,distance_km,rider,circuit,file,lap_id\n" +
			"both,95.5,0,4.25,Ana,Hochmoor,a.csv,L1\n,,,,Ben,Südring,b.csv,L2\n"},
		{"an exponent and a sign", strings.NewReplacer("95.5", "+9.55e1").Replace(plain)},
		{"the default use spelt out", strings.ReplaceAll(plain, "Ben,,,,", "Ben,,,,season")},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			dir := small(t, map[string]string{"laps.csv": row.text})
			got := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{}).Laps
			want := twoLaps(dir)
			for i := range got { // blank lines move it; TestFaults checks lines
				got[i].Line = want[i].Line
			}
			if diff := cmp.Diff(want, got, compare()); diff != "" {
				t.Errorf("laps (-want +got):\n%s", diff)
			}
		})
	}
}

func twoLaps(dir string) []Lap {
	nan := math.NaN()
	return []Lap{
		{ID: "L1", File: "a.csv", Path: filepath.Join(dir, "a.csv"), Circuit: "Hochmoor", Rider: "Ana", DistanceKm: 4.25, StartS: 0, EndS: 95.5, Use: "both", Line: 2},
		{ID: "L2", File: "b.csv", Path: filepath.Join(dir, "b.csv"), Circuit: "Südring", Rider: "Ben", DistanceKm: nan, StartS: nan, EndS: nan, Use: "season", Line: 3},
	}
}

func parquet(t testing.TB, cols ...frame.Column) string {
	t.Helper()
	var b bytes.Buffer
	if err := frame.Must(nil, cols...).WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestParquetManifest(t *testing.T) {
	nan := math.NaN()
	dir := small(t, map[string]string{"laps.csv": parquet(t, // told by its first bytes, not by its name
		frame.Col("circuit", "", []string{"Hochmoor", "Südring"}),
		frame.Col("lap_id", "", []string{"L1", "L2"}),
		frame.Col("file", "", []string{"a.csv", "b.csv"}),
		frame.Col("rider", "", []string{"Ana", "Ben"}),
		frame.Col("distance_km", "km", []float64{4.25, nan}),
		frame.Col("start_s", "s", []float64{0, nan}),
		frame.Col("end_s", "s", []float64{95.5, nan}),
		frame.Col("use", "", []string{"both", ""}),
	)})
	got := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{}).Laps
	want := twoLaps(dir)
	want[0].Line, want[1].Line = 1, 2
	if diff := cmp.Diff(want, got, compare()); diff != "" {
		t.Errorf("laps (-want +got):\n%s", diff)
	}
}

func TestParquetManifestFaults(t *testing.T) {
	rows := []struct {
		reason string
		text   string
		want   []string
	}{
		{"a bad value has its row and column", parquet(t,
			frame.Col("lap_id", "", []string{"L1", "L2"}),
			frame.Col("file", "", []string{"a.csv", "b.csv"}),
			frame.Col("circuit", "", []string{"Hochmoor", ""}),
			frame.Col("distance_km", "km", []float64{4, -1})),
			[]string{
				"laps.csv:2:3: circuit is empty, expected a value in every row",
				"laps.csv:2:4: distance_km is -1, expected above 0; leave it empty if it is not known",
			}},
		{"an unknown column", parquet(t,
			frame.Col("lap_id", "", []string{"L1"}), frame.Col("file", "", []string{"a.csv"}),
			frame.Col("circuit", "", []string{"Hochmoor"}), frame.Col("ridr", "", []string{"Ana"})),
			[]string{`laps.csv:1:4: unknown column "ridr"; did you mean "rider"?`}},
	}
	for _, row := range rows {
		dir := small(t, map[string]string{"laps.csv": row.text})
		_, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
		if diff := cmp.Diff(row.want, short(dir, faults)); diff != "" {
			t.Errorf("%s: faults (-want +got):\n%s", row.reason, diff)
		}
	}
	dir := small(t, map[string]string{"laps.csv": "PAR1 and then nothing of the kind"})
	_, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	if len(faults) != 1 || !strings.Contains(faults[0].Message, `the manifest "laps.csv" cannot be read`) {
		t.Errorf("a damaged Parquet manifest gave %q, expected one fault that it cannot be read", short(dir, faults))
	}
}

func TestCalendarBasis(t *testing.T) {
	const laps = "lap_id,file,circuit,distance_km\nL1,a.csv,Hochmoor,4.2\nL2,b.csv,Südring,3\n"
	nan := math.NaN()
	rows := []struct {
		reason, basis, laps, calendar string
		want                          []Planned
		faults                        []string
	}{
		{"no basis: the recorded laps", "", laps, "circuit,laps\nHochmoor,9\n", []Planned{{Circuit: "Hochmoor", Laps: 9, LapKm: nan, Line: 2}}, nil},
		{"planned laps need not be whole, and may be none", "", laps, "circuit,laps\nHochmoor,9.5\nHochmoor,0\n",
			[]Planned{{Circuit: "Hochmoor", Laps: 9.5, LapKm: nan, Line: 2}, {Circuit: "Hochmoor", LapKm: nan, Line: 3}}, nil},
		{"the fleet where nothing was recorded", "fleet", laps, "circuit,laps,lap_km\nHochmoor,9,4.2\nNeuberg,5,3.3\n",
			[]Planned{{Circuit: "Hochmoor", Laps: 9, LapKm: 4.2, Line: 2}, {Circuit: "Neuberg", Laps: 5, LapKm: 3.3, Basis: "fleet", Line: 3}}, nil},
		{"the row's word goes before the calendar's", "fleet", laps, "circuit,laps,lap_km,basis\nHochmoor,9,4.2,fleet\nSüdring,5,3,recorded\n",
			[]Planned{{Circuit: "Hochmoor", Laps: 9, LapKm: 4.2, Basis: "fleet", Line: 2}, {Circuit: "Südring", Laps: 5, LapKm: 3, Basis: "recorded", Line: 3}}, nil},
		{"a row alone on the fleet basis", "recorded", laps, "circuit,laps,lap_km,basis\nNeuberg,9,4.2,fleet\n",
			[]Planned{{Circuit: "Neuberg", Laps: 9, LapKm: 4.2, Basis: "fleet", Line: 2}}, nil},
		{"the recorded basis where nothing was recorded", "fleet", laps, "circuit,laps,lap_km,basis\nNeuberg,9,4.2,recorded\n", nil,
			[]string{`calendar.csv:2:1: circuit "Neuberg" has no recorded lap that counts toward the season; record a lap of it, or give the row the basis fleet`}},
		{"the fleet basis without lap_km", "fleet", laps, "circuit,laps\nNeuberg,9\n", nil,
			[]string{`calendar.csv:2:1: circuit "Neuberg" is on the fleet basis, which is per kilometre, and has no lap_km; add lap_km to the row`}},
		{"the fleet basis and laps without a distance", "fleet", strings.NewReplacer("4.2", "", ",3", ",").Replace(laps), "circuit,laps,lap_km\nNeuberg,9,4\n", nil,
			[]string{`laps.csv:2:19: lap "L1" has no distance_km, nor have 1 others, and the calendar's fleet basis is per kilometre; ` +
				`give every lap that counts its distance, or take the calendar off the fleet basis`}},
		{"a calibration lap needs no distance for it", "fleet", laps + "L3,c.csv,Südring,\n", "circuit,laps,lap_km\nHochmoor,9,4\n",
			[]Planned{{Circuit: "Hochmoor", Laps: 9, LapKm: 4, Line: 2}}, nil},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			calendar := "calendar: calendar.csv\n"
			if row.basis != "" {
				calendar = "calendar: {file: calendar.csv, basis: " + row.basis + "}\n"
			}
			dir := small(t, map[string]string{"season.yaml": smallSeason + calendar, "laps.csv": row.laps, "calendar.csv": row.calendar})
			s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
			if diff := cmp.Diff(row.faults, short(dir, faults)); diff != "" {
				t.Fatalf("faults (-want +got):\n%s", diff)
			}
			if s == nil {
				return
			}
			if diff := cmp.Diff(row.want, s.Calendar, compare()); diff != "" {
				t.Errorf("calendar (-want +got):\n%s", diff)
			}
		})
	}
}

// Laps of one use that share a part of a recording are warned of; a circuit must be
// named.
func TestCuts(t *testing.T) {
	const header = "lap_id,file,circuit,start_s,end_s,use\n"
	const remedy = "; correct start_s and end_s, else that part counts twice"
	tests := []struct {
		reason, laps     string
		warnings, faults []string
	}{
		{"one after the other", "A,a.csv,Hill,0,9,\nB,a.csv,Hill,9,20,\nC,a.csv,Hill,20,,\n", nil, nil},
		{"in any order", "B,a.csv,Hill,9,20,\nA,a.csv,Hill,,9,\n", nil, nil},
		{"they overlap", "A,a.csv,Hill,0,9.5,\nB,a.csv,Hill,9,20,\n", []string{`laps.csv:3:3: laps "A" and "B" share a part of recording "a.csv", 0.5 s` + remedy}, nil},
		{"one holds the others", "A,a.csv,Hill,0,50,\nB,a.csv,Hill,9,20,\nC,a.csv,Hill,30,,\n",
			[]string{`laps.csv:3:3: laps "A" and "B" share a part of recording "a.csv", 11 s` + remedy,
				`laps.csv:4:3: laps "A" and "C" share a part of recording "a.csv", 20 s` + remedy}, nil},
		{"one is the whole", "A,a.csv,Hill,,,\nB,a.csv,Hill,9,20,\n", []string{`laps.csv:3:3: laps "A" and "B" share a part of recording "a.csv", 11 s` + remedy}, nil},
		{"both are the whole: duplicates, no cuts", "A,a.csv,Hill,,,\nB,a.csv,Hill,,,\n", nil, nil},
		{"another recording", "A,a.csv,Hill,0,9,\nB,b.csv,Hill,0,9,\n", nil, nil},
		{"a part that calibrates counts once too", "A,a.csv,Hill,0,9,\nB,a.csv,Hill,0,5,calibration\n", nil, nil},
		{"a part is used twice to calibrate", "A,a.csv,Hill,0,9,\nB,a.csv,Hill,10,15,calibration\nC,a.csv,Hill,14,19,calibration\n",
			[]string{`laps.csv:4:3: laps "B" and "C" share a part of recording "a.csv", 1 s` + remedy}, nil},
		{"an unknown circuit", "A,a.csv,?,,,\n", nil, []string{`laps.csv:2:9: the circuit of lap "A" is not known: "?"; write the circuit's name, as in the calendar`}},
	}
	for _, tt := range tests {
		dir := small(t, map[string]string{"season.yaml": smallSeason, "laps.csv": header + tt.laps})
		s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
		if diff := cmp.Diff(tt.faults, short(dir, faults)); diff != "" {
			t.Errorf("%s: faults (-want +got):\n%s", tt.reason, diff)
		}
		if s == nil {
			continue
		}
		if diff := cmp.Diff(tt.warnings, short(dir, s.Warnings)); diff != "" {
			t.Errorf("%s: warnings (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// Where files may lie: links are followed.
func TestPaths(t *testing.T) {
	const laps = "lap_id,file,circuit\n"
	outside := "keep recordings in the season file's folder, or add allow_outside: true to it"
	rows := []struct {
		reason string
		file   string
		links  map[string]string // link -> where it points; OUT is a folder beside the season's
		allow  bool
		want   []string
	}{
		{"a folder below", "rec/a.csv", nil, false, nil},
		{"up and down again within", "rec/../rec/a.csv", nil, false, nil},
		{"a file that is not there is no fault here", "none/none.csv", nil, false, nil},
		{"up and out", "../OUT/x.csv", nil, false, []string{`laps.csv:2:4: path "../OUT/x.csv" leads outside the season file's folder; ` + outside}},
		{"up and out, allowed", "../OUT/x.csv", nil, true, nil},
		{"a link within", "l.csv", map[string]string{"l.csv": "rec/a.csv"}, false, nil},
		{"a link to a file outside", "l.csv", map[string]string{"l.csv": "../OUT/x.csv"}, false,
			[]string{`laps.csv:2:4: path "l.csv" leads outside the season file's folder through a link; ` + outside}},
		{"a link to a file outside, allowed", "l.csv", map[string]string{"l.csv": "../OUT/x.csv"}, true, nil},
		{"a linked folder outside", "d/x.csv", map[string]string{"d": "../OUT"}, false,
			[]string{`laps.csv:2:4: path "d/x.csv" leads outside the season file's folder through a link; ` + outside}},
		{"a folder that is not there, below a linked one", "d/e/f/x.csv", map[string]string{"d": "../OUT"}, false,
			[]string{`laps.csv:2:4: path "d/e/f/x.csv" leads outside the season file's folder through a link; ` + outside}},
		{"a link to a link outside", "l.csv", map[string]string{"l.csv": "m.csv", "m.csv": "../OUT/x.csv"}, false,
			[]string{`laps.csv:2:4: path "l.csv" leads outside the season file's folder through a link; ` + outside}},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			top := t.TempDir()
			dir := filepath.Join(top, "season")
			text := smallSeason
			if row.allow {
				text += "allow_outside: true\n"
			}
			write(t, filepath.Join(top, "OUT", "x.csv"), "")
			write(t, filepath.Join(dir, "rec", "a.csv"), "")
			write(t, filepath.Join(dir, "season.yaml"), text)
			write(t, filepath.Join(dir, "laps.csv"), laps+"L1,"+row.file+",Hochmoor\nL2,rec/a.csv,Hochmoor\n")
			for link, to := range row.links {
				if err := os.Symlink(filepath.FromSlash(to), filepath.Join(dir, link)); err != nil {
					t.Skip("no links here:", err)
				}
			}
			s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
			if diff := cmp.Diff(row.want, short(dir, faults)); diff != "" {
				t.Fatalf("faults (-want +got):\n%s", diff)
			}
			if want := filepath.Join(dir, filepath.FromSlash(row.file)); s != nil && s.Laps[0].Path != want {
				t.Errorf("path %q, expected %q", s.Laps[0].Path, want)
			}
		})
	}
}

// The season's folder may itself be reached through a link.
func TestLinkedSeasonFolder(t *testing.T) {
	dir := small(t, map[string]string{"laps.csv": "lap_id,file,circuit\nL1,a.csv,Hochmoor\n", "a.csv": ""})
	link := filepath.Join(t.TempDir(), "here")
	if err := os.Symlink(dir, link); err != nil {
		t.Skip("no links here:", err)
	}
	s := loadValid(t, filepath.Join(link, "season.yaml"), LoadOptions{})
	if missing := s.MissingRecordings(); missing != nil {
		t.Errorf("missing recordings %v, expected none", missing)
	}
}

// A manifest of any bytes gives laps or faults: each with its place, never both.
func FuzzManifest(f *testing.F) {
	for _, s := range []string{
		"lap_id,file,circuit\nL1,a.csv,Hochmoor\n", "lap_id;file;circuit;distance_km\nL1;a.csv;X;4,2\n",
		"\ufefflap_id\tfile\tcircuit\r\nL1\t\"a\"\"b\"\tX\r\n", "lap_id,file,circuit,use\n\"L1\n", "PAR1", "",
		parquet(f, frame.Col("lap_id", "", []string{"L1"}), frame.Col("file", "", []string{"a.csv"}), frame.Col("circuit", "", []string{"X"}), frame.Col("start_s", "", []float64{1})),
	} {
		f.Add([]byte(s))
	}
	dir := f.TempDir()
	write(f, filepath.Join(dir, "season.yaml"), smallSeason)
	f.Fuzz(func(t *testing.T, text []byte) {
		write(t, filepath.Join(dir, "laps.csv"), string(text))
		s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
		checkLoad(t, s, faults)
		if s != nil && len(s.Laps) == 0 {
			t.Error("a valid season without laps")
		}
	})
}

// checkLoad states what holds of every load: a season or faults, the faults
// sorted, each once and with its place.
func checkLoad(t *testing.T, s *Season, faults Faults) {
	t.Helper()
	if (s == nil) == (len(faults) == 0) {
		t.Fatalf("season %v beside %d faults", s != nil, len(faults))
	}
	seen := make(map[Fault]bool)
	for i, f := range faults {
		if f.File == "" || f.Line < 1 || f.Column < 1 || f.Message == "" || seen[f] {
			t.Errorf("fault %+v lacks its place or its message, or occurs twice", f)
		}
		if f.Remedy == "" && !strings.Contains(f.Message, "expected ") && !strings.Contains(f.Message, ", accepted") {
			t.Errorf("fault %v says neither what to do nor what is expected", f)
		}
		seen[f] = true
		if i > 0 && (faults[i-1].File > f.File || faults[i-1].File == f.File && faults[i-1].Line > f.Line) {
			t.Errorf("fault %v stands after %v", f, faults[i-1])
		}
	}
}

// A calendar of any bytes gives planned laps or faults: each with its place, never both.
func FuzzCalendar(f *testing.F) {
	for _, s := range []string{
		"circuit,session,laps,lap_km\nX,race,92,4.62\n", "circuit;laps;lap_km\nX;92;4,62\n", "circuit,laps,basis\nX,1,fleet\nX,2,recorded\n",
		"\ufeffcircuit\tlaps\r\n\"X\"\t1e3\r\n", "circuit,laps\n\"X\n", "PAR1", "",
		parquet(f, frame.Col("circuit", "", []string{"X"}), frame.Col("laps", "", []int64{92}), frame.Col("lap_km", "", []float64{math.NaN()})),
	} {
		f.Add([]byte(s))
	}
	dir := f.TempDir()
	write(f, filepath.Join(dir, "season.yaml"), smallSeason+"calendar: {file: calendar.csv, basis: fleet}\n")
	write(f, filepath.Join(dir, "laps.csv"), oneLap)
	f.Fuzz(func(t *testing.T, text []byte) {
		write(t, filepath.Join(dir, "calendar.csv"), string(text))
		s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
		checkLoad(t, s, faults)
		if s != nil && len(s.Calendar) == 0 {
			t.Error("a valid calendar without rows")
		}
	})
}
