package figure

// CSS is the style of all figures; a page includes it once. Its colours are those of
// M. Okabe and K. Ito, "Color Universal Design" (2008), which people with any colour
// vision tell apart, lightened for a dark ground; each series has a dash and a shape too.
const CSS = `
:root{--fig-ink:#1d2327;--fig-soft:#56616a;--fig-hair:#d9dcd8;--fig-paper:#fff;--fig-1:#0072b2;--fig-2:#d55e00;--fig-3:#00795a;--fig-4:#a8447c;--fig-5:#9a6a00;--fig-6:#4b5a64;--fig-rule:#1d2327}
@media screen and (prefers-color-scheme:dark){:root{--fig-ink:#e9e6df;--fig-soft:#a9b0b3;--fig-hair:#3a4145;--fig-paper:#16191b;--fig-1:#56b4e9;--fig-2:#ff8a47;--fig-3:#3fcfa2;--fig-4:#e79fc6;--fig-5:#f0b840;--fig-6:#b8c2c8;--fig-rule:#e9e6df}}
.fig text{font:11px system-ui,-apple-system,"Segoe UI","DejaVu Sans",sans-serif;fill:var(--fig-ink)}
.fig .head{font-size:13px;font-weight:600}
.fig .soft{fill:var(--fig-soft)}
.fig .paper{fill:var(--fig-paper)}
.fig .hair{stroke:var(--fig-hair);fill:none}
.fig .axis{stroke:var(--fig-soft);fill:none}
.fig .rule{stroke:var(--fig-rule);stroke-width:1.5;stroke-dasharray:1 3;stroke-linecap:round;fill:none}
.fig .line{fill:none;stroke-width:1.5;stroke-linejoin:round;stroke:var(--c)}
.fig .faint{stroke-opacity:.3;stroke-width:1}
.fig .cloud{fill:none;stroke-width:2.2;stroke-linecap:round;stroke:var(--c);stroke-opacity:.55}
.fig .dot{fill:var(--c);stroke:var(--fig-paper);stroke-width:.8}
.fig .bar{fill:var(--c);fill-opacity:.75}
.fig .slim{fill-opacity:1}
.fig .fill{fill:var(--c);stroke:none}.fig .behind{fill:var(--fig-soft);fill-opacity:.4}
.fig .whisker{stroke:var(--c);stroke-width:1.4;fill:none}
.fig .s1{--c:var(--fig-1)}.fig .s2{--c:var(--fig-2);stroke-dasharray:7 3}.fig .s3{--c:var(--fig-3);stroke-dasharray:2 2}
.fig .s4{--c:var(--fig-4);stroke-dasharray:9 2 2 2}.fig .s5{--c:var(--fig-5);stroke-dasharray:4 4}.fig .s6{--c:var(--fig-6);stroke-dasharray:1 3}
.fig .dot,.fig .cloud,.fig .bar,.fig .whisker{stroke-dasharray:none}
.fig .heat{fill:var(--fig-2)}.fig .h0{fill-opacity:.3}.fig .h1{fill-opacity:.44}.fig .h2{fill-opacity:.58}.fig .h3{fill-opacity:.72}.fig .h4{fill-opacity:.86}
`
