package cli

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"lapwear/pipeline"
)

// progress shows how far a run is: a bar on a terminal, else a line now and then.
type progress struct {
	a    *app
	bar  *progressbar.ProgressBar
	w    io.Writer
	last time.Time
	now  func() time.Time
}

// lineEvery spaces the lines where there is no terminal, and is how long a run may
// take before it says anything at all.
const lineEvery = 5 * time.Second

func (a *app) newProgress() *progress {
	p := &progress{a: a, w: a.err, now: time.Now, last: time.Now()}
	if f, ok := a.err.(*os.File); ok && !a.quiet && term.IsTerminal(int(f.Fd())) {
		p.bar = progressbar.NewOptions(0, progressbar.OptionSetWriter(a.err), progressbar.OptionSetWidth(30),
			progressbar.OptionShowCount(), progressbar.OptionThrottle(100*time.Millisecond),
			progressbar.OptionClearOnFinish(), progressbar.OptionSetPredictTime(true))
	}
	return p
}

func (p *progress) event(e pipeline.Event) {
	if e.Warning != "" {
		p.a.warnf("%s", e.Warning)
		return
	}
	switch {
	case p.a.quiet:
	case p.bar != nil:
		p.bar.ChangeMax(e.Total)
		p.bar.Describe(e.Task.Stage.Name())
		p.bar.Set(e.Done)
	case p.now().Sub(p.last) >= lineEvery:
		p.last = p.now()
		fmt.Fprintf(p.w, "%d of %d steps done, now at %s\n", e.Done, e.Total, e.Task.Name)
	}
}

func (p *progress) close() {
	if p.bar != nil {
		p.bar.Finish()
	}
}

// written shows how far the writing of a season is.
func (p *progress) written(done, total int) {
	switch {
	case p.a.quiet:
	case p.bar != nil:
		p.bar.ChangeMax(total)
		p.bar.Describe("write")
		p.bar.Set(done)
	case p.now().Sub(p.last) >= lineEvery:
		p.last = p.now()
		fmt.Fprintf(p.w, "%d of %d recordings written\n", done, total)
	}
}
