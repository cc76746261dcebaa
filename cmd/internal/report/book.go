package report

import (
	_ "embed"
	"encoding/xml"
	"fmt"
	"strconv"
	"strings"
)

// The files of a workbook are those of the library that tests compare them with, but for the program's name: setting that library up takes every run longer
// than writing them.

//go:embed office/sheet.xml
var sheetHead string

//go:embed office/styles.xml
var stylesHead string

//go:embed office/theme.xml
var themeText string

const (
	xmlHead       = `<?xml version="1.0" encoding="UTF-8"?>` + "\n"
	mainSpace     = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
	relationSpace = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
	packageSpace  = "http://schemas.openxmlformats.org/package/2006/"
	mediaType     = "application/vnd.openxmlformats-"
)

// mostColumns is how many columns a sheet has at most.
const mostColumns = 1 << 14

// book is a workbook that is being written (ECMA-376 part 1, 18; part 2, 9).
type book struct {
	archive *archive
	sheets  []string // names
	tables  int      // sheets that have rows
	parts   strings.Builder
	units   []string       // that heads show, in the order in which they first come
	styles  map[string]int // of heads by unit, from 1
}

// addColumns writes the sheet that explains all others.
func (b *book) addColumns(s Schema) error {
	heads := []SchemaColumn{{Name: "table"}, {Name: "column"}, {Name: "unit"}, {Name: "type"}, {Name: "meaning"}}
	var text []byte
	n := 0
	row := func(cells ...string) {
		n++
		text = fmt.Appendf(text, `<row r="%d">`, n+1)
		for i, c := range cells {
			text = appendInline(fmt.Appendf(text, `<c r="%s%d"`, columnName(i), n+1), c)
		}
		text = append(text, `</row>`...)
	}
	for _, t := range s.Tables {
		row(t.Name, "", "", "", "A row is "+t.Row+".")
		for _, c := range t.Columns {
			row(t.Name, c.Name, c.Unit, c.Type, c.Meaning)
		}
	}
	return b.addSheet(columnsSheet, heads, []float64{18, 30, 10, 10, 110}, n, string(text), rows{})
}

// addTable writes a table, over several sheets if it has to.
func (b *book) addTable(t Table) error {
	d := DescribeTables([]Table{t}).Tables[0]
	widths := make([]float64, len(d.Columns))
	for i, c := range d.Columns {
		widths[i] = float64(min(max(len(c.Name)+len(c.Unit)+6, 10), 42))
	}
	for part, start := 1, 0; start < t.Frame.Rows() || part == 1; part++ {
		name, n := t.Name, min(t.Frame.Rows()-start, sheetRows-1)
		if part > 1 {
			name = fmt.Sprintf("%s (%d)", t.Name, part)
		}
		if err := b.addSheet(name, d.Columns, widths, n, "", rows{t.Frame, start, n, 0}); err != nil {
			return err
		}
		start += n
	}
	return nil
}

// addSheet writes a sheet of n rows under a frozen header: those of the text, or those that are written later.
func (b *book) addSheet(name string, heads []SchemaColumn, widths []float64, n int, text string, later rows) error {
	if len(heads) < 1 || len(heads) > mostColumns {
		return fmt.Errorf("it has %d columns; a sheet has from 1 to %d", len(heads), mostColumns)
	}
	b.sheets = append(b.sheets, name)
	number := len(b.sheets)
	file := fmt.Sprintf("xl/worksheets/sheet%d.xml", number)
	b.part("/"+file, "spreadsheetml.worksheet+xml", number)
	reach := fmt.Sprintf("A1:%s%d", columnName(len(heads)-1), n+1)
	var s strings.Builder
	s.WriteString(sheetHead)
	selected, format := "", ""
	if number == 1 {
		selected, format = ` tabSelected="true"`, `<sheetFormatPr defaultRowHeight="15"></sheetFormatPr>`
	}
	fmt.Fprintf(&s, `<dimension ref="%s"></dimension><sheetViews><sheetView%s workbookViewId="0"><pane activePane="bottomLeft" state="frozen" topLeftCell="A2" ySplit="1">`+
		`</pane></sheetView></sheetViews>%s<cols>`, reach, selected, format)
	for i := len(widths) - 1; i >= 0; i-- {
		fmt.Fprintf(&s, `<col min="%d" max="%d" width="%s" customWidth="1"/>`, i+1, i+1, strconv.FormatFloat(widths[i], 'f', -1, 64))
	}
	s.WriteString(`</cols><sheetData><row r="1">`)
	for i, h := range heads {
		fmt.Fprintf(&s, `<c r="%s1" s="%d"%s`, columnName(i), b.style(h.Unit), appendInline(nil, h.Name))
	}
	s.WriteString("</row>" + text + rowsEnd)
	if n > 0 {
		b.tables++
		s.WriteString(`<tableParts count="1"><tablePart r:id="rId1"></tablePart></tableParts>`)
		b.addFilter(number, reach, heads)
	}
	b.archive.add(file, s.String()+"</worksheet>")
	if later.n > 0 {
		b.archive.rows[file] = later
	}
	return nil
}

// addFilter makes the rows of the sheet added last a table with a filter in each head (ECMA-376 part 1, 18.5).
func (b *book) addFilter(sheet int, reach string, heads []SchemaColumn) {
	file := fmt.Sprintf("tables/table%d.xml", b.tables)
	var s strings.Builder
	fmt.Fprintf(&s, xmlHead+`<table xmlns="%s" id="%d" name="sheet_%d" displayName="sheet_%d" ref="%s"><autoFilter ref="%s"></autoFilter><tableColumns count="%d">`,
		mainSpace, b.tables, sheet, sheet, reach, reach, len(heads))
	for i, h := range heads {
		name := h.Name
		if unit := shownUnit(h.Unit); unit != "" {
			name += ", " + unit
		}
		fmt.Fprintf(&s, `<tableColumn id="%d" name="%s"></tableColumn>`, i+1, escaped(name))
	}
	s.WriteString(`</tableColumns><tableStyleInfo showFirstColumn="false" showLastColumn="false" showRowStripes="false" showColumnStripes="false"></tableStyleInfo></table>`)
	b.archive.add("xl/"+file, s.String())
	b.archive.add(fmt.Sprintf("xl/worksheets/_rels/sheet%d.xml.rels", sheet), relations(relation{"rId1", "../" + file, relationSpace + "/table"}))
	b.part("/xl/"+file, "spreadsheetml.table+xml", 0)
}

// part lists a file among those of which the type is told. That of the first sheet has the list's other files about it.
func (b *book) part(file, kind string, sheet int) {
	b.parts.WriteString(override(file, mediaType+"officedocument."+kind))
	if sheet == 1 {
		b.parts.WriteString(override("/docProps/core.xml", mediaType+"package.core-properties+xml"))
	}
}

func override(file, kind string) string {
	return fmt.Sprintf(`<Override PartName="%s" ContentType="%s"></Override>`, file, kind)
}

// style is the number of the style of heads with a unit.
func (b *book) style(unit string) int {
	unit = shownUnit(unit)
	if n, ok := b.styles[unit]; ok {
		return n
	}
	b.units = append(b.units, unit)
	b.styles[unit] = len(b.units)
	return len(b.units)
}

// shownUnit is what stands behind a head's text, which stays the column's name.
func shownUnit(unit string) string {
	if unit == "1" {
		return ""
	}
	return strings.ReplaceAll(unit, `"`, "")
}

// finish adds the files that bind the sheets together.
func (b *book) finish() {
	main, office := mediaType+"officedocument.spreadsheetml.", mediaType+"officedocument."
	b.archive.add("[Content_Types].xml", xmlHead+`<Types xmlns="`+packageSpace+`content-types"><Default Extension="rels" ContentType="`+mediaType+`package.relationships+xml"></Default>`+
		`<Default Extension="xml" ContentType="application/xml"></Default>`+override("/xl/theme/theme1.xml", office+"theme+xml")+override("/xl/styles.xml", main+"styles+xml")+
		override("/xl/workbook.xml", main+"sheet.main+xml")+override("/docProps/app.xml", office+"extended-properties+xml")+b.parts.String()+`</Types>`)
	b.archive.add("_rels/.rels", relations(relation{"rId3", "docProps/app.xml", relationSpace + "/extended-properties"},
		relation{"rId2", "docProps/core.xml", packageSpace + "relationships/metadata/core-properties"}, relation{"rId1", "xl/workbook.xml", relationSpace + "/officeDocument"}))
	b.archive.add("docProps/app.xml", xmlHead+`<Properties xmlns="http://schemas.openxmlformats.org/officeDocument/2006/extended-properties" `+
		`xmlns:vt="http://schemas.openxmlformats.org/officeDocument/2006/docPropsVTypes"><TotalTime>0</TotalTime><Application>`+creator+`</Application></Properties>`)
	b.archive.add("docProps/core.xml", xmlHead+`<coreProperties xmlns="`+packageSpace+`metadata/core-properties" xmlns:dc="http://purl.org/dc/elements/1.1/" `+
		`xmlns:dcterms="http://purl.org/dc/terms/" xmlns:dcmitype="http://purl.org/dc/dcmitype/" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">`+
		`<dc:creator>`+creator+`</dc:creator><lastModifiedBy></lastModifiedBy><dcterms:created xsi:type="dcterms:W3CDTF">`+epoch+`</dcterms:created>`+
		`<dcterms:modified xsi:type="dcterms:W3CDTF">`+epoch+`</dcterms:modified></coreProperties>`)
	b.archive.add("xl/theme/theme1.xml", themeText)
	b.archive.add("xl/styles.xml", b.stylesText())
	b.addWorkbook()
}

// addWorkbook adds the list of the sheets.
func (b *book) addWorkbook() {
	links := []relation{{"rId1", "worksheets/sheet1.xml", relationSpace + "/worksheet"}, {"rId2", "styles.xml", relationSpace + "/styles"},
		{"rId3", "theme/theme1.xml", relationSpace + "/theme"}}
	var s strings.Builder
	s.WriteString(xmlHead + `<workbook xmlns="` + mainSpace + `" xmlns:r="` + relationSpace + `" xmlns:mc="http://schemas.openxmlformats.org/markup-compatibility/2006" ` +
		`mc:Ignorable="x15" xmlns:x15="http://schemas.microsoft.com/office/spreadsheetml/2010/11/main">` +
		`<fileVersion appName="xl" lastEdited="6" lowestEdited="6" rupBuild="14420"></fileVersion><workbookPr filterPrivacy="true" defaultThemeVersion="164011"></workbookPr>` +
		`<bookViews><workbookView xWindow="0" yWindow="0" windowWidth="14805" windowHeight="8010"></workbookView></bookViews><sheets>`)
	for i, name := range b.sheets {
		id := "rId1"
		if i > 0 {
			id = fmt.Sprintf("rId%d", i+3)
			links = append(links, relation{id, fmt.Sprintf("worksheets/sheet%d.xml", i+1), relationSpace + "/worksheet"})
		}
		fmt.Fprintf(&s, `<sheet name="%s" sheetId="%d" r:id="%s"></sheet>`, escaped(name), i+1, id)
	}
	s.WriteString(`</sheets><calcPr calcId="122211"></calcPr></workbook>`)
	b.archive.add("xl/workbook.xml", s.String())
	b.archive.add("xl/_rels/workbook.xml.rels", relations(links...))
}

// firstFormat is the first number of a format of one's own (ECMA-376 part 1, 18.8.30).
const firstFormat = 164

// stylesText are the styles: the plain one, and bold ones for heads, which show units behind their texts.
func (b *book) stylesText() string {
	formats, n := "", 0
	cells := `<xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"></xf>`
	for _, unit := range b.units {
		id, applies := 0, ""
		if unit != "" {
			id, applies = firstFormat+n, ` applyNumberFormat="true"`
			formats += fmt.Sprintf(`<numFmt numFmtId="%d" formatCode="%s"></numFmt>`, id, escaped(`General;General;General;@", `+unit+`"`))
			n++
		}
		cells += fmt.Sprintf(`<xf numFmtId="%d" fontId="1" fillId="0" borderId="0" xfId="0"%s applyFont="true" applyAlignment="false"><alignment></alignment></xf>`, id, applies)
	}
	if n > 0 {
		formats = fmt.Sprintf(`<numFmts count="%d">%s</numFmts>`, n, formats)
	}
	return stylesHead + formats + `<fonts count="2"><font><sz val="11"></sz><color theme="1"></color><name val="Calibri"></name><family val="2"></family></font>` +
		`<font><b val="1"></b><color></color><family val="2"></family></font></fonts><fills count="2"><fill><patternFill patternType="none"></patternFill></fill>` +
		`<fill><patternFill patternType="gray125"></patternFill></fill></fills><borders count="1"><border><left></left><right></right><top></top><bottom></bottom>` +
		`<diagonal></diagonal></border></borders><cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"></xf></cellStyleXfs>` +
		fmt.Sprintf(`<cellXfs count="%d">%s</cellXfs>`, len(b.units)+1, cells) +
		`<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"></cellStyle></cellStyles><dxfs count="0"></dxfs>` +
		`<tableStyles count="0" defaultPivotStyle="PivotStyleLight16" defaultTableStyle="TableStyleMedium2"></tableStyles></styleSheet>`
}

// relation says what a file is to another one (ECMA-376 part 2, 9.3).
type relation struct{ id, target, kind string }

func relations(links ...relation) string {
	s := xmlHead + `<Relationships xmlns="` + packageSpace + `relationships">`
	for _, r := range links {
		s += fmt.Sprintf(`<Relationship Id="%s" Target="%s" Type="%s"></Relationship>`, r.id, r.target, r.kind)
	}
	return s + `</Relationships>`
}

// columnName names a column from 0: A to Z, AA and so on.
func columnName(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return columnName(i/26-1) + string(rune('A'+i%26))
}

func escaped(s string) string {
	var b strings.Builder
	_ = xml.EscapeText(&b, []byte(s)) // a builder never fails
	return b.String()
}
