package ingest

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// The samples of base, and as integers in units of 0.01 s, 0.25 g and 0.125 ustrain.
var (
	baseT, baseA, baseS = []float64{0, 0.01, 0.02, 0.03}, []float64{1.5, 0.25, -1.75, 0}, []float64{-2, 1000, 12.5, -0.125}
	wholeT              = []float64{0, 1, 2, 3}
	wholeA              = []float64{6, 1, -7, 0}
	wholeS              = []float64{-16, 8000, 100, -1}
)

// floats is base with values in float64.
func floats() group {
	return group{values: 24, puts: []put{
		{name: "TIME", unit: "s", kind: master, sync: 1, data: 4, bits: 64, rows: baseT},
		{name: "AZ", unit: "g", data: 4, at: 8, bits: 64, rows: baseA},
		{name: "SG", unit: "um/m", data: 4, at: 16, bits: 64, rows: baseS},
	}}
}

// wholes is base with values in integers.
func wholes(values int, t, a, s put) group {
	t.name, t.kind, t.sync, t.rows, t.cc, t.ccType = "TIME", master, 1, wholeT, []float64{0, 0.01}, 1
	a.name, a.unit, a.rows, a.cc, a.ccType = "AZ", "g", wholeA, []float64{0, 0.25}, 1
	s.name, s.ccUnit, s.rows, s.cc, s.ccType = "SG", "ustrain", wholeS, []float64{0, 0.125}, 1
	return group{values: values, puts: []put{t, a, s}}
}

// change returns a group with another channel k.
func (g group) change(k int, f func(*put)) group {
	g.puts = append([]put(nil), g.puts...)
	f(&g.puts[k])
	return g
}

// with returns a group with more channels.
func (g group) with(more ...put) group {
	g.puts = append(append([]put(nil), g.puts...), more...)
	return g
}

func (g group) named(name string, id uint64) group {
	g.name, g.id = name, id
	return g
}

var slow = group{name: "slow", id: 7, values: 10, puts: []put{
	{name: "TIME", kind: master, sync: 1, data: 4, at: 2, bits: 64, rows: []float64{0, 1}},
	{name: "TEMP", unit: "degC", bits: 16, rows: []float64{20, 21}},
}}

var words = group{id: 9, variable: [][]byte{[]byte("start"), {}, make([]byte, 300)}}

type variant struct {
	reason  string
	content []byte
}

// variants are ways to write base as MDF 4.
func variants() []variant {
	dt := place{kind: "DT"}
	f := floats()
	tiny := wholes(7, put{bits: 16}, put{data: 2, at: 2, bits: 8}, put{data: 2, at: 3, bits: 32})
	marked := f
	marked.invalid, marked.bad = 2, map[[2]int]bool{{1, 3}: true}
	marked = marked.change(1, func(c *put) { c.flags, c.invalid = 2, 0 }).
		change(2, func(c *put) { c.flags, c.invalid = 2, 8 }).
		with(put{name: "x", data: 0, at: 0, bits: 8, flags: 2, invalid: 9, rows: wholeT})
	out := []variant{
		{"float64", mdfOf(dt, f)},
		{"version 4.20", append([]byte("MDF     4.20    "), mdfOf(dt, f)[16:]...)},
		{"float64, big endian", mdfOf(dt, f.change(0, func(c *put) { c.data = 5 }).change(1, func(c *put) { c.data = 5 }).change(2, func(c *put) { c.data = 5 }))},
		{"float32", mdfOf(dt, f.change(1, func(c *put) { c.bits = 32 }).change(2, func(c *put) { c.bits, c.at = 32, 12 }))},
		{"float32, big endian", mdfOf(dt, f.change(1, func(c *put) { c.bits, c.data = 32, 5 }).change(2, func(c *put) { c.bits, c.at, c.data = 32, 12, 5 }))},
		{"integers of 8, 16 and 32 bits", mdfOf(dt, tiny)},
		{"integers, big endian", mdfOf(dt, wholes(12, put{data: 1, bits: 32}, put{data: 3, at: 4, bits: 16}, put{data: 3, at: 6, bits: 32}))},
		{"integers of 64 bits", mdfOf(dt, wholes(24, put{bits: 64}, put{data: 2, at: 8, bits: 64}, put{data: 3, at: 16, bits: 64}))},
		{"integers of 24 bits", mdfOf(dt, wholes(9, put{bits: 24}, put{data: 2, at: 3, bits: 24}, put{data: 3, at: 6, bits: 24}))},
		{"packed bits", mdfOf(dt, wholes(4, put{bits: 2, bit: 1}, put{data: 2, bit: 3, bits: 4}, put{data: 2, at: 0, bit: 7, bits: 15}))},
		{"packed bits, big endian", mdfOf(dt, wholes(5, put{data: 1, bits: 2, bit: 6}, put{data: 3, at: 1, bit: 5, bits: 4}, put{data: 3, at: 3, bit: 1, bits: 14}))},
		{"64 bits in nine bytes", mdfOf(dt, wholes(27, put{bits: 64, bit: 5}, put{data: 2, at: 9, bit: 7, bits: 64}, put{data: 3, at: 18, bit: 1, bits: 64}))},
		{"a rational conversion", mdfOf(dt, wholes(7, put{bits: 16}, put{data: 2, at: 2, bits: 8}, put{data: 2, at: 3, bits: 32}).
			change(1, func(c *put) { c.ccType, c.cc = 2, []float64{0, 2, 0, 0, 0, 8} }))},
		{"a conversion of type none", mdfOf(dt, f.change(1, func(c *put) { c.cc = []float64{} }))},
		{"a virtual master", mdfOf(dt, f.change(0, func(c *put) { c.kind, c.data, c.bits, c.cc, c.ccType = virtualMaster, 0, 0, []float64{0, 0.01}, 1 }))},
		{"a master whose unit is not named", mdfOf(dt, f.change(0, func(c *put) { c.unit = "" }))},
		{"time that is no master", mdfOf(dt, f.change(0, func(c *put) { c.kind, c.sync = 0, 0 }))},
		{"units as XML and in brackets", mdfOf(dt, f.change(1, func(c *put) { c.xmlUnit = true }).change(2, func(c *put) { c.name, c.unit = "SG [um/m]", "" }))},
		{"invalidation bits that are not set", mdfOf(dt, marked)},
		{"invalidation bits, transposed", mdfOf(place{kind: "DZT"}, marked)},
		{"channels that are not read", mdfOf(dt, f.with(put{name: "s", data: 7, bits: 64}, put{name: "v", kind: 1, data: 7, bits: 64},
			put{name: "a", composition: "CA", bits: 8}, put{name: "e", ccType: 7, bits: 8}, put{bits: 8}))},
		{"another group", mdfFile([]place{dt, dt}, []group{slow, f.named("fast", 0)}).b},
		{"another group's records are column by column", mdfFile([]place{{kind: "DV"}, dt}, []group{slow, f}).b},
		{"record ids in a sorted group", mdfOf(place{kind: "DT", idSize: 4}, f.named("fast", 3))},
		{"deflated, in lists, of several groups", mdfOf(place{kind: "DZT", list: "HL", cut: 37, each: 3, columns: 5, idSize: 8}, slow, words, f.named("fast", math.MaxUint64))},
	}
	for _, size := range []int{1, 2, 4, 8} {
		out = append(out, variant{fmt.Sprintf("unsorted, record ids of %d bytes", size), mdfOf(place{kind: "DT", idSize: size}, words, f.named("fast", 200), slow)})
	}
	for _, kind := range []string{"DT", "DZ", "DZT"} {
		for _, list := range []string{"", "DL", "HL"} {
			for _, p := range []place{{cut: 24}, {cut: 24, equal: true, each: 1}, {cut: 17, equal: true}, {cut: 17, each: 2, empty: true}, {cut: 5, columns: 3}, {cut: 1000, equal: true}} {
				p.kind, p.list = kind, list
				out = append(out, variant{fmt.Sprintf("stored as %+v", p), mdfOf(p, f)})
			}
		}
	}
	return out
}

func TestMDFGivesTheOutputsOfText(t *testing.T) {
	var b bytes.Buffer
	f := frame.Must(nil, frame.Col("TIME", "s", baseT), frame.Col("AZ", "g", baseA), frame.Col("SG", "um/m", baseS))
	if err := f.WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	all := append(variants(), variant{"parquet", b.Bytes()})
	rated := cradle
	rated.Time = Time{Rate: 100}
	cut, ratedCut := cradle, rated
	cut.StartS, cut.EndS = 0.01, 0.03
	ratedCut.StartS, ratedCut.EndS = 0.02, nan
	for _, p := range []Params{cradle, rated, cut, ratedCut} {
		want, err := run(t, p, "base.csv", []byte(base))
		if err != nil {
			t.Fatal(err)
		}
		for _, tt := range all {
			t.Run(tt.reason, func(t *testing.T) {
				got, err := run(t, p, "a.mf4", tt.content)
				if err != nil {
					t.Fatal(err)
				}
				if digest(got) != digest(want) {
					for i := range want {
						t.Errorf("%s: %v %v, want %v %v", want[i].Name, got[i].Frame.Attrs(), got[i].Frame.Columns(), want[i].Frame.Attrs(), want[i].Frame.Columns())
					}
				}
				if err := p.Check(write(t, "a.mf4", tt.content)); err != nil {
					t.Errorf("check: %v", err)
				}
			})
		}
	}
}

// TestLongMDF reads many chunks and blocks of random values.
func TestLongMDF(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 10))
	const rows = 20000
	g := group{id: 1, values: 30, puts: []put{{name: "TIME", data: 4, bits: 64}, {name: "AZ", data: 4, at: 8, bits: 64}, {name: "SG", data: 2, bit: 3, at: 16, bits: 40}}}
	var s strings.Builder
	s.WriteString("TIME,AZ,SG\n")
	for i := range rows {
		v := []float64{float64(i) / 1000, rng.NormFloat64(), math.Floor(rng.NormFloat64() * 1e9)}
		for k := range g.puts {
			g.puts[k].rows = append(g.puts[k].rows, v[k])
		}
		fmt.Fprintf(&s, "%v,%v,%v\n", v[0], v[1], v[2])
	}
	cut := cradle
	cut.StartS, cut.EndS = 9.5, 17.25
	for _, p := range []Params{cradle, cut} {
		want, err := run(t, p, "a.csv", []byte(s.String()))
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []place{{kind: "DT"}, {kind: "DZT", list: "HL", cut: 10007}, {kind: "DZ", idSize: 2}, {kind: "DT", list: "DL", cut: 99991, idSize: 1}} {
			groups := []group{g}
			if at.idSize > 0 {
				groups = []group{slow, g, words}
			}
			got, err := run(t, p, "a.mf4", mdfOf(at, groups...))
			if err != nil {
				t.Fatalf("%+v: %v", at, err)
			}
			if digest(got) != digest(want) {
				t.Errorf("%+v: other outputs than from text", at)
			}
		}
	}
}

// TestValuesOfBytes checks values against bytes written by hand. In big endian the
// bit offset counts from the lowest bit of the integer that all bytes make (from
// memory of ASAM MDF 4.1, the section on CNBLOCK).
func TestValuesOfBytes(t *testing.T) {
	tests := []struct {
		reason      string
		data        uint8
		offset, num uint
		bytes       []byte
		want        float64
	}{
		{"lowest byte first", 0, 0, 16, []byte{0x34, 0x12}, 0x1234},
		{"highest byte first", 1, 0, 16, []byte{0x12, 0x34}, 0x1234},
		{"the upper twelve bits", 0, 4, 12, []byte{0x34, 0x12}, 0x123},
		{"the upper twelve bits, highest byte first", 1, 4, 12, []byte{0x12, 0x34}, 0x123},
		{"two's complement", 2, 0, 8, []byte{0xff}, -1},
		{"two's complement of three bits", 2, 5, 3, []byte{0x80}, -4},
		{"the largest unsigned", 0, 0, 64, bytes.Repeat([]byte{0xff}, 8), 1 << 64},
		{"the least signed", 3, 0, 64, []byte{0x80, 0, 0, 0, 0, 0, 0, 0}, -1 << 63},
		{"one bit", 0, 7, 1, []byte{0x80}, 1},
		{"float32: 1.5 is 0x3fc00000 (IEEE 754)", 4, 0, 32, []byte{0, 0, 0xc0, 0x3f}, 1.5},
		{"float64: -2 is 0xc000000000000000 (IEEE 754)", 5, 0, 64, []byte{0xc0, 0, 0, 0, 0, 0, 0, 0}, -2},
	}
	for _, tt := range tests {
		if got := getter(tt.data, tt.offset, tt.num)(tt.bytes); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.reason, got, tt.want)
		}
	}
	// (1 x^2 + 2 x + 3) / (4 x^2 + 5 x + 6) at 2 is 11/32.
	if got := formula([]float64{1, 2, 3, 4, 5, 6})(2); got != 11.0/32 {
		t.Errorf("rational %v, want 11/32", got)
	}
}

func TestMDFRefusals(t *testing.T) {
	dt := place{kind: "DT"}
	f := floats()
	marked := f
	marked.invalid = 1
	marked = marked.change(1, func(c *put) { c.flags = 2 })
	az := func(change func(*put)) []byte { return mdfOf(dt, f.change(1, change)) }
	twice := f.named("other", 0)
	tests := []struct {
		reason  string
		content []byte
		want    string // N stands for a number that differs
	}{
		{"MDF 3", []byte("MDF     3.30    " + strings.Repeat("\x00", 100)), `byte N: MDF version "3.30", 4.00 and later are read; export it as MDF 4.10`},
		{"not finished", append([]byte("UnFinMF 4.10"), mdfOf(dt, f)[12:]...),
			`byte N: "UnFinMF " says that the MDF recording was not finished; finish it with the recorder's software or export it again`},
		{"cut off in the identification", mdfOf(dt, f)[:40], `byte N: N bytes expected, the file has N in all; copy or export it again`},
		{"cut off behind it", mdfOf(dt, f)[:100], `byte N, block ##HD: a length of N bytes, N to N expected; copy or export it again`},
		{"no channels", mdfFile(nil, nil).b, `no channel "TIME", nor any other channel; export it again with its channels`},
		{"a name is wrong", az(func(c *put) { c.name = "AX" }), `no channel "AZ"; nearest: "AX", "SG", "TIME" (time is named "TIME"); correct the name of the column`},
		{"a name occurs twice", mdfOf(dt, f.with(put{name: "AZ", bits: 8})), `N channels of group N (##CG at byte N) are named "AZ"; give each its own name`},
		{"two groups have everything", mdfFile([]place{dt, dt}, []group{f, twice}).b,
			`the channels "TIME", "AZ", "SG" are all in each of group N (##CG at byte N), group N ("other", ##CG at byte N): which is meant cannot be told; export one of these groups, or give the channels names of their own`},
		{"channels of two groups, one without a time master", mdfFile([]place{dt, dt}, []group{f.change(2, func(c *put) { c.name = "x" }),
			slow.change(0, func(c *put) { c.kind = 0 }).change(1, func(c *put) { c.name = "SG" })}).b,
			`no channel group has all the channels, so they have not one rate: "TIME" in group N (##CG at byte N), group N ("slow", ##CG at byte N); "AZ" in group N (##CG at byte N); "SG" in group N ("slow", ##CG at byte N); export them resampled to one group, or name channels of one group only`},
		{"another unit", az(func(c *put) { c.unit = "m/s^2" }), `column "AZ": the recording says "m/s^2", the channel "acc_z" is in "g"; correct the channel's unit or the recording`},
		{"time in ms", mdfOf(dt, f.change(0, func(c *put) { c.unit = "ms" })), `column "TIME": the recording says "ms", the season "s"; correct the unit of time or the recording`},
		{"text", az(func(c *put) { c.data = 7 }), `byte N, block ##CN: channel "AZ" holds text in UTF-8; channels of one number a record are read: export it as numbers or name another channel`},
		{"variable length", az(func(c *put) { c.kind = variableLength }), `byte N, block ##CN: channel "AZ" holds values of variable length; channels of one number a record are read: export it as numbers or name another channel`},
		{"an array", az(func(c *put) { c.composition = "CA" }), `byte N, block ##CN: channel "AZ" holds an array; channels of one number a record are read: export it as numbers or name another channel`},
		{"half floats", az(func(c *put) { c.bits = 16 }),
			`byte N, block ##CN: channel "AZ" is a float of N bits from bit N on; floats of N or N whole bits and integers of N to N bits are read: export it as one of them`},
		{"value to text", az(func(c *put) { c.ccType = 7 }),
			`byte N, block ##CC: the conversion of channel "AZ" is of type N (value to text); none, linear and rational are read: export it converted to numbers`},
		{"a linear conversion of one parameter", az(func(c *put) { c.ccType, c.cc = 1, []float64{2} }), `byte N, block ##CC: N parameters of a linear conversion, N expected; copy or export it again`},
		{"outside the record", az(func(c *put) { c.at = 17 }), `byte N, block ##CN: channel "AZ": bits N to N from byte N on in records of N bytes; copy or export it again`},
		{"an invalidation bit outside", mdfOf(dt, marked.change(1, func(c *put) { c.invalid = 8 })), `byte N, block ##CN: channel "AZ": invalidation bit N in a group with N bytes of them; copy or export it again`},
		{"column by column", mdfOf(place{kind: "DV"}, f), `byte N, block ##DV: values stored column by column, ##DT, ##DZ or ##DL expected; export it record by record, as MDF 4.10 or 4.11`},
		{"a block of other data", mdfOf(place{kind: "SD"}, f), `byte N: block "##SD" found where ##DT or ##DZ or ##DL or ##HL or ##DV or ##LD is expected; copy or export it again`},
		{"too many cycles", mdfOf(dt, group{values: 24, puts: f.puts, cycles: 1}), `byte N, block ##CG: N records of N bytes in N bytes of data; the recording is cut off; copy or export it again`},
		{"too few cycles", mdfOf(dt, group{values: 24, puts: f.puts, cycles: -1}), `byte N, block ##CG: N records of N bytes in N bytes of data; the recording was not finished; copy or export it again`},
		{"too few cycles of several groups", mdfOf(place{kind: "DT", idSize: 1}, group{values: 24, puts: f.puts, cycles: -1}, slow),
			`byte N, block ##CG: N records in its data, N expected; the recording was not finished; copy or export it again`},
		{"too many cycles of several groups", mdfOf(place{kind: "DT", idSize: 1}, group{values: 24, puts: f.puts, cycles: 1}, words),
			`byte N, block ##CG: N records in its data, N expected; the recording was not finished; copy or export it again`},
		{"groups without ids", mdfOf(dt, f, slow), `byte N, block ##DG: N channel groups without record ids; copy or export it again`},
		{"ids of three bytes", mdfOf(place{kind: "DT", idSize: 3}, f), `byte N, block ##DG: record ids of N bytes; N, N, N, N or N expected; copy or export it again`},
		{"one id for two groups", mdfOf(place{kind: "DT", idSize: 1}, f.named("", 7), slow), `byte N, block ##CG: record id N, which group N (##CG at byte N) has too; copy or export it again`},
		{"no samples", mdfOf(dt, f.change(0, func(c *put) { c.rows = nil })), `the lap has N samples, at least N are needed; correct start_s and end_s or leave the lap out`},
	}
	named := regexp.MustCompile(`byte (\d+), block (##..)`)
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			_, err := run(t, cradle, "lap.mf4", tt.content)
			var r *stages.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("error %v, want a refusal", err)
			}
			for _, at := range named.FindAllStringSubmatch(r.Reason, -1) {
				i, _ := strconv.Atoi(at[1])
				if string(tt.content[i:i+4]) != at[2] {
					t.Errorf("byte %d is not where block %s is", i, at[2])
				}
			}
			if want := tt.want; numbered.ReplaceAllString(r.Reason, "${1}N") != numbered.ReplaceAllString(want, "${1}N") {
				t.Errorf("reason:\n%s\nwant:\n%s", r.Reason, want)
			}
		})
	}
}

// numbered finds the numbers that depend on the writer.
var numbered = regexp.MustCompile(`(^|[ (])(N|\d+)\b`)

func TestInvalidSamplesAreMissing(t *testing.T) {
	g := floats()
	g.invalid, g.bad = 1, map[[2]int]bool{{1, 1}: true, {3, 1}: true}
	g = g.change(1, func(c *put) { c.flags, c.invalid = 2, 5 })
	tests := []struct {
		reason string
		group  group
		want   string
	}{
		{"two by their bits", g, `column "AZ": 2 of 4 samples are missing or not finite, the first on record 2;`},
		{"all by the channel's flag", g.change(1, func(c *put) { c.flags = 1 }), `column "AZ": 4 of 4 samples are missing or not finite, the first on record 1;`},
		{"a bit that is not in use", g.change(1, func(c *put) { c.flags = 0 }), ""},
	}
	for _, tt := range tests {
		got, err := ReadColumn(write(t, "a.mf4", mdfOf(place{kind: "DT"}, tt.group)), "AZ")
		var r *stages.Refusal
		switch {
		case tt.want == "" && !cmp.Equal(got, baseA):
			t.Errorf("%s: %v, %v; want %v", tt.reason, got, err, baseA)
		case tt.want != "" && (!errors.As(err, &r) || !strings.Contains(r.Reason, tt.want)):
			t.Errorf("%s: error %v, want a refusal with %s", tt.reason, err, tt.want)
		}
	}
}

func TestHeaderOfMDF(t *testing.T) {
	content := mdfFile([]place{{kind: "DT"}, {kind: "DT"}}, []group{wholes(7, put{bits: 16}, put{data: 2, at: 2, bits: 8}, put{data: 2, at: 3, bits: 32}), slow}).b
	got, err := Header(write(t, "a.mf4", content))
	if err != nil {
		t.Fatal(err)
	}
	want := Info{Format: "mdf", Columns: []Column{{"TIME", "s"}, {"AZ", "g"}, {"SG", "ustrain"}, {"TEMP", "degC"}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// readAll reads a file in all ways; each must read it or refuse it, soon. What takes long is done again, for the machine may be busy.
func readAll(t *testing.T, path, reason string) {
	t.Helper()
	const soon, most = 5 * time.Second, 3
	for tries := 1; ; tries++ {
		begin := time.Now()
		_, headed := Header(path)
		_, one := ReadColumn(path, "AZ")
		_, lap := cradle.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
		for _, err := range []error{headed, one, lap, cradle.Check(path)} {
			var r *stages.Refusal
			if err != nil && !errors.As(err, &r) {
				t.Fatalf("%s: error %v, want a refusal", reason, err)
			}
		}
		d := time.Since(begin)
		if d <= soon {
			return
		}
		if tries == most {
			t.Fatalf("%s: took %v in try %d", reason, d, tries)
		}
	}
}

func TestDamagedMDFIsReadOrRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "damaged.mf4")
	try := func(content []byte, reason string) {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		readAll(t, path, reason)
	}
	small := floats().change(1, func(c *put) { c.cc, c.ccType = []float64{0, 1}, 1 })
	for k, p := range []place{{kind: "DT"}, {kind: "DZT", list: "HL", cut: 40, each: 1}, {kind: "DZ", list: "DL", cut: 100, equal: true, idSize: 1}} {
		whole := mdfOf(p, small)
		for i := range whole {
			flips := []byte{1 << (i % 8)}
			if k == 0 {
				flips = []byte{0x01, 0x80, 0xff}
			}
			for _, flip := range flips {
				changed := bytes.Clone(whole)
				changed[i] ^= flip
				try(changed, fmt.Sprintf("%+v: byte %d with %#x flipped", p, i, flip))
			}
		}
		for i := 0; i < len(whole); i += 7 {
			try(whole[:i], fmt.Sprintf("%+v: cut off at %d", p, i))
		}
	}
}

// Places in blocks: the links begin at 24, the data behind them.
const (
	atLength, atLinks = 8, 16
	linkOne           = 24
	cgData            = 24 + 6*8
	cnData            = 24 + 8*8
)

func TestHostileMDF(t *testing.T) {
	dl := place{kind: "DZ", list: "DL", cut: 24, each: 2}
	absurd := []uint64{0, 1, 1 << 20, 1 << 31, 1<<32 - 1, 1 << 40, 1<<63 - 1, 1 << 63, math.MaxUint64}
	type field struct {
		kind   string
		offset int
		size   int
	}
	fields := []field{
		{"HD", linkOne, 8}, {"DG", linkOne, 8}, {"DG", linkOne + 8, 8}, {"DG", linkOne + 16, 8}, {"CG", linkOne, 8}, {"CG", linkOne + 8, 8},
		{"CN", linkOne, 8}, {"CN", linkOne + 16, 8}, {"CN", linkOne + 32, 8}, {"CN", linkOne + 48, 8}, {"DL", linkOne, 8}, {"DL", linkOne + 8, 8},
		{"CG", cgData, 8}, {"CG", cgData + 8, 8}, {"CG", cgData + 24, 4}, {"CG", cgData + 28, 4},
		{"CN", cnData + 4, 4}, {"CN", cnData + 8, 4}, {"CN", cnData + 12, 4}, {"CN", cnData + 16, 4},
		{"DZ", 24 + 4, 4}, {"DZ", 24 + 8, 8}, {"DZ", 24 + 16, 8}, {"DL", 24 + 3*8 + 4, 4}, {"DL", 24 + 3*8 + 8, 8},
		{"TX", atLength, 8}, {"DT", atLength, 8},
	}
	for _, kind := range []string{"HD", "DG", "CG", "CN", "DL", "DZ", "CC"} {
		fields = append(fields, field{kind, atLength, 8}, field{kind, atLinks, 8})
	}
	for _, p := range []place{dl, {kind: "DT", idSize: 2}, {kind: "DZT"}} {
		w := mdfFile([]place{p}, []group{floats().change(0, func(c *put) { c.cc, c.ccType = []float64{0, 1}, 1 })})
		for _, f := range fields {
			values := absurd
			if f.size == 8 && f.offset >= linkOne { // links to every block too, which makes loops
				for _, all := range w.at {
					for _, at := range all {
						values = append(values, uint64(at))
					}
				}
			}
			for _, at := range w.at[f.kind] {
				for _, v := range values {
					content := bytes.Clone(w.b)
					copy(content[int(at)+f.offset:], binary.LittleEndian.AppendUint64(nil, v)[:f.size])
					readAll(t, write(t, "hostile.mf4", content), fmt.Sprintf("##%s+%d = %d", f.kind, f.offset, v))
				}
			}
		}
	}
}

// TestBombsAreRefused states how much memory files of a few hundred kB may take.
func TestBombsAreRefused(t *testing.T) {
	zeros := func(p place, n int) []byte { return deflate(p, make([]byte, n)) }
	tests := []struct {
		reason string
		cycles int64
		values int
		blocks [][]byte
		want   string
	}{
		{"deflated beyond what deflate can do", 1 << 27, 1, [][]byte{func() []byte {
			b := zeros(place{kind: "DZ"}, 1<<10)
			binary.LittleEndian.PutUint64(b[8:], 1<<27)
			return b
		}()}, "over 1000 times as many"},
		{"an honest bomb", 64 << 20, 1, [][]byte{zeros(place{kind: "DZ"}, 64<<20)}, "which no recording has"},
		{"many honest blocks within the ratio", 200 * 300 << 10, 1, bytesOf(200, zeros(place{kind: "DZ"}, 300<<10)), "which no recording has"},
		{"a large transposed block", 2 << 20, 24, [][]byte{append(zeros(place{kind: "DZT", columns: 24}, 48<<20), make([]byte, 1<<17)...)}, ""},
		{"large records", 1, 2 << 20, [][]byte{zeros(place{kind: "DZ"}, 64<<10)}, ""},
		{"virtual channels alone", 1 << 28, 0, nil, "which no recording has"},
		{"more virtual samples than are kept", 1 << 40, 0, nil, "records of 0 bytes"},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			g := group{values: tt.values, cycles: tt.cycles, puts: []put{{name: "TIME", bits: 1}, {name: "AZ", bits: 1}, {name: "SG", bits: 1}}}
			if tt.values == 0 {
				for k := range g.puts {
					g.puts[k].kind = virtualData
				}
			}
			path := write(t, "bomb.mf4", listed(g, tt.blocks))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := cradle.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
			runtime.ReadMemStats(&after)
			var r *stages.Refusal
			if !errors.As(err, &r) || !strings.Contains(r.Reason, tt.want) {
				t.Errorf("error %v, want a refusal with %q", err, tt.want)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 512<<20 {
				t.Errorf("%d MiB were allocated", n>>20)
			}
			readAll(t, path, tt.reason)
		})
	}
}

func bytesOf(n int, b []byte) [][]byte {
	out := make([][]byte, n)
	for i := range out {
		out[i] = b
	}
	return out
}

// listed writes a group with ##DZ blocks of the given content.
func listed(g group, blocks [][]byte) []byte {
	w := mdfFile(nil, nil)
	links, starts, total := []int64{0}, binary.LittleEndian.AppendUint32([]byte{0, 0, 0, 0}, uint32(len(blocks))), 0
	for _, b := range blocks {
		links = append(links, w.block("DZ", nil, b))
		starts = le(starts, total)
		total += int(binary.LittleEndian.Uint64(b[8:]))
	}
	data := int64(0)
	if len(blocks) > 0 {
		data = w.block("DL", links, starts)
	}
	dg := w.block("DG", []int64{0, w.channelGroup(0, g), data, 0}, make([]byte, 8))
	binary.LittleEndian.PutUint64(w.b[64+24:], uint64(dg))
	return w.b
}

// TestSharedBlocksAreRefused checks that few bytes cannot be read many times.
func TestSharedBlocksAreRefused(t *testing.T) {
	w := mdfFile(nil, nil)
	one := w.block("DT", nil, make([]byte, 1<<10))
	dl := w.block("DL", []int64{0, one, one}, le(binary.LittleEndian.AppendUint32([]byte{1, 0, 0, 0}, 2), 1<<10))
	dg := w.block("DG", []int64{0, w.channelGroup(0, floats()), dl, 0}, make([]byte, 8))
	binary.LittleEndian.PutUint64(w.b[64+24:], uint64(dg))
	_, err := run(t, cradle, "a.mf4", w.b)
	if want := fmt.Sprintf("byte %d, block ##DT: linked to a second time", one); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("error %v, want %s", err, want)
	}
	// Blocks that begin inside each other.
	w = mdfFile(nil, nil)
	links, starts := []int64{0}, binary.LittleEndian.AppendUint32([]byte{0, 0, 0, 0}, 50)
	var nested []byte
	for range 50 {
		nested = append(nested, "##DT\x00\x00\x00\x00"...)
		nested = le(nested, 24*60, 0)
	}
	outer, total := w.block("DT", nil, append(nested, make([]byte, 24*60)...)), 0
	for i := range 50 {
		links, starts, total = append(links, outer+24+int64(i)*24), le(starts, total), total+24*59
	}
	dl = w.block("DL", links, starts)
	dg = w.block("DG", []int64{0, w.channelGroup(0, floats()), dl, 0}, make([]byte, 8))
	binary.LittleEndian.PutUint64(w.b[64+24:], uint64(dg))
	_, err = run(t, cradle, "a.mf4", w.b)
	if err == nil || !strings.Contains(err.Error(), "so they overlap") {
		t.Errorf("error %v, want one that says that blocks overlap", err)
	}
}

// FuzzMDF states what holds for any file that claims to be MDF: it is read or refused,
// checking agrees with reading, what is read is finite, and what is written again as
// text gives the same outputs.
func FuzzMDF(f *testing.F) {
	for i, v := range variants() {
		if i < 40 || i%5 == 0 {
			f.Add(v.content, 0.0, 0.02)
			f.Add(v.content, math.NaN(), math.NaN())
		}
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, content []byte, start, end float64) {
		path := filepath.Join(dir, strconv.Itoa(os.Getpid()))
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		readAll(t, path, "fuzz")
		p := cradle
		p.StartS, p.EndS = start, end
		outs, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
		if err != nil {
			var r *stages.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("%v is no refusal", err)
			}
			return
		}
		if err := p.Check(path); err != nil {
			t.Fatalf("check refuses what run reads: %v", err)
		}
		rewritten(t, p, outs)
	})
}

func BenchmarkReadMDF(b *testing.B) {
	const rows = 100000
	rng := rand.New(rand.NewPCG(1, 2))
	g := group{id: 1, values: 8 + 8*4 + 8*2 + 8*8, puts: []put{{name: "TIME", kind: master, sync: 1, data: 4, bits: 64}}}
	p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan}
	add := func(c put) {
		c.name = fmt.Sprintf("C%d", len(g.puts))
		g.puts = append(g.puts, c)
		p.Channels = append(p.Channels, Channel{c.name, c.name, ""})
	}
	for k := range uint32(8) {
		add(put{data: 4, at: 8 + 4*k, bits: 32})
		add(put{data: 2, at: 40 + 2*k, bits: 16, cc: []float64{1, 0.01}, ccType: 1})
		add(put{data: 4, at: 56 + 8*k, bits: 64})
	}
	for i := range rows {
		g.puts[0].rows = append(g.puts[0].rows, float64(i)/2000)
		for k := 1; k < len(g.puts); k++ {
			g.puts[k].rows = append(g.puts[k].rows, math.Round(rng.NormFloat64()*1000))
		}
	}
	for _, tt := range []struct {
		name string
		at   place
	}{
		{"plain", place{kind: "DT"}},
		{"unsorted", place{kind: "DT", idSize: 1}},
		{"deflated", place{kind: "DZ", list: "HL", cut: 4 << 20}},
		{"transposed", place{kind: "DZT", list: "HL", cut: 4 << 20}},
	} {
		path := write(b, "a.mf4", mdfOf(tt.at, g))
		needed, _ := p.columns()
		b.Run(tt.name, func(b *testing.B) {
			b.SetBytes(int64(rows * g.values))
			for b.Loop() {
				s, err := openFile(path)
				if err != nil {
					b.Fatal(err)
				}
				src, err := s.open(needed)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := src.read(context.Background(), newCursor(p)); err != nil {
					b.Fatal(err)
				}
				if err := s.finish(nil); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
