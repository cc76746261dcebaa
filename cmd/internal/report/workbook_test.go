package report

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"
	"github.com/zeebo/blake3"

	"lapwear/cache/key"
	"lapwear/stages/frame"
)

// lures are texts that some program might take for something else.
var lures = []string{"=1+1", "+A1", "-2+3", "@SUM(A1)", "\t=1", "\r=2", `=HYPERLINK("x","y")`, "</t></is><f>1</f>", "{=1}", "'=1", "-3", "TRUE", "1e3", "  kept  "}

func workbook(t *testing.T, tables ...Table) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := NewWorkbook(tables).Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// byLibrary is a workbook whose rows the library has written, all of them.
func byLibrary(t *testing.T, tables ...Table) []byte {
	t.Helper()
	k := NewWorkbook(tables)
	k.slow = true
	var b bytes.Buffer
	if err := k.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// parts returns the texts of a workbook's files by name.
func parts(t *testing.T, book []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out[f.Name] = string(text)
	}
	return out
}

func lapsTable() Table {
	n := len(lures)
	damage, count := make([]float64, n), make([]int64, n)
	for i := range n {
		damage[i], count[i] = float64(i)*1e-9, int64(i)
	}
	damage[0], damage[1], damage[2] = math.NaN(), math.Inf(1), -0.5
	return Table{"laps", frame.Must(nil, frame.Col("lap_id", "", lures), frame.Col("max_amplitude_mpa", "MPa", damage),
		frame.Col("samples", "", count), frame.Col("chosen", "", make([]bool, n)))}
}

// No cell is a formula (ECMA-376 part 1, 18.3.1.40: the element f), whatever a text looks like, and texts come
// back as they were.
func TestWorkbookHasNoFormulas(t *testing.T) {
	book := workbook(t, lapsTable())
	for name, text := range parts(t, book) {
		if strings.HasPrefix(name, "xl/worksheets/") && strings.Contains(text, "<f>") || strings.Contains(name, "calcChain") || strings.Contains(name, "externalLink") {
			t.Errorf("%s has a formula", name)
		}
	}
	f, err := excelize.OpenReader(bytes.NewReader(book))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for i, want := range lures {
		at, _ := excelize.CoordinatesToCellName(1, i+2)
		got, err := f.GetCellValue("laps", at)
		kind, _ := f.GetCellType("laps", at)
		formula, _ := f.GetCellFormula("laps", at)
		// XML makes a line feed of a carriage return (XML 1.0, 2.11).
		if got = strings.ReplaceAll(got, "\n", "\r"); err != nil || got != want || kind != excelize.CellTypeInlineString || formula != "" {
			t.Errorf("%s: %q of type %d, formula %q, %v; want the text %q", at, got, kind, formula, err, want)
		}
	}
}

func TestWorkbookSheets(t *testing.T) {
	book := workbook(t, Table{"season", frame.Must(nil, frame.Col("scenario", "", []string{}))}, lapsTable())
	f, err := excelize.OpenReader(bytes.NewReader(book))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if d := cmp.Diff([]string{"columns", "season", "laps"}, f.GetSheetList()); d != "" {
		t.Errorf("sheets: -want +got\n%s", d)
	}
	raw := excelize.Options{RawCellValue: true}
	for _, tt := range []struct{ reason, sheet, cell, want string }{
		{"a head is the column's name", "laps", "B1", "max_amplitude_mpa"},
		{"not known is empty", "laps", "B2", ""},
		{"without end is a text", "laps", "B3", "inf"},
		{"a number", "laps", "B4", "-0.5"},
		{"an integer", "laps", "C5", "3"},
		{"a table without rows has its head", "season", "A1", "scenario"},
		{"the columns' sheet names the unit", "columns", "C6", "MPa"},
		{"and the meaning", "columns", "E6", "largest stress amplitude of a cycle, stress factor included"},
	} {
		if got, err := f.GetCellValue(tt.sheet, tt.cell, raw); err != nil || got != tt.want {
			t.Errorf("%s: %s!%s is %q, want %q (%v)", tt.reason, tt.sheet, tt.cell, got, tt.want, err)
		}
	}
	if shown, _ := f.GetCellValue("laps", "B1"); shown != "max_amplitude_mpa, MPa" {
		t.Errorf("the head shows %q", shown)
	}
	if xml := parts(t, book)["xl/worksheets/sheet3.xml"]; !strings.Contains(xml, `<c r="B5"><v>0.000000003`) {
		t.Error("a small number is not there")
	}
	for _, sheet := range f.GetSheetList() {
		p, err := f.GetPanes(sheet)
		if err != nil || !p.Freeze || p.YSplit != 1 {
			t.Errorf("sheet %s: its header is not frozen: %+v, %v", sheet, p, err)
		}
	}
}

// The library reads a workbook's properties, and they have the prefix by which other readers look for them.
func TestWorkbookProperties(t *testing.T) {
	book := workbook(t, lapsTable())
	if xml := parts(t, book)["docProps/core.xml"]; !strings.Contains(xml, "<cp:coreProperties ") || strings.Contains(xml, "<lastModifiedBy") {
		t.Errorf("the properties have other prefixes: %s", xml)
	}
	f, err := excelize.OpenReader(bytes.NewReader(book))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := f.GetDocProps()
	if want := (&excelize.DocProperties{Creator: "lapwear", Created: epoch, Modified: epoch}); err != nil || !cmp.Equal(got, want) {
		t.Errorf("the properties are %+v (%v), want %+v", got, err, want)
	}
}

// Equal tables give equal bytes, and what is no longer what was written is known.
func TestWorkbookIsCurrent(t *testing.T) {
	tables := []Table{lapsTable()}
	a := workbook(t, tables...)
	for range 5 {
		if !bytes.Equal(a, workbook(t, tables...)) {
			t.Fatal("two workbooks of one table differ")
		}
	}
	other := []Table{{"laps", frame.Must(nil, frame.Col("lap_id", "", []string{"A"}))}}
	touched := bytes.Clone(a)
	touched[len(a)/2] ^= 1
	for _, tt := range []struct {
		reason string
		text   []byte
		tables []Table
		want   bool
	}{
		{"as written", a, tables, true},
		{"of other tables", a, other, false},
		{"a byte changed", touched, tables, false},
		{"cut short", a[:len(a)-1], tables, false},
		{"nothing", nil, tables, false},
	} {
		if got := NewWorkbook(tt.tables).IsCurrent(ReadEarlier(tt.text)); got != tt.want {
			t.Errorf("%s: %v", tt.reason, got)
		}
	}
}

// NaN computed and NaN read back, of other bits, give the same workbook.
func TestWorkbookOfAnyNaN(t *testing.T) {
	of := func(x float64, y float32) []byte {
		return workbook(t, Table{"laps", frame.Must(nil, frame.Col("x", "", []float64{1, x}), frame.Col("y", "", []float32{y, 2}))})
	}
	others := of(math.Float64frombits(math.Float64bits(math.NaN())|1<<63), math.Float32frombits(math.Float32bits(float32(math.NaN()))|1<<31))
	if !bytes.Equal(of(math.NaN(), float32(math.NaN())), others) {
		t.Error("the workbooks differ")
	}
}

// Law: a workbook written after another is the same bytes as one written alone, and takes from it what did not change.
func TestWorkbookAfterAnother(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n = 20 * fewestRows
	x, s := make([]float64, n), make([]string, n)
	for i := range n {
		x[i], s[i] = r.ExpFloat64(), fmt.Sprint("lap ", i/7)
	}
	table := func() Table {
		return Table{"laps", frame.Must(nil, frame.Col("damage", "", slices.Clone(x)), frame.Col("lap_id", "", slices.Clone(s)))}
	}
	before := workbook(t, table())
	if got := len(ReadEarlier(before).pieces); got != n/fewestRows+2 {
		t.Fatalf("%d pieces are listed, want %d", got, n/fewestRows+2)
	}
	for i := 0; i < 30; i++ {
		switch at := r.IntN(len(x)); i % 3 {
		case 0:
			x[at] = r.ExpFloat64()
		case 1:
			s[at] += "'"
		default: // rows move up
			x, s = slices.Delete(x, at, at+1), slices.Delete(s, at, at+1)
		}
		now := NewWorkbook([]Table{table()})
		now.After(ReadEarlier(before))
		if i%2 == 0 {
			now.Begin()
		}
		var b bytes.Buffer
		if err := now.Write(&b); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), workbook(t, table())) {
			t.Fatalf("change %d: the workbook differs from one that is written alone", i)
		}
		before = b.Bytes()
		parts(t, before) // checks the sums
	}
	before[len(before)/2] ^= 1
	now := NewWorkbook([]Table{table()})
	if now.After(ReadEarlier(before)); len(now.earlier.pieces) > 0 {
		t.Error("a damaged workbook's pieces are taken")
	}
}

// seal is what a workbook ends with.
func seal(text []byte) []byte {
	sum := blake3.Sum256(text[:len(text)-sealLength])
	return sum[:]
}

// A workbook read is known by the hash that a file of an output folder is known by; one that is not as it was written, by none.
func TestEarlierID(t *testing.T) {
	text := workbook(t, lapsTable())
	want := key.OfUnkept(func(w io.Writer) error { _, err := w.Write(text); return err })
	if got := ReadEarlier(text).ID(); got != want {
		t.Errorf("the workbook is known by %s, want %s", got, want)
	}
	text[len(text)/2] ^= 1
	if got := ReadEarlier(text).ID(); got != (key.ID{}) {
		t.Errorf("a damaged one is known by %s", got)
	}
}

// Small workbooks are begun as others are, by more processors than there are pieces too.
func TestWorkbookOfManyProcessors(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(16))
	table := []Table{{"laps", frame.Must(nil, frame.Col("damage", "", []float64{1, 2, 3}))}}
	for range 2000 {
		k := NewWorkbook(table)
		k.Begin()
		if got := k.Kept("laps"); len(got) > 0 {
			t.Fatalf("%v are kept of no workbook", got)
		}
	}
}

// Rows are kept exactly where the piece that they are in is the same, in a workbook of the same layout; none where rows have gone.
func TestWorkbookKept(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 1))
	const n = 9*fewestRows + 5
	x, y := make([]float64, n), make([]float64, n)
	for i := range n {
		x[i], y[i] = r.ExpFloat64(), float64(i%3)
	}
	tables := func() []Table {
		return []Table{{"circuits", frame.Must(nil, frame.Col("damage", "", slices.Clone(y)))}, {"laps", frame.Must(nil, frame.Col("damage", "", slices.Clone(x)))}}
	}
	kept := func(before []byte) [2][]frame.Rows {
		k := NewWorkbook(tables())
		k.After(ReadEarlier(before))
		return [2][]frame.Rows{k.Kept("circuits"), k.Kept("laps")}
	}
	all, before := []frame.Rows{{From: 0, To: n}}, workbook(t, tables()...)
	for _, c := range []struct {
		reason string
		change func()
		want   [2][]frame.Rows
	}{
		{"nothing", func() {}, [2][]frame.Rows{all, all}},
		{"a row of laps", func() { x[2*fewestRows] = -1 }, [2][]frame.Rows{all, {{From: 0, To: 2 * fewestRows}, {From: 3 * fewestRows, To: n}}}},
		{"first and last too", func() { x[0], x[n-1] = -1, -2 }, [2][]frame.Rows{all,
			{{From: fewestRows, To: 2 * fewestRows}, {From: 3 * fewestRows, To: 9 * fewestRows}}}},
		{"a table is now what the other was", func() { x, y = slices.Clone(y), x }, [2][]frame.Rows{nil, nil}},
	} {
		c.change()
		if d := cmp.Diff(c.want, kept(before)); d != "" {
			t.Errorf("%s: -want +got\n%s", c.reason, d)
		}
	}
	before = workbook(t, tables()...)
	x = x[:n-1]
	if got := kept(before); len(got[0])+len(got[1]) > 0 {
		t.Errorf("a row is gone: %v are kept", got)
	}
	if got := kept(nil); len(got[0])+len(got[1]) > 0 {
		t.Errorf("no workbook before: %v are kept", got)
	}
}

// What is no row is taken from an earlier workbook exactly where that has the same layout, and the bytes are those of one written alone.
func TestWorkbookOfLayoutBefore(t *testing.T) {
	table := func(name, column, unit string, rows ...float64) Table {
		return Table{name, frame.Must(nil, frame.Col(column, unit, rows))}
	}
	season, none := table("season", "damage", "", 1), table("quality", "gaps", "")
	before := workbook(t, table("laps", "damage", "", 1, 2, 3), season, none)
	for _, tt := range []struct {
		reason string
		tables []Table
		want   bool
	}{
		{"the same", []Table{table("laps", "damage", "", 1, 2, 3), season, none}, true},
		{"other numbers", []Table{table("laps", "damage", "", 1, 5, 3), season, none}, true},
		{"another column", []Table{table("laps", "damages", "", 1, 2, 3), season, none}, false},
		{"another unit", []Table{table("laps", "damage", "m", 1, 2, 3), season, none}, false},
		{"another table", []Table{table("places", "damage", "", 1, 2, 3), season, none}, false},
		{"more rows", []Table{table("laps", "damage", "", 1, 2, 3, 4), season, none}, false},
		{"more tables", []Table{table("laps", "damage", "", 1, 2, 3), season, none, table("places", "rank", "", 1)}, false},
		{"one table", []Table{season}, false},
		{"rows where none were", []Table{season, table("quality", "gaps", "", 1)}, false},
		{"no rows", []Table{none}, false},
	} {
		now := NewWorkbook(tt.tables)
		now.After(ReadEarlier(before))
		z := archive{rows: now.rows(), layout: now.layout(), earlier: now.earlier}
		if _, got := z.unchanged(); got != tt.want {
			t.Errorf("%s: taken: %v", tt.reason, got)
		}
		var b bytes.Buffer
		if err := now.Write(&b); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), workbook(t, tt.tables...)) {
			t.Errorf("%s: the workbook differs from one that is written alone", tt.reason)
		}
	}
}

// An earlier workbook whose directory cannot be true, but which is sealed, is left aside.
func TestWorkbookOfForgedDirectory(t *testing.T) {
	tables := []Table{lapsTable()}
	whole := workbook(t, tables...)
	for _, tt := range []struct {
		reason string
		at     int // in each entry of the directory (APPNOTE 6.3.9, 4.3.12)
		forged []byte
		taken  bool
	}{
		{"as it was, needed to read it", 6, []byte{version20, 0}, true},
		{"stored", 10, []byte{0, 0}, false},
		{"packed by an unknown method", 10, []byte{99, 0}, false},
		{"longer than the workbook", 20, []byte{0xff, 0xff, 0xff, 0x7f}, false},
		{"begins behind the workbook", 42, []byte{0xff, 0xff, 0xff, 0x7f}, false},
	} {
		book := bytes.Clone(whole)
		for from := 0; ; {
			k := bytes.Index(book[from:], []byte("PK\x01\x02"))
			if k < 0 {
				break
			}
			from += k
			from += copy(book[from+tt.at:], tt.forged)
		}
		copy(book[len(book)-sealLength:], hex.EncodeToString(seal(book)))
		now := NewWorkbook(tables)
		now.After(ReadEarlier(book))
		if now.earlier.text == nil {
			t.Fatalf("%s: the workbook is not sealed", tt.reason)
		}
		z := archive{rows: now.rows(), layout: now.layout(), earlier: now.earlier}
		if _, taken := z.unchanged(); taken != tt.taken {
			t.Errorf("%s: taken: %v", tt.reason, taken)
		}
		var b bytes.Buffer
		if err := now.Write(&b); err != nil || !bytes.Equal(b.Bytes(), whole) {
			t.Errorf("%s: the workbook differs from one that is written alone: %v", tt.reason, err)
		}
	}
}

// Pieces are taken from a list exactly where they fill their file.
func TestWorkbookOfForgedList(t *testing.T) {
	tables := []Table{lapsTable()}
	whole := workbook(t, tables...)
	z, err := zip.NewReader(bytes.NewReader(whole), int64(len(whole)))
	if err != nil {
		t.Fatal(err)
	}
	if len(z.Comment) > 512 {
		t.Errorf("the archive's comment has %d bytes; LibreOffice opens none of more than 512", len(z.Comment))
	}
	at := bytes.LastIndex(whole, binary.LittleEndian.AppendUint16(nil, pieceField)) // in the directory, which stands last
	for _, tt := range []struct {
		reason string
		at     int // in the field
		forged byte
		want   int
	}{
		{"as it was", 0, whole[at], 3},
		{"another field", 0, whole[at] + 1, 0},
		{"a longer field than there is", 3, whole[at+3] + 1, 0},
		{"a shorter field", 2, whole[at+2] - pieceEntry, 0},
		{"a longer piece", fieldHead + 16, whole[at+fieldHead+16] + 1, 0},
		{"a piece longer than all", fieldHead + 19, 0xff, 0},
		{"an empty field", 2, 0, 0},
	} {
		book := bytes.Clone(whole)
		book[at+tt.at] = tt.forged
		copy(book[len(book)-sealLength:], hex.EncodeToString(seal(book)))
		now := NewWorkbook(tables)
		if now.After(ReadEarlier(book)); len(now.earlier.pieces) != tt.want {
			t.Errorf("%s: %d pieces, want %d", tt.reason, len(now.earlier.pieces), tt.want)
		}
		var b bytes.Buffer
		if err := now.Write(&b); err != nil || !bytes.Equal(b.Bytes(), whole) {
			t.Errorf("%s: the workbook differs from one that is written alone: %v", tt.reason, err)
		}
	}
}

// A workbook may be written twice: into a folder that then cannot be renamed, and again into the one that is there.
func TestWorkbookWrittenTwice(t *testing.T) {
	tables := []Table{lapsTable(), {"season", lapsTable().Frame}}
	whole := workbook(t, tables...)
	for _, tt := range []struct {
		reason string
		before []byte
	}{
		{"none before", nil},
		{"the same before", whole},
		{"rows of it before", workbook(t, lapsTable())},
	} {
		now := NewWorkbook(tables)
		now.After(ReadEarlier(tt.before))
		now.Begin()
		for range 2 {
			var b bytes.Buffer
			if err := now.Write(&b); err != nil || !bytes.Equal(b.Bytes(), whole) {
				t.Errorf("%s: the workbook differs from one that is written alone: %v", tt.reason, err)
			}
			parts(t, b.Bytes()) // checks the sums
		}
	}
}

// The bytes of a workbook are pinned. Where they change, be it by an update of the packer or the library, the format has to be raised:
// else a workbook would mix earlier pieces with new ones, and its bytes would depend on which workbook was there before.
func TestWorkbookBytes(t *testing.T) {
	const want = "7a50378b9ed6e49756a53a8a3fc603196a12fb3b036c9004cafe3f7a14ac3365"
	r := rand.New(rand.NewPCG(11, 12))
	const n = 3*fewestRows + 5
	x, y, s, k := make([]float64, n), make([]float32, n), make([]string, n), make([]int64, n)
	for i := range n {
		x[i], y[i], s[i], k[i] = float64(r.IntN(1e9))/1024, float32(r.IntN(1000))/8, fmt.Sprint("lap ", r.IntN(1+i)), int64(r.IntN(100))
	}
	table := Table{"laps", frame.Must(nil, frame.Col("damage", "", x), frame.Col("duration_s", "s", y), frame.Col("lap_id", "", s), frame.Col("samples", "", k))}
	book := workbook(t, table, Table{"season", lapsTable().Frame})
	if len(ReadEarlier(book).pieces) < 4 {
		t.Fatalf("%d pieces are listed, want one of each packing at least", len(ReadEarlier(book).pieces))
	}
	if got := fmt.Sprintf("%x", sha256.Sum256(book)); got != want {
		t.Errorf("the workbook's SHA-256 is %s, want %s: equal tables give another workbook than before; raise workbookFormat, then pin the new sum", got, want)
	}
}

// A workbook of more sheets than it has pieces at most is written all the same.
func TestWorkbookOfManySheets(t *testing.T) {
	const sheets = mostPieces + 100
	table := frame.Must(nil, frame.Col("samples", "", []int64{1, 2}))
	z := archive{rows: map[string]rows{}, made: strings.Repeat("0", madeLength)}
	for i := range sheets {
		name := fmt.Sprint(i)
		f, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		io.WriteString(f, rowsEnd)
		z.rows[name] = rows{table, 0, table.Rows(), 0}
	}
	z.begin()
	var b bytes.Buffer
	z.out = &sealing{w: &b, h: blake3.New()}
	if err := errors.Join(z.Close(), z.out.end()); err != nil {
		t.Fatal(err)
	}
	if got := parts(t, b.Bytes()); len(got) != sheets || strings.Count(got["1499"], "<row ") != 2 {
		t.Errorf("%d sheets, the last with %d rows, want %d and 2", len(got), strings.Count(got["1499"], "<row "), sheets)
	}
	if _, ok := sealed(b.Bytes()); !ok {
		t.Error("the archive is not sealed")
	}
}

// Law: the sum of two texts, joined, is that of both in one.
func TestJoinedSum(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, n := range []int{0, 1, 2, 255, 4096, 100001} {
		a, b := make([]byte, r.IntN(3000)), make([]byte, n)
		for i := range b {
			b[i] = byte(r.Uint32())
		}
		if got, want := joinedSum(crc32.ChecksumIEEE(a), crc32.ChecksumIEEE(b), uint64(n)), crc32.ChecksumIEEE(append(a, b...)); got != want {
			t.Errorf("%d bytes: %08x, want %08x", n, got, want)
		}
	}
}

// A table of more rows than a sheet has goes on in the next.
func TestWorkbookSplitsLongTables(t *testing.T) {
	if testing.Short() {
		t.Skip("writes a million rows")
	}
	book := workbook(t, Table{"laps", frame.Must(nil, frame.Col("samples", "", make([]int64, sheetRows+1)))})
	got := parts(t, book)
	last := got["xl/worksheets/sheet3.xml"]
	if !strings.Contains(got["xl/workbook.xml"], `"laps (2)"`) || strings.Count(last, "<row ") != 3 {
		t.Errorf("the second sheet has %d rows", strings.Count(last, "<row "))
	}
}

// Numbers are rounded, not cut, to 15 significant digits; a sheet says how far it reaches
// (ECMA-376 part 1, 18.3.1.35: the element dimension).
func TestWorkbookNumbersAndRange(t *testing.T) {
	// Rounded by hand.
	rows := []struct {
		x    float64
		want string
	}{{80.45210268571128, "80.4521026857113"}, {19.079999999999995, "19.08"}, {0.9684999999999999, "0.9685"}, {-208.15349449999999, "-208.1534945"},
		{28.220000000000002, "28.22"}, {1.0 / 3, "0.333333333333333"}, {2.0 / 3e9, "0.000000000666666666666667"}, {12345678901234567, "12345678901234600"}}
	x := make([]float64, len(rows))
	for i, r := range rows {
		x[i] = r.x
	}
	xml := parts(t, workbook(t, Table{"laps", frame.Must(nil, frame.Col("damage", "", x), frame.Col("samples", "", make([]int64, len(rows))))}))["xl/worksheets/sheet2.xml"]
	for i, r := range rows {
		if want := fmt.Sprintf(`r="A%d"><v>%s</v>`, i+2, r.want); !strings.Contains(xml, want) {
			t.Errorf("%v is not %s in the sheet", r.x, want)
		}
	}
	if want := fmt.Sprintf(`<dimension ref="A1:B%d"`, len(rows)+1); !strings.Contains(xml, want) {
		t.Errorf("the sheet lacks %s", want)
	}
}
