package season

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// What a season file says of its recordings is known before the manifest, the
// calendar, the materials and the hot spots are there.
func TestLoadRecordings(t *testing.T) {
	dir := small(t, map[string]string{"season.yaml": `lapwear: 1
laps: list/laps.csv
calendar: {file: calendar.csv, basis: fleet}
time: {column: T, unit: ms}
channels: {lap: {column: LAP, unit: "1"}, dist: {column: D, unit: km, role: distance}}
`})
	got, faults := LoadRecordings(filepath.Join(dir, "season.yaml"))
	if faults != nil {
		t.Fatal(faults)
	}
	want := &Recordings{Dir: dir, Time: Time{Column: "T", Scale: 1e-3},
		Channels: []Channel{{Name: "lap", Column: "LAP", Unit: "1"}, {Name: "dist", Column: "D", Unit: "km", Role: RoleDistance}},
		Files:    []string{filepath.Join(dir, "list", "laps.csv"), filepath.Join(dir, "calendar.csv")}}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreUnexported(Recordings{})); diff != "" {
		t.Errorf("recordings (-want +got):\n%s", diff)
	}
	if c, ok := got.Channel("dist"); !ok || c.Column != "D" {
		t.Errorf("channel dist is %+v, %v", c, ok)
	}
	if c, ok := got.Channel("D"); ok {
		t.Errorf("a column's name is a channel %+v", c)
	}
}

func TestLoadRecordingsFaults(t *testing.T) {
	rows := []struct {
		reason, text string
		want         []string
	}{
		{"all that is wrong is listed", "lapwear: 2\ntime: {rate: 5}\nchanels: {}\n", []string{
			`season.yaml:1:1: the season file has no "channels"; write channels: {acc_z: {column: AZ, unit: g}}`,
			`season.yaml:1:10: format version "2", expected 1`,
			`season.yaml:2:14: "rate" of time: "5" has no unit, accepted for a frequency: Hz, kHz`,
			`season.yaml:3:1: unknown key "chanels" in the season file; did you mean "channels"?`}},
		{"no mapping", "- a\n", []string{"season.yaml:1:1: the season file is a list, expected a mapping; begin with `lapwear: 1`"}},
		{"what else is wrong is left to a run", "lapwear: 1\ntime: {rate: 5 Hz}\nchannels: {a: {column: A, unit: g}}\nhotspots: none\nlaps: [1]\n", nil},
	}
	for _, row := range rows {
		dir := small(t, map[string]string{"season.yaml": row.text})
		_, faults := LoadRecordings(filepath.Join(dir, "season.yaml"))
		if diff := cmp.Diff(row.want, short(dir, faults)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.reason, diff)
		}
	}
}

// A recording is named so that a manifest of the season finds it, or not at all.
func TestRecordingsFile(t *testing.T) {
	dir := small(t, map[string]string{
		"rec/a b/x,1.csv": "", "rec/ x.csv": "", "rec/x\n.csv": "", "rec/\xff.csv": "", "inner/season.yaml": smallSeason, "outside/season.yaml": smallSeason + "allow_outside: true\n",
	})
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(dir, link); err != nil {
		t.Skip(err)
	}
	rows := []struct {
		reason, season, path string
		want                 string
		fits                 bool
	}{
		{"below the season file", "season.yaml", dir + "/rec/a b/x,1.csv", "rec/a b/x,1.csv", true},
		{"by another link", "season.yaml", link + "/rec/a b/x,1.csv", "rec/a b/x,1.csv", true},
		{"outside", "inner/season.yaml", dir + "/rec/a b/x,1.csv", "", false},
		{"outside, where that is allowed", "outside/season.yaml", dir + "/rec/a b/x,1.csv", "../rec/a b/x,1.csv", true},
		{"a space within the path is kept", "season.yaml", dir + "/rec/ x.csv", "rec/ x.csv", true},
		{"a line break", "season.yaml", dir + "/rec/x\n.csv", "", false},
		{"no text", "season.yaml", dir + "/rec/\xff.csv", "", false},
	}
	for _, row := range rows {
		r, faults := LoadRecordings(filepath.Join(dir, row.season))
		if faults != nil {
			t.Fatal(faults)
		}
		got, err := r.File(row.path)
		if got != row.want || (err == nil) != row.fits {
			t.Errorf("%s: %q, %v, want %q", row.reason, got, err, row.want)
		}
	}
}
