package report

import (
	"io"

	"lapwear/cmd/internal/report/figure"
)

// markup is HTML of our own. What comes from outside is a string, which is no markup until text has escaped it.
type markup string

// pageWriter writes a page piece by piece, in the memory of one piece. A page of nodes that a template looks up by
// reflection takes several times as long.
type pageWriter struct {
	w   io.Writer
	b   []byte // not yet written
	err error  // the first; from then on nothing is written
}

// pieceLong is about how many bytes of a page are written at once.
const pieceLong = rowsAtOnce

// piece writes what there is, when it is enough or the last. It is called where a letter has ended.
func (o *pageWriter) piece(least int) {
	if len(o.b) < max(least, 1) {
		return
	}
	if o.err == nil {
		_, o.err = o.w.Write(o.b)
	}
	o.b = o.b[:0]
}

func (o *pageWriter) raw(m markup) *pageWriter {
	o.b = append(o.b, m...)
	return o
}

// text writes a text, between tags or within an attribute's quotes.
func (o *pageWriter) text(s string) *pageWriter {
	o.b = appendEscaped(o.b, s, inText)
	return o
}

// around writes a text between markup, and nothing where there is no text.
func (o *pageWriter) around(before markup, s string, after markup) *pageWriter {
	if s == "" {
		return o
	}
	return o.raw(before).text(s).raw(after)
}

// each writes texts, each between markup.
func (o *pageWriter) each(before markup, texts []string, after markup) *pageWriter {
	for _, s := range texts {
		o.raw(before).text(s).raw(after)
	}
	return o
}

// list writes texts as a list, and nothing where there are none.
func (o *pageWriter) list(before markup, texts []string, after markup) *pageWriter {
	if len(texts) == 0 {
		return o
	}
	return o.raw(before).each("\n<li>", texts, "</li>").raw(after)
}

// figure draws a figure, which escapes its texts itself.
func (o *pageWriter) figure(f *figure.Figure) *pageWriter {
	o.b = f.AppendSVG(o.b)
	o.piece(pieceLong)
	return o
}

func (o *pageWriter) page(v *view) {
	o.raw(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="`).text(v.Policy).raw(`">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="referrer" content="no-referrer">
<title>`).text(v.Component).raw(", season ").text(v.Season).raw(`: wear account</title>
<link rel="icon" href="data:,">
<style>`).raw(v.CSS).raw(`</style>
</head>
<body>
<a class="skip" href="#answer">Skip to the answer</a>
<header>
<p class="kind">Wear account</p>
<h1>`).text(v.Component).raw(`</h1>
<p class="season">Season `).text(v.Season).raw(`</p>
</header>
<nav aria-label="Sections"><ol>
<li><a href="#answer">Answer</a></li>`)
	for _, s := range v.Sections {
		o.raw("\n<li><a href=\"#").raw(s.ID).raw(`">`).text(s.Title).raw("</a></li>")
	}
	o.raw("\n</ol></nav>\n<main>")
	o.answer(v)
	for i := range v.Sections {
		o.section(&v.Sections[i])
	}
	o.raw("\n</main>\n<script>").raw(v.JS).raw("</script>\n</body>\n</html>\n")
}

func (o *pageWriter) answer(v *view) {
	o.raw(`
<section id="answer" aria-labelledby="answer-h">
<h2 id="answer-h">The answer</h2>
<div class="body">
<p class="lede">`).text(v.Lede).raw("</p>")
	o.around("\n<p class=\"coverage\">", v.Coverage, "</p>")
	for i, r := range v.Replaced {
		if i == 0 {
			o.raw("\n<p class=\"whatif\"><strong>A what-if:</strong> this page holds with values replaced on the command line, not as the season file has them: ")
		} else {
			o.raw("; ")
		}
		o.raw("<code>").text(r).raw("</code>")
	}
	if len(v.Replaced) > 0 {
		o.raw("</p>")
	}
	for _, f := range v.Failures {
		o.raw("\n<div class=\"fault\"><p><strong>Failed:</strong> ").text(f.What).raw("</p>")
		o.list("\n<ul>", f.Why, "\n</ul>").around("\n<p>", f.Remedy, "</p>").raw("\n</div>")
	}
	o.raw("\n<div class=\"verdicts\">")
	for i := range v.Verdicts {
		o.verdict(&v.Verdicts[i])
	}
	o.raw("\n</div>").list("\n<h3>What to doubt</h3>\n<ul class=\"warnings\">", v.Warnings, "\n</ul>")
	o.raw("\n<aside class=\"caution\"><p><strong>Caution.</strong> ").text(v.Caution).raw("</p></aside>\n</div>\n</section>")
}

func (o *pageWriter) verdict(v *verdict) {
	class, mark := markup("short"), markup("✗ too short")
	if v.Holds {
		class, mark = "holds", "✓ holds"
	}
	o.raw("\n<article class=\"verdict ").raw(class).raw("\">\n<h3>").text(v.Hotspot).raw(` <span class="material">`).text(v.Material)
	o.raw("</span></h3>\n<p class=\"stand\"><span class=\"figure\">").text(v.Factor).raw(`</span> <span class="wanted">of `).text(v.Wanted)
	o.raw(` wanted</span> <span class="mark">`).raw(mark).raw("</span></p>\n").figure(v.Figure).raw("\n<dl>")
	for _, f := range v.Facts {
		o.raw("\n<div><dt>").text(f.Name).raw("</dt><dd>").text(f.Text).raw("</dd></div>")
	}
	o.raw("\n</dl>").each("\n<p class=\"note\">", v.Notes, "</p>").raw("\n</article>")
}

func (o *pageWriter) section(s *section) {
	o.raw("\n<section id=\"").raw(s.ID).raw(`" aria-labelledby="`).raw(s.ID).raw("-h\">\n<h2 id=\"").raw(s.ID).raw(`-h">`).text(s.Title)
	o.raw("</h2>\n<div class=\"body\">").each("\n<p>", s.Intro, "</p>")
	if len(s.Figures) > 0 {
		o.raw("\n<div class=\"figures\">")
		for _, d := range s.Figures {
			o.raw("\n<figure>").figure(d.Figure).around("<figcaption>", d.Caption, "</figcaption>").raw("</figure>")
		}
		o.raw("\n</div>")
	}
	for _, g := range s.Grids {
		o.grid(g)
	}
	if f := s.Files; f != nil {
		if len(f.Replaced) > 0 {
			o.raw("\n<p>Replaced on the command line:</p>\n<ul class=\"code\">").each("\n<li><code>", f.Replaced, "</code></li>").raw("\n</ul>")
		}
		o.around("\n<details><summary>The season file, with every parameter</summary><pre tabindex=\"0\">", f.Settings, "</pre></details>")
	}
	o.raw("\n</div>\n</section>")
}

func (o *pageWriter) grid(g *grid) {
	o.raw("\n\n<div class=\"grid")
	if g.Wide() {
		o.raw(" wide")
	}
	if g.Bulk != "" {
		o.raw(" bulk")
	}
	o.raw(`" `)
	if g.Filter {
		o.raw("data-filter")
	}
	o.raw(">\n<p class=\"caption\" id=\"").text(g.ID).raw(`-c">`).text(g.Caption).raw("</p>")
	o.around("\n<p class=\"note printed\">", g.Bulk, "</p>")
	o.raw("\n<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-labelledby=\"").text(g.ID)
	o.raw("-c\">\n<table id=\"").text(g.ID).raw(`" aria-labelledby="`).text(g.ID).raw("-c\">\n<thead><tr>")
	for i := range g.Head {
		o.head(&g.Head[i])
	}
	o.raw("</tr></thead>\n<tbody>")
	for _, r := range g.Rows {
		o.raw("\n<tr>")
		for i := range r {
			o.b = r[i].append(o.b)
		}
		o.raw("</tr>").piece(pieceLong)
	}
	o.raw("</tbody>\n</table>\n</div>").around("\n<p class=\"note\">", g.Note, "</p>").list("\n<ul class=\"warnings\">", g.Notes, "\n</ul>").raw("\n</div>")
}

func (o *pageWriter) head(h *head) {
	o.raw(`<th scope="col"`)
	if h.Num {
		o.raw(` class="n"`)
	}
	if h.Pick {
		o.raw(` data-pick="`).text(h.Picked).raw(`"`)
	}
	o.raw(">").text(h.Text).around(" <small>", h.Unit, "</small>").raw("</th>")
}

// place is where a text stands.
type place bool

const (
	inText place = true  // of the page
	inCell place = false // of a grid
)

// appendEscaped appends a text so that nothing of it is markup.
func appendEscaped(dst []byte, s string, where place) []byte {
	done := 0
	for i := range len(s) {
		var as string
		switch s[i] {
		case '"':
			as = "&#34;"
		case '&':
			as = "&amp;"
		case '\'':
			as = "&#39;"
		case '<':
			as = "&lt;"
		case '>':
			as = "&gt;"
		case '+':
			as = "&#43;"
		case 0:
			as = "\uFFFD" // HTML has none
		default:
			continue
		}
		if where == inCell && (s[i] == '+' || s[i] == 0) {
			continue
		}
		dst, done = append(append(dst, s[done:i]...), as...), i+1
	}
	return append(dst, s[done:]...)
}
