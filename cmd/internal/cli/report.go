package cli

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"

	"lapwear/cache/key"
	"lapwear/cmd/internal/report"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages/calibrate"
)

// reportName is the name of the report beside the tables.
const reportName = "report.html"

func reportPage(s *season.Season, o *season.Outcome, in []report.Input, set []string) *report.Page {
	p := &report.Page{Component: s.Component, Season: s.Season, Caution: oneLine(caution), Total: o.Laps.Total, Replaced: set, Survival: s.Damage.Survival}
	p.Tables = reported(o.Tables)
	for _, l := range o.Laps.SetAside {
		p.SetAside = append(p.SetAside, report.SetAside{Lap: l.Lap, Reason: oneLine(l.Reason)})
	}
	for _, w := range s.Warnings {
		p.Warnings = append(p.Warnings, shownWarning(w))
	}
	for _, f := range o.Failures {
		p.Failures = append(p.Failures, failed(f))
	}
	if text, err := os.ReadFile(s.Path); err == nil {
		p.Settings = string(text)
	}
	for _, e := range o.Evidence {
		p.Evidence = append(p.Evidence, report.Evidence(e))
	}
	p.Inputs = in
	return p
}

// failed takes a failure apart into what a reader sees of it.
func failed(f pipeline.Failure) report.Failure {
	head, why, remedy := calibrate.Reasons(f.Reason)
	out := report.Failure{What: f.Task + ": " + oneLine(head), Remedy: oneLine(remedy)}
	for _, w := range why {
		out.Why = append(out.Why, oneLine(w))
	}
	return out
}

// shownWarning says where in the season file a warning stands, whatever folder it is in.
func shownWarning(f season.Fault) string {
	f.File = filepath.Base(f.File)
	return f.Error()
}

// inputs lists the files that a run has read: the season's own, then the recordings in driven order. What is in their place by now is not looked at.
func inputs(w *opened, o *season.Outcome) []report.Input {
	s, contents, had := w.Season, w.Contents(), w.hadBy(o)
	hash := func(path string) string {
		if id, ok := contents[path]; ok && id != (key.ID{}) {
			return hex.EncodeToString(id[:])
		}
		return fileHash(path)
	}
	out := []report.Input{
		{Role: "season file", Path: filepath.Base(s.Path), SHA256: hash(s.Path)},
		{Role: "manifest", Path: relative(s, s.LapsFile), SHA256: hash(s.LapsFile)}}
	if s.CalendarFile != "" {
		out = append(out, report.Input{Role: "calendar", Path: relative(s, s.CalendarFile), SHA256: hash(s.CalendarFile)})
	}
	if f := s.Specimens.File; f != "" {
		out = append(out, report.Input{Role: "specimens", Path: relative(s, f), SHA256: hash(f)})
	}
	at := map[string]int{}
	for _, l := range s.Laps {
		i, ok := at[l.Path]
		if !ok {
			i = len(out)
			at[l.Path] = i
			in := report.Input{Role: "recording", Path: l.File}
			if id, ok := had(l.Path); ok {
				in.SHA256 = hex.EncodeToString(id[:])
			}
			out = append(out, in)
		}
		out[i].Laps++
	}
	return out
}

func relative(s *season.Season, path string) string {
	if r, err := filepath.Rel(s.Dir, path); err == nil {
		return filepath.ToSlash(r)
	}
	return filepath.Base(path)
}

// fileHash returns a small file's SHA-256, "" when it cannot be read.
func fileHash(path string) string {
	data, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
