package season

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/frame"
	"lapwear/stages/life"
)

// The same specimens in all the ways in which spreadsheets and laboratories write them.
func TestResultsForms(t *testing.T) {
	const plain = "specimen,repeats,status,hotspot,note\nC1,4210,failed,toe,crack 12 mm\nC2,8000.5,runout,,\n"
	want := life.Results{Unit: "repeats", Specimens: []life.Specimen{
		{Name: "C1", Life: 4210, Hotspot: "toe", Note: "crack 12 mm"}, {Name: "C2", Life: 8000.5, RunOut: true}}}
	for _, c := range []struct{ reason, text string }{
		{"plain", plain},
		{"semicolons with decimal commas", strings.NewReplacer(",", ";", "8000.5", "8000,5").Replace(plain)},
		{"tabs and CRLF", strings.NewReplacer(",", "\t", "\n", "\r\n").Replace(plain)},
		{"byte order mark and blank rows", "\ufeff" + strings.Replace(plain, "\nC2", "\n,,,,\nC2", 1)},
		{"another order", "note,status,hotspot,specimen,repeats\ncrack 12 mm,failed,toe,C1,4210\n,runout,,C2,8000.5\n"},
		{"other words for the status", strings.NewReplacer("failed", "Failure", "runout", "Run-out").Replace(plain)},
		{"a laboratory's words", strings.NewReplacer("failed", "broken", "runout", "suspended").Replace(plain)},
	} {
		path := filepath.Join(small(t, map[string]string{"r.csv": c.text}), "r.csv")
		got, faults := ReadResults(path, []string{"toe", "rib"})
		if faults != nil {
			t.Errorf("%s: %v", c.reason, faults)
			continue
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", c.reason, d)
		}
	}
}

func TestResultsFromParquet(t *testing.T) {
	var b bytes.Buffer
	f := frame.Must(nil, frame.Col("specimen", "", []string{"A", "B"}), frame.Col("cycles", "", []int64{120000, 2000000}),
		frame.Col("status", "", []string{"failed", "runout"}))
	if err := f.WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(small(t, map[string]string{"r.parquet": b.String()}), "r.parquet")
	got, faults := ReadResults(path, nil)
	if faults != nil {
		t.Fatal(faults)
	}
	want := life.Results{Unit: "cycles", Specimens: []life.Specimen{{Name: "A", Life: 120000}, {Name: "B", Life: 2e6, RunOut: true}}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestResultsFaults(t *testing.T) {
	const header = "specimen,cycles,status,hotspot\n"
	for _, c := range []struct {
		reason, text string
		want         []string
	}{
		{"nothing", "", []string{`1:1: nothing in it, expected the header specimen,status,hotspot,note,level,cycles,repeats,hours; begin it with a header`}},
		{"a header alone", header, []string{`1:1: the results have no specimens; add a row for each specimen`}},
		{"no column of lives", "specimen,status\nA,failed\n",
			[]string{`1:1: the header has none of the columns "cycles", "repeats", "hours", expected one; keep the one in which the lives are counted`}},
		{"two columns of lives", "specimen,status,hours,cycles\nA,failed,1,2\n",
			[]string{`1:1: the header has "cycles", "hours" of the columns "cycles", "repeats", "hours", expected one; keep the one in which the lives are counted`}},
		{"a misspelt column", "specimen,cycels,status\nA,5,failed\n", []string{`1:10: unknown column "cycels"; did you mean "cycles"?`}},
		{"lives that are none", header + "A,-5,failed,toe\nB,many,failed,toe\nC,,failed,toe\nD,0,runout,\n", []string{
			`2:3: cycles is -5, expected above 0`,
			`3:3: cycles is "many", expected a number; write a plain number such as 4.2, without a unit`,
			`4:3: cycles is empty, expected a value in every row`,
			`5:3: cycles is 0, expected above 0`}},
		{"no status, and one that is none", header + "A,5,,toe\nB,6,fialed,toe\n", []string{
			`2:5: status is empty, expected a value in every row`,
			`3:5: status is "fialed", expected one of "failed", "runout"; did you mean "failed"?`}},
		{"a hot spot that the season has not", header + "A,5,failed,teo\n", []string{`2:12: the season has no hot spot "teo"; did you mean "toe"?`}},
		{"twice", header + "A,5,failed,toe\nB,7,failed,toe\nA,6,failed,toe\n",
			[]string{`4:1: specimen "A" occurs twice at hot spot "toe", first in line 2; give every specimen a name of its own`}},
		{"a failure nowhere", header + "A,5,failed,toe\nB,6,failed,\n",
			[]string{`3:12: hotspot is empty, expected one in the row of every failure, as other rows have it; write where the specimen broke, or take the hot spots out of all rows`}},
		{"a hot spot of the part's name", header + "A,5,failed,part\n", []string{
			`2:12: hot spot "part": the name stands for the whole part; give the hot spot another name`,
			`2:12: the season has no hot spot "part"; known are "toe", "rib"`}},
	} {
		path := filepath.Join(small(t, map[string]string{"r.csv": c.text}), "r.csv")
		_, faults := ReadResults(path, []string{"toe", "rib"})
		var got []string
		for _, f := range faults {
			got = append(got, strings.TrimPrefix(f.Error(), path+":"))
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: %s", c.reason, d)
		}
	}
	if _, faults := ReadResults(filepath.Join(t.TempDir(), "none.csv"), nil); len(faults) != 1 || !strings.Contains(faults.Error(), "read results: no such file; name a CSV") {
		t.Errorf("a file that is not there: %v", faults)
	}
}

func TestSeasonsSpecimens(t *testing.T) {
	dir := small(t, map[string]string{
		"season.yaml":   smallSeason + "specimens: {file: specimens.csv, damage_per_repeat: {h: 1e-3}}\n",
		"laps.csv":      "lap_id,file,circuit\nA,a.csv,Hill\n",
		"specimens.csv": "specimen,repeats,status,hotspot\nC1,900,failed,h\nC2,1200,runout,\n"})
	s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	if faults != nil {
		t.Fatal(faults)
	}
	want := Specimens{File: filepath.Join(dir, "specimens.csv"), DamagePerRepeat: []float64{1e-3}, Results: life.Results{Unit: "repeats",
		Specimens: []life.Specimen{{Name: "C1", Life: 900, Hotspot: "h"}, {Name: "C2", Life: 1200, RunOut: true}}}}
	if d := cmp.Diff(want, s.Specimens); d != "" {
		t.Error(d)
	}
}

func TestSeasonsSpecimensFaults(t *testing.T) {
	const sound = "specimen,repeats,status,hotspot\nC1,900,failed,h\nC2,1200,runout,\n"
	for _, c := range []struct{ reason, section, results, want string }{
		{"no file", "{damage_per_repeat: {h: 1e-3}}", sound, `season.yaml:9:12: specimens has no "file"; write specimens: {file: specimens.csv}`},
		{"not there", "none.csv", sound, `none.csv:1:1: read results: no such file; name a CSV or Parquet file of the specimens' lives`},
		{"outside", "../x.csv", sound, `season.yaml:9:12: path "../x.csv" leads outside the season file's folder; keep the season's files in its folder, or add allow_outside: true`},
		{"an unknown hot spot", "{file: specimens.csv, damage_per_repeat: {g: 1e-3}}", sound, `season.yaml:9:54: there is no hot spot "g"; known are "h"`},
		{"damage that is none", "{file: specimens.csv, damage_per_repeat: {h: some}}", sound,
			`season.yaml:9:57: the damage of a repeat at "h" is not a number above 0; write the damage of one repeat, such as 1.9e-4`},
		{"no mapping", "{file: specimens.csv, damage_per_repeat: 1e-3}", sound,
			`season.yaml:9:53: damage_per_repeat is a value, expected a mapping of hot spots to a damage each; write damage_per_repeat: {weld_toe: 1.9e-4}`},
		{"lives in hours", "{file: specimens.csv, damage_per_repeat: {h: 1e-3}}", strings.Replace(sound, "repeats", "hours", 1),
			`season.yaml:9:53: the results in "specimens.csv" count hours, not repeats; count the lives in repeats, or leave it out`},
		{"a fault of the results", "specimens.csv", strings.Replace(sound, "900", "-9", 1), `specimens.csv:2:4: repeats is -9, expected above 0`},
	} {
		dir := small(t, map[string]string{"season.yaml": smallSeason + "specimens: " + c.section + "\n",
			"laps.csv": "lap_id,file,circuit\nA,a.csv,Hill\n", "specimens.csv": c.results})
		_, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
		var got []string
		for _, f := range faults {
			got = append(got, strings.TrimPrefix(f.Error(), dir+string(filepath.Separator)))
		}
		if d := cmp.Diff([]string{c.want}, got); d != "" {
			t.Errorf("%s: %s", c.reason, d)
		}
	}
}
