package demo

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
)

var update = flag.Bool("update", false, "write the golden file anew")

// invented lists every name that the season may use for a place, a person or a bike.
var invented = map[string][]string{
	"circuit": {"Halvorn", "Brekkona", "Saltmarn", "Tirvane", "Oskelund", "Quarrow", "Vintermoor", "Pellagrove", "Dunmirk", "Lagodora"},
	"rider":   {"I. Ombrel", "S. Quillane", "T. Vastrow"},
	"bike":    {"EB-1", "EB-2"},
	"setup":   {"firm", "supple"},
}

// writeSeason writes a season and returns its folder.
func writeSeason(t *testing.T, o Options) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "season")
	file, err := Write(context.Background(), dir, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := filepath.Join(dir, "season.yaml"); file != want {
		t.Fatalf("season file %q, want %q", file, want)
	}
	return dir
}

// contents returns every file of a folder by its slash-separated name.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(filepath.Join(dir, name))
		out[name] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func sortedNames(files map[string]string) []string {
	names := make([]string, 0, len(files))
	for n := range files {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

// readRows returns the rows of a CSV file, each by column name.
func readRows(t *testing.T, text string) []map[string]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = r[i]
		}
		out = append(out, m)
	}
	return out
}

// TestSmallSeason writes one small season twice and looks at it from all sides.
func TestSmallSeason(t *testing.T) {
	o := Options{Seed: 7, Laps: minLaps()}
	dir := writeSeason(t, o)
	files := contents(t, dir)
	t.Run("cancelled, then written again", func(t *testing.T) {
		again := t.TempDir()
		cancelAfterThree(t, again, o)
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
		if _, err := Write(context.Background(), again, o, nil); err != nil {
			t.Fatal(err)
		}
		if !cmp.Equal(files, contents(t, again)) {
			t.Error("two writes differ, the second in another folder and on one processor")
		}
	})
	manifest := readRows(t, files["laps.csv"])
	t.Run("manifest", func(t *testing.T) { checkManifest(t, files, manifest, o.Laps) })
	t.Run("calendar", func(t *testing.T) { checkCalendar(t, readRows(t, files["calendar.csv"]), manifest) })
	t.Run("fault", func(t *testing.T) { checkFault(t, files, manifest) })
	t.Run("dialects", func(t *testing.T) { checkDialects(t, files, manifest) })
	t.Run("names", func(t *testing.T) { checkNames(t, manifest) })
}

// cancelAfterThree stops a season after three laps and checks what is left of it.
func cancelAfterThree(t *testing.T, dir string, o Options) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	if _, err := Write(ctx, dir, o, func(done, _ int) {
		if done == 3 {
			cancel()
		}
	}); !errors.Is(err, context.Canceled) {
		t.Fatalf("error %v, want context canceled", err)
	}
	files := contents(t, dir)
	if _, ok := files[seasonFile]; ok || len(files) >= o.Laps {
		t.Errorf("%d files after three laps, season file %v", len(files), ok)
	}
	for name := range files {
		if strings.HasSuffix(name, ".part") {
			t.Errorf("%s was left behind", name)
		}
	}
}

func checkManifest(t *testing.T, files map[string]string, manifest []map[string]string, laps int) {
	if len(manifest) != laps {
		t.Errorf("%d laps, want %d", len(manifest), laps)
	}
	want := []string{marker, "calendar.csv", "laps.csv", "season.yaml", "specimens.csv"}
	ids, uses := map[string]bool{}, map[string]int{}
	gauged := map[string]bool{}
	for _, r := range manifest {
		if ids[r["lap_id"]] {
			t.Errorf("lap_id %q occurs twice", r["lap_id"])
		}
		ids[r["lap_id"]] = true
		want = append(want, r["file"])
		uses[r["use"]]++
		if r["use"] != "season" {
			gauged[r["circuit"]] = true
		}
	}
	sort.Strings(want)
	if diff := cmp.Diff(want, sortedNames(files)); diff != "" {
		t.Errorf("files (-manifest +folder):\n%s", diff)
	}
	if diff := cmp.Diff(map[string]int{"season": laps - 6, "calibration": 4, "both": 2}, uses); diff != "" {
		t.Errorf("uses (-want +got):\n%s", diff)
	}
	if len(gauged) != 3 {
		t.Errorf("gauges on %d circuits, want 3", len(gauged))
	}
}

func checkCalendar(t *testing.T, calendar, manifest []map[string]string) {
	type stay struct{ circuit, session string }
	recorded, planned := map[stay]int{}, map[stay]int{}
	of := map[string]int{}
	length := map[string]string{}
	for _, r := range manifest {
		length[r["circuit"]] = r["distance_km"]
		if r["use"] != "calibration" {
			recorded[stay{r["circuit"], r["session"]}]++
			of[r["circuit"]]++
		}
	}
	for _, r := range calendar {
		n, err := strconv.Atoi(r["laps"])
		if err != nil || n <= 0 {
			t.Errorf("%s %s: laps %q", r["circuit"], r["session"], r["laps"])
		}
		planned[stay{r["circuit"], r["session"]}] += n
		if of[r["circuit"]] < 2 {
			t.Errorf("circuit %q has %d recorded laps, want at least 2", r["circuit"], of[r["circuit"]])
		}
		if r["lap_km"] != length[r["circuit"]] {
			t.Errorf("circuit %q is %s km in the calendar, %s km in the manifest", r["circuit"], r["lap_km"], length[r["circuit"]])
		}
	}
	for s, n := range recorded {
		if s.session != "test" && planned[s] <= n {
			t.Errorf("%v: %d laps planned, %d recorded; want more planned", s, planned[s], n)
		}
	}
}

// plainText undoes compression and character set.
func plainText(t *testing.T, name, data string) string {
	t.Helper()
	if strings.HasSuffix(name, ".gz") {
		r, err := gzip.NewReader(strings.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		data = string(b)
	}
	return data
}

// checkFault looks for text in the place of a number, in every text recording.
func checkFault(t *testing.T, files map[string]string, manifest []map[string]string) {
	var faults []string
	for _, r := range manifest {
		if strings.HasSuffix(r["file"], ".parquet") {
			continue
		}
		_, body, ok := strings.Cut(plainText(t, r["file"], files[r["file"]]), "TIME")
		if !ok {
			t.Fatalf("%s has no header", r["file"])
		}
		for _, line := range strings.Split(body, "\n")[2:] {
			for i, cell := range strings.FieldsFunc(strings.TrimRight(line, "\r"), func(c rune) bool { return c == '\t' || c == ';' || c == ',' && !strings.Contains(line, ";") }) {
				if _, err := strconv.ParseFloat(strings.Replace(cell, ",", ".", 1), 64); err != nil {
					faults = append(faults, fmt.Sprintf("%s column %d: %s", r["circuit"], i, cell))
				}
			}
		}
	}
	if diff := cmp.Diff([]string{"Vintermoor column 4: OVERRANGE"}, faults); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func checkDialects(t *testing.T, files map[string]string, manifest []map[string]string) {
	seen := map[string]int{}
	for _, r := range manifest {
		seen[kindOf(t, r["file"], files[r["file"]])]++
	}
	want := map[string]int{"parquet": len(manifest) - 9, "comma crlf": 2, "semicolon units": 2, "comma gz": 2, "tab latin1 units": 2, "comma": 1}
	if diff := cmp.Diff(want, seen); diff != "" {
		t.Errorf("recordings by form (-want +got):\n%s", diff)
	}
}

// kindOf tells the form of a recording from its bytes.
func kindOf(t *testing.T, name, data string) string {
	if strings.HasPrefix(data, "PAR1") {
		return "parquet"
	}
	text := plainText(t, name, data)
	start := strings.Index(text, "TIME")
	lines := strings.SplitN(text[start:], "\n", 4)
	kind := map[byte]string{',': "comma", ';': "semicolon", '\t': "tab"}[lines[0][len("TIME")]]
	for _, has := range []struct {
		name string
		is   bool
	}{
		{"gz", text != data},
		{"crlf", strings.HasSuffix(lines[0], "\r")},
		{"latin1", !utf8.ValidString(text) && strings.Contains(text[:start], "\xb116 g")},
		{"units", strings.HasPrefix(lines[1], "s")},
	} {
		if has.is {
			kind += " " + has.name
		}
	}
	if kind == "semicolon units" && !strings.HasPrefix(lines[3], "0,002;") {
		t.Errorf("%s: no decimal comma in %q", name, lines[3][:20])
	}
	return kind
}

func checkNames(t *testing.T, manifest []map[string]string) {
	for column, names := range invented {
		used := map[string]bool{}
		for _, r := range manifest {
			used[r[column]] = true
			if !slices.Contains(names, r[column]) {
				t.Errorf("%s %q is not among the invented names", column, r[column])
			}
		}
		if len(used) != len(names) {
			t.Errorf("%d names of a %s are used, want all %d", len(used), column, len(names))
		}
	}
}

// TestGolden pins the numbers of some laps and the texts. The numbers, not the
// files, so that another version of a compressor does not matter. Rounding may
// differ where the processor multiplies and adds in one step.
func TestGolden(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the golden numbers are those of amd64")
	}
	laps, err := plan(minLaps())
	if err != nil {
		t.Fatal(err)
	}
	tracks := layOutAll()
	var got bytes.Buffer
	for i := 0; i < len(laps); i += 4 {
		l, h := laps[i], sha256.New()
		for _, c := range synthesize(l, tracks[l.circuit], newStream(7, l.id)).columns() {
			fmt.Fprintln(h, c.name, c.values)
		}
		fmt.Fprintf(&got, "%x  %s\n", h.Sum(nil), l.id)
	}
	var manifest, calendar bytes.Buffer
	if err := errors.Join(writeManifest(&manifest, laps), writeCalendar(&calendar)); err != nil {
		t.Fatal(err)
	}
	fmt.Fprintf(&got, "%x  laps.csv\n%x  calendar.csv\n", sha256.Sum256(manifest.Bytes()), sha256.Sum256(calendar.Bytes()))
	golden := filepath.Join("testdata", "small.sha256")
	if *update {
		if err := os.WriteFile(golden, got.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got.String()); diff != "" {
		t.Errorf("the season changed (-want +got); if that is meant, run with -update and read what changed:\n%s", diff)
	}
}

// TestFullSeason writes the season as it is by default.
func TestFullSeason(t *testing.T) {
	if testing.Short() || raceDetector {
		t.Skip("writes about 100 MB; the small season runs the same goroutines")
	}
	start := time.Now()
	var calls []int
	dir := filepath.Join(t.TempDir(), "season")
	_, err := Write(context.Background(), dir, Options{}, func(done, total int) {
		if total != DefaultLaps {
			t.Errorf("progress of %d laps, want %d", total, DefaultLaps)
		}
		calls = append(calls, done)
	})
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(start)
	var want []int
	for i := range DefaultLaps {
		want = append(want, i+1)
	}
	if diff := cmp.Diff(want, calls); diff != "" {
		t.Errorf("progress (-want +got):\n%s", diff)
	}
	var size int
	files := contents(t, dir)
	for _, text := range files {
		size += len(text)
	}
	t.Logf("%d laps, %d MB, %.1f s", DefaultLaps, size/1e6, took.Seconds())
	if size > 120e6 {
		t.Errorf("the season takes %d bytes, want at most 120 MB", size)
	}
	manifest := readRows(t, files["laps.csv"])
	checkManifest(t, files, manifest, DefaultLaps)
	checkCalendar(t, readRows(t, files["calendar.csv"]), manifest)
	checkCrossed(t, manifest)
	checkSessions(t, readRows(t, files["calendar.csv"]), manifest)
}

// checkSessions makes sure that every session of the calendar was recorded too.
func checkSessions(t *testing.T, calendar, manifest []map[string]string) {
	recorded := map[string]bool{}
	for _, r := range manifest {
		recorded[r["circuit"]+" "+r["session"]] = true
	}
	for _, r := range calendar {
		if s := r["circuit"] + " " + r["session"]; !recorded[s] {
			t.Errorf("%s is planned but was not recorded", s)
		}
	}
}

// checkCrossed makes sure that riders and setups can be told apart from circuits:
// each of them is recorded at every circuit.
func checkCrossed(t *testing.T, manifest []map[string]string) {
	for _, column := range []string{"rider", "setup", "bike"} {
		seen := map[string]bool{}
		for _, r := range manifest {
			seen[r["circuit"]+r[column]] = true
		}
		if want := len(invented["circuit"]) * len(invented[column]); len(seen) != want {
			t.Errorf("%d pairs of circuit and %s, want all %d", len(seen), column, want)
		}
	}
}

func TestPlanRefusesFewLaps(t *testing.T) {
	if _, err := plan(minLaps() - 1); err == nil || !strings.Contains(err.Error(), "at least 26") {
		t.Errorf("got %v, want an error that names the least number", err)
	}
}

// TestClaim covers the folders that may and may not be written to.
func TestClaim(t *testing.T) {
	laps, err := plan(minLaps())
	if err != nil {
		t.Fatal(err)
	}
	mark := func(names ...string) string { return markerLine + "\n" + strings.Join(names, "\n") + "\n" }
	texts, err := seasonTexts(laps)
	if err != nil {
		t.Fatal(err)
	}
	fresh := markerText(fileNames(laps), texts)
	sum := "season.yaml\t" + key.Of([]byte("as written")).String()
	for _, tc := range []struct {
		reason       string
		before, want map[string]string
		refused      string
	}{
		{reason: "an empty folder", want: map[string]string{marker: fresh}},
		{reason: "someone's folder", before: map[string]string{"notes.txt": "mine"},
			want: map[string]string{"notes.txt": "mine"}, refused: "notes.txt"},
		{reason: "a file that is only named like the marker", before: map[string]string{marker: "mine"},
			want: map[string]string{marker: "mine"}, refused: marker},
		{reason: "an earlier season: its files go, results and notes stay",
			before: map[string]string{marker: mark("recordings/old.csv", "season.yaml", "gone.csv"), "recordings/old.csv": "", "season.yaml": "old", "out/laps.csv": "", "recordings/mine.csv": ""},
			want:   map[string]string{marker: fresh, "season.yaml": "old", "out/laps.csv": "", "recordings/mine.csv": ""}},
		{reason: "a season file as it was written", before: map[string]string{marker: mark(sum), "season.yaml": "as written"},
			want: map[string]string{marker: fresh, "season.yaml": "as written"}},
		{reason: "an edited season file is kept", before: map[string]string{marker: mark(sum), "season.yaml": "edited"},
			want: map[string]string{marker: mark(sum), "season.yaml": "edited"}, refused: "was edited"},
		{reason: "a season file that is gone", before: map[string]string{marker: mark(sum)}, want: map[string]string{marker: fresh}},
		{reason: "a marker that names a file outside", before: map[string]string{marker: mark("../outside.txt")},
			want: map[string]string{marker: fresh}},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			parent := t.TempDir()
			dir := filepath.Join(parent, "season")
			put(t, parent, map[string]string{"outside.txt": "mine"})
			put(t, dir, tc.before)
			err := claimFolder(t, dir, laps)
			if (err != nil) != (tc.refused != "") || err != nil && !strings.Contains(err.Error(), tc.refused) {
				t.Errorf("error %v, want one that names %q", err, tc.refused)
			}
			if diff := cmp.Diff(tc.want, contents(t, dir)); diff != "" {
				t.Errorf("folder (-want +got):\n%s", diff)
			}
			if _, err := os.Stat(filepath.Join(parent, "outside.txt")); err != nil {
				t.Error(err)
			}
		})
	}
}

func put(t *testing.T, dir string, files map[string]string) {
	t.Helper()
	for name, text := range files {
		file := filepath.Join(dir, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(file), 0o777), os.WriteFile(file, []byte(text), 0o666)); err != nil {
			t.Fatal(err)
		}
	}
}

func claimFolder(t *testing.T, dir string, laps []lap) error {
	t.Helper()
	if err := os.MkdirAll(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	texts, err := seasonTexts(laps)
	if err != nil {
		t.Fatal(err)
	}
	return claim(root, dir, laps, texts)
}

// TestLaps checks every circuit's lap against what the season promises of it.
func TestLaps(t *testing.T) {
	for i, tr := range layOutAll() {
		c := circuits[i]
		for _, r := range riders {
			m := tr.drive(r.pace, 500)
			seconds := float64(len(m.x)) / 500
			if seconds < 70 || seconds > 132 {
				t.Errorf("%s, %s: lap time %.1f s, want 70 to 130", c.name, r.name, seconds)
			}
			last := m.x[len(m.x)-1]
			if end := 1000 * c.km; last >= end || last < end-1 {
				t.Errorf("%s, %s: the lap ends at %.1f m of %.0f m", c.name, r.name, last, end)
			}
			if top := slices.Max(m.v); top > c.top*r.pace || top < 0.7*c.top {
				t.Errorf("%s, %s: top speed %.1f m/s, want up to %.0f", c.name, r.name, top, c.top)
			}
			if g := slices.Min(m.along); g < -1.1 || g > -0.5 {
				t.Errorf("%s, %s: hardest braking %.2f g", c.name, r.name, g)
			}
		}
	}
}

// TestNoise checks the noise against its definition: unit variance, each mode with
// its share, and little above the band that the season keeps.
func TestNoise(t *testing.T) {
	for _, modes := range [][]mode{verticalModes, lengthwiseModes, sidewaysModes} {
		const df, n = 0.01, 50001
		var total, share, fast float64
		for k, p := range spectrum(modes, df, n) {
			total += p
			if float64(k)*df > 100 {
				fast += p
			}
		}
		for _, m := range modes {
			share += m.share
		}
		if math.Abs(total-1) > 1e-9 || math.Abs(share-1) > 1e-9 {
			t.Errorf("%v: variance %g, shares %g, want 1", modes, total, share)
		}
		if fast > 0.005 {
			t.Errorf("%v: %.2g of the variance is above 100 Hz", modes, fast)
		}
		v := noise(100000, 1000, modes, newStream(1, "noise"))
		var sum float64
		for _, x := range v {
			sum += x * x / float64(len(v))
		}
		// 100 s of a band some 10 Hz wide: the variance is known to about 1/sqrt(1000).
		if math.Abs(sum-1) > 0.12 {
			t.Errorf("%v: variance %g, want 1", modes, sum)
		}
	}
}

// TestStrike checks a strike's first peak and its decay against the closed form of
// a damped oscillation: exp(-d w t) sin(w t).
func TestStrike(t *testing.T) {
	const rate = 100000
	v := make([]float64, rate)
	ring{hz: 35, damping: 0.07, share: 1}.addTo(v, 100, rate, 6)
	peak := slices.Max(v)
	at := math.Atan(1 / 0.07)
	if want := 6 * math.Exp(-0.07*at) * math.Sin(at); math.Abs(peak-want) > 1e-3 {
		t.Errorf("peak %.4f g, want %.4f", peak, want)
	}
	next := slices.Max(v[100+rate/35:])
	if want := math.Exp(-2 * math.Pi * 0.07); math.Abs(next/peak-want) > 1e-3 {
		t.Errorf("the next peak is %.4f of the first, want %.4f", next/peak, want)
	}
	ring{hz: 35, damping: 0.07, share: 1}.addTo(v, len(v), rate, 6) // past the end of the lap: nothing to add to
}

// TestCircuitsAreNamed ties the table of circuits to the list of invented names and
// to the package comment.
func TestCircuitsAreNamed(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range circuits {
		names = append(names, c.name)
		row := fmt.Sprintf("//\t%-10s  %.2f    %2d       %.2f       %d x %.1f  %2.0f, %.1f g  ",
			c.name, c.km, c.corners, c.surface, c.patches, 1+c.patch, c.kerbs, c.strike)
		if !strings.Contains(string(doc), row) {
			t.Errorf("the package comment lacks %q", row)
		}
	}
	if diff := cmp.Diff(invented["circuit"], names); diff != "" {
		t.Errorf("circuits (-invented +used):\n%s", diff)
	}
}
