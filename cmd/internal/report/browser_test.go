package report

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/go-cmp/cmp"
)

// browser starts headless Chromium, or skips the test where there is none.
func browser(t *testing.T) context.Context {
	t.Helper()
	path := ""
	for _, n := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(n); err == nil {
			path = p
			break
		}
	}
	switch {
	case path == "" && os.Getenv("LAPWEAR_REQUIRE") != "":
		t.Fatal("there is no chromium; install it, or unset LAPWEAR_REQUIRE")
	case path == "":
		t.Skip("there is no chromium")
	}
	const patience = 5 * time.Minute // a browser takes long to start on a busy machine
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(patience))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	ctx, stop = context.WithTimeout(ctx, patience)
	t.Cleanup(stop)
	return ctx
}

// news is what a browser says of a page: requests that are none for the page itself,
// errors and messages.
type news struct {
	mu    sync.Mutex
	lines []string
}

func (n *news) add(format string, args ...any) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.lines = append(n.lines, fmt.Sprintf(format, args...))
}

// all is what was said so far; the browser may say more at any time.
func (n *news) all() []string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return slices.Clone(n.lines)
}

func (n *news) listen(ctx context.Context, page string) {
	chromedp.ListenTarget(ctx, func(e any) {
		switch e := e.(type) {
		case *network.EventRequestWillBeSent:
			if u := e.Request.URL; u != page && u != "data:," {
				n.add("request %s", u)
			}
		case *runtime.EventExceptionThrown:
			n.add("exception %s", e.ExceptionDetails.Error())
		case *runtime.EventConsoleAPICalled:
			n.add("console %s", e.Type)
		case *log.EventEntryAdded:
			n.add("log %s: %s", e.Entry.Level, e.Entry.Text)
		}
	})
}

// served puts the page on a server of this machine and returns its address.
func served(t *testing.T, p *Page) string {
	t.Helper()
	text := rendered(t, p)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/report.html" {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		fmt.Fprint(w, text)
	}))
	t.Cleanup(s.Close)
	return s.URL + "/report.html"
}

// column reads the texts of a table's column as shown.
func column(table string, i int, into *[]string) chromedp.Action {
	return chromedp.Evaluate(fmt.Sprintf(`Array.from(document.querySelectorAll("#%s tbody tr")).filter(r => !r.hidden).map(r => r.cells[%d].textContent)`, table, i), into)
}

func TestPageInBrowser(t *testing.T) {
	ctx := browser(t)
	page := served(t, bigSeason(120))
	var n news
	n.listen(ctx, page)
	var before, sorted, again, back, filtered, scenarios, chosen []string
	var broken bool
	var name string
	err := chromedp.Run(ctx, network.Enable(), log.Enable(), runtime.Enable(),
		chromedp.Navigate(page),
		chromedp.Evaluate("window.broken === 1", &broken),
		chromedp.Evaluate(`document.querySelector("#lap-table tbody td").textContent`, &name),
		column("scenario-table", 3, &before),
		// By keyboard alone, as a reader without a mouse does it.
		chromedp.Focus("#scenario-table th:nth-child(4) button", chromedp.ByQuery),
		chromedp.KeyEvent(kb.Enter), column("scenario-table", 3, &sorted),
		chromedp.KeyEvent(kb.Enter), column("scenario-table", 3, &again),
		chromedp.KeyEvent(kb.Enter), column("scenario-table", 3, &back),
		chromedp.SendKeys("#scenario-table-filter", "CAST weld", chromedp.ByQuery), column("scenario-table", 3, &filtered),
		column("circuit-table", 10, &scenarios),
		chromedp.SetValue("#circuit-table-pick-scenario", "2", chromedp.ByQuery),
		chromedp.Evaluate(`document.querySelector("#circuit-table-pick-scenario").dispatchEvent(new Event("change"))`, nil), column("circuit-table", 10, &chosen))
	if err != nil {
		t.Fatal(err)
	}
	if said := n.all(); len(said) > 0 {
		t.Errorf("the page asked for or complained of: %s", strings.Join(said, "; "))
	}
	if broken || name != hostile {
		t.Errorf("a hostile lap name was run (%v) or is shown as %q", broken, name)
	}
	up := slices.Clone([]string{"0.800", "1.20", "1.40", "2.10", "2.90", "no limit"})
	scenarios, chosen = slices.Compact(scenarios), slices.Compact(chosen)
	down := slices.Clone(up)
	slices.Reverse(down)
	for _, c := range []struct {
		reason    string
		got, want []string
	}{
		{"first press: greatest first, without end above all", sorted, down},
		{"second press: least first", again, up},
		{"third press: the table's own order", back, before},
		{"filter by words in any order and case", filtered, []string{"0.800"}},
		{"of scenarios, the base is chosen at first", scenarios, []string{"base"}},
		{"another may be chosen by keyboard", chosen, []string{"cast-cradle"}},
	} {
		if d := cmp.Diff(c.want, c.got); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.reason, d)
		}
	}
}

// legible is what a script measures of the page: how far it reaches beyond the window,
// and the smallest text in CSS pixels, that of figures as they are scaled.
type legible struct {
	Beyond   float64
	Smallest float64
	What     string
	Outside  []string // texts of figures that are cut at their edge
}

const measure = `(() => {
	let smallest = 1e9, what = "", outside = [];
	for (const e of document.querySelectorAll("p,td,th,li,dt,dd,h1,h2,h3,.caption,label,text,small")) {
		if (!e.textContent.trim() || !e.getClientRects().length) continue;
		let size = parseFloat(getComputedStyle(e).fontSize);
		if (e.ownerSVGElement) size *= e.ownerSVGElement.getBoundingClientRect().width / e.ownerSVGElement.viewBox.baseVal.width;
		if (size < smallest) { smallest = size; what = e.textContent.slice(0, 40); }
	}
	for (const e of document.querySelectorAll("svg text")) {
		const b = e.getBBox(), v = e.ownerSVGElement.viewBox.baseVal;
		if (b.x < -0.5 || b.x + b.width > v.width + 0.5) outside.push(e.textContent);
	}
	return {Outside: outside, Beyond: document.documentElement.scrollWidth - innerWidth, Smallest: smallest, What: what};
})()`

func TestPageIsLegible(t *testing.T) {
	ctx := browser(t)
	page := served(t, bigSeason(500))
	for _, c := range []struct {
		reason        string
		width, height int64
	}{{"a phone", 390, 844}, {"a laptop", 1280, 800}} {
		for _, scheme := range []string{"light", "dark"} {
			var m legible
			var shot []byte
			actions := []chromedp.Action{emulation.SetDeviceMetricsOverride(c.width, c.height, 1, false),
				emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
				chromedp.Navigate(page), chromedp.Evaluate(measure, &m)}
			dir := os.Getenv("LAPWEAR_SCREENSHOTS") // where a person who wants to look finds them
			if dir != "" {
				actions = append(actions, chromedp.FullScreenshot(&shot, 100))
			}
			if err := chromedp.Run(ctx, actions...); err != nil {
				t.Fatal(err)
			}
			if m.Beyond > 0 {
				t.Errorf("%s, %s: the page is %v px wider than the window", c.reason, scheme, m.Beyond)
			}
			if len(m.Outside) > 0 {
				t.Errorf("%s, %s: texts beyond the edge of their figure: %q", c.reason, scheme, m.Outside)
			}
			if m.Smallest < 10 { // common practice, no source
				t.Errorf("%s, %s: text %q is %.1f px high, want at least 10", c.reason, scheme, m.What, m.Smallest)
			}
			if dir != "" {
				if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("report-%d-%s.png", c.width, scheme)), shot, 0o666); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// TestContrast holds the page's colours against WCAG 2.1, success criterion 1.4.3: text
// needs a contrast of 4.5 with its ground; computed as that document defines it.
func TestContrast(t *testing.T) {
	ctx := browser(t)
	page := served(t, bigSeason(60))
	const script = `(() => {
	const lum = c => { const v = c.match(/[\d.]+/g).slice(0, 3).map(x => x / 255).map(x => x <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4); return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
	const ground = lum(getComputedStyle(document.documentElement).backgroundColor);
	const low = new Set();
	for (const e of document.querySelectorAll("p,td,th,li,dt,dd,h1,h2,h3,caption,label,a,small,text")) {
		const s = getComputedStyle(e), l = lum(e.ownerSVGElement ? s.fill : s.color);
		const k = (Math.max(l, ground) + 0.05) / (Math.min(l, ground) + 0.05);
		if (k < 4.5) low.add(e.tagName + " " + e.className + " " + k.toFixed(2));
	}
	return Array.from(low);
})()`
	for _, scheme := range []string{"light", "dark"} {
		var low []string
		err := chromedp.Run(ctx, emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
			chromedp.Navigate(page), chromedp.Evaluate(script, &low))
		if err != nil {
			t.Fatal(err)
		}
		if len(low) > 0 {
			t.Errorf("%s: too little contrast: %s", scheme, strings.Join(low, "; "))
		}
	}
}
