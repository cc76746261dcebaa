// Package figure draws small figures as SVG, for a page or a file of their own.
//
//   - A Figure has a title, a description for those who cannot see it, two axes and marks.
//   - A Mark is what stands for data: Line, Points, Intervals, Bars, Extents, Strip; or Rule, a reference.
//   - An Axis is linear or logarithmic, or a list of names.
//
// Marks are told apart by colour and by dash or shape alike. Equal figures give equal
// bytes. All text is escaped. What is not finite, or not positive on a logarithmic axis,
// is not drawn; a line has a gap there. Lines are drawn as given: to thin them out is the
// caller's matter.
package figure

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
	"unicode/utf8"
)

// Figure is a figure in units of a CSS pixel.
type Figure struct {
	ID     string  // unique within a page, of letters, digits and hyphens; "" = nothing refers to the title
	Title  string  // stands above the figure and is its accessible name; "" = Desc is
	Desc   string  // what it shows, in words
	Width  float64 // 0 = 360, which a phone shows at its natural size
	Height float64 // 0 = 240; of the plot with its axes, title and legend coming on top
	X, Y   Axis
	Marks  []Mark
}

// Axis is one of a figure's two axes.
type Axis struct {
	Label string
	Unit  string
	Log   bool
	Low   float64  // with High, the range to show; both 0 = from the data
	High  float64  // see Low
	Zero  bool     // show zero whatever the data are; not with Log
	Names []string // of the positions 0, 1, 2 … in place of numbers; on Y from the top down
	Notes []string // short texts at the far end of each name's row; Y only
	Ticks []Tick   // in place of round values, as on probability paper; those beyond the range are left out
}

// Tick is a value marked on an axis.
type Tick struct {
	At    float64
	Label string
}

// Mark is something that stands for data.
type Mark interface {
	reach(x, y *extent)
	draw(c *canvas)
	key() (name string, sample func(c *canvas, x, y float64))
}

// Sizes of the text, in pixels, and the mean width of a letter in parts of its size.
const (
	titleSize  = 13
	textSize   = 11
	letterWide = 0.6
	lineHigh   = 1.35
)

// WriteTo writes the figure as an SVG element, to be put within a page that has CSS.
func (f *Figure) WriteTo(w io.Writer) (int64, error) { return f.write(w, "") }

// WriteFile writes the figure as an SVG document that carries its own style.
func (f *Figure) WriteFile(w io.Writer) error {
	_, err := f.write(w, CSS)
	return err
}

// SVG returns the figure as an SVG element.
func (f *Figure) SVG() string {
	p := papers.Get().(*paper)
	defer papers.Put(p)
	f.draw(p, "")
	return p.b.String()
}

func (f *Figure) write(w io.Writer, style string) (int64, error) {
	p := papers.Get().(*paper)
	defer papers.Put(p)
	f.draw(p, style)
	n, err := w.Write(p.b.Bytes())
	return int64(n), err
}

// draw draws the figure on paper, of which nothing is left.
func (f *Figure) draw(p *paper, style string) {
	p.b.Reset()
	c := newCanvas(f)
	c.paper = p
	c.open(style)
	c.title()
	c.legend()
	c.axes()
	for _, m := range f.Marks {
		m.draw(c)
	}
	c.printf("</svg>\n")
}

// papers are those that are not in use: new memory costs more than what is drawn into it.
var papers = sync.Pool{New: func() any { return &paper{} }}

// paper is the memory in which figures are drawn.
type paper struct {
	b      bytes.Buffer
	shades [heatLevels][]byte // of a strip
}

// canvas is a figure while it is drawn.
type canvas struct {
	*paper
	f    *Figure
	x, y scale
	keys []keyEntry

	width, height            float64
	left, right, top, bottom float64 // edges of the plot
	titleLines               []string
	series                   int // styles given out so far
	styles                   map[Mark]int
}

type keyEntry struct {
	name   string
	sample func(c *canvas, x, y float64)
	x, row float64
}

func newCanvas(f *Figure) *canvas {
	c := &canvas{f: f, width: orElse(f.Width, 360), height: orElse(f.Height, 240), styles: map[Mark]int{}}
	for _, m := range f.Marks {
		if hasStyle(m) {
			c.styles[m] = c.series % styleCount
			c.series++
		}
	}
	x, y := newExtent(f.X), newExtent(f.Y)
	for _, m := range f.Marks {
		m.reach(&x, &y)
	}
	c.layOut()
	c.x = x.scale(c.left, c.right)
	if len(f.Y.Names) > 0 {
		c.y = y.scale(c.top, c.bottom)
	} else {
		c.y = y.scale(c.bottom, c.top)
	}
	if len(f.Y.Names) == 0 {
		c.left = c.yLabelsWide(c.y)
		c.x = x.scale(c.left, c.right)
	}
	return c
}

// hasStyle tells whether a mark is told apart by a style of its own.
func hasStyle(m Mark) bool {
	switch m := m.(type) {
	case *Rule:
		return false
	case *Line:
		return m.Like == nil
	}
	return true
}

// layOut finds where title, legend and plot stand.
func (c *canvas) layOut() {
	c.titleLines = wrap(c.f.Title, int((c.width-8)/(titleSize*letterWide)))
	head := 4 + float64(len(c.titleLines))*titleSize*lineHigh
	head += c.layOutKeys() * textSize * lineHigh
	if len(c.f.Y.Names) == 0 && c.f.Y.caption() != "" {
		head += textSize*lineHigh + 3
	}
	c.top = head + 8
	c.bottom = c.top + c.height - 44
	if c.f.X.caption() == "" {
		c.bottom = c.top + c.height - 28
	}
	c.height += head
	c.left, c.right = 48, c.width-12
	if names := c.f.Y.Names; len(names) > 0 {
		c.left = math.Max(16, 8+math.Min(c.width*0.36, widest(names)*textSize))
		if w := widest(c.f.Y.Notes); w > 0 {
			c.right -= w*textSize + 4
		}
	}
}

// layOutKeys places the legend's entries and returns how many rows they take.
func (c *canvas) layOutKeys() float64 {
	x, row := 4.0, 0.0
	for _, m := range c.f.Marks {
		name, sample := m.key()
		if name == "" {
			continue
		}
		w := 36 + float64(utf8.RuneCountInString(name))*textSize*letterWide
		if x > 4 && x+w > c.width {
			x, row = 4, row+1
		}
		c.keys = append(c.keys, keyEntry{name, sample, x, row})
		x += w
	}
	if len(c.keys) == 0 {
		return 0
	}
	return row + 1
}

func (c *canvas) yLabelsWide(y scale) float64 {
	w := 0
	for _, t := range y.ticks((c.bottom - c.top) / 34) {
		w = max(w, utf8.RuneCountInString(t.label))
	}
	return 12 + float64(w)*textSize*letterWide
}

func (c *canvas) open(style string) {
	name, desc := c.f.Title, c.f.Desc
	if name == "" {
		name = desc
	}
	c.printf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" class="fig" role="img"`, num(c.width), num(c.height))
	if c.f.ID != "" {
		c.printf(` aria-labelledby="%s-t" aria-describedby="%s-d"><title id="%s-t">%s</title><desc id="%s-d">%s</desc>`,
			escape(c.f.ID), escape(c.f.ID), escape(c.f.ID), escape(name), escape(c.f.ID), escape(desc))
	} else {
		c.printf(`><title>%s</title><desc>%s</desc>`, escape(name), escape(desc))
	}
	if style != "" {
		c.printf("<style>%s</style><rect class=\"paper\" width=\"%s\" height=\"%s\"/>", style, num(c.width), num(c.height))
	}
}

func (c *canvas) title() {
	for i, l := range c.titleLines {
		c.text(4, 4+titleSize*(lineHigh*float64(i)+1), "head", "", l)
	}
}

func (c *canvas) legend() {
	y := 4 + float64(len(c.titleLines))*titleSize*lineHigh
	for _, k := range c.keys {
		at := y + textSize*(lineHigh*k.row+1)
		k.sample(c, k.x+11, at-textSize*0.35)
		c.text(k.x+26, at, "", "", k.name)
	}
}

func (c *canvas) axes() {
	if len(c.f.Y.Names) > 0 {
		c.rows()
	} else {
		c.yAxis()
	}
	c.xAxis()
}

// rows draws the names of Y, each with a hair line to its data.
func (c *canvas) rows() {
	for i, n := range c.f.Y.Names {
		y, _ := c.y.at(float64(i))
		c.printf(`<path class="hair" d="M%s %sH%s"/>`, num(c.left), num(y), num(c.right))
		c.text(c.left-6, y+4, "", "end", fitted(n, (c.left-8)/textSize))
		if i < len(c.f.Y.Notes) {
			c.text(c.width-4, y+4, "soft", "end", c.f.Y.Notes[i])
		}
	}
}

func (c *canvas) yAxis() {
	for _, t := range c.y.ticks((c.bottom - c.top) / 34) {
		y, _ := c.y.at(t.value)
		c.printf(`<path class="hair" d="M%s %sH%s"/>`, num(c.left), num(y), num(c.right))
		c.text(c.left-6, y+4, "", "end", t.label)
	}
	c.text(4, c.top-10, "soft", "", c.f.Y.caption())
}

func (c *canvas) xAxis() {
	c.printf(`<path class="axis" d="M%s %sH%s"/>`, num(c.left), num(c.bottom), num(c.right))
	for _, t := range c.xTicks() {
		x, _ := c.x.at(t.value)
		c.printf(`<path class="axis" d="M%s %sv4"/>`, num(x), num(c.bottom))
		anchor := "middle"
		if half := float64(utf8.RuneCountInString(t.label)) * textSize * letterWide / 2; x+half > c.width-2 {
			anchor, x = "end", c.width-2
		}
		c.text(x, c.bottom+16, "", anchor, t.label)
	}
	if s := c.f.X.caption(); s != "" {
		c.text((c.left+c.right)/2, c.bottom+33, "soft", "middle", clip(s, int((c.right-c.left)/(textSize*letterWide))))
	}
}

func (c *canvas) xTicks() []tick {
	if len(c.f.X.Names) == 0 {
		return c.x.ticks((c.right - c.left) / 54)
	}
	out := make([]tick, len(c.f.X.Names))
	for i, n := range c.f.X.Names {
		out[i] = tick{float64(i), n}
	}
	return out
}

func (c *canvas) text(x, y float64, class, anchor, s string) {
	if s == "" {
		return
	}
	b := append(c.b.AvailableBuffer(), `<text x="`...)
	b = appendNum(append(appendNum(b, x), `" y="`...), y)
	if class != "" {
		b = append(append(b, `" class="`...), class...)
	}
	if anchor != "" {
		b = append(append(b, `" text-anchor="`...), anchor...)
	}
	b = append(append(append(b, `">`...), escape(s)...), `</text>`...)
	c.b.Write(b)
}

func (c *canvas) printf(format string, args ...any) { fmt.Fprintf(&c.b, format, args...) }

// caption is an axis' label with its unit.
func (a Axis) caption() string {
	if a.Unit == "" || a.Label == "" {
		return a.Label + a.Unit
	}
	return a.Label + ", " + a.Unit
}

// lastNum writes coordinates of which many are those before them.
type lastNum struct {
	v    float64
	text []byte // of v; empty = there was none
}

func (l *lastNum) append(dst []byte, v float64) []byte {
	if v != l.v || len(l.text) == 0 {
		l.v, l.text = v, appendNum(l.text[:0], v)
	}
	return append(dst, l.text...)
}

// num writes a coordinate to a tenth of a pixel.
func num(v float64) string { return string(appendNum(nil, v)) }

func appendNum(dst []byte, v float64) []byte {
	if tenths := v * 10; math.Abs(tenths) < 1e7 {
		whole := math.RoundToEven(tenths)
		if math.Abs(math.Abs(tenths-whole)-0.5) > 1e-6 { // else the product's own rounding might decide
			return appendTenths(dst, int(whole))
		}
	}
	n := len(dst)
	dst = bytes.TrimSuffix(strconv.AppendFloat(dst, v, 'f', 1, 64), []byte(".0"))
	if string(dst[n:]) == "-0" {
		return append(dst[:n], '0')
	}
	return dst
}

func appendTenths(dst []byte, n int) []byte {
	if n < 0 {
		dst, n = append(dst, '-'), -n
	}
	dst = strconv.AppendInt(dst, int64(n/10), 10)
	if n%10 == 0 {
		return dst
	}
	return append(dst, '.', byte('0'+n%10))
}

func escape(s string) string {
	if plain(s) {
		return s
	}
	var b strings.Builder
	xml.EscapeText(&b, []byte(s)) // a Builder does not fail; what XML cannot hold becomes U+FFFD
	return b.String()
}

// plain tells of most texts that there is nothing to escape: they have printed ASCII alone, and none that means something to XML.
func plain(s string) bool {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '&' || c == '\'' || c == '<' || c == '>' {
			return false
		}
	}
	return true
}

// wrap breaks a text into lines of at most so many letters, at spaces where it can.
func wrap(s string, most int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		word = clip(word, most)
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= most:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	if line == "" {
		return lines
	}
	return append(lines, line)
}

// clip shortens a text to so many letters.
func clip(s string, most int) string {
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	r := []rune(s)
	return string(r[:max(most-1, 0)]) + "…"
}

// fitted shortens a text to a width in parts of its size.
func fitted(s string, most float64) string {
	if wide(s) <= most {
		return s
	}
	r := []rune(s)
	for len(r) > 0 && wide(string(r))+1 > most {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

func widest(names []string) float64 {
	w := 0.0
	for _, n := range names {
		w = max(w, wide(n))
	}
	return w
}

// wide is at most how wide a text is, in parts of its size: widths of DejaVu Sans, the widest
// of the fonts named in CSS, rounded up.
func wide(s string) float64 {
	w := 0.0
	for _, r := range s {
		switch {
		case strings.ContainsRune("iljI.,:;'|!", r):
			w += 0.35
		case strings.ContainsRune("mMW%@…—", r) || r > 0x2e7f:
			w += 1
		case strings.ContainsRune("wGOQDHNU_+=<>~", r):
			w += 0.84
		case r >= 'A' && r <= 'Z':
			w += 0.72
		default:
			w += 0.64
		}
	}
	return w
}

func orElse(v, other float64) float64 {
	if v == 0 {
		return other
	}
	return v
}
