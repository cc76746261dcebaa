package cli

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"lapwear/cmd/internal/slurm"
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
	if f, ok := bare(a.err).(*os.File); ok && !a.quiet && term.IsTerminal(int(f.Fd())) {
		p.bar = progressbar.NewOptions(0, progressbar.OptionSetWriter(f), progressbar.OptionSetWidth(30),
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
	if p.speaks() {
		p.say(e.Task.Stage.Name(), fmt.Sprintf("%d of %d steps done, now at %s", e.Done, e.Total, e.Task.Name), e.Done, e.Total)
	}
}

// say shows how far something is: what it is beside a bar, or else a line.
func (p *progress) say(what, line string, done, total int) {
	switch {
	case !p.speaks():
	case p.bar != nil:
		p.bar.ChangeMax(total)
		p.bar.Describe(what)
		p.bar.Set(done)
	default:
		p.last = p.now()
		fmt.Fprintln(p.w, line)
	}
}

// speaks tells whether there is something to say now.
func (p *progress) speaks() bool {
	return !p.a.quiet && (p.bar != nil || p.now().Sub(p.last) >= lineEvery)
}

func (p *progress) close() {
	if p.bar != nil {
		p.bar.Finish()
	}
}

// written shows how far the writing of a season is.
func (p *progress) written(done, total int) {
	p.say("write", fmt.Sprintf("%d of %d recordings written", done, total), done, total)
}

// shards shows how far a cluster's jobs are.
func (p *progress) shards(what string, s slurm.Progress) {
	state := fmt.Sprintf("%d running, %d waiting", s.Running, s.Waiting)
	if s.Reason != "" {
		state += " (" + s.Reason + ")"
	}
	p.say(what+": "+state, fmt.Sprintf("%s: %d of %s done, %s", what, s.Done, plural(s.Total, "job"), state), s.Done, s.Total)
}
