package figure

import (
	"math"
	"strings"
)

// styleCount is how many styles of marks are told apart; further marks begin anew.
const styleCount = 6

// style returns the class of a mark's colour, dash and shape.
func (c *canvas) style(m Mark) string { return "s" + string(rune('1'+c.styles[m])) }

// Line joins its points in order, or with Step holds each value until the next.
type Line struct {
	Name string
	X, Y []float64
	Step bool

	Faint bool  // of little weight, as what is not sure
	Like  *Line // whose style it has; nil = one of its own
}

func (l *Line) reach(x, y *extent) { reachAll(x, y, l.X, l.Y) }

func reachAll(x, y *extent, xs, ys []float64) {
	for i := range xs {
		if finite(xs[i]) && finite(ys[i]) {
			x.take(xs[i])
			y.take(ys[i])
		}
	}
}

func (l *Line) draw(c *canvas) {
	var path strings.Builder
	pen := false
	for i := range l.X {
		x, okX := c.x.at(l.X[i])
		y, okY := c.y.at(l.Y[i])
		switch {
		case !okX || !okY:
			pen = false
			continue
		case !pen:
			path.WriteString("M" + num(x) + " " + num(y))
		case l.Step:
			path.WriteString("H" + num(x) + "V" + num(y))
		default:
			path.WriteString("L" + num(x) + " " + num(y))
		}
		pen = true
	}
	if path.Len() > 0 {
		c.printf(`<path class="line%s %s" d="%s"/>`, l.faint(), l.style(c), path.String())
	}
}

func (l *Line) faint() string {
	if l.Faint {
		return " faint"
	}
	return ""
}

func (l *Line) style(c *canvas) string {
	if l.Like != nil {
		return c.style(l.Like)
	}
	return c.style(l)
}

func (l *Line) key() (string, func(c *canvas, x, y float64)) {
	return l.Name, func(c *canvas, x, y float64) {
		c.printf(`<path class="line%s %s" d="M%s %sh22"/>`, l.faint(), l.style(c), num(x-11), num(y))
	}
}

// Points are marks of one shape.
type Points struct {
	Name  string
	X, Y  []float64
	Small bool // for a cloud of many
}

func (p *Points) reach(x, y *extent) { reachAll(x, y, p.X, p.Y) }

func (p *Points) draw(c *canvas) {
	if p.Small {
		p.drawCloud(c)
		return
	}
	for i := range p.X {
		x, okX := c.x.at(p.X[i])
		y, okY := c.y.at(p.Y[i])
		if okX && okY {
			c.shape(c.style(p), c.styles[p], x, y)
		}
	}
}

// drawCloud draws all points as one path, since an element each would be heavy.
func (p *Points) drawCloud(c *canvas) {
	var path strings.Builder
	for i := range p.X {
		x, okX := c.x.at(p.X[i])
		y, okY := c.y.at(p.Y[i])
		if okX && okY {
			path.WriteString("M" + num(x) + " " + num(y) + "h0")
		}
	}
	c.printf(`<path class="cloud %s" d="%s"/>`, c.style(p), path.String())
}

func (p *Points) key() (string, func(c *canvas, x, y float64)) {
	return p.Name, func(c *canvas, x, y float64) {
		if p.Small {
			c.printf(`<path class="cloud %s" d="M%s %sh0m6 -3h0m5 4h0"/>`, c.style(p), num(x-6), num(y))
			return
		}
		c.shape(c.style(p), c.styles[p], x, y)
	}
}

// shapes are outlines of about equal area, about the origin.
var shapes = [styleCount]string{
	"m-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0z",
	"m-3.5 -3.5h7v7h-7z",
	"m0 -4.6l4.4 8h-8.8z",
	"m0 -5l5 5l-5 5l-5 -5z",
	"m0 4.6l4.4 -8h-8.8z",
	"m-1.5 -4.5h3v3h3v3h-3v3h-3v-3h-3v-3h3z",
}

func (c *canvas) shape(class string, n int, x, y float64) {
	c.printf(`<path class="dot %s" d="M%s %s%s"/>`, class, num(x), num(y), shapes[n])
}

// Intervals are values along X, one a row of Y, each with the range it may lie in.
// NaN in Low or High: the value has no range.
type Intervals struct {
	Name      string
	Row       []float64 // positions on Y
	Value     []float64
	Low, High []float64 // nil = no ranges
	Bars      bool      // bars from zero rather than dots; linear X only
}

func (v *Intervals) reach(x, y *extent) {
	x.zero = x.zero || v.Bars
	for i := range v.Value {
		y.take(v.Row[i])
		x.take(v.Value[i])
		if v.Low != nil {
			x.take(v.Low[i])
			x.take(v.High[i])
		}
	}
}

func (v *Intervals) draw(c *canvas) {
	for i := range v.Value {
		x, okX := c.x.at(v.Value[i])
		y, okY := c.y.at(v.Row[i])
		if !okX || !okY {
			continue
		}
		if v.Bars {
			v.bar(c, x, y)
		}
		if v.Low != nil {
			v.whisker(c, v.Low[i], v.High[i], y)
		}
		if !v.Bars {
			c.shape(c.style(v), c.styles[v], x, y)
		}
	}
}

func (v *Intervals) bar(c *canvas, x, y float64) {
	zero, _ := c.x.at(0)
	c.printf(`<rect class="bar %s" x="%s" y="%s" width="%s" height="9"/>`, c.style(v), num(math.Min(x, zero)), num(y-4.5), num(math.Abs(x-zero)))
}

func (v *Intervals) whisker(c *canvas, low, high, y float64) {
	if c.x.log && low <= 0 && finite(low) {
		low = c.x.low // an interval that reaches zero goes on beyond the axis
	}
	a, okA := c.x.at(low)
	b, okB := c.x.at(high)
	if okA && okB {
		c.printf(`<path class="whisker %s" d="M%s %sv8m0 -4H%sm0 -4v8"/>`, c.style(v), num(a), num(y-4), num(b))
	}
}

func (v *Intervals) key() (string, func(c *canvas, x, y float64)) {
	return v.Name, func(c *canvas, x, y float64) {
		if v.Bars {
			c.printf(`<rect class="bar %s" x="%s" y="%s" width="16" height="8"/>`, c.style(v), num(x-8), num(y-4))
			return
		}
		c.shape(c.style(v), c.styles[v], x, y)
	}
}

// Bars stand on the lower edge of the plot, or on zero, side by side along X.
type Bars struct {
	Name     string
	From, To []float64 // of each on X
	Value    []float64
	Slim     bool // of half the width, to stand within others
}

func (b *Bars) reach(x, y *extent) {
	reachAll(x, y, b.From, b.Value)
	reachAll(x, y, b.To, b.Value)
}

func (b *Bars) draw(c *canvas) {
	foot := c.bottom
	if y, ok := c.y.at(0); ok && !c.y.log {
		foot = y
	}
	var path strings.Builder
	for i := range b.Value {
		from, okA := c.x.at(b.From[i])
		to, okB := c.x.at(b.To[i])
		y, okY := c.y.at(b.Value[i])
		if okA && okB && okY {
			if b.Slim {
				from, to = from+(to-from)/4, to-(to-from)/4
			}
			path.WriteString("M" + num(from+0.4) + " " + num(foot) + "V" + num(y) + "H" + num(to-0.4) + "V" + num(foot) + "z")
		}
	}
	if path.Len() > 0 {
		c.printf(`<path class="bar%s %s" d="%s"/>`, b.slim(), c.style(b), path.String())
	}
}

func (b *Bars) key() (string, func(c *canvas, x, y float64)) {
	return b.Name, func(c *canvas, x, y float64) {
		c.printf(`<rect class="bar%s %s" x="%s" y="%s" width="16" height="8"/>`, b.slim(), c.style(b), num(x-8), num(y-4))
	}
}

func (b *Bars) slim() string {
	if b.Slim {
		return " slim"
	}
	return ""
}

// Strip is a row of bins along X that stand on it: the more, the darker and the higher.
type Strip struct {
	Name  string
	Row   float64   // position on Y, which has names
	Edges []float64 // of the bins, one more than Value
	Value []float64 // not negative
	Full  float64   // the value that fills the row; 0 = the greatest
}

// heatLevels is how many shades a strip has.
const heatLevels = 6

func (s *Strip) reach(x, y *extent) {
	for _, e := range s.Edges {
		x.take(e)
	}
	y.take(s.Row)
}

func (s *Strip) draw(c *canvas) {
	full := s.Full
	for _, v := range s.Value {
		if s.Full == 0 && finite(v) {
			full = math.Max(full, v)
		}
	}
	y, _ := c.y.at(s.Row)
	room := (c.bottom - c.top) / math.Max(1, float64(len(c.f.Y.Names))) * 0.7
	paths := &c.shades // one of each shade: an element a bin would be heavy
	for level := range paths {
		paths[level] = paths[level][:0]
	}
	var edge, row, height lastNum
	for i, v := range s.Value {
		share := v / full
		if !(share > 0) {
			continue
		}
		share = math.Min(share, 1)
		from, _ := c.x.at(s.Edges[i])
		to, _ := c.x.at(s.Edges[i+1])
		high := math.Max(share*room, 1)
		level := min(int(share*heatLevels), heatLevels-1)
		p := edge.append(append(paths[level], 'M'), from)
		p = row.append(append(p, ' '), y)
		p = height.append(append(p, "v-"...), high)
		p = edge.append(append(p, 'H'), math.Max(to, from+0.3))
		paths[level] = append(height.append(append(p, 'v'), high), 'z')
	}
	for level, p := range paths {
		if len(p) > 0 {
			c.printf(`<path class="heat h%d" d="`, level)
			c.b.Write(p)
			c.b.WriteString(`"/>`)
		}
	}
}

func (s *Strip) key() (string, func(c *canvas, x, y float64)) { return "", nil }

// Extents fills what a signal covers, from Low to High over each stretch of X.
type Extents struct {
	Name      string
	From, To  []float64
	Low, High []float64
	Faint     bool // stands behind the others
}

func (e *Extents) reach(x, y *extent) {
	reachAll(x, y, e.From, e.Low)
	reachAll(x, y, e.To, e.High)
}

func (e *Extents) class(c *canvas) string {
	if e.Faint {
		return "fill behind"
	}
	return "fill " + c.style(e)
}

func (e *Extents) draw(c *canvas) {
	var path strings.Builder
	for i := range e.From {
		from, ok1 := c.x.at(e.From[i])
		to, ok2 := c.x.at(e.To[i])
		low, ok3 := c.y.at(e.Low[i])
		high, ok4 := c.y.at(e.High[i])
		if ok1 && ok2 && ok3 && ok4 {
			path.WriteString("M" + num(from) + " " + num(low+0.3) + "V" + num(high-0.3) + "H" + num(math.Max(to, from+0.3)) + "V" + num(low+0.3) + "z")
		}
	}
	if path.Len() > 0 {
		c.printf(`<path class="%s" d="%s"/>`, e.class(c), path.String())
	}
}

func (e *Extents) key() (string, func(c *canvas, x, y float64)) {
	return e.Name, func(c *canvas, x, y float64) {
		c.printf(`<path class="%s" d="M%s %sv-8h16v8z"/>`, e.class(c), num(x-8), num(y+4))
	}
}

// Rule is a reference: a line across the plot at a value of X, or of Y.
type Rule struct {
	Name string
	At   float64
	OnY  bool
}

func (r *Rule) reach(x, y *extent) {
	if r.OnY {
		y.take(r.At)
		return
	}
	x.take(r.At)
}

func (r *Rule) draw(c *canvas) {
	if r.OnY {
		if y, ok := c.y.at(r.At); ok {
			c.printf(`<path class="rule" d="M%s %sH%s"/>`, num(c.left), num(y), num(c.right))
		}
		return
	}
	if x, ok := c.x.at(r.At); ok {
		c.printf(`<path class="rule" d="M%s %sV%s"/>`, num(x), num(c.top), num(c.bottom))
	}
}

func (r *Rule) key() (string, func(c *canvas, x, y float64)) {
	return r.Name, func(c *canvas, x, y float64) {
		c.printf(`<path class="rule" d="M%s %sh22"/>`, num(x-11), num(y))
	}
}
