// Package report writes the season's account as one HTML page that opens without a network.
//
//   - A Page is what a report is made from: the published tables, the laps set aside, and
//     where all came from.
//   - A section answers one question of the reader; it is left out where its table is missing.
//   - A grid is a table on the page, which its reader can sort and filter.
//
// A page holds no time of day and no path of an output folder: equal results give equal
// bytes. It asks nothing of any server, and its content security policy forbids it to. What
// stands in the tables is text to it, never markup. Tables that have more or fewer columns
// than those published are shown as far as their columns are known.
package report

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html"
	"html/template"
	"io"
	"strings"
	"sync"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Page is what a report is made from.
type Page struct {
	Component, Season string

	Caution  string
	Tables   []Table
	Total    int // laps in the manifest
	SetAside []SetAside
	Failures []Failure
	Warnings []string // what to doubt of the run
	Survival float64  // at which lives are told, from 0 to 1; 0 = not said
	Evidence []Evidence
	Rig      *RigTest // nil = none is planned
	Lives    *Lives   // of a rig test's specimens; nil = there are none
	Inputs   []Input
	Settings string   // the season file's text
	Replaced []string // values of the season file that the command line replaced
}

// Failure is something that has no result.
type Failure struct {
	What   string   // with the reason, where there is one
	Why    []string // reasons, where there are more
	Remedy string
}

// Table is a published table.
type Table struct {
	Name  string
	Frame *frame.Frame
}

// SetAside is a lap that is not used.
type SetAside struct{ Lap, Reason string }

// Input is a file that the season reads.
type Input struct {
	Role   string // season file, manifest, calendar or recording
	Path   string // as the season file has it
	SHA256 string // in hexadecimal; "" = could not be read
	Laps   int    // laps that it holds; 0 for what is no recording
}

// sheet returns a table, empty where there is none.
func (p *Page) sheet(name string) sheet { return sheet{Find(p.Tables, name)} }

// Find returns a table by its name, nil where there is none.
func Find(tables []Table, name string) *frame.Frame {
	for _, t := range tables {
		if t.Name == name {
			return t.Frame
		}
	}
	return nil
}

//go:embed page.html
var pageText string

//go:embed page.css
var pageCSS string

//go:embed page.js
var pageJS string

// pageTemplate is parsed when the first report is written: most runs of the program write none.
var pageTemplate = sync.OnceValue(func() *template.Template { return template.Must(template.New("page").Parse(pageText)) })

// WriteHTML writes the page.
func (p *Page) WriteHTML(w io.Writer) error {
	if err := pageTemplate().Execute(visible{w}, p.view()); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

// visible shows what turns the direction of text as what it is, wherever it stands. The template writes letters whole.
type visible struct{ w io.Writer }

func (v visible) Write(b []byte) (int, error) {
	if !stages.Misleads(b) {
		return v.w.Write(b)
	}
	_, err := io.WriteString(v.w, stages.Visible(string(b)))
	return len(b), err
}

// view is what the template shows.
type view struct {
	*Page
	CSS      template.CSS
	JS       template.JS
	Policy   string
	Lede     string
	Coverage string
	Verdicts []verdict
	Sections []section
}

func (p *Page) view() view {
	css := figure.CSS + pageCSS
	v := view{Page: p, CSS: template.CSS(css), JS: template.JS(pageJS)}
	v.Policy = "default-src 'none'; base-uri 'none'; form-action 'none'; img-src data:; style-src " + hash(css) + "; script-src " + hash(pageJS)
	v.Verdicts = p.verdicts()
	v.Lede, v.Coverage = lede(v.Verdicts), p.coverage()
	for _, make := range []func() section{p.circuits, p.places, p.scenarios, p.groups, p.rigTest, p.rigCheck, p.specimens, p.calibration, p.quality, p.laps, p.provenance} {
		if s := make(); s.Title != "" {
			for _, g := range s.Grids {
				g.prune()
			}
			v.Sections = append(v.Sections, s)
		}
	}
	return v
}

// hash is a source expression of a content security policy (W3C CSP level 3, 2.3.1).
func hash(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// section is a part of the page.
type section struct {
	ID, Title string
	Intro     []string
	Figures   []drawing
	Grids     []*grid
	Files     *files
}

// drawing is a figure with its caption.
type drawing struct {
	SVG     template.HTML
	Caption string
}

func draw(f *figure.Figure, caption string) drawing {
	return drawing{template.HTML(f.SVG()), caption} // figure escapes its texts
}

// grid is a table that can be sorted and filtered.
type grid struct {
	ID, Caption string
	Filter      bool // offers a field that narrows down the rows
	Head        []head
	Rows        [][]cell
	Note        string
	Notes       []string // what rows must be read with
	Bulk        string   // what a print has instead of so many rows; "" = the rows
}

type head struct {
	Text, Unit string
	Num        bool
	Pick       bool   // offers a choice among the column's values
	Picked     string // the one chosen at first; "" = all
}

// pick offers a choice among a column's values, of which one is chosen at first.
func (g *grid) pick(column, first string) {
	for i := range g.Head {
		if g.Head[i].Text == column {
			g.Head[i].Pick, g.Head[i].Picked = true, first
		}
	}
}

// printedMost is how many rows of a grid that grows with the season are printed.
const printedMost = 60

// bulk leaves a long grid out of prints.
func (g *grid) bulk(where string) {
	if len(g.Rows) > printedMost {
		g.Bulk = fmt.Sprintf("%d rows, not printed: see the page on a screen, or %s.", len(g.Rows), where)
	}
}

type cell struct {
	Text string
	Sort string // what a number sorts by
	Num  bool
	Kind string // good, bad or watch
}

// prune drops columns in which nothing stands.
func (g *grid) prune() {
	keep := make([]bool, len(g.Head))
	for _, r := range g.Rows {
		for i, c := range r {
			keep[i] = keep[i] || c.Num && c.Sort != "" || !c.Num && c.Text != ""
		}
	}
	g.Head = kept(g.Head, keep)
	for i, r := range g.Rows {
		g.Rows[i] = kept(r, keep)
	}
}

// wideFrom is the number of columns from which on a table is printed across.
const wideFrom = 14

// Wide tells whether the grid is printed across.
func (g *grid) Wide() bool { return len(g.Head) >= wideFrom }

// Body writes the rows; a template would take ten times as long over them.
func (g *grid) Body() template.HTML {
	var b strings.Builder
	for i, r := range g.Rows {
		b.WriteString("\n<tr>")
		for _, c := range r {
			c.write(&b)
		}
		b.WriteString("</tr>")
		if i == 0 {
			b.Grow(b.Len() * len(g.Rows)) // rows are of about one length
		}
	}
	return template.HTML(b.String())
}

func (c cell) write(b *strings.Builder) {
	class := c.Kind
	switch {
	case c.Num && class == "":
		class = "n"
	case c.Num:
		class = "n " + class
	}
	b.WriteString("<td")
	if class != "" {
		writeAttribute(b, ` class="`, class)
	}
	if c.Num {
		writeAttribute(b, ` data-v="`, c.Sort)
	}
	b.WriteString(">")
	writeEscaped(b, c.Text)
	b.WriteString("</td>")
}

func writeAttribute(b *strings.Builder, open, value string) {
	b.WriteString(open)
	writeEscaped(b, value)
	b.WriteString(`"`)
}

// writeEscaped writes a text; most have nothing to escape.
func writeEscaped(b *strings.Builder, s string) {
	for i := range len(s) {
		switch s[i] {
		case '"', '&', '\'', '<', '>':
			b.WriteString(html.EscapeString(s))
			return
		}
	}
	b.WriteString(s)
}

func kept[T any](v []T, keep []bool) []T {
	out := v[:0]
	for i, x := range v {
		if keep[i] {
			out = append(out, x)
		}
	}
	return out
}

// files is the provenance's plain text.
type files struct {
	Settings string
	Replaced []string
}
