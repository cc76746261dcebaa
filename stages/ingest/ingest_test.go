package ingest

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

var nan = math.NaN()

// cradle is a recording with a time column and two channels.
var cradle = Params{
	Time:     Time{Column: "TIME", Scale: 1},
	Channels: []Channel{{"acc_z", "AZ", "g"}, {"toe", "SG", "ustrain"}},
	StartS:   nan, EndS: nan,
}

// write puts a recording into a file of its own.
func write(t testing.TB, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// atOnce makes all calls at the same time, as many workers would.
func atOnce(n int, do func(i int) error) error {
	errs := make([]error, n)
	var calls sync.WaitGroup
	for i := range n {
		calls.Go(func() { errs[i] = do(i) })
	}
	calls.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// run reads a recording from its file. What many hands read of it in memory must be the same.
func run(t testing.TB, p Params, name string, content []byte) ([]stages.Output, error) {
	t.Helper()
	path := write(t, name, content)
	out, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
	again, errAgain := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path, Content: bytes.Clone(content)}, Hands: atOnce})
	if fmt.Sprint(errAgain) != fmt.Sprint(err) || digest(again) != digest(out) {
		t.Errorf("%s: read in memory it gives other outputs, error %v; from its file %v", name, errAgain, err)
	}
	return out, err
}

// digest is the identity of all outputs.
func digest(outs []stages.Output) key.ID {
	var b []byte
	for _, o := range outs {
		b = o.Frame.AppendEncoded(append(b, o.Name...))
	}
	return key.Of(b)
}

func column(t testing.TB, f *frame.Frame, name string) []float64 {
	t.Helper()
	v, err := frame.Numbers(f, name, nil)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func zipped(t testing.TB, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	if _, err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func zstded(t testing.TB, b []byte) []byte {
	t.Helper()
	w, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	return w.EncodeAll(b, nil)
}

func wideText(order binary.AppendByteOrder, s string) []byte {
	out := order.AppendUint16(nil, 0xfeff)
	for _, u := range utf16.Encode([]rune(s)) {
		out = order.AppendUint16(out, u)
	}
	return out
}

// base is the recording that every dialect below writes.
const base = "TIME,AZ,SG\n0,1.5,-2\n0.01,0.25,1e3\n0.02,-1.75,12.5\n0.03,0,-0.125\n"

func TestDialectsGiveIdenticalOutputs(t *testing.T) {
	want, err := run(t, cradle, "base.csv", []byte(base))
	if err != nil {
		t.Fatal(err)
	}
	comma := strings.NewReplacer(",", ";", ".", ",").Replace(base)
	tab := strings.ReplaceAll(base, ",", "\t")
	rows := base[strings.IndexByte(base, '\n')+1:]
	micro := "TIME,AZ,SG\ns,g,µε\n" + rows
	quotes := "\"TIME\",\"AZ\",\"SG\"\n\"0\",\"1.5\",\"-2\"\n" + rows[len("0,1.5,-2\n"):]
	tests := []struct {
		reason  string
		name    string
		content []byte
	}{
		{"another name", "other.txt", []byte(base)},
		{"semicolon, decimal comma", "a.csv", []byte(comma)},
		{"semicolon, decimal point", "a.csv", []byte(strings.ReplaceAll(base, ",", ";"))},
		{"tab, decimal point", "a.tsv", []byte(tab)},
		{"tab, decimal comma", "a.tsv", []byte(strings.ReplaceAll(tab, ".", ","))},
		{"CRLF", "a.csv", []byte(strings.ReplaceAll(base, "\n", "\r\n"))},
		{"CR alone", "a.csv", []byte(strings.ReplaceAll(base, "\n", "\r"))},
		{"no end of the last line", "a.csv", []byte(strings.TrimSuffix(base, "\n"))},
		{"blank lines at the end", "a.csv", []byte(base + "\n \r\n\n")},
		{"blank line under the header", "a.csv", []byte("TIME,AZ,SG\n\n" + rows)},
		{"UTF-8 with byte-order mark", "a.csv", []byte("\ufeff" + base)},
		{"UTF-16 little endian", "a.csv", wideText(binary.LittleEndian, base)},
		{"UTF-16 big endian", "a.csv", wideText(binary.BigEndian, micro)},
		{"units row in UTF-8", "a.csv", []byte(micro)},
		{"units row in Latin-1: µ is one byte", "a.csv", []byte("TIME,AZ,SG\ns,G,\xb5m/m\n" + rows)},
		{"units row, blank line", "a.csv", []byte("TIME,AZ,SG\ns,g,ustrain\n\n" + rows)},
		{"units in brackets", "a.csv", []byte("TIME [s],AZ (g),SG[um/m]\n" + rows)},
		{"lines before the header", "a.csv", []byte("# cradle\nbike;E7\nTIME OF DAY,12:00\n\n" + base)},
		{"gzip", "a.csv.gz", zipped(t, []byte(base))},
		{"gzip, told by content", "a.csv", zipped(t, []byte(base))},
		{"zstd", "a.csv.zst", zstded(t, []byte(comma))},
		{"zstd of UTF-16", "a.csv.zst", zstded(t, wideText(binary.LittleEndian, comma))},
		{"quotes", "a.csv", []byte(quotes)},
		{"blanks around cells", "a.csv", []byte(strings.ReplaceAll(base, ",", " ,  "))},
		{"other digits of the same numbers", "a.csv", []byte("TIME,AZ,SG\n0.0,+1.50,-2e0\n1E-2,.25,1000\n2e-2,-17.5e-1,12.5\n0.03,0.000,-.125\n")},
		{"other order, unused columns, a delimiter and quotes in a name", "a.csv",
			[]byte("SG,\"free, \"\"text\"\"\",TIME,AZ,no\n-2,\"a,b\",0,1.5,x\n1e3,,0.01,0.25,\n12.5,c,0.02,-1.75,\n-0.125,d,0.03,0,\n")},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			got, err := run(t, cradle, tt.name, tt.content)
			if err != nil {
				t.Fatal(err)
			}
			if digest(got) != digest(want) {
				for i := range want {
					t.Errorf("%s: %v %v, want %v %v", want[i].Name, got[i].Frame.Attrs(), got[i].Frame.Columns(),
						want[i].Frame.Attrs(), want[i].Frame.Columns())
				}
			}
		})
	}
}

func TestParquetGivesTheOutputsOfText(t *testing.T) {
	want, err := run(t, cradle, "base.csv", []byte(base))
	if err != nil {
		t.Fatal(err)
	}
	f := frame.Must(nil,
		frame.Col("TIME", "s", []float64{0, 0.01, 0.02, 0.03}),
		frame.Col("AZ", "G", []float64{1.5, 0.25, -1.75, 0}),
		frame.Col("SG [um/m]", "", []float64{-2, 1000, 12.5, -0.125}))
	var b bytes.Buffer
	if err := f.WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	got, err := run(t, cradle, "a.parquet", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if digest(got) != digest(want) {
		t.Error("other outputs than from text")
	}
	cut := cradle
	cut.StartS, cut.EndS = 0.01, 0.03
	fromText, err := run(t, cut, "base.csv", []byte(base))
	if err != nil {
		t.Fatal(err)
	}
	fromParquet, err := run(t, cut, "a.parquet", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	if digest(fromParquet) != digest(fromText) {
		t.Error("other outputs of a cut lap than from text")
	}
}

func TestOutputs(t *testing.T) {
	p := Params{
		Time: Time{Column: "t", Scale: 1e-3}, Channels: []Channel{{"b", "y", "m"}, {"a", "x", "g"}, {"again", "x", "g"}},
		StartS: nan, EndS: nan,
	}
	got, err := run(t, p, "a.csv", []byte("x,t,y\n1,100,7\n2,110,7\n3,123,7\n4,130,8\n"))
	if err != nil {
		t.Fatal(err)
	}
	times := []float64{0.1, 0.11, 0.123, 0.13}
	signal := func(unit string, v ...float64) *frame.Frame {
		return frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 100), frame.Num("start_s", "s", 0.1)},
			frame.Lean("value", unit, v), frame.Col("time_s", "s", times))
	}
	x := signal("g", 1, 2, 3, 4)
	want := []stages.Output{{Name: "b", Frame: signal("m", 7, 7, 7, 8)}, {Name: "a", Frame: x}, {Name: "again", Frame: x}}
	if diff := cmp.Diff(want, got[:3], cmp.Comparer(func(a, b *frame.Frame) bool {
		return bytes.Equal(a.AppendEncoded(nil), b.AppendEncoded(nil))
	})); diff != "" {
		t.Error(diff)
	}
	q := got[3]
	if q.Name != QualityOutput || q.Frame.Rows() != 3 {
		t.Errorf("last output %q with %d rows, want %q with 3", q.Name, q.Frame.Rows(), QualityOutput)
	}
	if flat := column(t, q.Frame, "flat_s"); math.Abs(flat[0]-0.023) > 1e-12 || flat[1] != 0 {
		t.Errorf("flat_s %v, want 0.023 and 0", flat)
	}
}

func TestCut(t *testing.T) {
	const rows = "t,x\n10,0\n10.5,1\n11,2\n11.5,3\n12,4\n12.5,5\n"
	tests := []struct {
		reason     string
		content    string
		stamped    bool
		start, end float64
		want       []float64
		first      float64
	}{
		{"start is in, end is out", rows, true, 10.5, 12, []float64{1, 2, 3}, 10.5},
		{"between stamps", rows, true, 10.4, 11.9, []float64{1, 2, 3}, 10.5},
		{"a decimal that no multiple of 0.001 is", "t [ms],x\n85,0\n86,1\n87,2\n88,3\n", true, 0.086, 0.088, []float64{1, 2}, 0.086},
		{"only a start", rows, true, 11.5, nan, []float64{3, 4, 5}, 11.5},
		{"only an end", rows, true, nan, 11, []float64{0, 1}, 10},
		{"the end of the last sample's step", rows, true, 11.5, 13, []float64{3, 4, 5}, 11.5},
		{"a step before the first", rows, true, 9.5, 11, []float64{0, 1}, 10},
		{"without a time column", rows, false, 0.5, 2, []float64{1, 2, 3}, 0.5},
		{"faults outside the lap are not its own", "t,x\n10,oops\n10.5,1\n11,2\n11.5,\nworse\n", true, 10.5, 11.5, []float64{1, 2}, 10.5},
		{"quoted cells", strings.ReplaceAll(rows, ",", "\",\""), true, 10.5, 12, nil, 0},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			content := tt.content
			if tt.want == nil { // the same recording with every cell in quotes
				content = "\"" + strings.ReplaceAll(strings.TrimSpace(content), "\n", "\"\n\"") + "\"\n"
				tt.want, tt.first = []float64{1, 2, 3}, 10.5
			}
			p := Params{Time: Time{Rate: 2}, Channels: []Channel{{"x", "x", ""}}, StartS: tt.start, EndS: tt.end}
			if tt.stamped {
				p.Time = Time{Column: "t", Scale: 1}
			}
			rate := 2.0
			if strings.Contains(content, "ms") {
				p.Time.Scale, rate = 1e-3, 1000
			}
			got, err := run(t, p, "a.csv", []byte(content))
			if err != nil {
				t.Fatal(err)
			}
			want := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", tt.first)}, frame.Lean("value", "", tt.want))
			if !bytes.Equal(got[0].Frame.AppendEncoded(nil), want.AppendEncoded(nil)) {
				t.Errorf("got %v %v, want %v %v", got[0].Frame.Attrs(), got[0].Frame.Columns(), want.Attrs(), want.Columns())
			}
		})
	}
}

func TestRefusals(t *testing.T) {
	from := func(start, end float64) Params {
		p := cradle
		p.StartS, p.EndS = start, end
		return p
	}
	ms := cradle
	ms.Time.Scale = 1e-3
	tests := []struct {
		reason  string
		p       Params
		content string
		want    string
	}{
		{"a column is missing", cradle, "TIME,AZ_1,AZ2,SG\n0,1,2,3\n",
			`line 1: no column "AZ"; nearest: "AZ2", "AZ_1", "SG"; correct the name of the column`},
		{"no column is there, the header is guessed", cradle, "rig,7\n\nTime,Az,S\n0,1,2\n1,1,2\n",
			`line 3: no column "TIME"; nearest: "Time", "Az", "S"; correct the name of the column`},
		{"nothing is there", cradle, "hello\n",
			`no line among the first 1000 has the column names "TIME", "AZ", "SG"; name the columns as the recording does`},
		{"an empty file", cradle, "", `the file is empty; export it again`},
		{"a column occurs twice", cradle, "TIME,AZ,SG,AZ\n0,1,2,3\n",
			`line 1: 2 columns are named "AZ"; give each its own name`},
		{"text in a number", cradle, "TIME,AZ,SG\n0,1,2\n1,abc,2\n",
			`line 3, column "AZ": found "abc" where a number is expected; correct the cell and export again`},
		{"a decimal comma in a file of decimal points", cradle, "TIME;AZ;SG\n0;1.5;2\n1;1,5;2\n",
			`line 3, column "AZ": found "1,5" where a number is expected; correct the cell and export again`},
		{"a decimal point in a file of decimal commas", cradle, "TIME;AZ;SG\n0;1;2\n1;1,5;2\n2;1.5;2\n",
			`line 4, column "AZ": found "1.5" where a number is expected; correct the cell and export again`},
		{"thousands marks are not read", cradle, "TIME;AZ;SG\n0;1.234,5;2\n1;1;2\n",
			`line 2, column "AZ": found "1.234,5" where a number is expected; correct the cell and export again`},
		{"over half of a channel's cells empty or not finite", cradle, "TIME,AZ,SG\n0,1,2\n1,,2\n2,NaN,2\n3,-inf,2\n4,1,inf\n",
			`channel "acc_z", column "AZ": 3 of 5 cells empty or not finite, the first on line 3; fill them at the source or leave the lap out`},
		{"all of them", cradle, "TIME,AZ,SG\n0,1,\n1,1,\n2,1,\n3,1,\n",
			`channel "toe", column "SG": 4 of 4 cells empty or not finite, the first on line 2; fill them at the source or leave the lap out`},
		{"irregular ones are no slower channel", cradle, "TIME,AZ,SG\n0,1,1\n1,1,\n2,1,\n3,1,1\n4,1,\n5,1,1\n6,1,\n7,1,\n8,1,\n9,1,1\n10,1,\n",
			`channel "toe", column "SG": 7 of 11 cells empty or not finite, the first on line 3; fill them at the source or leave the lap out`},
		{"too large for float64", cradle, "TIME,AZ,SG\n0,1,2\n1,1e999,2\n",
			`channel "acc_z", column "AZ": 1 of 2 cells empty or not finite, the first on line 3; fill them at the source or leave the lap out`},
		{"a missing stamp", cradle, "TIME,AZ,SG\n0,1,2\n,1,2\n",
			`column "TIME": 1 of 2 cells empty or not finite, the first on line 3; fill them at the source or leave the lap out`},
		{"over half of the stamps missing", cradle, "TIME,AZ,SG\n0,1,2\n1,1,2\n,1,2\n,1,2\n,1,2\n",
			`column "TIME": 3 of 5 cells empty or not finite, the first on line 4; fill them at the source or leave the lap out`},
		{"over half does not advance", cradle, "TIME,AZ,SG\n0,1,2\n1,1,2\n0,1,2\n1,1,2\n0,1,2\n",
			`3 of 5 samples are not there, over half, from line 4, column "TIME" on; cut the lap where it is whole or leave it out`},
		{"over half is lost here and there", cradle, "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n3,1,2\n4,1,2\n9,1,2\n10,1,2\n19,1,2\n20,1,2\n",
			`12 of 21 samples are not there, over half, from line 7, column "TIME" on; cut the lap where it is whole or leave it out`},
		{"empty cells and lost rows make over half together", cradle, "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n3,,2\n4,,2\n8,1,2\n9,,2\n",
			`channel "acc_z": 6 of 10 samples are not there, over half, from line 5, column "AZ" on; cut the lap where it is whole or leave it out`},
		{"one sample", cradle, "TIME,AZ,SG\n0,1,2\n",
			`the lap has 1 samples, at least 2 are needed; correct start_s and end_s or leave the lap out`},
		{"time stands still from the beginning", cradle, "# x\nTIME,AZ,SG\ns,g,-\n1,1,2\n1,1,2\n1,1,2\n",
			`line 5, column "TIME": the time does not advance there nor after; time must increase: correct the time column or leave the lap out`},
		{"more gap than samples", ms, "TIME,AZ,SG\n0,1,2\n10,1,2\n20,1,2\n30,1,2\n140,1,2\n150,1,2\n160,1,2\n",
			`10 of 17 samples are not there, over half, from line 6, column "TIME" on; cut the lap where it is whole or leave it out`},
		{"a start before the recording", from(-2, 2), "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n",
			`start_s -2 is outside the recording, which goes from 0 s to 2 s; correct the lap manifest`},
		{"a start after the recording", from(2.5, nan), "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n",
			`start_s 2.5 is outside the recording, which goes from 0 s to 2 s; correct the lap manifest`},
		{"an end after the recording", from(nan, 3.5), "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n",
			`end_s 3.5 is outside the recording, which goes from 0 s to 2 s; correct the lap manifest`},
		{"an end before the recording", from(nan, -3), "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n",
			`end_s -3 is outside the recording, which goes from 0 s to 2 s; correct the lap manifest`},
		{"no duration", from(1, 1), "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n",
			`start_s 1 is not before end_s 1; correct the lap manifest`},
		{"too short a lap", from(0.5, 1.5), "TIME,AZ,SG\n0,1,2\n1,1,2\n2,1,2\n",
			`the lap has 1 samples, at least 2 are needed; correct start_s and end_s or leave the lap out`},
		{"a short row", cradle, "TIME,AZ,SG\n0,1,2\n1,1\n",
			`line 3 has 2 cells where the header on line 1 has 3; correct the line and export again`},
		{"a long row with quotes", cradle, "TIME,AZ,SG\n0,1,2\n1,\"1\",2,3\n",
			`line 3 has 4 cells where the header on line 1 has 3; correct the line and export again`},
		{"a quote without end", cradle, "TIME,AZ,SG\n0,1,2\n1,\"1,2\n",
			`line 3: a quote has no end in its line; correct the line and export again`},
		{"a blank line between samples", cradle, "TIME,AZ,SG\n0,1,2\n\n1,1,2\n",
			`line 3 is blank or a comment but samples follow; remove such lines between samples`},
		{"a units row says otherwise", cradle, "TIME,AZ,SG\ns,m/s^2,ustrain\n0,1,2\n1,1,2\n",
			`column "AZ": the recording says "m/s^2", the channel "acc_z" is in "g"; correct the channel's unit or the recording`},
		{"brackets say otherwise", cradle, "TIME,AZ,SG (MPa)\n0,1,2\n1,1,2\n",
			`column "SG": the recording says "MPa", the channel "toe" is in "ustrain"; correct the channel's unit or the recording`},
		{"the time's unit says otherwise", cradle, "TIME [ms],AZ,SG\n0,1,2\n1,1,2\n",
			`column "TIME": the recording says "ms", the season "s"; correct the unit of time or the recording`},
		{"a long line", cradle, "TIME,AZ,SG\n0,1,2\n" + strings.Repeat("1", maxLine+1) + "\n",
			`line 3 is longer than 1048576 bytes; this is no recording with one sample a line`},
		{"bytes that are no text", cradle, "TIME,AZ,SG\n0,\x001,2\n",
			`line 2 holds zero bytes, as no text does (utf-16 needs a byte-order mark); export or copy it again`},
		{"half a UTF-16 character", cradle, string(wideText(binary.LittleEndian, base)) + "x",
			`line 1: cannot be decoded: the utf-16 text ends in the middle of a character; export or copy it again`},
		{"truncated gzip", cradle, string(zipped(t, []byte(base))[:40]),
			`cannot be decoded: unexpected EOF, before byte 40; export or copy it again`},
		{"truncated zstd", cradle, string(zstded(t, []byte(base))[:40]),
			`cannot be decoded: unexpected EOF, before byte 40; export or copy it again`},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			_, err := run(t, tt.p, "lap_07.csv", []byte(tt.content))
			var r *stages.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("error %v, want a refusal", err)
			}
			if want := tt.want; r.Reason != want {
				t.Errorf("reason:\n%s\nwant:\n%s", r.Reason, want)
			}
		})
	}
}

func TestDamagedParquetIsRefused(t *testing.T) {
	for _, content := range []string{"PAR1", "PAR1 and no more of it PAR1", "ARROW1\x00\x00 and no more of it"} {
		_, err := run(t, cradle, "a.parquet", []byte(content))
		var r *stages.Refusal
		if !errors.As(err, &r) || strings.Contains(r.Reason, "a.parquet") {
			t.Errorf("content %q: error %v, want a refusal that leaves the name to whoever knows it", content, err)
		}
	}
}

func TestDecompressionIsBounded(t *testing.T) {
	lines := append([]byte(base), bytes.Repeat([]byte("0.03,0,0\n"), freeText/9+1)...)
	_, err := run(t, cradle, "bomb.csv.zst", zstded(t, lines))
	var r *stages.Refusal
	const want = `its text is over 100 times as large as the compressed file, which no recording is; export it again`
	if !errors.As(err, &r) || r.Reason != want {
		t.Errorf("error %v, want %s", err, want)
	}
}

func TestFailuresAreNoRefusals(t *testing.T) {
	dir := t.TempDir()
	path := write(t, "a.csv", []byte(base))
	s, err := openFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(base+"0.04,1,1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		reason string
		err    error
		want   string
	}{
		{"not found", func() error {
			_, err := cradle.Run(context.Background(), stages.Inputs{File: stages.File{Path: filepath.Join(dir, "no.csv")}})
			return err
		}(), "no such file"},
		{"a folder", func() error {
			_, err := cradle.Run(context.Background(), stages.Inputs{File: stages.File{Path: dir}})
			return err
		}(), "is not a regular file"},
		{"changed meanwhile, whatever was found", s.finish(s.refuse("x")), "changed meanwhile"},
		{"cancelled", func() error {
			ctx, cancel := context.WithCancel(context.Background())
			cancel()
			_, err := cradle.Run(ctx, stages.Inputs{File: stages.File{Path: path}})
			return err
		}(), "context canceled"},
		{"a channel with a reserved name", Params{Time: Time{Rate: 1}, Channels: []Channel{{QualityOutput, "x", ""}}}.Check(path), "set up ingest"},
		{"no rate", Params{Channels: []Channel{{"x", "x", ""}}}.Check(path), "set up ingest"},
		{"no channel", Params{Time: Time{Rate: 1}}.Check(path), "set up ingest"},
	}
	for _, tt := range tests {
		var r *stages.Refusal
		if tt.err == nil || errors.As(tt.err, &r) || !strings.Contains(tt.err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one that is no refusal and says %q", tt.reason, tt.err, tt.want)
		}
	}
}

func TestCheckReadsNoSamples(t *testing.T) {
	if err := cradle.Check(write(t, "a.csv", []byte("TIME,AZ,SG\ns,g,ue\n0,no number,2\n"))); err != nil {
		t.Error(err)
	}
	err := cradle.Check(write(t, "a.csv", []byte("TIME,AZ,SG\ns,Hz,ue\n0,1,2\n")))
	var r *stages.Refusal
	if !errors.As(err, &r) {
		t.Errorf("error %v, want a refusal", err)
	}
}

func TestHeader(t *testing.T) {
	tests := []struct {
		reason  string
		content []byte
		want    Info
	}{
		{"lines before, units row, Latin-1", []byte("bike;7\n\nTIME;AZ;SG\ns;g;\xb5m/m\n0;1,5;2\n1;2;3\n"), Info{
			Format: "text", Encoding: "latin-1", Delimiter: ";", Decimal: ",",
			Columns: []Column{{"TIME", "s"}, {"AZ", "g"}, {"SG", "µm/m"}}, HeaderLine: 3, DataLine: 5, First: []string{"0", "1,5", "2"}}},
		{"brackets, gzip", zipped(t, []byte("TIME [s]\tAZ (g)\n0\t1\n")), Info{
			Format: "text", Compression: "gzip", Encoding: "utf-8", Delimiter: "\t",
			Columns: []Column{{"TIME", "s"}, {"AZ", "g"}}, HeaderLine: 1, DataLine: 2, First: []string{"0", "1"}}},
		{"a single column", []byte("AZ\n1.5\n2\n"), Info{
			Format: "text", Encoding: "utf-8", Decimal: ".",
			Columns: []Column{{"AZ", ""}}, HeaderLine: 1, DataLine: 2, First: []string{"1.5"}}},
		{"text in some columns", wideText(binary.LittleEndian, "clock,AZ,SG\n12:00,1,2\n12:01,1,2\n"), Info{
			Format: "text", Encoding: "utf-16le", Delimiter: ",", Decimal: ".",
			Columns: []Column{{"clock", ""}, {"AZ", ""}, {"SG", ""}}, HeaderLine: 1, DataLine: 2, First: []string{"12:00", "1", "2"}}},
	}
	for _, tt := range tests {
		got, err := Header(write(t, "a.csv", tt.content))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s: %s", tt.reason, diff)
		}
	}
	if _, err := Header(write(t, "a.csv", []byte("1,2\n3,4\n"))); err == nil {
		t.Error("a file without names has a header")
	}
}

func TestReadColumn(t *testing.T) {
	tests := []struct {
		reason, content, column string
		want                    []float64
	}{
		{"one column without a delimiter", "AZ\n1.5\n-2\n3e2\n", "AZ", []float64{1.5, -2, 300}},
		{"one sample", "AZ\n4", "AZ", []float64{4}},
		{"one of several", "t;AZ;x\n;g;\n0;1,5;a\n0;2;b\n", "AZ", []float64{1.5, 2}},
		{"a unit elsewhere makes a units row", "t,AZ\ns,-\n0,1\n1,2\n", "AZ", []float64{1, 2}},
		{"slower than its file", "t,AZ\n0,\n1,1\n2,\n3,2\n4,\n5,3\n", "AZ", []float64{1, 2, 3}},
		{"a name in brackets is the name when it is given so", "AZ [g],AZ [V]\n1,2\n", "AZ [V]", []float64{2}},
	}
	for _, tt := range tests {
		got, err := ReadColumn(write(t, "a.csv", []byte(tt.content)), tt.column)
		if err != nil || !cmp.Equal(got, tt.want) {
			t.Errorf("%s: %v, %v; want %v", tt.reason, got, err, tt.want)
		}
	}
	for _, content := range []string{"AZ\n", "AZ\n1\nx\n", "AZ\n1\nNaN\n", "t,AZ\n0,1\n1,\n2,2\n3,\n4,\n5,\n6,3\n", "AX\n1\n"} {
		_, err := ReadColumn(write(t, "a.csv", []byte(content)), "AZ")
		var r *stages.Refusal
		if !errors.As(err, &r) {
			t.Errorf("content %q: error %v, want a refusal", content, err)
		}
	}
}

// What is left out of a lap that is cut out of columns is what is left out of text.
func TestLeftOutOfColumns(t *testing.T) {
	p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: 1, EndS: 6}
	stamps, x := []float64{0, 1, 2, 1.5, nan, 3, 4, 5, 6}, []float64{0, 1, 2, 3, 4, nan, 6, 7, 8}
	var b bytes.Buffer
	if err := frame.Must(nil, frame.Col("t", "s", stamps), frame.Col("x", "", x)).WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	rows := "t,x\n"
	for i := range x {
		rows += fmt.Sprintf("%v,%v\n", stamps[i], x[i])
	}
	columns, err := run(t, p, "a.parquet", b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	text, err := run(t, p, "a.csv", []byte(rows))
	if err != nil {
		t.Fatal(err)
	}
	if want := []float64{1, 2, 6, 7}; !cmp.Equal(column(t, columns[0].Frame, "value"), want) {
		t.Errorf("%v are left, want %v", column(t, columns[0].Frame, "value"), want)
	}
	if !bytes.Equal(columns[0].Frame.AppendEncoded(nil), text[0].Frame.AppendEncoded(nil)) {
		t.Error("text gives another signal")
	}
}

// What is wrong is counted with its place. A row with a bad stamp is left out for all
// channels, an empty cell for its own; the stamps of the others stand.
func TestLeftOut(t *testing.T) {
	whole := []float64{0, 1, 2, 3, 4, 5, 6, 7}
	rows := func(change map[int]string) string {
		var b strings.Builder
		b.WriteString("TIME,AZ,SG\n")
		for i := range whole {
			line, changed := change[i]
			if !changed {
				line = fmt.Sprintf("%d,%d,-%d", i, i, i)
			}
			b.WriteString(line + "\n")
		}
		return b.String()
	}
	windowed := cradle
	windowed.StartS, windowed.EndS = 1, 7
	rated := cradle
	rated.Time = Time{Rate: 1}
	type counts struct {
		missing           []int64
		backward, gaps    int64
		missingAt         string
		backwardAt, gapAt string
		values, times     []float64
	}
	none := []int64{0, 0}
	tests := []struct {
		reason string
		p      Params
		rows   string
		want   counts
	}{
		{"nothing", cradle, rows(nil), counts{missing: none, values: whole}},
		{"a sample of one channel", cradle, rows(map[int]string{3: "3,,-3"}),
			counts{missing: []int64{1, 0}, missingAt: `line 5, column "AZ"`, gaps: 1, gapAt: `line 6, column "AZ"`,
				values: []float64{0, 1, 2, 4, 5, 6, 7}, times: []float64{0, 1, 2, 4, 5, 6, 7}}},
		{"no stamp", cradle, rows(map[int]string{3: ",3,-3"}),
			counts{missing: []int64{1, 1}, missingAt: `line 5, column "TIME"`, gaps: 1, gapAt: `line 6, column "TIME"`,
				values: []float64{0, 1, 2, 4, 5, 6, 7}, times: []float64{0, 1, 2, 4, 5, 6, 7}}},
		{"a sample of the other channel", cradle, rows(map[int]string{3: "3,3,"}), counts{missing: []int64{0, 1}, values: whole}},
		{"a stamp and a sample in one row count once", cradle, rows(map[int]string{3: ",,-3"}),
			counts{missing: []int64{1, 1}, missingAt: `line 5, column "TIME"`, gaps: 1, gapAt: `line 6, column "TIME"`,
				values: []float64{0, 1, 2, 4, 5, 6, 7}, times: []float64{0, 1, 2, 4, 5, 6, 7}}},
		{"time stands still in a row without a sample", cradle, rows(map[int]string{3: "2,,-3"}),
			counts{missing: none, backward: 1, backwardAt: `line 5, column "TIME"`, gaps: 1, gapAt: `line 6, column "TIME"`,
				values: []float64{0, 1, 2, 4, 5, 6, 7}, times: []float64{0, 1, 2, 4, 5, 6, 7}}},
		{"without a time column", rated, rows(map[int]string{3: "3,inf,3", 4: "4,nan,4"}),
			counts{missing: []int64{2, 0}, missingAt: `line 5, column "AZ"`, gaps: 1, gapAt: `line 7, column "AZ"`,
				values: []float64{0, 1, 2, 5, 6, 7}, times: []float64{0, 1, 2, 5, 6, 7}}},
		{"the last row: the others are uniform", cradle, rows(map[int]string{7: "7,,-7"}),
			counts{missing: []int64{1, 0}, missingAt: `line 9, column "AZ"`, values: whole[:7]}},
		{"time goes back and comes again", cradle, rows(map[int]string{4: "1,4,-4", 5: "2,5,-5"}),
			counts{missing: none, backward: 2, backwardAt: `line 6, column "TIME"`, gaps: 1, gapAt: `line 8, column "TIME"`,
				values: []float64{0, 1, 2, 3, 6, 7}, times: []float64{0, 1, 2, 3, 6, 7}}},
		{"time stands still in a lap that is cut out", windowed, rows(map[int]string{4: "3,4,-4"}),
			counts{missing: none, backward: 1, backwardAt: `line 6, column "TIME"`, gaps: 1, gapAt: `line 7, column "TIME"`,
				values: []float64{1, 2, 3, 5, 6}, times: []float64{1, 2, 3, 5, 6}}},
		{"an infinite stamp in a lap that is cut out", windowed, rows(map[int]string{4: "inf,4,-4"}),
			counts{missing: []int64{1, 1}, missingAt: `line 6, column "TIME"`, gaps: 1, gapAt: `line 7, column "TIME"`,
				values: []float64{1, 2, 3, 5, 6}, times: []float64{1, 2, 3, 5, 6}}},
	}
	for _, tt := range tests {
		outs, err := run(t, tt.p, "a.csv", []byte(tt.rows))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		q := outs[2].Frame
		integers := func(name string) []int64 { v, _ := frame.Get[[]int64](q, name); return v }
		texts := func(name string) string { v, _ := frame.Get[[]string](q, name); return v[0] }
		got := counts{missing: integers("missing"), backward: integers("backward")[0], gaps: integers("gaps")[0],
			missingAt: texts("missing_at"), backwardAt: texts("backward_at"), gapAt: texts("gap_at"),
			values: column(t, outs[0].Frame, "value")}
		if _, ok := outs[0].Frame.Column("time_s"); ok {
			got.times = column(t, outs[0].Frame, "time_s")
		}
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(counts{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestKey(t *testing.T) {
	id := func(p Params) key.ID {
		h := key.New(p.Name(), p.Revision(), "any")
		p.AddTo(h)
		return h.Sum()
	}
	changes := map[string]func(*Params){
		"time column": func(p *Params) { p.Time.Column = "T" },
		"scale":       func(p *Params) { p.Time.Scale = 2 },
		"rate":        func(p *Params) { p.Time.Rate = 2 },
		"name":        func(p *Params) { p.Channels[0].Name = "n" },
		"column":      func(p *Params) { p.Channels[0].Column = "n" },
		"unit":        func(p *Params) { p.Channels[0].Unit = "n" },
		"order":       func(p *Params) { p.Channels[0], p.Channels[1] = p.Channels[1], p.Channels[0] },
		"fewer":       func(p *Params) { p.Channels = p.Channels[:1] },
		"start":       func(p *Params) { p.StartS = 0 },
		"end":         func(p *Params) { p.EndS = 0 },
		"range":       func(p *Params) { p.Ranges = []float64{0, 50} },
	}
	for what, change := range changes {
		p := cradle
		p.Channels = append([]Channel(nil), cradle.Channels...)
		change(&p)
		if id(p) == id(cradle) {
			t.Errorf("another %s gives the same key", what)
		}
	}
	if cradle.Keeps("acc_z") || !cradle.Keeps(QualityOutput) {
		t.Error("Keeps keeps signals, or not the quality")
	}
}

// TestRandomDialects writes random values in random dialects and reads them back.
func TestRandomDialects(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	for round := range 150 {
		rows, unused := 2+rng.IntN(300), rng.IntN(40)
		if round == 0 {
			rows = 30000 // several blocks
		}
		x, y := make([]float64, rows), make([]float64, rows)
		for i := range x {
			x[i], y[i] = anyFloat(rng), anyFloat(rng)
		}
		content, about := dialect(t, rng, x, y, unused)
		p := Params{Time: Time{Rate: 100}, Channels: []Channel{{"x", "x", "g"}, {"y", "y, of", "MPa"}}, StartS: nan, EndS: nan}
		got, err := run(t, p, "a.csv", content)
		if err != nil {
			t.Fatalf("%s: %v", about, err)
		}
		for k, want := range [][]float64{x, y} {
			for i, v := range column(t, got[k].Frame, "value") {
				if math.Float64bits(v) != math.Float64bits(want[i]) {
					t.Fatalf("%s: column %d row %d: %v, want %v", about, k, i, v, want[i])
				}
			}
		}
	}
}

func anyFloat(rng *rand.Rand) float64 {
	switch rng.IntN(3) {
	case 0:
		return math.Round(rng.NormFloat64()*1e4) / 1e3
	case 1:
		return rng.NormFloat64()
	}
	for {
		if v := math.Float64frombits(rng.Uint64()); !math.IsNaN(v) && !math.IsInf(v, 0) {
			return v
		}
	}
}

func dialect(t *testing.T, rng *rand.Rand, x, y []float64, unused int) (content []byte, about string) {
	pick := func(of ...string) string { return of[rng.IntN(len(of))] }
	delimiter, end, decimal := pick(",", ";", "\t"), pick("\n", "\r\n", "\r"), "."
	if delimiter != "," {
		decimal = pick(".", ",")
	}
	var s strings.Builder
	s.WriteString(pick("", "# note"+end, "rig;7"+end+end))
	filler := strings.Repeat("n"+delimiter, unused)
	s.WriteString(filler + pick("x", "x [g]", `"x"`) + delimiter + filler + `"y, of"` + end)
	if rng.IntN(2) == 0 {
		s.WriteString(strings.Repeat(delimiter, unused) + "g" + delimiter + strings.Repeat(delimiter, unused) + "N/mm²" + end)
	}
	filler = strings.Repeat(pick("0", "abc", "", "1e5")+delimiter, unused)
	quote := pick("", "", `"`)
	for i := range x {
		s.WriteString(filler + quote + strings.Replace(strconv.FormatFloat(x[i], "gef"[rng.IntN(2)], -1, 64), ".", decimal, 1) + quote)
		s.WriteString(delimiter + filler + strings.Replace(strconv.FormatFloat(y[i], 'g', -1, 64), ".", decimal, 1) + end)
	}
	content = []byte(s.String())
	encoding := pick("utf-8", "mark", "le", "be")
	switch encoding {
	case "mark":
		content = append([]byte("\ufeff"), content...)
	case "le":
		content = wideText(binary.LittleEndian, s.String())
	case "be":
		content = wideText(binary.BigEndian, s.String())
	}
	pack := pick("", "gzip", "zstd")
	switch pack {
	case "gzip":
		content = zipped(t, content)
	case "zstd":
		content = zstded(t, content)
	}
	return content, fmt.Sprintf("delimiter %q end %q decimal %q encoding %s pack %q quote %q", delimiter, end, decimal, encoding, pack, quote)
}

// golden is the identity of the outputs for testdata/cradle.csv, an invented recording.
const (
	golden         = "737e8a511779b39e2fe2064b4729a2ecf50c7dd8bbddea2de973b9b423df50a8"
	goldenRevision = 2
)

func TestRevision(t *testing.T) {
	p := Params{
		Time:     Time{Column: "TIME", Scale: 1e-3},
		Channels: []Channel{{"acc_z", "AZ_CRADLE", "g"}, {"toe", "SG_TOE", "ustrain"}},
		StartS:   0.02, EndS: 0.15,
	}
	outs, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: "testdata/cradle.csv"}})
	if err != nil {
		t.Fatal(err)
	}
	got := digest(outs).String()
	switch {
	case Revision != goldenRevision:
		t.Errorf("revision %d, the golden is of %d: set golden to %q and goldenRevision", Revision, goldenRevision, got)
	case got != golden:
		t.Errorf("numbers changed: raise Revision (outputs %s, want %s)", got, golden)
	}
}
