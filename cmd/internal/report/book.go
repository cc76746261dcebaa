package report

import (
	"encoding/xml"
	"fmt"
	"strings"

	"lapwear/stages/frame"
)

// book is what a workbook's files say besides its rows: Office Open XML (ECMA-376) with what is needed and no more.
type book struct {
	sheets []bookSheet
	units  []string // of heads, in the order in which they first stand
}

// bookSheet is a sheet: rows under a frozen head.
type bookSheet struct {
	name   string
	rows   rows
	widths []int // of columns, in digits
}

// add adds a sheet.
func (b *book) add(name string, r rows, widths []int) {
	b.sheets = append(b.sheets, bookSheet{name, r, widths})
}

// archive lays the files out.
func (b *book) archive(to *sealing, made string, earlier map[pieceKey]piece) *archive {
	z := &archive{out: to, made: made, earlier: earlier, files: map[string][]byte{}, rows: map[string]rows{}}
	types := partType("xl/workbook.xml", spreadsheetType+"sheet.main+xml") + partType("xl/styles.xml", spreadsheetType+"styles+xml") +
		partType("docProps/core.xml", packageType+"core-properties+xml")
	var list, links string
	for i := range b.sheets {
		s, n := &b.sheets[i], i+1
		file, table := fmt.Sprintf("xl/worksheets/sheet%d.xml", n), fmt.Sprintf("tables/table%d.xml", n)
		z.files[file], z.rows[file] = []byte(b.sheet(i)), s.rows
		types += partType(file, spreadsheetType+"worksheet+xml")
		list += fmt.Sprintf(`<sheet name="%s" sheetId="%d" r:id="rId%d"/>`, escaped(s.name), n, n)
		links += link(n, officeRelation+"worksheet", fmt.Sprintf("worksheets/sheet%d.xml", n))
		if s.rows.n > 0 {
			z.files["xl/"+table] = []byte(s.table(n))
			z.files[fmt.Sprintf("xl/worksheets/_rels/sheet%d.xml.rels", n)] = linksFile(link(1, officeRelation+"table", "../"+table))
			types += partType("xl/"+table, spreadsheetType+"table+xml")
		}
	}
	links += link(len(b.sheets)+1, officeRelation+"styles", "styles.xml")
	z.files["[Content_Types].xml"] = []byte(xmlHead + `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">` +
		`<Default Extension="rels" ContentType="` + packageType + `relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>` + types + `</Types>`)
	z.files["_rels/.rels"] = linksFile(link(1, officeRelation+"officeDocument", "xl/workbook.xml") +
		link(2, packageRelation+"metadata/core-properties", "docProps/core.xml"))
	z.files["docProps/core.xml"] = []byte(coreProperties)
	z.files["xl/workbook.xml"] = []byte(xmlHead + `<workbook xmlns="` + mainSpace + `" xmlns:r="` + relationSpace + `">` +
		`<bookViews><workbookView/></bookViews><sheets>` + list + `</sheets></workbook>`)
	z.files["xl/_rels/workbook.xml.rels"] = linksFile(links)
	z.files["xl/styles.xml"] = []byte(b.stylesFile()) // last, for it lists what the sheets use
	return z
}

// sheet is a sheet's file without its rows (ECMA-376 part 1, 18.3.1.99).
func (b *book) sheet(i int) string {
	s := &b.sheets[i]
	var x strings.Builder
	fmt.Fprintf(&x, `%s<worksheet xmlns="%s" xmlns:r="%s"><dimension ref="%s"/>`, xmlHead, mainSpace, relationSpace, s.area()) // readers that stream go by it
	selected := ""
	if i == 0 {
		selected = ` tabSelected="1"`
	}
	fmt.Fprintf(&x, `<sheetViews><sheetView%s workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/></sheetView></sheetViews>`, selected)
	x.WriteString(`<sheetFormatPr defaultRowHeight="15"/><cols>`)
	for k, w := range s.widths {
		fmt.Fprintf(&x, `<col min="%d" max="%d" width="%d" customWidth="1"/>`, k+1, k+1, w)
	}
	x.WriteString(`</cols><sheetData><row r="1">`)
	for k, c := range s.rows.table.Columns() {
		fmt.Fprintf(&x, `<c r="%s1" s="%d"%s`, columnName(k), b.headStyle(unitShown(c)), appendInline(nil, c.Name))
	}
	x.WriteString(`</row>` + rowsEnd)
	if s.rows.n > 0 {
		x.WriteString(`<tableParts count="1"><tablePart r:id="rId1"/></tableParts>`)
	}
	x.WriteString(`</worksheet>`)
	return x.String()
}

// area is the sheet's range of cells.
func (s *bookSheet) area() string {
	return fmt.Sprintf("A1:%s%d", columnName(len(s.widths)-1), s.rows.n+1)
}

// table makes the sheet's rows a table with a filter in each head (ECMA-376 part 1, 18.5.1.2).
func (s *bookSheet) table(n int) string {
	var x strings.Builder
	fmt.Fprintf(&x, `%s<table xmlns="%s" id="%d" name="sheet_%d" displayName="sheet_%d" ref="%s"><autoFilter ref="%s"/><tableColumns count="%d">`,
		xmlHead, mainSpace, n, n, n, s.area(), s.area(), len(s.widths))
	for k, c := range s.rows.table.Columns() {
		name := c.Name
		if u := unitShown(c); u != "" {
			name += ", " + u // as the head's cell shows it
		}
		fmt.Fprintf(&x, `<tableColumn id="%d" name="%s"/>`, k+1, escaped(name))
	}
	x.WriteString(`</tableColumns><tableStyleInfo showFirstColumn="0" showLastColumn="0" showRowStripes="0" showColumnStripes="0"/></table>`)
	return x.String()
}

// unitShown is a column's unit as its head shows it; "" where it has none.
func unitShown(c frame.Column) string {
	if c.Unit == "1" {
		return ""
	}
	return strings.ReplaceAll(c.Unit, `"`, "")
}

// headStyle is the number of the style that shows a unit behind the head's text, which stays the column's name.
func (b *book) headStyle(unit string) int {
	if unit == "" {
		return plainHead
	}
	for i, u := range b.units {
		if u == unit {
			return plainHead + 1 + i
		}
	}
	b.units = append(b.units, unit)
	return plainHead + len(b.units)
}

// plainHead is the number of the style of heads without a unit; that of all other cells is 0.
const plainHead = 1

// ownFormats is the number of the first format of numbers that is not built in (ECMA-376 part 1, 18.8.30).
const ownFormats = 164

// stylesFile lists the styles (ECMA-376 part 1, 18.8.39): that of the rows, then those of heads, which are bold.
func (b *book) stylesFile() string {
	var formats, heads strings.Builder
	for i, u := range b.units {
		fmt.Fprintf(&formats, `<numFmt numFmtId="%d" formatCode="%s"/>`, ownFormats+i, escaped(`General;General;General;@", `+u+`"`))
		fmt.Fprintf(&heads, `<xf numFmtId="%d" fontId="1" fillId="0" borderId="0" xfId="0" applyNumberFormat="1" applyFont="1"/>`, ownFormats+i)
	}
	list := ""
	if len(b.units) > 0 {
		list = fmt.Sprintf(`<numFmts count="%d">%s</numFmts>`, len(b.units), formats.String())
	}
	const font = `<sz val="11"/><name val="Calibri"/><family val="2"/></font>`
	return xmlHead + `<styleSheet xmlns="` + mainSpace + `">` + list + `<fonts count="2"><font>` + font + `<font><b/>` + font + `</fonts>` +
		`<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill></fills>` +
		`<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>` +
		`<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>` +
		fmt.Sprintf(`<cellXfs count="%d"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/>`, plainHead+1+len(b.units)) +
		`<xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/>` + heads.String() + `</cellXfs>` +
		`<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>`
}

// Names of the standard: of elements, of types of files, of relations between them (ECMA-376 part 1, annex A and 12; part 2).
const (
	xmlHead         = `<?xml version="1.0" encoding="UTF-8" standalone="yes"?>` + "\n"
	mainSpace       = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
	relationSpace   = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	officeRelation  = relationSpace + "/"
	packageRelation = "http://schemas.openxmlformats.org/package/2006/relationships/"
	packageType     = "application/vnd.openxmlformats-package."
	spreadsheetType = "application/vnd.openxmlformats-officedocument.spreadsheetml."
)

// coreProperties says who made the workbook and when: at one time, so that equal tables give equal bytes (ECMA-376 part 2, 11).
const coreProperties = xmlHead + `<cp:coreProperties xmlns:cp="http://schemas.openxmlformats.org/package/2006/metadata/core-properties" ` +
	`xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:dcterms="http://purl.org/dc/terms/" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">` +
	`<dc:creator>lapwear</dc:creator><dcterms:created xsi:type="dcterms:W3CDTF">2000-01-01T00:00:00Z</dcterms:created>` +
	`<dcterms:modified xsi:type="dcterms:W3CDTF">2000-01-01T00:00:00Z</dcterms:modified></cp:coreProperties>`

// partType says of what type a file of the archive is.
func partType(name, kind string) string {
	return `<Override PartName="/` + name + `" ContentType="` + kind + `"/>`
}

// link leads from a file to another.
func link(n int, kind, target string) string {
	return fmt.Sprintf(`<Relationship Id="rId%d" Type="%s" Target="%s"/>`, n, kind, target)
}

func linksFile(links string) []byte {
	return []byte(xmlHead + `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">` + links + `</Relationships>`)
}

// escaped is a text within quotes.
func escaped(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a builder never fails
	return b.String()
}

// columnName is a column's letters, A for 0.
func columnName(i int) string {
	name := ""
	for i++; i > 0; i = (i - 1) / 26 {
		name = string(rune('A'+(i-1)%26)) + name
	}
	return name
}
