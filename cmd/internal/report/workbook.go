package report

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"sync"

	"lapwear/stages/frame"
)

// sheetRows is the most rows of a sheet (ECMA-376 names no limit; spreadsheets have this one).
const sheetRows = 1 << 20

// columnsSheet is the sheet that says what the columns of all others are.
const columnsSheet = "columns"

// Workbook is tables as an Office Open XML workbook (ECMA-376): the sheet columns,
// which gives every column its unit and meaning, then a sheet a table. The header is frozen
// and shows units, and its cells hold the names alone. Texts are stored as texts and numbers
// as numbers, rounded to 15 significant digits, as many as spreadsheets keep: there is no formula in it. An infinite number is the text inf. A table of more
// rows than a sheet takes goes on in sheets named after it, "laps (2)". Equal tables give
// equal bytes.
type Workbook struct {
	tables  []Table
	sums    map[string][sha256.Size]byte // of tables by name, where they are known
	made    func() string                // of which tables, as a hash in hexadecimal
	earlier map[pieceKey]piece           // of a workbook before
}

// NewWorkbook returns the workbook of tables.
func NewWorkbook(tables []Table) *Workbook {
	k := &Workbook{tables: tables, sums: map[string][sha256.Size]byte{}}
	k.made = sync.OnceValue(func() string { return hex.EncodeToString(k.fingerprint()) })
	return k
}

// Known says which SHA-256 a table's encoding has, so that it is not hashed again.
func (k *Workbook) Known(table string, sum [sha256.Size]byte) { k.sums[table] = sum }

// Write writes the workbook.
func (k *Workbook) Write(w io.Writer) error {
	var b book
	b.addColumns(DescribeTables(k.tables))
	for _, t := range k.tables {
		b.addTable(t)
	}
	out := &sealing{w: w, h: sha256.New()}
	if err := errors.Join(b.archive(out, k.made(), k.earlier).write(), out.end()); err != nil {
		return fmt.Errorf("write workbook: %w", err)
	}
	return nil
}

// addColumns adds the sheet that explains all others.
func (b *book) addColumns(s Schema) {
	var table, column, unit, kind, meaning []string
	add := func(t, c, u, k, m string) {
		table, column, unit = append(table, t), append(column, c), append(unit, u)
		kind, meaning = append(kind, k), append(meaning, m)
	}
	for _, t := range s.Tables {
		add(t.Name, "", "", "", "A row is "+t.Row+".")
		for _, c := range t.Columns {
			add(t.Name, c.Name, c.Unit, c.Type, c.Meaning)
		}
	}
	f := frame.Must(nil, frame.Col("table", "", table), frame.Col("column", "", column), frame.Col("unit", "", unit),
		frame.Col("type", "", kind), frame.Col("meaning", "", meaning))
	b.add(columnsSheet, rows{f, 0, f.Rows(), 0}, []int{18, 30, 10, 10, 110})
}

// addTable adds a table, over several sheets if it has to be.
func (b *book) addTable(t Table) {
	widths := make([]int, len(t.Frame.Columns()))
	for i, c := range t.Frame.Columns() {
		widths[i] = min(max(len(c.Name)+len(c.Unit)+6, 10), 42)
	}
	for part, start := 1, 0; start < t.Frame.Rows() || part == 1; part++ {
		name, n := t.Name, min(t.Frame.Rows()-start, sheetRows-1)
		if part > 1 {
			name = fmt.Sprintf("%s (%d)", t.Name, part)
		}
		b.add(name, rows{t.Frame, start, n, 0}, widths)
		start += n
	}
}

// workbookFormat is raised whenever equal tables give another workbook than before.
const workbookFormat = 5

// sealLength is the length of the seal that ends the archive's comment, and madeLength that of the hash of the tables before it: a SHA-256 in hexadecimal.
const (
	sealLength = 2 * sha256.Size
	madeLength = 2 * sha256.Size
)

// IsCurrent tells whether a workbook is what Write would write: by its
// archive's comment, which holds a hash of the tables and one of all that stands before it. One that was
// saved by another program has no such comment.
func (k *Workbook) IsCurrent(text []byte) bool {
	at := len(text) - sealLength - madeLength
	return at > 0 && string(text[at:at+madeLength]) == k.made() && sealed(text)
}

// After has Write take from an earlier workbook what it would pack again; the text must not change until then.
func (k *Workbook) After(text []byte) {
	if len(text) > sealLength+madeLength && sealed(text) {
		k.earlier = piecesOf(text)
	}
}

// sealed tells whether a workbook is as it was written.
func sealed(text []byte) bool {
	return string(text[len(text)-sealLength:]) == hex.EncodeToString(seal(text))
}

// seal hashes all of a workbook but the seal itself.
func seal(text []byte) []byte {
	sum := sha256.Sum256(text[:len(text)-sealLength])
	return sum[:]
}

// fingerprint hashes what a workbook is made of.
func (k *Workbook) fingerprint() []byte {
	h := sha256.New()
	fmt.Fprintf(h, "workbook %d\n", workbookFormat)
	DescribeTables(k.tables).WriteJSON(h) // a hash never fails to write
	for _, t := range k.tables {
		sum, known := k.sums[t.Name]
		if !known {
			one := sha256.New()
			t.Frame.EncodeTo(one)
			one.Sum(sum[:0])
		}
		fmt.Fprintf(h, "%x\n", sum)
	}
	return h.Sum(nil)
}
