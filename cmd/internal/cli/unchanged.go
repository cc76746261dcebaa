package cli

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"os"
	"sync"

	"lapwear/cache"
	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

// made is what a run leaves to tell what the files of its output folder were made from, and what they held. A run that would make
// them of the same leaves them as they are, if they still hold it.
type made struct {
	From string
	Held string
}

// madeName is the name of what was made among the cache's run records.
func madeName(out string) string { return out + "\x00made" }

// outputs are the files that a run of a season publishes.
type outputs struct {
	folder string
	made   string // the hash of all that they are made from
	store  *cache.Store
}

// bringOutputsUp writes the files of the output folder, unless they are what they would be. The workbook
// has been begun.
func (a *app) bringOutputsUp(w *opened, o runOptions, outcome *season.Outcome, book begunBook) error {
	doubt, err := doubts(w.Season, outcome)
	if err != nil {
		return err
	}
	in := inputs(w, outcome)
	list, page := inputsFile(w.Season, outcome, in), reportPage(w.Season, outcome, in, o.set)
	w.rig = w.rigFiles() // before they are read: what comes meanwhile is for the next run
	page.Warnings, page.Rig = append(doubt, page.Warnings...), rigTest(w.out, outcome.Tables)
	files, err := outputsOf(w, outcome, page, list)
	if err != nil {
		return err
	}
	held, current := files.current()
	if current {
		(&folder.Set{Dir: w.out, Owned: published}).Tidy()
	} else {
		if page.Lives, err = seasonLives(w.Season, outcome.Tables); err != nil {
			return err
		}
		shown := folder.File{Name: reportName, Write: page.WriteHTML}
		set, err := a.writeResults(w, outcome, book, shown, list)
		if err != nil {
			return err
		}
		if held, err = heldFiles(w.out, w.store, set); err != nil {
			held = nil // the next run writes the files again
		}
	}
	if w.files = held; held != nil && !current {
		w.note = func() { files.remember(held) }
	}
	return nil
}

// outputsOf hashes what the files of an output folder are made from: the program, the list of inputs, tables, figures,
// and what the report says besides. Its part on specimens follows from these.
func outputsOf(w *opened, o *season.Outcome, page *report.Page, list folder.File) (outputs, error) {
	h := sha256.New()
	fmt.Fprintf(h, "%q", program())
	if err := list.Write(h); err != nil {
		return outputs{}, err
	}
	texts := *page
	texts.Tables, texts.Evidence, texts.Rig, texts.Lives = nil, nil, nil, nil // no pointer is left
	texts.Inputs = nil                                                        // they are in the list
	fmt.Fprintf(h, "%#v", texts)                                              // each text in quotes
	err := errors.Join(addTables(h, o), addRig(h, page.Rig))
	return outputs{w.out, hex.EncodeToString(h.Sum(nil)), w.store}, err
}

// addTables hashes a run's frames, the tables by what their tasks have found that they hold.
func addTables(h hash.Hash, o *season.Outcome) error {
	add := func(name string, f *frame.Frame) error {
		fmt.Fprintf(h, "%q", name)
		if f == nil {
			return nil
		}
		return f.EncodeTo(h)
	}
	for _, t := range o.Tables {
		fmt.Fprintf(h, "%q %x", t.Name, t.ID)
	}
	for _, e := range o.Evidence {
		for _, f := range []*frame.Frame{e.Overlay, e.Scatter, e.Response, e.Residuals, e.PerLap} {
			if err := add(e.Scenario+"/"+e.Hotspot, f); err != nil {
				return err
			}
		}
	}
	return nil
}

// addRig hashes what the report shows of the rig test.
func addRig(h hash.Hash, rig *report.RigTest) error {
	if rig == nil {
		return nil
	}
	fmt.Fprintf(h, "rig %q", rig.Notes)
	for i, tables := range [][]report.Table{rig.Plan, rig.Check, rig.Ballast} {
		for _, t := range tables {
			fmt.Fprintf(h, "%d %q", i, t.Name)
			if err := t.Frame.EncodeTo(h); err != nil {
				return err
			}
		}
	}
	return nil
}

// program tells one build from another: another may lay the files out in another way. It is what the file held when it was first
// asked for, which a run does as it starts: later another build may be in its place.
var program = sync.OnceValue(programFile)

func programFile() string {
	path, err := os.Executable()
	if err != nil {
		return version()
	}
	info, err := os.Stat(path)
	if err != nil {
		return version()
	}
	return fmt.Sprintf("%s %d %d", version(), info.Size(), info.ModTime().UnixNano())
}

// current tells whether the folder holds what the last run left in it, made of the same, and if so, what that is.
func (o outputs) current() ([]heldFile, bool) {
	var was made
	data, miss := o.store.Run(madeName(o.folder))
	if miss != "" || json.Unmarshal(data, &was) != nil || was.From != o.made || was.Held == "" {
		return nil, false
	}
	held, err := heldFiles(o.folder, o.store, folder.Set{})
	if err != nil || was.Held != heldSum(held) {
		return nil, false
	}
	return held, true
}

// heldSum hashes the names of files and what they hold.
func heldSum(files []heldFile) string {
	h := sha256.New()
	for _, f := range files {
		fmt.Fprintf(h, "%q %x", f.Name, f.ID)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// remember notes what the folder holds.
func (o outputs) remember(held []heldFile) {
	if text, err := json.Marshal(made{o.made, heldSum(held)}); err == nil {
		_ = o.store.NoteRun(madeName(o.folder), text) // without it the next run writes the files again
	}
}
