//go:build unix

package cli

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"compress/zlib"
	"context"
	"encoding/base64"
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"

	"lapwear/stages/frame"
)

// What a command may take for any input of this file. The bounds are the project's.
const (
	malformedTime   = 5 * time.Second // of processors: on the clock it depends on who else uses them
	malformedMemory = 512 << 20       // bytes resident at most
)

// malformedPatience is how long a command is waited for that does not end.
const malformedPatience = time.Minute

// skip is in place of an exit code: the command is not tried.
const skip = -1

// exits4 are the exit codes of run, check, count and laps.
type exits4 [4]int

var malformedCommands = [...]string{"run", "check", "count", "laps"}

// Where a message says the fault is.
const (
	aPlace    = `\b(line|row|row group|byte|record|sample) \d+|:\d+:\d+:`
	noPlace   = `` // the whole file is at fault, or how it is reached
	aFault    = `:\d+:\d+:`
	packedTo  = `(line|byte) \d+`
	anyColumn = `column "?\w+`
)

// malformed is an input that is not as it should be.
type malformed struct {
	reason string
	file   string // what is at fault: the recording, or one of the season's files
	place  string // what the message says of the place, a pattern
	exits  exits4
	// write puts the input in place, in a folder that holds a sound season.
	write func(t *testing.T, dir string)
}

const soundSeason = `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
calendar: calendar.csv
time: {column: TIME, unit: s}
channels:
  acc_z: {column: AZ, unit: g}
signal:
  rate: 128 Hz
hotspots:
  toe: {follow: acc_z, gain: 8 MPa/g, material: alloy}
materials:
  alloy: {source: invented, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}}
target: {seasons: 1, life_factor: 1.5}
scenarios:
  stiff: {hotspots.toe.stress_factor: 0.9}
`

const soundCalendar = "circuit,session,laps,lap_km\nhill,race,100,4.2\n"

// samples is the sound recording: three columns of 1000 rows at 128 Hz, in which two
// whole laps lie between three marks. salt makes the signal another one.
func samples(salt int) (stamps, az, lap []float64) {
	for k := range 1000 {
		stamps = append(stamps, float64(k)/128)
		az = append(az, float64((k*k+salt*k/3)%11)-5)
		lap = append(lap, float64((k+100)/300))
	}
	return stamps, az, lap
}

func soundLines(salt int) []string {
	stamps, az, lap := samples(salt)
	lines := []string{"TIME,AZ,LAP"}
	for k := range stamps {
		lines = append(lines, fmt.Sprintf("%.7f,%g,%g", stamps[k], az[k], lap[k]))
	}
	return lines
}

func soundCSV() string { return strings.Join(soundLines(1), "\n") + "\n" }

// withLine replaces a line, numbered from 1, of the sound recording by others.
func withLine(n int, lines ...string) string {
	all := soundLines(1)
	return strings.Join(slices.Replace(all, n-1, n, lines...), "\n") + "\n"
}

// withCell replaces cells of one column from a line on, as many as there are.
func withCell(n, column int, cells ...string) string {
	all := soundLines(1)
	for i, c := range cells {
		row := strings.Split(all[n-1+i], ",")
		row[column] = c
		all[n-1+i] = strings.Join(row, ",")
	}
	return strings.Join(all, "\n") + "\n"
}

// content writes the input from its bytes.
func content[T string | []byte](file string, b T) func(*testing.T, string) {
	return func(t *testing.T, dir string) { put(t, filepath.Join(dir, file), []byte(b)) }
}

func put(t *testing.T, path string, b []byte) {
	t.Helper()
	os.RemoveAll(path)
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
}

// swapped replaces a part of the sound season file.
func swapped(old, new string) func(*testing.T, string) {
	return func(t *testing.T, dir string) {
		if !strings.Contains(soundSeason, old) {
			t.Fatalf("the sound season has no %q", old)
		}
		put(t, filepath.Join(dir, "season.yaml"), []byte(strings.Replace(soundSeason, old, new, 1)))
	}
}

func manifestOf(file string) string {
	return "lap_id,file,circuit,session,distance_km\nA,good.csv,hill,race,4.2\nB," + file + ",hill,race,4.2\n"
}

// listed writes a manifest that names the recording so.
func listed(file string) func(*testing.T, string) { return content("laps.csv", manifestOf(file)) }

func gzipOf(b []byte) []byte {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	w.Write(b)
	w.Close()
	return out.Bytes()
}

func zstdOf(b []byte) []byte {
	w, err := zstd.NewWriter(nil)
	if err != nil {
		panic(err)
	}
	return w.EncodeAll(b, nil)
}

// repeated packs head once and then a body again and again: packed files that follow
// each other are one, in gzip (RFC 1952, 2.2) and in zstd (RFC 8878, 3.1) alike.
func repeated(pack func([]byte) []byte, head string, body []byte, times int) []byte {
	return append(pack([]byte(head)), bytes.Repeat(pack(body), times)...)
}

func utf16Of(s string, mark bool) []byte {
	var out []byte
	if mark {
		out = []byte{0xff, 0xfe}
	}
	for _, u := range utf16.Encode([]rune(s)) {
		out = binary.LittleEndian.AppendUint16(out, u)
	}
	return out
}

// noise is binary garbage, the same each time.
func noise(n int) []byte {
	out, state := make([]byte, n), uint32(1)
	for i := range out {
		state = state*1664525 + 1013904223
		out[i] = byte(state >> 24)
	}
	return out
}

func flipped(b []byte, at int, bits byte) []byte {
	out := slices.Clone(b)
	out[at] ^= bits
	return out
}

// claims are numbers that a file states and that are not true, by what they say.
type claims map[string]int64

func (c claims) or(name string, truth int) int64 {
	if v, ok := c[name]; ok {
		return v
	}
	return int64(truth)
}

// thrift writes the compact protocol of Apache Thrift, in which Parquet's metadata
// are written (thrift-compact-protocol.md of Apache Thrift).
type thrift struct {
	b    []byte
	last []int // number of the last field, of each open structure
}

const (
	thriftI32, thriftI64, thriftBinary, thriftList, thriftStruct = 5, 6, 8, 9, 12
)

func (w *thrift) open() { w.last = append(w.last, 0) }

func (w *thrift) end() {
	w.b = append(w.b, 0)
	w.last = w.last[:len(w.last)-1]
}

func (w *thrift) field(id, kind int) {
	top := len(w.last) - 1
	w.b = append(w.b, byte(id-w.last[top])<<4|byte(kind))
	w.last[top] = id
}

func (w *thrift) within(id int) {
	w.field(id, thriftStruct)
	w.open()
}

func (w *thrift) number(id, kind int, v int64) {
	w.field(id, kind)
	w.b = binary.AppendVarint(w.b, v)
}

func (w *thrift) text(s string) {
	w.b = append(binary.AppendUvarint(w.b, uint64(len(s))), s...)
}

func (w *thrift) list(id, kind, n int) {
	w.field(id, thriftList)
	w.b = append(w.b, byte(n)<<4|byte(kind))
}

// parquetOf writes a Parquet file of doubles with a page a column, by parquet.thrift
// of Apache Parquet. The claims are on the column AZ and on the file.
func parquetOf(c claims) []byte {
	stamps, az, lap := samples(1)
	b := []byte("PAR1")
	foot := &thrift{}
	foot.open()
	foot.number(1, thriftI32, 1)
	parquetColumns(foot, c)
	foot.number(3, thriftI64, c.or("rows", len(az)))
	foot.list(4, thriftStruct, 1)
	foot.open()
	foot.list(1, thriftStruct, 3)
	for i, col := range [][]float64{stamps, lap, az} {
		own := c
		if i < 2 {
			own = claims{"group rows": c.or("group rows", len(az))}
		}
		b = append(b, parquetChunk(foot, own, []string{"TIME", "LAP", "AZ"}[i], len(b), col)...)
	}
	foot.number(2, thriftI64, c.or("group bytes", 24000))
	foot.number(3, thriftI64, c.or("group rows", len(az)))
	foot.end()
	foot.end()
	size := c.or("footer", len(foot.b))
	b = append(b, foot.b...)
	return append(binary.LittleEndian.AppendUint32(b, uint32(size)), "PAR1"...)
}

func parquetColumns(foot *thrift, c claims) {
	foot.list(2, thriftStruct, 4)
	foot.open()
	foot.field(4, thriftBinary)
	foot.text("schema")
	foot.number(5, thriftI32, c.or("children", 3))
	foot.end()
	for _, name := range []string{"TIME", "LAP", "AZ"} {
		foot.open()
		foot.number(1, thriftI32, 5) // DOUBLE
		foot.number(3, thriftI32, 0) // REQUIRED
		foot.field(4, thriftBinary)
		foot.text(name)
		foot.end()
	}
}

// parquetChunk describes a column in the footer and returns its bytes, which begin at
// the offset.
func parquetChunk(foot *thrift, c claims, name string, at int, v []float64) []byte {
	raw := floats(v)
	packed, size := raw, len(raw)
	if n := int(c["MiB of zeros"]); n > 0 { // the page, packed
		packed, size = repeated(zstdOf, "", make([]byte, 1<<20), n), n<<20
	}
	head := &thrift{}
	head.open()
	head.number(1, thriftI32, 0) // DATA_PAGE
	head.number(2, thriftI32, c.or("page bytes", size))
	head.number(3, thriftI32, c.or("page packed bytes", len(packed)))
	head.within(5)
	head.number(1, thriftI32, c.or("page values", len(v)))
	head.number(2, thriftI32, c.or("encoding", 0)) // PLAIN
	head.number(3, thriftI32, 3)
	head.number(4, thriftI32, 3)
	head.end()
	head.end()
	page := append(head.b, packed...)
	foot.open()
	foot.number(2, thriftI64, int64(at))
	foot.within(3)
	foot.number(1, thriftI32, c.or("type", 5))
	foot.list(2, thriftI32, 1)
	foot.b = binary.AppendVarint(foot.b, c.or("encoding", 0))
	foot.list(3, thriftBinary, 1)
	foot.text(name)
	foot.number(4, thriftI32, c.or("codec", 0))
	foot.number(5, thriftI64, c.or("values", int(c.or("group rows", len(v)))))
	foot.number(6, thriftI64, c.or("bytes", size+len(head.b)))
	foot.number(7, thriftI64, c.or("packed bytes", len(page)))
	foot.number(9, thriftI64, c.or("offset", at))
	foot.end()
	foot.end()
	return page
}

func floats(v []float64) []byte {
	var b []byte
	for _, x := range v {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	}
	return b
}

// arrowHead and arrowTail are what Apache Arrow's Go library (v15, ipc.FileWriter with
// zstd) writes before and after the columns TIME, AZ and LAP of one batch of 1000 rows
// of doubles, deflated.
const (
	arrowHead = "hU87CsJAEH3JLvFDwBQqVmJhYRk72xQWgqKEgOAZPIin8AxeQLCytvQIHsFO32QnISrBt7zdnZk3b3aTNF1vp8CLuAGIIGgjJFuw" +
		"3DXnWTS5AKs7YMg9GWt8okdUesDoiSPzgJ/rl8kG9xrdVXU+78lO6t1c09GJRc9A+/QkAioCLoGfvyVbrOYSyb/ggU4OIbv76NHH" +
		"8g5MbGniNEbyQ9ZDejrNiByTB/JhUIHMbehceAHqcda+i/nMF/FM4+dXvYjjSs78vON//AY="
	arrowTail = "E2BgYOBhEGEQApIcDCxAkoFBAIh1gNiCAQRYGBiB5AMGCOBghNAaLAwYgAMIQeohJAMDMxDnALEBlL/h////AlDzQdJQmmEeUJyB" +
		"gQms3scxgOEGDnXHoOqYgGzHKJC8CFgNP9RGmB4JqD4JuMvYgCrYgBAEmMBuCfH0dQVzgf5xDAryDzcEAA=="
)

// Where the head states the length of the batch's columns, the rows, and the place and
// length of the first column.
const (
	arrowBody, arrowRows, arrowFirst = 0x100, 0x130, 0x160
)

func inflated(s string) []byte {
	raw, err := base64.StdEncoding.DecodeString(s)
	if err != nil {
		panic(err)
	}
	b, err := io.ReadAll(flate.NewReader(bytes.NewReader(raw)))
	if err != nil {
		panic(err)
	}
	return b
}

// arrowOf writes an Arrow IPC file.
func arrowOf(c claims) []byte {
	stamps, az, lap := samples(1)
	head, tail := inflated(arrowHead), inflated(arrowTail)
	put64 := func(at int, v int64) { binary.LittleEndian.PutUint64(head[at:], uint64(v)) }
	var body []byte
	for i, col := range [][]float64{stamps, az, lap} {
		own := claims{}
		if i == 1 {
			own = c
		}
		part := binary.LittleEndian.AppendUint64(nil, uint64(own.or("unpacked", 8*len(col))))
		part = append(part, zstdOf(floats(col))...)
		put64(arrowFirst+32*i, own.or("offset", len(body)))
		put64(arrowFirst+32*i+8, own.or("length", len(part)))
		body = append(body, part...)
		for len(body)%8 != 0 {
			body = append(body, 0)
		}
	}
	put64(arrowBody, c.or("body", len(body)))
	put64(arrowRows, c.or("rows", len(az)))
	listed := binary.LittleEndian.AppendUint64(nil, uint64(len(body)))
	tail = bytes.Replace(tail, []byte{0x28, 4, 0, 0, 0, 0, 0, 0}, listed, 1)
	binary.LittleEndian.PutUint32(tail[len(tail)-10:], uint32(c.or("footer", int(binary.LittleEndian.Uint32(tail[len(tail)-10:])))))
	return slices.Concat(head, body, tail)
}

// mdf writes an MDF file block by block (ASAM MDF 4.1; the block layout from memory).
type mdf struct {
	b  []byte
	at map[string]int
}

func (w *mdf) block(name string, links []int, data []byte) int {
	for len(w.b)%8 != 0 {
		w.b = append(w.b, 0)
	}
	at := len(w.b)
	w.b = append(w.b, "##"+name[:2]+"\x00\x00\x00\x00"...)
	w.b = words(w.b, 24+8*len(links)+len(data), len(links))
	w.b = append(words(w.b, links...), data...)
	w.at[name] = at
	return at
}

func words(b []byte, v ...int) []byte {
	for _, x := range v {
		b = binary.LittleEndian.AppendUint64(b, uint64(x))
	}
	return b
}

func (w *mdf) set(block string, offset, v int) {
	binary.LittleEndian.PutUint64(w.b[w.at[block]+offset:], uint64(v))
}

// mdfOf writes an MDF file of one group. Its records are in a block of the kind: "DT"
// as they are, "DL" listed, "DZ" deflated. spoil sets what is not true in it.
func mdfOf(kind string, spoil func(w *mdf)) []byte {
	w := &mdf{at: map[string]int{}}
	w.b = append(w.b, "MDF     4.10    writer  \x00\x00\x00\x00\x9a\x01"...)
	w.b = append(w.b, make([]byte, 64-len(w.b))...)
	w.block("HD", make([]int, 6), make([]byte, 32))
	stamps, az, lap := samples(1)
	next := 0
	for i, name := range []string{"LAP", "AZ", "TIME"} {
		text := w.block("TX"+name, nil, append([]byte(name), 0))
		data := []byte{0, 0, 4, 0}
		if name == "TIME" {
			data = []byte{2, 1, 4, 0} // the master, of time
		}
		data = binary.LittleEndian.AppendUint32(data, uint32(16-8*i))
		data = binary.LittleEndian.AppendUint32(data, 64)
		next = w.block("CN"+name, []int{next, 0, text, 0, 0, 0, 0, 0}, append(data, make([]byte, 60)...))
	}
	group := words(nil, 0, len(az), 0)
	group = binary.LittleEndian.AppendUint32(group, 24)
	cg := w.block("CG", []int{0, next, 0, 0, 0, 0}, append(group, 0, 0, 0, 0))
	var records []byte
	for i := range az {
		records = append(records, floats([]float64{stamps[i], az[i], lap[i]})...)
	}
	dg := w.block("DG", []int{0, cg, w.records(kind, records), 0}, make([]byte, 8))
	w.set("HD", 24, dg)
	if spoil != nil {
		spoil(w)
	}
	return w.b
}

func (w *mdf) records(kind string, records []byte) int {
	switch kind {
	case "DL":
		at := w.block("DT", nil, records)
		return w.block("DL", []int{0, at}, words([]byte{0, 0, 0, 0, 1, 0, 0, 0}, 0))
	case "DZ":
		var z bytes.Buffer
		d := zlib.NewWriter(&z)
		d.Write(records)
		d.Close()
		return w.block("DZ", nil, append(words([]byte("DT\x00\x00\x00\x00\x00\x00"), len(records), z.Len()), z.Bytes()...))
	}
	return w.block("DT", nil, records)
}

// recordings are inputs in the place of a lap's recording. It is lap B beside the
// sound lap A, so that a run goes on without it. check reads no more than the head.
func recordings() []malformed {
	csv, pq, arrow, mf4 := soundCSV(), parquetOf(nil), arrowOf(nil), mdfOf("DT", nil)
	constant := bytes.Repeat([]byte("0,0,0\n"), 1<<20)
	varied := slices.Concat(constant[:600_000], []byte(csv[len("TIME,AZ,LAP\n"):600]))
	zeros := make([]byte, 4<<20)
	bad := func(reason, file, place string, b []byte, exits exits4) malformed {
		return malformed{reason, file, place, exits, content(file, b)}
	}
	text := func(reason, s, place string, exits exits4) malformed {
		return bad(reason, "bad.csv", place, []byte(s), exits)
	}
	all := exits4{3, 3, 2, 3}     // seen in the head or at the end
	deep := exits4{3, 0, 2, 3}    // seen where all is read
	near := exits4{3, 3, 2, 3}    // seen in the first rows, which check reads
	clock := exits4{3, 0, 0, 0}   // of the time column's values alone
	clockIn := exits4{3, 3, 0, 3} // of the time column's presence
	judged := exits4{3, 0, 2, 0}  // of the samples, which say nothing of laps
	return []malformed{
		text("empty", "", noPlace, all),
		text("one blank line", "\n", noPlace, all),
		text("only blank lines", strings.Repeat("\n", 3000), noPlace, all),
		text("header only", "TIME,AZ,LAP\n", noPlace, exits4{3, skip, 2, 3}),
		text("header without its line end", "TIME,AZ,LAP", noPlace, exits4{3, skip, 2, 3}),
		text("one sample", strings.Join(soundLines(1)[:2], "\n"), noPlace, exits4{3, 3, 0, 3}),
		text("cut within a row", strings.Join(soundLines(1)[:499], "\n")+"\n3.9", `line 500\b`, all),
		text("cut in the header", csv[:7], noPlace, exits4{3, skip, 2, 3}),
		bad("binary garbage", "bad.csv", noPlace, noise(5000), all),
		bad("binary garbage after the header", "bad.csv", noPlace, append([]byte("TIME,AZ,LAP\n"), noise(5000)...), exits4{3, skip, 2, 3}),
		bad("binary garbage far down", "bad.csv", `line 1002\b`, append([]byte(csv), noise(5000)...), all),
		bad("zero bytes", "bad.csv", noPlace, make([]byte, 5000), all),
		bad("zero bytes at the end, as a full disk leaves them", "bad.csv", aPlace, append([]byte(csv), make([]byte, 4096)...), exits4{3, skip, 2, 3}),
		text("a row with a cell too few", withLine(500, "3.9,1"), `line 500\b`, near),
		text("a row with a cell too many", withLine(500, "3.9,1,1,1"), `line 500\b`, near),
		text("a blank line between rows", withLine(500, "", soundLines(1)[499]), `line 500\b`, near),
		text("a quote without an end", withLine(500, `3.9,"1,1`), `line 500\b`, near),
		text("text in a number", withCell(500, 1, "off"), `line 500\b`, exits4{3, 3, 2, 0}),
		text("text in the time", withCell(500, 0, "12:30"), `line 500, column "TIME"`, exits4{3, 3, 0, 3}),
		text("NaN in a cell", withCell(500, 1, "NaN"), `line 500\b`, judged),
		text("an empty cell", withCell(500, 1, ""), `line 500\b`, judged),
		text("Inf in a cell", withCell(500, 1, "Inf"), `line 500\b`, judged),
		text("a number beyond all bounds", withCell(500, 1, "1e999"), `line 500\b`, judged),
		text("NaN in every cell", withCell(2, 1, slices.Repeat([]string{"NaN"}, 1000)...), aPlace, judged),
		text("Inf in the time", withCell(500, 0, "Inf"), `line 500, column "TIME"`, clock),
		text("time backwards", withCell(500, 0, "1.5"), `line 500, column "TIME"`, clock),
		text("time at rest", withCell(2, 0, slices.Repeat([]string{"1"}, 1000)...), noPlace, exits4{3, 0, 0, 3}),
		text("no such column", strings.Replace(csv, "AZ", "AQ", 1), `line 1: no column "AZ"`, exits4{3, 3, 2, 0}),
		text("no time column", strings.Replace(csv, "TIME", "CLOCK", 1), `line 1: no column "TIME"`, clockIn),
		text("a column twice", strings.Replace(csv, "LAP", "AZ", 1), `line 1: (2 columns|no column "LAP")`, exits4{3, 3, 2, 3}),
		text("the time column twice", strings.Replace(csv, "LAP", "TIME", 1), `line 1: (2 columns|no column "LAP")`, exits4{3, 3, 0, 3}),
		text("a unit that is none", strings.Replace(csv, "AZ", "AZ [furlong]", 1), anyColumn, exits4{3, 3, 0, 0}),
		text("a unit of another quantity", strings.Replace(csv, "AZ", "AZ [MPa]", 1), anyColumn, exits4{3, 3, 0, 0}),
		text("units that contradict each other", withLine(1, "TIME,AZ [g],LAP", "s,m/s2,-"), anyColumn, exits4{3, 3, 0, 0}),
		text("the time in another unit", strings.Replace(csv, "TIME", "TIME [ms]", 1), anyColumn, exits4{3, 3, 0, 3}),
		text("no header, numbers only", csv[len("TIME,AZ,LAP\n"):], noPlace, all),
		text("prose", strings.Repeat("It rained all day, and nobody rode.\n", 50), anyColumn, all),
		text("a lone line of 3 MiB", strings.Repeat("7", 3<<20), `line 1\b`, all),
		text("a line of 3 MiB among the rows", withLine(900, strings.Repeat("7", 3<<20)), `line \d+`, deep),
		text("a header of a million columns", strings.Repeat("A,", 1<<20)+"\n", noPlace, all),
		bad("utf-16 without its mark", "bad.csv", noPlace, utf16Of(csv, false), all),
		bad("utf-16 cut within a character", "bad.csv", noPlace, utf16Of(csv, true)[:2001], exits4{3, skip, 2, 3}),
		bad("gzip cut", "bad.csv.gz", packedTo, gzipOf([]byte(csv))[:3000], exits4{3, skip, 2, 3}),
		bad("gzip cut in its head", "bad.csv.gz", noPlace, gzipOf([]byte(csv))[:5], all),
		bad("gzip with a bit that fell over", "bad.csv.gz", packedTo, flipped(gzipOf([]byte(csv)), 2500, 4), exits4{3, skip, 2, 3}),
		bad("gzip with another checksum", "bad.csv.gz", noPlace, flipped(gzipOf([]byte(csv)), len(gzipOf([]byte(csv)))-6, 1), exits4{3, skip, 2, 3}),
		bad("gzip in gzip", "bad.csv.gz", noPlace, gzipOf(gzipOf([]byte(csv))), all),
		bad("gzip of 4 GiB of zeros", "bad.csv.gz", noPlace, repeated(gzipOf, "", zeros, 1024), all),
		bad("gzip of 4 GiB of zeros below a header", "bad.csv.gz", noPlace, repeated(gzipOf, csv, zeros, 1024), exits4{3, skip, 2, 3}),
		bad("gzip of 2 GiB of rows of zeros", "bad.csv.gz", noPlace, repeated(gzipOf, csv, constant, 340), exits4{3, 0, 2, skip}),
		bad("gzip of rows that packs them 700 to 1", "bad.csv.gz", noPlace, repeated(gzipOf, csv, varied, 600), exits4{skip, skip, 2, skip}),
		bad("zstd cut", "bad.csv.zst", packedTo, zstdOf([]byte(csv))[:2000], exits4{3, skip, 2, 3}),
		bad("zstd with a bit that fell over", "bad.csv.zst", noPlace, flipped(zstdOf([]byte(csv)), 1500, 4), exits4{3, skip, 2, 3}),
		bad("zstd of 4 GiB of zeros", "bad.csv.zst", noPlace, repeated(zstdOf, "", zeros, 1024), all),
		bad("zstd of 4 GiB of rows of zeros", "bad.csv.zst", noPlace, repeated(zstdOf, csv, constant, 680), deep),
		bad("zstd of 1 GiB of rows of two bytes", "bad.csv.zst", noPlace,
			repeated(zstdOf, "AZ\n", bytes.Repeat([]byte("0\n"), 1<<20), 512), exits4{skip, skip, 2, skip}),
		bad("zstd that asks for a window of 3 TiB", "bad.csv.zst", noPlace, []byte("\x28\xb5\x2f\xfd\x00\xff\x01\x00\x00"), all),

		bad("Parquet of 4 bytes", "bad.parquet", noPlace, pq[:4], all),
		bad("Parquet cut in a page", "bad.parquet", noPlace, pq[:9000], all),
		bad("Parquet cut in its footer", "bad.parquet", noPlace, pq[:len(pq)-20], all),
		bad("Parquet without its middle", "bad.parquet", anyColumn, slices.Concat(pq[:9000], pq[17000:]), deep),
		bad("Parquet: footer longer than the file", "bad.parquet", noPlace, parquetOf(claims{"footer": 1 << 30}), all),
		bad("Parquet: footer of no bytes", "bad.parquet", noPlace, parquetOf(claims{"footer": 0}), all),
		bad("Parquet: footer of other bytes", "bad.parquet", noPlace, parquetOf(claims{"footer": 60}), all),
		bad("Parquet: 2^60 rows", "bad.parquet", noPlace, parquetOf(claims{"rows": 1 << 60, "group rows": 1 << 60}), all),
		bad("Parquet: 2^28 rows in 8000 bytes", "bad.parquet", noPlace, parquetOf(claims{"rows": 1 << 28, "group rows": 1 << 28}), all),
		bad("Parquet: rows fewer than none", "bad.parquet", noPlace, parquetOf(claims{"rows": -5, "group rows": -5}), all),
		bad("Parquet: the file has more rows than its groups", "bad.parquet", noPlace, parquetOf(claims{"rows": 2000}), all),
		bad("Parquet: a schema of 2^31-1 columns", "bad.parquet", noPlace, parquetOf(claims{"children": math.MaxInt32}), all),
		bad("Parquet: a page of 2 GiB", "bad.parquet", anyColumn, parquetOf(claims{"page bytes": math.MaxInt32}), judged),
		bad("Parquet: a page packed into 2 GiB", "bad.parquet", anyColumn, parquetOf(claims{"page packed bytes": math.MaxInt32}), judged),
		bad("Parquet: a page of fewer bytes than none", "bad.parquet", anyColumn, parquetOf(claims{"page packed bytes": -1}), judged),
		bad("Parquet: a page of 2^31-1 values", "bad.parquet", anyColumn, parquetOf(claims{"page values": math.MaxInt32}), judged),
		bad("Parquet: a column outside the file", "bad.parquet", anyColumn, parquetOf(claims{"offset": 1 << 40}), judged),
		bad("Parquet: a column before the file", "bad.parquet", anyColumn, parquetOf(claims{"offset": -8}), judged),
		bad("Parquet: a codec that is not read", "bad.parquet", `codec LZO`, parquetOf(claims{"codec": 3}), judged),
		bad("Parquet: a codec that is none", "bad.parquet", `codec number 99`, parquetOf(claims{"codec": 99}), judged),
		bad("Parquet: an encoding that is not read", "bad.parquet", `encoding BYTE_STREAM_SPLIT`, parquetOf(claims{"encoding": 9}), judged),
		bad("Parquet: another type in the column than in the schema", "bad.parquet", anyColumn, parquetOf(claims{"type": 1}), judged),
		bad("Parquet: 1 GiB of zeros in a page", "bad.parquet", noPlace, parquetOf(claims{"MiB of zeros": 1 << 10, "codec": 6,
			"rows": 1 << 27, "group rows": 1 << 27, "page values": 1 << 27}), all),
		bad("Parquet: a bit of the footer fell over", "bad.parquet", noPlace, flipped(pq, len(pq)-150, 0x40), exits4{3, skip, 2, 3}),

		bad("Arrow of 8 bytes", "bad.arrow", noPlace, arrow[:8], all),
		bad("Arrow cut in its columns", "bad.arrow", noPlace, arrow[:900], all),
		bad("Arrow cut in its footer", "bad.arrow", noPlace, arrow[:len(arrow)-15], all),
		bad("Arrow: columns of 2^62 bytes", "bad.arrow", `byte \d+`, arrowOf(claims{"body": 1 << 62}), all),
		bad("Arrow: columns of fewer bytes than none", "bad.arrow", `byte \d+`, arrowOf(claims{"body": -64}), all),
		bad("Arrow: 2^60 rows", "bad.arrow", noPlace, arrowOf(claims{"rows": 1 << 60}), all),
		bad("Arrow: 2^28 rows in 8000 bytes", "bad.arrow", noPlace, arrowOf(claims{"rows": 1 << 28}), all),
		bad("Arrow: a column unpacks to 2^60 bytes", "bad.arrow", noPlace, arrowOf(claims{"unpacked": 1 << 60}), all),
		bad("Arrow: a column unpacks to 900 MiB", "bad.arrow", noPlace, arrowOf(claims{"unpacked": 900 << 20}), all),
		bad("Arrow: a column outside the columns", "bad.arrow", noPlace, arrowOf(claims{"offset": 1 << 40}), all),
		bad("Arrow: a column of 12 bytes", "bad.arrow", noPlace, arrowOf(claims{"length": 12}), all),
		bad("Arrow: a footer of 2 GiB", "bad.arrow", noPlace, arrowOf(claims{"footer": math.MaxInt32}), all),
		bad("Arrow: a bit of the schema fell over", "bad.arrow", noPlace, flipped(arrow, 0x3c, 0x40), all),
		bad("Arrow: a bit of a packed column fell over", "bad.arrow", noPlace, flipped(arrow, 0x1f4, 0x80), all),

		bad("MDF of 64 bytes", "bad.mf4", `byte \d+`, mf4[:64], all),
		bad("MDF cut in its descriptions", "bad.mf4", `byte \d+`, mf4[:400], all),
		bad("MDF cut in its records", "bad.mf4", `byte \d+`, mf4[:len(mf4)-9000], all),
		bad("MDF: not finished", "bad.mf4", `byte 0\b`, append([]byte("UnFinMF "), mf4[8:]...), all),
		bad("MDF: version 3", "bad.mf4", `byte 8\b`, append([]byte("MDF     3.30"), mf4[12:]...), all),
		bad("MDF: the groups link in a loop", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("DG", 24, w.at["DG"]) }), all),
		bad("MDF: the channels link in a loop", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("CNLAP", 24, w.at["CNTIME"]) }), all),
		bad("MDF: the lists of records link in a loop", "bad.mf4", `byte \d+`, mdfOf("DL", func(w *mdf) { w.set("DL", 24, w.at["DL"]) }), exits4{3, skip, 2, 3}),
		bad("MDF: a list whose records are a list", "bad.mf4", `byte \d+`, mdfOf("DL", func(w *mdf) { w.set("DL", 32, w.at["DL"]) }), exits4{3, skip, 2, 3}),
		bad("MDF: a link out of the file", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("DG", 32, 1<<40) }), all),
		bad("MDF: a link before the file", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("CG", 32, -8) }), all),
		bad("MDF: a block of 2^62 bytes", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("CG", 8, 1<<62) }), all),
		bad("MDF: a block of 2^62 links", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("DG", 16, 1<<62) }), all),
		bad("MDF: 2^60 records", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("CG", 24+48+8, 1<<60) }), exits4{3, skip, 2, 3}),
		bad("MDF: records of 4 GiB", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("CG", 24+48+24, math.MaxUint32) }), exits4{3, skip, 2, 3}),
		bad("MDF: records of no bytes", "bad.mf4", `byte \d+`, mdfOf("DT", func(w *mdf) { w.set("CG", 24+48+24, 0) }), exits4{3, skip, 2, 3}),
		bad("MDF: a deflated block of 2^40 bytes", "bad.mf4", `byte \d+`, mdfOf("DZ", func(w *mdf) {
			w.set("DZ", 32, 1<<40)
			w.set("CG", 24+48+8, 1<<40/24)
		}), exits4{3, skip, 2, 3}),
		bad("MDF: a deflated block with another checksum", "bad.mf4", `byte \d+`, mdfOf("DZ", func(w *mdf) { w.b[w.at["DZ"]+600] ^= 0xff }), all),
		bad("MDF: a deflated block longer than the file", "bad.mf4", `byte \d+`, mdfOf("DZ", func(w *mdf) { w.set("DZ", 40, 1<<40) }), exits4{3, skip, 2, 3}),
	}
}

// reached are recordings that are sound or not, but not in the way to reach them.
func reached() []malformed {
	outside := exits4{2, 2, skip, 3}
	link := func(target, name string) func(*testing.T, string) {
		return func(t *testing.T, dir string) {
			if err := os.Symlink(target, filepath.Join(dir, name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	both := func(a, b func(*testing.T, string)) func(*testing.T, string) {
		return func(t *testing.T, dir string) { a(t, dir); b(t, dir) }
	}
	return []malformed{
		{"not there", "gone.csv", noPlace, exits4{3, 3, 2, 2}, listed("gone.csv")},
		{"a folder", "bad.csv", noPlace, exits4{3, 3, 2, skip}, func(t *testing.T, dir string) { seasonFolder(t, dir, "bad.csv") }},
		{"a pipe that nobody writes to", "bad.csv", noPlace, exits4{3, 3, 2, skip}, func(t *testing.T, dir string) {
			if err := syscall.Mkfifo(filepath.Join(dir, "bad.csv"), 0o666); err != nil {
				t.Fatal(err)
			}
		}},
		{"a link to itself", "bad.csv", noPlace, exits4{3, 3, 2, 2}, link("bad.csv", "bad.csv")},
		{"a link to nothing", "bad.csv", noPlace, exits4{3, 3, 2, 2}, link("nothing.csv", "bad.csv")},
		{"unreadable", "bad.csv", noPlace, exits4{3, 3, 2, 3}, func(t *testing.T, dir string) {
			if os.Getuid() == 0 {
				t.Skip("root reads everything")
			}
			put(t, filepath.Join(dir, "bad.csv"), []byte(soundCSV()))
			if err := os.Chmod(filepath.Join(dir, "bad.csv"), 0); err != nil {
				t.Fatal(err)
			}
		}},
		{"above the season's folder", "../outside.csv", aFault, outside, listed("../outside.csv")},
		{"above the season's folder by a detour", "a/../../outside.csv", aFault, exits4{2, 2, skip, skip}, listed("a/../../outside.csv")},
		{"an absolute path", "/dev/zero", aFault, exits4{2, 2, skip, 3}, listed("/dev/zero")},
		{"a link out of the season's folder", "bad.csv", noPlace, outside, link("../outside.csv", "bad.csv")},
		{"a folder's link out of the season's folder", "away/outside.csv", aFault, outside,
			both(link("..", "away"), listed("away/outside.csv"))},
		{"a link to a device", "bad.csv", noPlace, exits4{2, 2, skip, 3}, link("/dev/zero", "bad.csv")},
		{"a device, allowed", "/dev/zero", noPlace, exits4{3, 3, skip, 3},
			both(swapped("lapwear: 1\n", "lapwear: 1\nallow_outside: true\n"), listed("/dev/zero"))},
		{"a name with a zero byte", "laps.csv", aFault, exits4{2, 2, skip, skip}, listed("b\x00d.csv")},
		{"a name of 5000 characters", strings.Repeat("x", 5000) + ".csv", noPlace, exits4{3, 3, skip, skip}, listed(strings.Repeat("x", 5000) + ".csv")},
	}
}

func seasonFolder(t *testing.T, dir, name string) {
	t.Helper()
	path := filepath.Join(dir, name)
	os.Remove(path)
	if err := os.Mkdir(path, 0o777); err != nil {
		t.Fatal(err)
	}
}

// seasonFiles are faults of the season file itself. laps reads the time and the channels
// of it alone.
func seasonFiles() []malformed {
	all, rest := exits4{2, 2, skip, 2}, exits4{2, 2, skip, 0}
	file := func(reason, s string) malformed {
		return malformed{reason, "season.yaml", aFault, all, content("season.yaml", s)}
	}
	edit := func(reason, old, new string, exits exits4) malformed {
		return malformed{reason, "season.yaml", aFault, exits, swapped(old, new)}
	}
	bomb := "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n"
	for i := range 12 {
		bomb += fmt.Sprintf("a%d: &a%d [%s*a%d]\n", i+1, i+1, strings.Repeat(fmt.Sprintf("*a%d, ", i), 9), i)
	}
	return []malformed{
		file("empty", ""),
		file("only a comment", "# nothing yet\n"),
		file("cut", soundSeason[:200]),
		file("cut within a mapping", soundSeason[:strings.Index(soundSeason, "TIME, unit")]),
		file("binary", string(noise(3000))),
		file("zero bytes", soundSeason+"\x00\x00\x00"),
		file("Latin-1", strings.Replace(soundSeason, "bracket", "tr\xe4ger", 1)),
		file("a list", "- lapwear: 1\n"),
		file("a lone value", "lapwear\n"),
		file("two documents", soundSeason+"---\n"+soundSeason),
		file("a tab for indentation", strings.Replace(soundSeason, "  acc_z", "\tacc_z", 1)),
		file("aliases that multiply to 10^13 values", bomb+soundSeason),
		file("an alias within itself", "a: &a [*a, *a]\n"+soundSeason),
		file("100000 levels of nesting", "a: "+strings.Repeat("[", 100_000)+"\n"+soundSeason),
		file("100000 levels of mappings", "a: "+strings.Repeat("{b: ", 100_000)+"\n"+soundSeason),
		file("nesting by indentation", deepYAML(3000)+soundSeason),
		file("100000 keys", manyKeys(100_000)+soundSeason),
		file("8 MiB", soundSeason+strings.Repeat("# so it goes\n", 700_000)),
		file("a scalar of 3 MiB", soundSeason+"x: "+strings.Repeat("y", 3<<20)+"\n"),
		file("merge keys", "base: &b {season: x}\n<<: *b\n"+soundSeason),
		{"utf-16", "season.yaml", aFault, all, content("season.yaml", utf16Of(soundSeason, true))},
		{"not there", "season.yaml", noPlace, all, func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "season.yaml")) }},
		{"a folder", "season.yaml", noPlace, all, func(t *testing.T, dir string) { seasonFolder(t, dir, "season.yaml") }},
		edit("another version", "lapwear: 1", "lapwear: 7", all),
		edit("a key that is none", "hotspots:", "hotpots:", all),
		edit("a key twice", "season: \"2031\"", "season: \"2031\"\nseason: \"2032\"", all),
		edit("two channels of one name", "  acc_z: {column: AZ, unit: g}", "  acc_z: {column: AZ, unit: g}\n  acc_z: {column: AX, unit: g}", all),
		edit("a unit that is none", "unit: g}", "unit: furlong}", rest),
		edit("a time in a unit of length", "unit: s}", "unit: km}", all),
		edit("a list for a mapping", "time: {column: TIME, unit: s}", "time: [1, 2]", all),
		edit("a time rate of NaN", "{column: TIME, unit: s}", "{rate: NaN Hz}", all),
		edit("a rate below zero", "rate: 128 Hz", "rate: -128 Hz", rest),
		edit("a rate beyond all bounds", "rate: 128 Hz", "rate: 1e300 Hz", rest),
		edit("a rate of many digits", "rate: 128 Hz", "rate: 1"+strings.Repeat("0", 5000)+" Hz", rest),
		edit("a rate without a unit", "rate: 128 Hz", "rate: 128", rest),
		edit("a gain that is not a number", "gain: 8 MPa/g", "gain: NaN MPa/g", rest),
		edit("an infinite gain", "gain: 8 MPa/g", "gain: .inf MPa/g", rest),
		edit("a gain per another unit", "gain: 8 MPa/g", "gain: 8 MPa/mm", rest),
		edit("a channel that is none", "follow: acc_z", "follow: acc_q", rest),
		edit("a material that is none", "material: alloy", "material: unobtainium", rest),
		edit("a slope of zero", "slope: 7", "slope: 0", rest),
		edit("a life factor below zero", "life_factor: 1.5", "life_factor: -1.5", rest),
		edit("a scenario of a place that is none", "stress_factor: 0.9", "stress_fctor: 0.9", rest),
		edit("a manifest above the folder", "laps: laps.csv", "laps: ../laps.csv", rest),
		edit("an absolute calendar", "calendar: calendar.csv", "calendar: /dev/zero", rest),
	}
}

// deepYAML is a mapping within a mapping, each indented by one more.
func deepYAML(levels int) string {
	var b strings.Builder
	for i := range levels {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

func manyKeys(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	return b.String()
}

// tables are faults of the manifest and of the calendar.
func tables() []malformed {
	exits := exits4{2, 2, skip, skip}
	fileOf := func(name string) func(reason, place, s string) malformed {
		return func(reason, place, s string) malformed {
			return malformed{name + ": " + reason, name, place, exits, content(name, s)}
		}
	}
	laps, calendar := fileOf("laps.csv"), fileOf("calendar.csv")
	head, row := "lap_id,file,circuit,distance_km\n", "A,good.csv,hill,4.2\n"
	claim := parquetOf(claims{"rows": 1 << 28, "group rows": 1 << 28})
	return []malformed{
		laps("empty", `:1:1:`, ""),
		laps("header only", `:1:1:`, head),
		laps("no header", `:1:`, row),
		laps("binary", `:1:`, string(noise(3000))),
		laps("zero bytes", `:2:1:`, head+"\x00\x00\x00"),
		laps("utf-16", `:1:1:`, string(utf16Of(head+row, true))),
		laps("a required column is absent", `:1:1:`, "lap_id,file\nA,good.csv\n"),
		laps("a column that is none", `:1:21:`, "lap_id,file,circuit,distnce_km\nA,good.csv,hill,4\n"),
		laps("a column twice", `:1:21:`, "lap_id,file,circuit,circuit\nA,good.csv,hill,hill\n"),
		laps("a lap twice", `:3:1:`, head+row+row),
		laps("a row with a cell too few", `:3:`, head+row+"B,good.csv\n"),
		laps("a row with a cell too many", `:3:`, head+row+"B,good.csv,hill,4,5\n"),
		laps("a quote without an end", `:3:`, head+row+"B,\"good.csv,hill,4\n"),
		laps("an empty lap_id", `:3:1:`, head+row+",good.csv,hill,4\n"),
		laps("a distance below zero", `:3:17:`, head+row+"B,good.csv,hill,-4\n"),
		laps("a distance that is not a number", `:3:17:`, head+row+"B,good.csv,hill,NaN\n"),
		laps("a distance with a unit", `:3:17:`, head+row+"B,good.csv,hill,4 km\n"),
		laps("an end before the start", `:2:`, "lap_id,file,circuit,distance_km,start_s,end_s\nA,good.csv,hill,4.2,5,1\n"),
		laps("a use that is none", `:2:`, "lap_id,file,circuit,distance_km,use\nA,good.csv,hill,4.2,sometimes\n"),
		laps("a line of 8 MiB", `:3:`, head+row+strings.Repeat("x", 8<<20)+"\n"),
		laps("100000 faults", `:\d+:\d+:`, head+strings.Repeat("B,good.csv\n", 100_000)),
		laps("65 MiB", noPlace, head+strings.Repeat(row, 65<<20/len(row))),
		laps("Parquet cut", noPlace, string(parquetOf(nil)[:5000])),
		laps("Parquet of other columns", `:1:1:`, string(parquetOf(nil))),
		laps("Parquet of 2^28 rows in 8000 bytes", noPlace, string(claim)),
		{"laps.csv: a folder", "laps.csv", noPlace, exits, func(t *testing.T, dir string) { seasonFolder(t, dir, "laps.csv") }},
		{"laps.csv: not there", "laps.csv", noPlace, exits, func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "laps.csv")) }},
		{"laps.csv: a pipe that nobody writes to", "laps.csv", noPlace, exits, func(t *testing.T, dir string) {
			os.Remove(filepath.Join(dir, "laps.csv"))
			if err := syscall.Mkfifo(filepath.Join(dir, "laps.csv"), 0o666); err != nil {
				t.Fatal(err)
			}
		}},
		calendar("empty", `:1:1:`, ""),
		calendar("header only", `:1:1:`, "circuit,session,laps,lap_km\n"),
		calendar("binary", `:1:`, string(noise(3000))),
		calendar("utf-16", `:1:1:`, string(utf16Of(soundCalendar, true))),
		calendar("a row of laps below zero", `:3:`, soundCalendar+"dale,race,-3,4.2\n"),
		calendar("laps that are not a number", `:3:`, soundCalendar+"dale,race,NaN,4.2\n"),
		calendar("infinitely many laps", `:3:`, soundCalendar+"dale,race,Inf,4.2\n"),
		calendar("a row with a cell too few", `:3:`, soundCalendar+"dale,race\n"),
		calendar("a lap of no length", `:3:`, soundCalendar+"dale,race,3,0\n"),
		{"calendar.csv: a folder", "calendar.csv", noPlace, exits, func(t *testing.T, dir string) { seasonFolder(t, dir, "calendar.csv") }},
		{"calendar.csv: not there", "calendar.csv", noPlace, exits, func(t *testing.T, dir string) { os.Remove(filepath.Join(dir, "calendar.csv")) }},
	}
}

// TestMalformedInputs runs the commands, each in a process of its own, on inputs that
// are not as they should be. Whatever the input, a command ends in time and in little
// memory, with the exit code for its kind of fault, names the file, where it can the
// place, and a remedy, and leaves no table half written.
func TestMalformedInputs(t *testing.T) {
	if raceDetector {
		t.Skip("limits of time and memory do not hold under the race detector")
	}
	var tried, inputs atomic.Int64
	slowest := &extremes{}
	sound := soundFolder(t)
	t.Run("inputs", func(t *testing.T) {
		for _, m := range slices.Concat(recordings(), reached(), seasonFiles(), tables()) {
			t.Run(m.reason, func(t *testing.T) {
				t.Parallel()
				inputs.Add(1)
				dir := copyOf(t, sound)
				if strings.HasPrefix(m.file, "bad.") {
					listed(m.file)(t, dir)
				}
				m.write(t, dir)
				for i, name := range malformedCommands {
					if m.exits[i] != skip {
						tried.Add(1)
						slowest.add(m.try(t, dir, name, m.exits[i]))
					}
				}
			})
		}
	})
	t.Logf("%d inputs in %d processes; the slowest took %v of processors, the largest %d MiB", inputs.Load(), tried.Load(),
		slowest.time.Round(time.Millisecond), slowest.memory>>20)
	if own := ownMemory(); own > malformedMemory {
		t.Errorf("the test itself took %d MiB: what the commands took cannot be told", own>>20)
	}
}

// TestSoundInputs runs the commands on the inputs of which the malformed ones are made.
func TestSoundInputs(t *testing.T) {
	if raceDetector {
		t.Skip("limits of time and memory do not hold under the race detector")
	}
	dir := soundFolder(t)
	constant := bytes.Repeat([]byte("0,0,0\n"), 100)
	for file, b := range map[string][]byte{
		"bad.csv": []byte(soundCSV()), "bad.csv.gz": gzipOf([]byte(soundCSV())), "bad.csv.zst": zstdOf([]byte(soundCSV())),
		"bad.parquet": parquetOf(nil), "bad.arrow": arrowOf(nil),
		"bad.mf4": mdfOf("DT", nil), "bad.MF4": mdfOf("DL", nil), "bad.mdf": mdfOf("DZ", nil),
		"bad.txt": utf16Of(soundCSV(), true),
	} {
		t.Run(file, func(t *testing.T) {
			dir := copyOf(t, dir)
			put(t, filepath.Join(dir, file), b)
			listed(file)(t, dir)
			for _, name := range malformedCommands {
				if r := invoke(t, dir, name, file); r.code != exitDone {
					t.Errorf("%s: exit code %d\n%s", name, r.code, r.all())
				}
			}
		})
	}
	t.Run("packed files that follow each other", func(t *testing.T) {
		dir := copyOf(t, dir)
		put(t, filepath.Join(dir, "bad.csv.gz"), repeated(gzipOf, soundCSV(), constant, 3))
		if r := invoke(t, dir, "count", "bad.csv.gz"); r.code != exitDone {
			t.Errorf("exit code %d\n%s", r.code, r.all())
		}
	})
}

// soundFolder makes a folder with a sound season of one lap, run once.
func soundFolder(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "season")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"season.yaml": soundSeason, "calendar.csv": soundCalendar,
		"good.csv":       strings.Join(soundLines(2), "\n") + "\n",
		"laps.csv":       strings.Split(manifestOf("x"), "B,")[0],
		"../outside.csv": soundCSV(),
	} {
		put(t, filepath.Join(dir, name), []byte(text))
	}
	if r := invoke(t, dir, "run", "good.csv"); r.code != exitDone {
		t.Fatalf("the sound season: exit code %d\n%s", r.code, r.all())
	}
	return dir
}

// copyOf copies a season's folder and what is beside it.
func copyOf(t *testing.T, from string) string {
	t.Helper()
	to := t.TempDir()
	for _, name := range []string{"outside.csv", "season/season.yaml", "season/calendar.csv", "season/good.csv", "season/laps.csv"} {
		copyFile(t, filepath.Join(filepath.Dir(from), name), filepath.Join(to, name))
	}
	for name := range filesOf(t, filepath.Join(from, "out")) {
		copyFile(t, filepath.Join(from, "out", name), filepath.Join(to, "season", "out", name))
	}
	return filepath.Join(to, "season")
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
		t.Fatal(err)
	}
	put(t, to, b)
}

// extremes are the worst of all processes.
type extremes struct {
	mu     sync.Mutex
	time   time.Duration
	memory int64
}

func (e *extremes) add(r process) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.time, e.memory = max(e.time, r.time), max(e.memory, r.memory)
}

// process is how a command ended.
type process struct {
	stdout, stderr string
	code           int
	time           time.Duration // of processors
	memory         int64         // bytes resident at most
}

func (p process) all() string { return p.stderr + p.stdout }

// invoke runs a command in the season's folder as a user would.
func invoke(t *testing.T, dir, name, file string) process {
	t.Helper()
	recording := file
	if slices.Contains([]string{"season.yaml", "laps.csv", "calendar.csv"}, file) {
		recording = "good.csv"
	}
	args := map[string][]string{
		"run":   {"run", "season.yaml"},
		"check": {"check", "season.yaml"},
		"count": {"count", file, "--column", "AZ"},
		"laps":  {"laps", "good.csv", recording, "--by", "LAP", "--season", "season.yaml", "--shortest", "1s", "--out", "found.csv"},
	}[name]
	ctx, cancel := context.WithTimeout(context.Background(), malformedPatience)
	defer cancel()
	c := exec.CommandContext(ctx, "lapwear", args...)
	var out, errs bytes.Buffer
	c.Dir, c.Stdout, c.Stderr = dir, &out, &errs
	c.Env = append(os.Environ(), "LAPWEAR_CACHE="+filepath.Join(dir, "cache"))
	err := c.Run()
	p := process{stdout: out.String(), stderr: errs.String()}
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		t.Errorf("%s: not done after %v", name, malformedPatience)
	case err != nil && !errors.As(err, &exit):
		t.Fatalf("%s: %v", name, err)
	}
	p.code = c.ProcessState.ExitCode()
	p.time = c.ProcessState.UserTime() + c.ProcessState.SystemTime()
	p.memory = residentMost(c.ProcessState.SysUsage())
	return p
}

// residentMost is the most memory that was resident, in bytes.
func residentMost(usage any) int64 {
	n := int64(usage.(*syscall.Rusage).Maxrss)
	if runtime.GOOS == "darwin" || runtime.GOOS == "ios" {
		return n
	}
	return n << 10
}

// ownMemory is what is resident of the test itself. Where a new process begins as a
// copy of its parent, it counts toward that one's.
func ownMemory() int64 {
	var own syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &own); err != nil {
		return 0
	}
	return residentMost(&own)
}

// try runs a command on the input and looks at all that it may not do.
func (m malformed) try(t *testing.T, dir, name string, exit int) process {
	t.Helper()
	out := filepath.Join(dir, "out")
	before := filesOf(t, out)
	p := invoke(t, dir, name, m.file)
	if p.code != exit {
		t.Errorf("%s: exit code %d, want %d\n%s", name, p.code, exit, brief(p.all()))
	}
	if crash := regexp.MustCompile(`(?i)panic|goroutine|runtime error|fatal error`).FindString(p.all()); crash != "" {
		t.Errorf("%s: the output says %q\n%s", name, crash, brief(p.all()))
	}
	if p.time > malformedTime {
		t.Errorf("%s: %v of processor time", name, p.time)
	}
	if p.memory > malformedMemory {
		t.Errorf("%s: %d MiB of memory", name, p.memory>>20)
	}
	if p.code != exit {
		return p
	}
	if exit != exitDone {
		m.message(t, name, p)
	}
	if name == "laps" {
		m.foundLaps(t, dir, exit)
	}
	if name != "run" || exit == exitUsage {
		if diff := cmp.Diff(before, filesOf(t, out)); diff != "" {
			t.Errorf("%s: the tables of an earlier run changed (-before +after):\n%s", name, brief(diff))
		}
		return p
	}
	wholeTables(t, out)
	return p
}

// longestLine is how long a message may be: what it repeats of the input is cut.
const longestLine = 1000

// message looks for a line that names the file, the place and what to do: advice after
// a semicolon, or what is expected.
func (m malformed) message(t *testing.T, name string, p process) {
	t.Helper()
	place, remedy := regexp.MustCompile(m.place), regexp.MustCompile(`; *\pL|, (expected|accepted)\b`)
	if m.place == aFault && (name == "count" || name == "laps" && p.code == exitSetAside) {
		place = regexp.MustCompile(noPlace) // the recording is named in the call
	}
	base := filepath.Base(m.file)
	var named, placed bool
	for line := range strings.Lines(p.all()) {
		if len(line) > longestLine {
			t.Errorf("%s: a line of %d bytes: %s", name, len(line), brief(line))
		}
		if !strings.Contains(line, base[:min(len(base), 20)]) || strings.HasPrefix(line, "note: ") {
			continue
		}
		named = true
		if place.MatchString(line) {
			placed = true
			if !remedy.MatchString(line) {
				t.Errorf("%s: no remedy in %s", name, brief(line))
			}
		}
	}
	switch {
	case !named:
		t.Errorf("%s: nothing names %q in\n%s", name, base, brief(p.all()))
	case !placed:
		t.Errorf("%s: no place like %s in\n%s", name, m.place, brief(p.all()))
	}
}

// brief cuts what a person would not read.
func brief(s string) string {
	const most = 700
	if len(s) <= most {
		return s
	}
	return fmt.Sprintf("%s... (%d bytes)", strings.ToValidUTF8(s[:most], "?"), len(s))
}

// filesOf reads the files of a folder; a part of a table is a file, too.
func filesOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = string(b)
	}
	return out
}

// wholeTables wants each table twice, as CSV and as Parquet with as many rows, no
// row of the lap that is set aside among the laps, and a report that is whole.
func wholeTables(t *testing.T, dir string) {
	t.Helper()
	files := filesOf(t, dir)
	for name, text := range files {
		if name == reportName {
			if !strings.HasSuffix(text, "</html>\n") || strings.Contains(text, "\x00") {
				t.Errorf("the report is not whole: it ends in %q", text[max(len(text)-40, 0):])
			}
			continue
		}
		table, isCSV := strings.CutSuffix(name, ".csv")
		switch name {
		case schemaName, inputsName:
			if !json.Valid([]byte(text)) {
				t.Errorf("%s is not whole: %s", name, brief(text))
			}
			continue
		case workbookName:
			if _, err := zip.NewReader(strings.NewReader(text), int64(len(text))); err != nil {
				t.Errorf("%s is not whole: %v", name, err)
			}
			continue
		}
		if !isCSV {
			if _, ok := files[strings.TrimSuffix(name, ".parquet")+".csv"]; !ok || !strings.HasSuffix(name, ".parquet") {
				t.Errorf("run left %q", name)
			}
			continue
		}
		rows := wholeCSV(t, name, text)
		src, err := frame.OpenParquet(filepath.Join(dir, table+".parquet"))
		if err != nil {
			t.Errorf("run: %v", err)
			continue
		}
		if cols := src.Columns(); len(cols) != len(rows[0]) || int(cols[0].Rows) != len(rows)-1 {
			t.Errorf("run: table %s differs in its two forms", table)
		}
		src.Close()
		if i := slices.Index(rows[0], "lap_id"); table == "laps" && slices.ContainsFunc(rows, func(r []string) bool { return r[i] == "B" }) {
			t.Error("run: the lap that is set aside is in the table laps")
		}
	}
	if len(files) < 2*(len(tableNames)-len(comparisons()))-2 { // without calibration laps no table of it
		t.Errorf("run: %d tables' files", len(files))
	}
}

func wholeCSV(t *testing.T, name, text string) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(rows) < 2 || !strings.HasSuffix(text, "\n") {
		t.Fatalf("%s is not whole: %v\n%s", name, err, brief(text))
	}
	return rows
}

// foundLaps wants a whole manifest, or none where the command refused its call.
func (m malformed) foundLaps(t *testing.T, dir string, exit int) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "found.csv"))
	switch {
	case exit == exitUsage && err == nil:
		t.Errorf("laps wrote a manifest: %s", brief(string(b)))
	case exit != exitUsage && err != nil:
		t.Errorf("laps: %v", err)
	case exit == exitSetAside:
		rows := wholeCSV(t, "found.csv", string(b))
		if len(rows) != 3 || rows[1][1] != "good.csv" || rows[2][1] != "good.csv" {
			t.Errorf("laps found %v", rows)
		}
	}
	if parts, _ := filepath.Glob(filepath.Join(dir, "*"+partial)); len(parts) > 0 {
		t.Errorf("laps left %q", parts)
	}
}
