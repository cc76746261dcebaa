package season

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"runtime"
	"slices"
	"sync"

	"lapwear/pipeline"
	"lapwear/stages/ingest"
)

// Checked is all that a look at a season's files tells.
type Checked struct {
	Season   *Season // nil where there are faults
	Laps     int     // in the manifest, as far as it could be read
	Faults   Faults
	Warnings Faults
	SetAside []LapFaults // in driven order
}

// LapFaults is a lap that a run would set aside, and all that speaks against it.
type LapFaults struct {
	Lap     string   `json:"lap_id"`
	Reasons []string `json:"reasons"`
}

// Check reads a season's files as Load does and looks at every recording that a run
// would read, for what is told by its columns, its first rows and its end: see
// ingest.Inspect. A fault in one place does not keep the others from being looked at:
// beside faults, the recordings are checked by what of the season file is valid.
func Check(path string, o LoadOptions) Checked {
	l := newLoader(path)
	doc := l.read()
	for _, set := range o.Set {
		doc = l.set(doc, set)
	}
	if doc == nil {
		return Checked{Faults: l.faults.sorted()}
	}
	s := l.season(doc)
	c := Checked{Season: s, Faults: l.faults.sorted(), Warnings: l.warnings.sorted()}
	if c.Faults == nil {
		c.Laps, c.SetAside = len(s.Laps), s.Signal.inspect(s.readings())
		return c
	}
	c.Season = nil
	if m := l.manifests[s.LapsFile]; m != nil {
		s.Laps = m.laps
	}
	c.Laps, c.SetAside = len(s.Laps), s.Signal.inspect(s.validReadings())
	return c
}

// reading is what a run would read of a recording for a lap.
type reading struct {
	lap, path string
	params    ingest.Params
}

// readings lists what a run of a valid season would read, in driven order.
func (s *Season) readings() []reading {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	b.calibrations(false)
	b.choose(func(pipeline.TaskID) (string, bool) { return "", false })
	b.season()
	var out []reading
	for _, q := range b.qualities {
		t := b.graph.Task(q.task)
		if p, ok := t.Stage.(ingest.Params); ok {
			p.Channels, p.Ranges = slices.Clone(p.Channels), nil
			p.Channels = slices.DeleteFunc(p.Channels, func(c ingest.Channel) bool { return !b.used(q.task, c.Name) })
			out = append(out, reading{q.lap, t.Source, p})
		}
	}
	order := make(map[string]int, len(s.Laps))
	for i, l := range s.Laps {
		order[l.ID] = i
	}
	slices.SortStableFunc(out, func(a, b reading) int { return order[a.lap] - order[b.lap] })
	return out
}

// used tells whether a use of what a task reads needs a channel: those that are only
// compared with a calibration's take no lap from it.
func (b *graphBuilder) used(task pipeline.TaskID, channel string) bool {
	return slices.ContainsFunc(b.uses[task], func(own []string) bool { return slices.Contains(own, channel) })
}

// validReadings lists what a run would read of the laps whose rows name a recording, by
// those hot spots, channels and times of a season with faults that make sense.
func (s *Season) validReadings() []reading {
	axis := ingest.Time(s.Time)
	timed := s.Time.Column == "" && s.Time.Rate > 0 || s.Time.Column != "" && s.Time.Scale > 0
	if !timed {
		axis = ingest.Time{Rate: 1}
	}
	var out []reading
	for i := range s.Laps {
		l := &s.Laps[i]
		if l.Path == "" || l.ID == "" {
			continue
		}
		p := ingest.Params{Time: axis, StartS: l.StartS, EndS: l.EndS}
		if !timed {
			p.StartS, p.EndS = math.NaN(), math.NaN()
		}
		need := s.needed(l)
		for _, c := range s.Channels {
			if !need[c.Name] || c.Column == "" {
				continue
			}
			if _, _, known := UnitScale(c.Unit); !known {
				c.Unit = "" // takes any
			}
			p.Channels = append(p.Channels, ingest.Channel{Name: c.Name, Column: c.Column, Unit: c.Unit})
		}
		if s.Time.Column != "" && timed || len(p.Channels) > 0 {
			out = append(out, reading{l.ID, l.Path, p})
		}
	}
	return out
}

// needed names the channels that a lap has to have.
func (s *Season) needed(l *Lap) map[string]bool {
	need := map[string]bool{}
	sc := &Scenario{Season: s}
	for i := range s.Hotspots {
		h := &s.Hotspots[i]
		candidates := (&spot{scenario: sc, Hotspot: h}).candidates()
		if l.Calibrates() && h.Gauge != "" {
			need[h.Gauge] = true
			for _, c := range candidates {
				need[c] = true
			}
		}
		if l.Counts() && len(candidates) > 0 {
			need[candidates[0]] = true
		}
	}
	return need
}

// inspect looks at the recordings, each file once, several at a time.
func (sig Signal) inspect(readings []reading) []LapFaults {
	byPath := map[string][]int{}
	for i, r := range readings {
		byPath[r.path] = append(byPath[r.path], i)
	}
	paths := slices.Sorted(maps.Keys(byPath))
	reasons := make([][]string, len(readings))
	var workers sync.WaitGroup
	next := make(chan string)
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for path := range next {
				of := byPath[path]
				laps := make([]ingest.Params, len(of))
				for k, i := range of {
					laps[k] = readings[i].params
				}
				for k, found := range ingest.Inspect(path, laps) {
					reasons[of[k]] = sig.reasons(path, found)
				}
			}
		})
	}
	for _, path := range paths {
		next <- path
	}
	close(next)
	workers.Wait()
	return gather(readings, reasons)
}

// reasons says why a lap would be set aside.
func (sig Signal) reasons(path string, found ingest.Inspection) []string {
	var out []string
	for _, err := range found.Faults {
		if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("there is no file %q; correct the manifest or bring the recording", path)
		}
		out = append(out, err.Error())
	}
	if top := max(sig.BandLow, sig.BandHigh); top >= found.Rate/2 {
		out = append(out, fmt.Sprintf("recording %q: the band reaches %g Hz, and half of the recording's rate is %.4g Hz; lower the band's end, or leave the lap out",
			path, top, found.Rate/2))
	}
	return out
}

// gather puts together what was found of each lap, each reason once.
func gather(readings []reading, reasons [][]string) []LapFaults {
	out := []LapFaults{}
	at := map[string]int{}
	for i, r := range readings {
		for _, why := range reasons[i] {
			k, known := at[r.lap]
			if !known {
				k = len(out)
				at[r.lap] = k
				out = append(out, LapFaults{Lap: r.lap})
			}
			if !slices.Contains(out[k].Reasons, why) {
				out[k].Reasons = append(out[k].Reasons, why)
			}
		}
	}
	return out
}
